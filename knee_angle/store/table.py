"""Kept measurements as a flat table or as JSON lines, for a spreadsheet or a study."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from typing import Any, get_args

from knee_angle.errors import KneeAngleError, StoreError
from knee_angle.files import words_of
from knee_angle.language import say
from knee_angle.records import FindingKind
from knee_angle.report import contract
from knee_angle.report.columns import COLUMNS, Column
from knee_angle.store.checklist import CHECKLIST
from knee_angle.store.codec import to_json
from knee_angle.store.records import (
    End,
    KeptKnee,
    KeptMeasurement,
    KeptVisit,
    StoredMeasurement,
    StoredVisit,
)

__all__ = [
    "KEPT_COLUMNS",
    "SETUP",
    "csv_of",
    "flat_columns",
    "flat_rows",
    "joint_columns",
    "joint_of",
    "json_lines_of",
    "kept_row",
    "place_columns",
    "row_of",
    "setup_columns",
    "visit_lines_of",
    "written_out",
]

Json = dict[str, Any]


class DamagedRowError(StoreError, ValueError):
    """A kept row that cannot be written out."""


Taking = Callable[[KeptMeasurement], Any]

_ROW: tuple[tuple[Column, Taking], ...] = (
    (Column("id", "text", None, "identifier of the row", ()), lambda row: row.id),
    (Column("person", "text", None, "the person's code", ()), lambda row: row.person),
    (Column("machine", "text", None, "the machine's code", ()), lambda row: row.machine),
    (
        Column("taken_at", "text", None, "when the photo was taken, ISO 8601, UTC", ()),
        lambda row: row.taken_at.isoformat(),
    ),
    (
        Column(
            "taken_at_given", "flag", None,
            "whether a time was given; else taken_at is saved_at", (),
        ),
        lambda row: row.taken_at_given,
    ),
    (
        Column("saved_at", "text", None, "when the row was kept, ISO 8601, UTC", ()),
        lambda row: row.saved_at.isoformat(),
    ),
    (Column("who", "text", None, "the account that kept the row", ()), lambda row: row.who),
    (Column("corrects", "text", None, "the row that this one replaces", ()),
     lambda row: row.corrects),
    (Column("corrected_by", "text", None, "the row that replaces this one", ()),
     lambda row: row.corrected_by),
    (Column("withdrawn", "flag", None, "whether the row was withdrawn", ()),
     lambda row: row.withdrawn),
)  # fmt: skip

SETUP: tuple[tuple[Column, Taking], ...] = (
    (Column("end", "text", None, "end of the range where the machine was paused", (),
            codes=get_args(End)),
     lambda row: row.setup.end),
    (Column("set_flexion_deg", "number", "degrees", "flexion limit set on the machine", ()),
     lambda row: row.setup.flexion_deg),
    (Column("set_extension_deg", "number", "degrees", "extension limit set on the machine", ()),
     lambda row: row.setup.extension_deg),
    (Column("set_speed", "number", None, "speed set on the machine, in its own unit", ()),
     lambda row: row.setup.speed),
    (Column("bed_head_deg", "number", "degrees", "angle of the head of the bed", ()),
     lambda row: row.setup.bed_head_deg),
    (Column("hours_of_use", "number", "hours", "in the machine since the last measurement", ()),
     lambda row: row.setup.hours_of_use),
    (Column("ticks", "text", None, "set-up points that were ticked, with a space between", (),
            codes=tuple(CHECKLIST)),
     lambda row: " ".join(row.setup.ticks)),
)  # fmt: skip
"""How the machine was set."""

_VISIT: tuple[tuple[Column, Taking], ...] = (
    (Column("visit", "text", None, "identifier of the visit: its photos share it", ()),
     lambda row: row.setup.visit),
    (Column("setting", "text", None, "number of the place where the machine was paused", ()),
     lambda row: row.setup.setting),
    (Column("adjusted", "count", None,
            "how often the machine's sections had been moved in the visit before the photo", ()),
     lambda row: row.setup.adjusted),
)  # fmt: skip

_JOINT: tuple[tuple[Column, Callable[[KeptVisit, KeptKnee], Any]], ...] = (
    (Column("visit_knee_deg", "number", "degrees", "knee by all photos of the visit", ()),
     lambda _, knee: knee.deg),
    (Column("visit_knee_u_deg", "number", "degrees",
            "standard uncertainty of the knee by all photos of the visit", ()),
     lambda _, knee: knee.u_deg),
    (Column("visit_arc_deg", "number", "degrees", "arc by all photos of the visit", ()),
     lambda visit, _: visit.arc_deg),
    (Column("visit_arc_u_deg", "number", "degrees",
            "standard uncertainty of the arc by all photos of the visit", ()),
     lambda visit, _: visit.arc_u_deg),
    (Column("visit_finding", "text", None,
            "which part of a disagreement all photos of the visit prove", (),
            codes=get_args(FindingKind)),
     lambda visit, _: visit.finding),
)  # fmt: skip
"""What all photos of the visit together say, where that stands."""

_TAKEN = (*_ROW, *SETUP, *_VISIT)

KEPT_COLUMNS: Mapping[str, Column] = {column.name: column for column, _ in (*_TAKEN, *_JOINT)}
"""Columns about the keeping, before those of the measurement (`contract.CSV_COLUMNS`)."""


def setup_columns() -> tuple[Column, ...]:
    """How the machine was set."""
    return tuple(column for column, _ in SETUP)


def place_columns() -> tuple[tuple[Column, Taking], ...]:
    """Where in its visit a photo was taken; nothing of it tells whose."""
    return tuple((column, take) for column, take in _VISIT if column.name != "visit")


def joint_columns() -> tuple[Column, ...]:
    """What all photos of a visit together say."""
    return tuple(column for column, _ in _JOINT)


def flat_columns() -> tuple[Column, ...]:
    """Those of the flat table, in order."""
    photo = replace(COLUMNS["photo"], meaning="first 12 digits of the photo's SHA-256")
    return (*KEPT_COLUMNS.values(), *{**COLUMNS, "photo": photo}.values())


def flat_rows(
    stored: Iterable[StoredMeasurement], visits: Iterable[KeptVisit] = ()
) -> Iterator[Json]:
    """One flat row a measurement, in `flat_columns`."""
    joint = joint_of(visits)
    for one in stored:
        with written_out(kept_row(one.row.id)):
            flat = {
                **_kept(one, joint),
                **contract.as_flat(one.contract),
                "photo_sha256": one.photo_sha256,
            }
        yield flat


def csv_of(stored: Iterable[StoredMeasurement], visits: Iterable[KeptVisit] = ()) -> Iterator[str]:
    """RFC 4180 text, piece by piece, header first; cells that a spreadsheet would run are safe."""
    columns = [column.name for column in flat_columns()]
    yield contract.csv_lines([], columns, header=True)
    for flat in flat_rows(stored, visits):
        yield contract.csv_lines([flat], columns, header=False)


def json_lines_of(
    stored: Iterable[StoredMeasurement], visits: Iterable[KeptVisit] = ()
) -> Iterator[str]:
    """One JSON object a line: the result's contract, with what was kept about it."""
    joint = joint_of(visits)
    for one in stored:
        with written_out(kept_row(one.row.id)):
            row = {**one.contract, "kept": _kept(one, joint), "settings": to_json(one.settings)}
            line = json.dumps(row, allow_nan=False) + "\n"
        yield line


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
        with written_out(kept_row(visit.id)):
            row = {**one.contract, "kept": kept, "settings_used": to_json(one.settings)}
            line = json.dumps(row, allow_nan=False) + "\n"
        yield line


@contextmanager
def written_out(row: str) -> Iterator[None]:
    """Turn what a damaged row gives while it is written out into one line.

    Parameters
    ----------
    row : str
        Which row it is, as a sentence names it.
    """
    try:
        yield
    except KneeAngleError:
        raise
    except (ArithmeticError, AttributeError, LookupError, TypeError, ValueError) as error:
        raise DamagedRowError(
            say(
                "{row} cannot be written out ({why}): it was damaged; bring back the last backup "
                "by `knee-angle store restore BACKUP`",
                row=row,
                why=words_of(error),
            )
        ) from error


def kept_row(row_id: str) -> str:
    """How a sentence names a row."""
    return say("the kept row {row_id}", row_id=row_id)


def row_of(code: str) -> str:
    """How a sentence names one of a person's or a machine's rows."""
    return say("a kept row of {code}", code=code)


def joint_of(visits: Iterable[KeptVisit]) -> dict[str, Json]:
    """The joint answer's columns by the row of each photo."""
    return {
        row_id: {column.name: take(visit, knee) for column, take in _JOINT}
        for visit in visits
        if visit.counts
        for knee in visit.knees
        for row_id in knee.measurements
    }


def _kept(one: StoredMeasurement, joint: dict[str, Json]) -> Json:
    taken = {column.name: take(one.row) for column, take in _TAKEN}
    together = joint.get(one.row.id, {column.name: None for column, _ in _JOINT})
    return {**taken, **together, "photo_sha256": one.photo_sha256}
