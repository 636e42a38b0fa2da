"""Kept measurements as a flat table or as JSON lines, for a spreadsheet or a study."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from knee_angle.report import contract
from knee_angle.store.codec import to_json
from knee_angle.store.records import KeptMeasurement, StoredMeasurement

__all__ = ["KEPT_COLUMNS", "csv_of", "json_lines_of"]

Json = dict[str, Any]

_TAKEN: dict[str, Callable[[KeptMeasurement], Any]] = {
    "id": lambda row: row.id,
    "person": lambda row: row.person,
    "machine": lambda row: row.machine,
    "taken_at": lambda row: row.taken_at.isoformat(),
    "taken_at_given": lambda row: row.taken_at_given,
    "saved_at": lambda row: row.saved_at.isoformat(),
    "who": lambda row: row.who,
    "corrects": lambda row: row.corrects,
    "corrected_by": lambda row: row.corrected_by,
    "withdrawn": lambda row: row.withdrawn,
    "end": lambda row: row.setup.end,
    "set_flexion_deg": lambda row: row.setup.flexion_deg,
    "set_extension_deg": lambda row: row.setup.extension_deg,
    "set_speed": lambda row: row.setup.speed,
    "bed_head_deg": lambda row: row.setup.bed_head_deg,
    "hours_of_use": lambda row: row.setup.hours_of_use,
    "ticks": lambda row: " ".join(row.setup.ticks),
    "visit": lambda row: row.setup.visit,
    "setting": lambda row: row.setup.setting,
}
"""Each column about the keeping, with where its value comes from."""

KEPT_COLUMNS = tuple(_TAKEN)
"""Columns about the keeping, before those of the measurement (`contract.CSV_COLUMNS`)."""


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
    taken = {name: take(one.row) for name, take in _TAKEN.items()}
    return {**taken, "photo_sha256": one.photo_sha256}
