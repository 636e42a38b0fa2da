"""The one list of columns: a data dictionary could be printed from it as it stands."""

from __future__ import annotations

import re
from dataclasses import fields
from typing import get_args

import pytest
from stores import SHA, made_measurement

from knee_angle.cli.research import all_tables
from knee_angle.records import (
    POINT_NAMES,
    FindingKind,
    FrameSource,
    Plane,
    Side,
    Source,
    Verdict,
)
from knee_angle.records.judged import DisplayedSource
from knee_angle.records.shown import DisplayState
from knee_angle.report import columns
from knee_angle.report.columns import COLUMNS, at, kept_columns
from knee_angle.report.contract import as_json
from knee_angle.report.schemas import DICTIONARY
from knee_angle.settings import Settings
from knee_angle.store import KeptMeasurement, SetUp, schema
from knee_angle.store.records import End
from knee_angle.store.research import RESEARCH_COLUMNS
from knee_angle.store.rows import measurement_columns
from knee_angle.store.table import flat_columns

MEASURED = made_measurement(sha256=SHA)
RESULT = as_json("a.jpg", MEASURED, version="0")


@pytest.mark.parametrize("column", COLUMNS.values(), ids=COLUMNS.keys())
def test_every_column_says_what_it_means_in_which_unit_and_stands_in_the_json(column):
    assert column.meaning
    ending = column.name.rpartition("_")[2]
    assert (column.unit is not None) == (ending in {"deg", "mm", "px", "seconds"})
    assert column.path[0] in RESULT
    assert not isinstance(at(RESULT, column.path), dict)


EVERY = {
    **{f"{table}: {c.name}": c for table, columns in all_tables().items() for c in columns
       if table not in ("measure", "batch", "store export", "store research")},
    **COLUMNS, **{c.name: c for c in flat_columns()}, **RESEARCH_COLUMNS,
}  # fmt: skip
CLOSED = {
    "side": Side, "plane": Plane, "displayed_source": DisplayedSource,
    "display_state": DisplayState, "verdict": Verdict, "finding": FindingKind,
    "visit_finding": FindingKind, "frame_source": FrameSource, "calibration_verdict": Verdict,
    "fit_verdict": Verdict, "hinge_verdict": Verdict, "end": End,
    **{f"{name}_source": Source for name in POINT_NAMES},
}  # fmt: skip
OPEN = {
    "photo", "reason", "advice", "finding_advice", "alarms", "cautions", "rater", "photo_sha256",
    "version", "id", "person", "machine", "taken_at", "saved_at", "who", "corrects",
    "corrected_by", "visit", "setting", "shifted_date", "seems_to_say", "why", "picture",
    "placed_at", "unused_dots", *DICTIONARY,
}  # fmt: skip
"""Columns whose texts are no closed list."""


@pytest.mark.parametrize("column", EVERY.values(), ids=EVERY.keys())
def test_a_line_of_the_dictionary_stands_alone(column):
    """Whoever sorts or filters it still knows what "its" was."""
    assert not re.match(r"(its|upper end of it|[xyz] of it|the number read)\b", column.meaning)
    assert "that number" not in column.meaning
    assert "\u00b1" not in column.meaning


@pytest.mark.parametrize("column", EVERY.values(), ids=EVERY.keys())
def test_every_code_that_a_column_may_hold_is_listed(column):
    if column.name in CLOSED:
        assert column.codes == get_args(CLOSED[column.name])
    elif column.kind == "text":
        assert bool(column.codes) == (column.name not in OPEN)
    else:
        assert column.codes == ()
    value = at(RESULT, column.path) if column.path else None
    assert value is None or not column.codes or value in column.codes


def test_every_field_of_the_json_has_a_column():
    assert {column.path[0] for column in COLUMNS.values()} == set(RESULT)


def test_the_stores_columns_are_those_of_the_list_and_of_a_kept_rows_fields():
    ours = [kept.name for _, kept in kept_columns()]
    assert [c.name for c in schema.measurements.c if c.name in ours] == ours
    assert {"flexion_deg", "u_deg", "low_deg", "high_deg", "verdict"} <= set(ours)
    assert set(ours) <= {field.name for field in fields(KeptMeasurement)}


@pytest.mark.parametrize(("column", "kept"), kept_columns(), ids=lambda one: one.name)
def test_what_is_kept_for_lists_is_what_the_result_says(column, kept):
    """The result is rounded to what a reader can use, the store's column is not."""
    told, held = at(RESULT, column.path), kept.value(MEASURED)
    assert held == (told if isinstance(told, str | None) else pytest.approx(told, abs=0.005))


def test_a_further_kept_number_is_written_by_its_line_in_the_list_alone(monkeypatch):
    """Beside it only what a database asks for: a migration, and the field that reads it."""
    line = columns._column(
        "flat_flexion_deg", "flat in the picture", kept=lambda one: one.flat_deg,
        kept_as="flat_deg",
    )  # fmt: skip
    monkeypatch.setattr(columns, "_ALL", (*columns._ALL, line))
    row = measurement_columns(MEASURED, SHA, Settings(), SetUp())
    assert row["flat_deg"] == MEASURED.flat_deg
    (added,) = [one for one in schema._of_the_result() if one.name == "flat_deg"]
    assert isinstance(added.type, schema.sa.Double)
