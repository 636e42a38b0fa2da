"""The one list of columns: a data dictionary could be printed from it as it stands."""

from __future__ import annotations

import pytest
from stores import SHA, made_measurement

from knee_angle.report.columns import COLUMNS, at, kept_columns
from knee_angle.report.contract import as_json
from knee_angle.store import schema

RESULT = as_json("a.jpg", made_measurement(sha256=SHA), version="0")


@pytest.mark.parametrize("column", COLUMNS.values(), ids=COLUMNS.keys())
def test_every_column_says_what_it_means_in_which_unit_and_stands_in_the_json(column):
    assert column.meaning
    ending = column.name.rpartition("_")[2]
    assert (column.unit is not None) == (ending in {"deg", "mm", "px", "seconds"})
    assert column.path[0] in RESULT
    assert not isinstance(at(RESULT, column.path), dict)


def test_every_field_of_the_json_has_a_column():
    assert {column.path[0] for column in COLUMNS.values()} == set(RESULT)


def test_the_stores_columns_are_those_of_the_list():
    ours = [column.kept for column in kept_columns()]
    assert [c.name for c in schema.measurements.c if c.name in ours] == ours
    assert {"flexion_deg", "u_deg", "low_deg", "high_deg", "verdict"} <= set(ours)
