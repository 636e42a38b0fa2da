"""Pictures that show no single leg: refused with advice, never confidently wrong."""

from __future__ import annotations

import io
from collections.abc import Callable
from functools import cache

import cv2
import numpy as np
import pytest
from conftest import Scene, scenes
from numpy.typing import NDArray
from PIL import Image, ImageOps

from knee_angle.landmarks.dots import DotDetector
from knee_angle.landmarks.network import NetworkDetector
from knee_angle.pipeline import measure
from knee_angle.records import LEG_POINTS, Measurement, NotMeasured, Outcome

Rgb = NDArray[np.uint8]

DETECTORS = (DotDetector(), NetworkDetector())
BARE = scenes(dots=False)


def pixels(scene: Scene) -> Rgb:
    with Image.open(scene.photo) as picture:
        return np.asarray(ImageOps.exif_transpose(picture).convert("RGB"))


def answer(picture: Rgb) -> Outcome:
    data = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(picture)).save(data, "JPEG", quality=90)
    return measure(data.getvalue(), detectors=DETECTORS, name="made.jpg")


def beside_mirrored(scene: Scene) -> Rgb:
    rgb = pixels(scene)
    return np.hstack([rgb, rgb[:, ::-1]])


def beside(scene: Scene) -> Rgb:
    rgb = pixels(scene)
    return np.hstack([rgb, rgb])


def above(scene: Scene) -> Rgb:
    rgb = pixels(scene)
    return np.vstack([rgb, rgb])


def cut_off(scene: Scene, end: int) -> Rgb:
    """Without the outer third of thigh (end 0) or shank (end 2)."""
    rgb = pixels(scene)
    marks = np.array([scene.truth["landmarks"][name]["skin_px"] for name in LEG_POINTS])
    edge = int(marks[end, 0] + 0.35 * (marks[1, 0] - marks[end, 0]))
    return rgb[:, edge:] if marks[end, 0] < marks[1, 0] else rgb[:, :edge]


def hip_cut_off(scene: Scene) -> Rgb:
    return cut_off(scene, 0)


def ankle_cut_off(scene: Scene) -> Rgb:
    return cut_off(scene, 2)


def blank_bed(scene: Scene) -> Rgb:
    """The room, with bed, machine and leg under one plain sheet."""
    rgb = pixels(scene).copy()
    marks = np.array([scene.truth["landmarks"][name]["skin_px"] for name in LEG_POINTS])
    reach = 0.5 * np.linalg.norm(marks[0] - marks[1])
    left, top = (marks.min(axis=0) - reach).clip(0).astype(int)
    right, bottom = (marks.max(axis=0) + reach).astype(int)
    rgb[top:bottom, left:right] = (214, 216, 220)
    return rgb


def limb(*, seed: int, hand: bool) -> Rgb:
    """A drawn limb of three parts with an outline; with a hand it is an arm."""
    rng = np.random.default_rng(seed)
    picture = np.full((700, 900, 3), rng.integers(180, 256, 3), dtype=np.uint8)
    colour = rng.integers(60, 220, 3).tolist()
    joints = np.array([[150, 500], [420, 220], [700, 480], [780, 450]])
    joints = joints + rng.integers(-60, 60, joints.shape)
    for start, end, width in zip(joints, joints[1:], (90, 70, 40), strict=False):
        for ink, extra in (((20, 20, 20), 10), (colour, 0)):
            cv2.line(picture, start.tolist(), end.tolist(), ink, width + extra, cv2.LINE_AA)
    x, y = joints[2].tolist()
    for finger in range(5 * hand):
        cv2.line(picture, (x, y), (x + 130, y - 80 + 40 * finger), colour, 22, cv2.LINE_AA)
    return picture


def confidently_wrong(outcome: Outcome, scene: Scene) -> bool:
    """Off by more than 15 degrees and claiming to be better than that."""
    if not isinstance(outcome, Measurement):
        return False
    half_width = np.ptp(outcome.knee.interval_deg) / 2
    return bool(abs(outcome.knee.deg - scene.flexion_deg) > 15.0 > half_width)


@cache
def outcomes(make: Callable[[Scene], Rgb]) -> list[tuple[Scene, Outcome]]:
    return [(scene, answer(make(scene))) for scene in BARE]


@pytest.mark.parametrize(
    "make",
    [
        pytest.param(beside_mirrored, id="two people, facing each other"),
        pytest.param(beside, id="two people, one beside the other"),
        pytest.param(above, id="two people, one behind the other"),
        pytest.param(hip_cut_off, id="the hip is cut off"),
        pytest.param(ankle_cut_off, id="the ankle is cut off"),
        pytest.param(blank_bed, id="a blank bed"),
    ],
)
def test_what_shows_no_single_leg_is_refused_with_advice(make):
    refused = 0
    for scene, outcome in outcomes(make):
        assert not confidently_wrong(outcome, scene), scene.photo.stem
        if isinstance(outcome, NotMeasured):
            refused += 1
            assert "photograph" in outcome.advice
    # One in eleven may pass for a single leg: each half of these pictures is one.
    assert refused >= len(BARE) - 1


@pytest.mark.parametrize("hand", [False, True], ids=["a cartoon leg", "an arm"])
@pytest.mark.parametrize("seed", range(6))
def test_a_drawing_is_no_leg(seed, hand):
    assert isinstance(answer(limb(seed=seed, hand=hand)), NotMeasured)


def test_the_other_leg_is_named_as_the_reason():
    reasons = [o.reason for _, o in outcomes(beside) if isinstance(o, NotMeasured)]
    assert any("two legs about equally near" in reason for reason in reasons)


def test_dots_on_one_of_two_legs_say_which_is_meant():
    scene = scenes(image="bed_10.jpg")[0]
    rgb = pixels(scene)
    plain = pixels(BARE[0])
    plain = cv2.resize(plain, (round(plain.shape[1] * rgb.shape[0] / plain.shape[0]), rgb.shape[0]))
    outcome = answer(np.hstack([rgb, plain]))
    assert isinstance(outcome, Measurement)
    assert outcome.landmarks.points["knee"].source == "dot"
    assert outcome.flat_deg == pytest.approx(scene.truth["projected_2d_knee_angle_deg"], abs=1.5)
