"""Judging the network: the truth itself is without error, and honest factors come out."""

from __future__ import annotations

import json
import sys
from dataclasses import replace

import numpy as np
import pytest
from conftest import scenes

from knee_angle.photo.reading import Photo
from knee_angle.records import Direction, Landmark, Landmarks, NotMeasured
from knee_angle.training import __main__ as training
from knee_angle.training import evaluate

SCENES = [s for s in scenes() if s.photo.name in ("bed_01.jpg", "bed_11.jpg", "bed_14.jpg")]


class Knows:
    """A detector that knows the truth, moved by a fixed step."""

    source = "network"

    def __init__(self, *, step_px: float = 0.0, u_px: float = 1.0) -> None:
        self.step_px, self.u_px = step_px, u_px
        self.truths = {s.photo.name: s.truth for s in SCENES}

    def find(self, photo: Photo, *, masked: tuple[object, ...] = ()) -> Landmarks | NotMeasured:  # noqa: ARG002
        truth = self.truths[photo.name]
        places = evaluate._true_points(truth)
        return Landmarks(
            points={
                n: Landmark.round(x + self.step_px, y, u_px=self.u_px, source="network")
                for n, (x, y) in places.items()
            },
            side=truth["side"],
        )

    def direction(self, photo: Photo, landmarks: Landmarks) -> Direction | None:  # noqa: ARG002
        normal = evaluate._true_normal(self.truths[photo.name])
        return Direction(tuple(float(v) for v in normal / np.linalg.norm(normal)), (1.0, 0.0, 1.0))


class Refuses:
    """A detector that finds nothing."""

    source = "network"

    def find(self, photo: Photo, *, masked: tuple[object, ...] = ()) -> Landmarks | NotMeasured:  # noqa: ARG002
        return NotMeasured("no leg", "photograph a leg")


@pytest.mark.parametrize("scene", [pytest.param(s, id=s.photo.stem) for s in SCENES])
def test_the_truth_is_hit_and_its_plane_gives_the_true_flexion(scene):
    row = evaluate.judge(Knows(), scene.photo)
    assert row.hit
    assert row.side_right
    assert row.flat_deg == pytest.approx(0.0, abs=1e-6)
    assert row.tilt_deg == pytest.approx(0.0, abs=0.1)
    assert abs(row.corrected_deg) < 3.0  # skin points lie not quite in one plane


def test_a_refusal_counts_as_no_hit():
    rows = [evaluate.judge(Refuses(), SCENES[0].photo), evaluate.judge(Knows(), SCENES[1].photo)]
    summary = evaluate.summary(rows)
    assert (summary["photos"], summary["measured"], summary["hit"]) == (2, 1, 0.5)


def test_factors_make_an_overconfident_covariance_hold():
    rows = [evaluate.judge(Knows(step_px=6.0, u_px=1.0), s.photo) for s in SCENES]
    assert evaluate.summary(rows)["points_in_95"] == 0.0
    card = evaluate.calibration(rows)
    assert card["calibration"]["points"] == pytest.approx(18.0**0.5, abs=1e-3)  # 6² / 2
    wider = Knows(step_px=6.0, u_px=18.0**0.5)
    again = evaluate.summary([evaluate.judge(wider, s.photo) for s in SCENES])
    assert again["points_in_95"] == 1.0


def test_photos_without_a_leg_on_which_one_is_found_are_named():
    paths = [s.photo for s in SCENES]
    assert evaluate.false_answers(Refuses(), paths) == []
    assert evaluate.false_answers(Knows(), paths) == [p.name for p in paths]


def test_a_photo_that_was_missed_does_not_set_the_factors():
    good = evaluate.judge(Knows(step_px=2.0), SCENES[0].photo)
    assert evaluate.calibration([replace(good, hit=False)])["calibration"]["points"] == 1.0


FACTORS = {"points": 0.8, "points_oblique": 1.0, "points_steep": 1.25, "tilt": 1.1,
           "tilt_gain": 1.06, "on": "other photos"}  # fmt: skip


def test_calibrating_keeps_the_factors_that_it_does_not_set(monkeypatch, tmp_path):
    """Square and oblique legs were once told with the same ±, and directions without their gain."""
    path = tmp_path / "leg.json"
    path.write_text(json.dumps({"input_size": 256, "calibration": FACTORS}))
    judged_with = []

    def detector():
        judged_with.append(json.loads(path.read_text())["calibration"])
        return Knows(step_px=6.0)

    monkeypatch.setattr(training, "WEIGHTS", tmp_path)
    monkeypatch.setattr("knee_angle.landmarks.network.NetworkDetector", detector)
    photos = [str(scene.photo) for scene in SCENES]
    monkeypatch.setattr(sys, "argv", ["training", "calibrate", *photos])
    training.main()
    training.main()  # a second time says no more of the factors before
    card = json.loads(path.read_text())
    points = pytest.approx(18.0**0.5, abs=1e-3)  # 6² / 2
    on = "points and tilt: 3 photos named in calibrated_on; the others: other photos"
    assert card["calibration"] == FACTORS | {"points": points, "tilt": 1.0, "on": on}
    assert card["calibrated_on"] == [scene.photo.name for scene in SCENES]
    assert card["input_size"] == 256
    # No factor on a point stands between the network and what is judged; the gain does.
    neutral = {"points": 1.0, "points_oblique": 1.0, "points_steep": 1.0, "tilt": 1.0}
    assert judged_with == [FACTORS | neutral, FACTORS | neutral | {"on": on}]


def test_photos_that_cannot_be_judged_leave_the_card_as_it_was(monkeypatch, tmp_path):
    path = tmp_path / "leg.json"
    path.write_text(json.dumps({"calibration": FACTORS}))
    monkeypatch.setattr(training, "WEIGHTS", tmp_path)
    monkeypatch.setattr("knee_angle.landmarks.network.NetworkDetector", Knows)
    monkeypatch.setattr(sys, "argv", ["training", "calibrate", str(tmp_path / "gone.jpg")])
    with pytest.raises(FileNotFoundError):
        training.main()
    assert json.loads(path.read_text()) == {"calibration": FACTORS}
