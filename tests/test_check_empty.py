"""A machine without a leg: its display is checked by the tags on its bars."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from conftest import scenes
from drawn_bars import Kit, with_bar_tags
from drawn_visits import Body, Shot, drawn, random_body

from knee_angle.machine.check import check_machine
from knee_angle.machine.empty import NO_LEG, EmptyCheck
from knee_angle.photo.bars_alone import bars_alone
from knee_angle.photo.tags import SHANK_TAG, THIGH_TAG, Tag
from knee_angle.pipeline import measure
from knee_angle.records import NotMeasured
from knee_angle.report.check_words import check_text
from knee_angle.report.contract import check_as_json
from knee_angle.settings import Settings

BARS_DEG = (4.0, 35.0, 64.0, 98.0)
SETTINGS, FEWER_TRIALS = Settings(), Settings(trials=2000)


def photographed(
    body: Body, rng: np.random.Generator, *, offset_deg: float = 0.0, roll_deg: float = 0.0
) -> dict[str, NotMeasured]:
    """Tags on the bars as they are drawn, and nothing of the leg."""
    found = {}
    for n, deg in enumerate(BARS_DEG):
        shot = Shot(
            f"{n}.jpg", str(n), deg, frame_deg=deg, bar_tags=True, roll_deg=roll_deg,
            yaw_deg=float(rng.uniform(-20, 20)), displayed_deg=round(deg + offset_deg),
        )  # fmt: skip
        leg = drawn(body, shot, rng).leg
        tags = (Tag(THIGH_TAG, leg.bar_tags.thigh_px), Tag(SHANK_TAG, leg.bar_tags.shank_px))
        seen = bars_alone(
            tags, leg.lens, SETTINGS, displayed_deg=shot.displayed_deg, rng=np.random.default_rng(n)
        )
        found[shot.name] = NotMeasured("no leg was found", "step back", bars=seen)
    return found


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("roll_deg", [0.0, 30.0, 180.0], ids=["upright", "held askew", "overhead"])
def test_the_bars_bend_forwards_on_both_sides_however_the_phone_is_held(side, roll_deg):
    photos = photographed(Body(side=side), np.random.default_rng(2), roll_deg=roll_deg)
    bent = [one.bars.deg for one in photos.values()]
    # Nearly straight bars of a phone held overhead may be told as bent the other way.
    first = 1 if roll_deg == 180.0 else 0
    assert bent[first:] == pytest.approx(BARS_DEG[first:], abs=1.5)


@pytest.mark.parametrize(
    ("offset_deg", "kind", "verdict"),
    [
        pytest.param(0.0, "undecided", "within", id="a right display: fit stays unknown"),
        pytest.param(12.0, "calibration", "outside", id="a display 12 degrees off"),
    ],
)
def test_an_empty_machine_is_checked_for_its_display_only(offset_deg, kind, verdict):
    photos = photographed(Body(), np.random.default_rng(3), offset_deg=offset_deg)
    result = check_machine(photos, SETTINGS)
    assert isinstance(result, EmptyCheck)
    assert (result.kind, result.display.verdict) == (kind, verdict)
    text = check_text(result, SETTINGS)
    assert text.startswith("Display and bars of an empty machine: ")
    assert NO_LEG in text
    row = check_as_json(result, version="1")
    assert (row["status"], row["finding"]) == ("checked_without_leg", kind)
    assert row["display_minus_bars"]["verdict"] == verdict
    assert [one["displayed_deg"] for one in row["settings"]] == list(result.displayed_deg)


@pytest.mark.parametrize(
    "lost",
    [
        pytest.param({"bars": None}, id="no tags on the bars"),
        pytest.param({"displayed_deg": None}, id="no displayed number"),
    ],
)
def test_an_empty_machine_needs_tags_and_numbers_at_three_settings(lost):
    photos = photographed(Body(), np.random.default_rng(4))
    for name in ("0.jpg", "1.jpg"):
        one = photos[name]
        bars = None if "bars" in lost else replace(one.bars, displayed_deg=None)
        photos[name] = replace(one, bars=bars)
    refused = check_machine(photos, SETTINGS)
    assert isinstance(refused, NotMeasured)
    assert "at least 3 photos" in refused.reason


def test_the_bars_of_an_empty_machine_lie_within_their_stated_interval():
    """24 machines whose tags, depths and phones are a bit off: 95 % of intervals hold."""
    rng, held, accused = np.random.default_rng(11), [], 0
    for _ in range(24):
        result = check_machine(photographed(random_body(rng), rng), FEWER_TRIALS)
        assert isinstance(result, EmptyCheck)
        accused += result.display.verdict == "outside"
        held += list(np.abs(np.array(result.bars_deg) - BARS_DEG) < 1.96 * np.array(result.u_deg))
    assert np.mean(held) > 0.9
    assert accused == 0


def test_a_photo_without_a_leg_hands_on_its_bars():
    class NoLeg:
        source = "dot"

        def find(self, _photo, **_masked):
            return NotMeasured("no leg was found", "step back")

    scene = scenes(image="bed_01.jpg")[0]
    shown = scene.truth["machine"]["displayed_angle_int"]
    seen = measure(with_bar_tags(scene, Kit()), detectors=(NoLeg(),), displayed_deg=shown)
    assert isinstance(seen, NotMeasured)
    assert seen.bars.displayed_deg == shown
    assert seen.bars.deg == pytest.approx(scene.truth["machine"]["frame_angle_deg"], abs=1.5)
    assert measure(scene.photo, detectors=(NoLeg(),), displayed_deg=shown).bars is None
