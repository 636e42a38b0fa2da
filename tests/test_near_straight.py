"""Near straight a tighter tolerance counts, in every door and by one function."""

from __future__ import annotations

import functools
import json

import numpy as np
import pytest
from conftest import SAMPLES

import knee_angle
from knee_angle.angle.verdict import tolerance_at
from knee_angle.batch.run import BatchPlan, run_batch
from knee_angle.machine.calibration import fit_line
from knee_angle.machine.over_range import verdict_over
from knee_angle.pipeline import Shot, answer_of_visit
from knee_angle.report.check_words import check_text
from knee_angle.settings import Settings

STRAIGHT, BENT = SAMPLES / "series_a_1.jpg", SAMPLES / "series_a_4.jpg"
SETTINGS = Settings(tolerance_deg=12, straight_tolerance_deg=4, trials=200)
ANGLES = np.array([8.0, 20, 35, 50, 65, 80, 95])


@functools.cache
def checked_series():
    photos = [SAMPLES / f"series_a_{number}.jpg" for number in (1, 3, 4, 6)]
    return knee_angle.check_machine(photos, [18, 62, 88, 126], settings=SETTINGS)


def test_one_photo_is_judged_by_the_tolerance_of_its_place():
    for photo, shown, allowed in ((STRAIGHT, 18, 4), (BENT, 88, 12)):
        result = knee_angle.measure(photo, displayed_deg=shown, settings=SETTINGS)
        assert result.comparison.tolerance_deg == allowed
        visit = answer_of_visit([(Shot(photo.name, "1", shown), result)], SETTINGS)
        assert visit.settings[0].comparison.tolerance_deg == allowed


def test_a_batchs_rows_hold_the_tolerance_of_their_place(tmp_path):
    table = tmp_path / "t.csv"
    table.write_text("photo,displayed_deg\nseries_a_1.jpg,18\nseries_a_4.jpg,88\n")
    plan = BatchPlan(str(SAMPLES / "series_a_[14].jpg"), tmp_path / "o.csv", str(table),
                settings=SETTINGS)  # fmt: skip
    assert [row["tolerance_deg"] for row in run_batch(plan).rows] == [4.0, 12.0]


@pytest.mark.parametrize(
    ("at_straight", "verdict"),
    [
        pytest.param(8.0, "outside", id="8 apart at straight is too much, though 12 is allowed"),
        pytest.param(1.0, "within", id="1 apart is not"),
    ],
)
def test_a_check_holds_each_place_of_the_range_against_its_own_tolerance(at_straight, verdict):
    """Apart near straight and at one beyond 50 degrees: below 12 everywhere."""
    shown = ANGLES + at_straight * (1 - ANGLES / 95)
    line = fit_line(ANGLES, shown, u_x=0.3, u_y=0.3)

    def allowed(knee_deg, displayed_deg):
        return tolerance_at(SETTINGS, knee_deg=knee_deg, displayed_deg=displayed_deg)

    judged = verdict_over(line, low_deg=8, high_deg=95, tolerance_deg=allowed)
    assert judged.verdict == verdict
    assert (judged.tolerance_deg, judged.straight_tolerance_deg) == (12, 4)
    assert judged.outside_at_deg is None or judged.outside_at_deg < 20
    alike = verdict_over(line, low_deg=8, high_deg=95, tolerance_deg=12)
    assert (alike.verdict, alike.straight_tolerance_deg) == ("within", None)
    bent = verdict_over(line, low_deg=40, high_deg=95, tolerance_deg=allowed)
    assert (bent.tolerance_deg, bent.straight_tolerance_deg) == (12, None)


def test_a_check_of_a_machine_uses_it_and_says_so():
    result = checked_series()
    assert min(result.knee_line.x) < 20
    assert result.knee_verdict.tolerance_deg == 12
    assert result.knee_verdict.straight_tolerance_deg == 4
    assert "tolerance 12° (4° near straight)" in check_text(result, SETTINGS)


def test_a_checks_json_names_both_tolerances():
    from knee_angle.report.contract import check_as_json

    row = json.loads(json.dumps(check_as_json(checked_series(), version="0", alarms=())))
    line = row["displayed_against_knee"]
    assert (line["tolerance_deg"], line["straight_tolerance_deg"]) == (12, 4)
