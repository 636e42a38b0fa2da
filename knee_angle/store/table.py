"""Kept measurements as a flat table or as JSON lines, for a spreadsheet or a study."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from typing import Any

from knee_angle.report import contract
from knee_angle.store.codec import to_json
from knee_angle.store.records import StoredMeasurement

__all__ = ["KEPT_COLUMNS", "csv_of", "json_lines_of"]

Json = dict[str, Any]

KEPT_COLUMNS = (
    "id",
    "person",
    "machine",
    "taken_at",
    "taken_at_given",
    "saved_at",
    "who",
    "corrects",
    "corrected_by",
    "withdrawn",
    "end",
    "set_flexion_deg",
    "set_extension_deg",
    "set_speed",
    "bed_head_deg",
    "hours_of_use",
    "ticks",
)
"""Columns about the keeping, before those of the measurement (`exchange.CSV_COLUMNS`)."""


def csv_of(stored: Iterable[StoredMeasurement]) -> Iterator[str]:
    """RFC 4180 text, piece by piece, header first; cells that a spreadsheet would run are safe."""
    columns = (*KEPT_COLUMNS, *contract.CSV_COLUMNS)
    yield contract.csv_lines([], columns, header=True)
    for one in stored:
        flat = {**_kept(one), **contract.as_flat(one.contract), "photo_sha256": one.photo_sha256}
        yield contract.csv_lines([flat], columns, header=False)


def json_lines_of(stored: Iterable[StoredMeasurement]) -> Iterator[str]:
    """One JSON object a line: the result's contract, with what was kept about it."""
    for one in stored:
        row = {**one.contract, "kept": _kept(one), "settings": to_json(one.settings)}
        yield json.dumps(row, allow_nan=False) + "\n"


def _kept(one: StoredMeasurement) -> Json:
    row, setup = one.row, one.row.setup
    return {
        "id": row.id,
        "person": row.person,
        "machine": row.machine,
        "taken_at": row.taken_at.isoformat(),
        "taken_at_given": row.taken_at_given,
        "saved_at": row.saved_at.isoformat(),
        "who": row.who,
        "corrects": row.corrects,
        "corrected_by": row.corrected_by,
        "withdrawn": row.withdrawn,
        "end": setup.end,
        "set_flexion_deg": setup.flexion_deg,
        "set_extension_deg": setup.extension_deg,
        "set_speed": setup.speed,
        "bed_head_deg": setup.bed_head_deg,
        "hours_of_use": setup.hours_of_use,
        "ticks": " ".join(setup.ticks),
        "photo_sha256": one.photo_sha256,
    }
