"""The JSON contract and its table."""

from __future__ import annotations

import csv
import functools
import hashlib
import io
import json

import pytest
from conftest import scenes

from knee_angle.angle.uncertainty import BUDGET_LINES
from knee_angle.landmarks.dots import DotDetector
from knee_angle.landmarks.manual import RESULT_KEYS
from knee_angle.pipeline import measure
from knee_angle.records import NotMeasured, Unreadable
from knee_angle.report.contract import CSV_COLUMNS, as_csv, as_flat, as_json, csv_lines

CONTRACT = {
    "photo", "status", "reason", "advice", "side", "flexion_deg", "u_deg", "interval_deg",
    "budget_deg", "plane", "landmarks", "machine", "displayed_deg", "displayed_source",
    "comparison", "finding", "cautions", "seconds", "version",
}  # fmt: skip
"""Fields that a reader may rely on."""

SCENE = scenes(image="bed_01.jpg")[0]


@functools.cache
def measured():
    return measure(SCENE.photo, detectors=(), displayed_deg=93.0, manual=SCENE.manual())


@functools.cache
def full():
    """The same photo by its dots: leg, machine, frame, hinge, finding, lengths."""
    return measure(SCENE.photo, detectors=(DotDetector(),), displayed_deg=93.0)


@pytest.mark.parametrize(
    ("outcome", "status"),
    [
        pytest.param(measured, "measured", id="a measurement"),
        pytest.param(lambda: NotMeasured("no leg", "step back"), "not_measured", id="a refusal"),
        pytest.param(lambda: Unreadable("it is empty"), "unreadable", id="an unreadable photo"),
    ],
)
def test_every_outcome_has_every_field(outcome, status):
    row = as_json("a.jpg", outcome(), version="1.2.3")
    assert set(row) >= CONTRACT
    assert (row["photo"], row["status"], row["version"]) == ("a.jpg", status, "1.2.3")
    assert json.loads(json.dumps(row, allow_nan=False)) == row


def test_a_measurement_in_full():
    row = as_json("a.jpg", measured(), version="1")
    assert row["flexion_deg"] == pytest.approx(SCENE.flexion_deg, abs=2.0)
    assert row["interval_deg"][0] < row["flexion_deg"] < row["interval_deg"][1]
    assert row["plane"] == "tag"
    assert row["side"] == SCENE.truth["side"]
    assert row["landmarks"]["knee"] == {"x": 874.22, "y": 448.3, "u_px": 0.3, "source": "manual"}
    assert row["displayed_deg"] == 93.0
    assert row["displayed_source"] == "given"
    assert row["comparison"]["discrepancy_deg"] == pytest.approx(
        93.0 - row["flexion_deg"], abs=1e-3
    )
    assert set(row["comparison"]) == {
        "discrepancy_deg",
        "u_deg",
        "tolerance_deg",
        "p_within",
        "verdict",
    }
    assert tuple(row["budget_deg"]) == BUDGET_LINES


def test_a_points_file_may_hold_all_that_a_result_holds():
    assert frozenset(as_json("a.jpg", full(), version="1")) == RESULT_KEYS


def test_a_result_names_its_photo_by_hash():
    row = as_json("a.jpg", measured(), version="1")
    assert row["photo_sha256"] == hashlib.sha256(SCENE.photo.read_bytes()).hexdigest()


def test_the_table_has_a_row_for_every_photo_and_survives_a_spreadsheet():
    rows = [
        as_json("a.jpg", measured(), version="1"),
        as_json("=cmd()", NotMeasured("no leg, none", 'say "hip"'), version="1"),
    ]
    read = list(csv.DictReader(io.StringIO(as_csv(rows))))
    assert tuple(read[0]) == tuple(CSV_COLUMNS)
    assert [r["status"] for r in read] == ["measured", "not_measured"]
    assert read[1]["photo"] == "'=cmd()"
    assert read[1]["advice"] == 'say "hip"'
    assert float(read[0]["flexion_deg"]) == rows[0]["flexion_deg"]


def leaves(value, path=()):
    """Every value of a JSON object with its path; a list of sentences is one value."""
    if isinstance(value, dict):
        return [leaf for key, v in value.items() for leaf in leaves(v, (*path, key))]
    if isinstance(value, list) and value and not isinstance(value[0], str):
        return [leaf for n, v in enumerate(value) for leaf in leaves(v, (*path, n))]
    return [(path, value)]


def test_every_value_of_the_json_has_its_column():
    """Whoever adds a field to the contract adds its column to exchange._COLUMNS."""
    row = as_json("a.jpg", full(), version="1")
    flat = as_flat(row)
    joined = [" ".join(v) if isinstance(v, list) else v for _, v in leaves(row)]
    filled = {name: v for name, v in flat.items() if v is not None}
    assert tuple(flat) == tuple(CSV_COLUMNS)
    assert sorted(map(repr, filled.values())) == sorted(repr(v) for v in joined if v is not None)
    kinds = {"text": str, "number": (int, float), "count": int}
    assert all(isinstance(v, kinds[CSV_COLUMNS[name]]) for name, v in filled.items())


def test_a_value_that_is_no_number_never_leaves():
    from dataclasses import replace

    broken = replace(measured(), knee=replace(measured().knee, deg=float("nan")))
    with pytest.raises(ArithmeticError, match="finite"):
        as_json("a.jpg", broken, version="1")


def test_a_column_name_that_a_spreadsheet_would_run_gets_an_apostrophe():
    assert csv_lines([{"=a": "-b"}], ["=a"], header=True) == "'=a\r\n'-b\r\n"
