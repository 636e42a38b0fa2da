"""A store that an earlier version wrote opens, says the same and computes the same.

`store_before_columns.db.gz` was written by the version before judged lengths had names of
their own: one measurement and one check of `tests/stores.py`, whose people are invented.
"""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest
import sqlalchemy as sa

from knee_angle.machine.check import check_machine
from knee_angle.report.contract import as_json, check_as_json
from knee_angle.store import open_store, schema
from knee_angle.store.recheck import recheck

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


def test_the_kept_result_is_handed_on_as_it_was(store):
    stored = store.measurement(MEASUREMENT)
    now = as_json(stored.contract["photo"], stored.measurement, version=stored.contract["version"])
    assert {name: now[name] for name in stored.contract} == stored.contract


def test_a_length_kept_under_names_of_degrees_is_read_in_millimetres(store):
    with store.engine.connect() as connection:
        kept = connection.execute(sa.select(schema.checks.c.result)).scalar_one()["hinge"]
    hinge = store.check(CHECK).result.hinge
    assert (hinge.mm, hinge.u_mm) == (kept["discrepancy_deg"], kept["u_deg"])
    assert (hinge.tolerance_mm, hinge.p_within) == (kept["tolerance_deg"], kept["p_within"])
    assert hinge.verdict == kept["verdict"]


def test_the_kept_check_is_computed_again_from_its_photos(store):
    stored = store.check(CHECK)
    again = check_machine(stored.outcomes, stored.settings)
    assert check_as_json(again, version="") == check_as_json(stored.result, version="")
