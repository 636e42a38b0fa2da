"""A store that an earlier version wrote opens, says the same and computes the same.

`store_before_columns.db.gz` was written by the version before judged lengths had names of
their own: one measurement and one check of `tests/stores.py`, whose people are invented.
"""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest
import sqlalchemy as sa

from knee_angle.report.contract import as_json, check_as_json
from knee_angle.store import open_store, schema
from knee_angle.store.recheck import recheck
from knee_angle.store.rows import _renamed_text

BEFORE = Path(__file__).with_name("store_before_columns.db.gz")
MEASUREMENT, CHECK = "a" * 32, "c" * 32


@pytest.fixture
def store(tmp_path):
    path = tmp_path / "before.db"
    path.write_bytes(gzip.decompress(BEFORE.read_bytes()))
    with open_store(path, create=False) as opened:
        yield opened


def test_the_kept_angle_is_computed_again_from_what_was_kept(store):
    (stored,) = store.stored_measurements()
    assert recheck(stored).same


def kept_part(now, before):
    """What there was before of a result; names may have been added to it, at any depth."""
    if isinstance(before, dict):
        return {name: kept_part(now[name], value) for name, value in before.items()}
    return now


def test_the_kept_result_is_handed_on_as_it_was(store):
    stored = store.measurement(MEASUREMENT)
    now = as_json(stored.contract["photo"], stored.measurement, version=stored.contract["version"])
    assert kept_part(now, stored.contract) == stored.contract


def test_a_length_kept_under_names_of_degrees_is_read_in_millimetres(store):
    with store.engine.connect() as connection:
        kept = connection.execute(sa.select(schema.checks.c.result)).scalar_one()["hinge"]
    hinge = store.check(CHECK).result.hinge
    assert (hinge.mm, hinge.u_mm) == (kept["discrepancy_deg"], kept["u_deg"])
    assert (hinge.tolerance_mm, hinge.p_within) == (kept["tolerance_deg"], kept["p_within"])
    assert hinge.verdict == kept["verdict"]


def test_the_kept_check_says_what_it_said(store):
    """Its method was another (each photo for itself): it is read, and not computed anew."""
    with store.engine.connect() as connection:
        kept = connection.execute(sa.select(schema.checks.c.result)).scalar_one()
    row = check_as_json(store.check(CHECK).result, version="")
    assert (row["finding"], row["advice"], row["said"]) == (kept["kind"], kept["advice"], [])
    assert row["displayed_against_frame"]["covariance"] == kept["reading"]["cov"]
    assert row["displayed_against_frame"]["verdict"] == kept["reading_verdict"]["verdict"]
    fits = kept["fits"]
    assert row["fit"]["distal_mm"] == round(fits["distal_mm"], 1)
    assert row["fit"]["distal_u_mm"] == round(fits["covariance"][0][0] ** 0.5, 1)
    assert row["fit"]["slack_u_deg"] == round(fits["covariance"][2][2] ** 0.5, 3)
    assert row["fit"]["inseparable"] == fits["inseparable"]


def test_a_file_name_within_a_sentence_is_not_kept():
    names = {"Ada.jpg": "photo 1", "Ada.jpg again": "photo 2"}
    told = "Ada.jpg: it is the same file as Ada.jpg again, not xAda.jpg"
    assert _renamed_text(told, names) == "photo 1: it is the same file as photo 2, not xAda.jpg"
