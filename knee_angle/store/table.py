"""Kept measurements as a flat table or as JSON lines, for a spreadsheet or a study."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from knee_angle.report import contract
from knee_angle.store.codec import to_json
from knee_angle.store.records import (
    KeptKnee,
    KeptMeasurement,
    KeptVisit,
    StoredMeasurement,
    StoredVisit,
)

__all__ = ["KEPT_COLUMNS", "csv_of", "json_lines_of", "visit_lines_of"]

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

_JOINT: dict[str, Callable[[KeptVisit, KeptKnee], Any]] = {
    "visit_knee_deg": lambda _, knee: knee.deg,
    "visit_knee_u_deg": lambda _, knee: knee.u_deg,
    "visit_arc_deg": lambda visit, _: visit.arc_deg,
    "visit_arc_u_deg": lambda visit, _: visit.arc_u_deg,
    "visit_finding": lambda visit, _: visit.finding,
}
"""What all photos of the visit together say, where that stands."""

KEPT_COLUMNS = (*_TAKEN, *_JOINT)
"""Columns about the keeping, before those of the measurement (`contract.CSV_COLUMNS`)."""


def csv_of(stored: Iterable[StoredMeasurement], visits: Iterable[KeptVisit] = ()) -> Iterator[str]:
    """RFC 4180 text, piece by piece, header first; cells that a spreadsheet would run are safe."""
    columns, joint = (*KEPT_COLUMNS, *contract.CSV_COLUMNS), _joint_of(visits)
    yield contract.csv_lines([], columns, header=True)
    for one in stored:
        flat = {
            **_kept(one, joint),
            **contract.as_flat(one.contract),
            "photo_sha256": one.photo_sha256,
        }
        yield contract.csv_lines([flat], columns, header=False)


def json_lines_of(
    stored: Iterable[StoredMeasurement], visits: Iterable[KeptVisit] = ()
) -> Iterator[str]:
    """One JSON object a line: the result's contract, with what was kept about it."""
    joint = _joint_of(visits)
    for one in stored:
        row = {**one.contract, "kept": _kept(one, joint), "settings": to_json(one.settings)}
        yield json.dumps(row, allow_nan=False) + "\n"


def visit_lines_of(stored: Iterable[StoredVisit]) -> Iterator[str]:
    """One JSON object a line: a visit's joint result with its covariance, and its rows."""
    for one in stored:
        visit = one.row
        kept = {
            "id": visit.id,
            "person": visit.person,
            "machine": visit.machine,
            "taken_at": visit.taken_at.isoformat(),
            "saved_at": visit.saved_at.isoformat(),
            "who": visit.who,
            "corrects": visit.corrects,
            "corrected_by": visit.corrected_by,
            "withdrawn": visit.withdrawn,
            "whole": visit.whole,
            "measurements": list(visit.measurements),
        }
        row = {**one.contract, "kept": kept, "settings_used": to_json(one.settings)}
        yield json.dumps(row, allow_nan=False) + "\n"


def _joint_of(visits: Iterable[KeptVisit]) -> dict[str, Json]:
    """The joint answer's columns by the row of each photo."""
    return {
        row_id: {name: take(visit, knee) for name, take in _JOINT.items()}
        for visit in visits
        if visit.counts
        for knee in visit.knees
        for row_id in knee.measurements
    }


def _kept(one: StoredMeasurement, joint: dict[str, Json]) -> Json:
    taken = {name: take(one.row) for name, take in _TAKEN.items()}
    together = joint.get(one.row.id, dict.fromkeys(_JOINT))
    return {**taken, **together, "photo_sha256": one.photo_sha256}
