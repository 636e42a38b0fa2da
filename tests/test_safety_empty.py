"""A machine without a leg, rule by rule: what is proven of its display, and by which tags."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from knee_angle.angle import bars
from knee_angle.assumptions import U_STUCK_DEG
from knee_angle.errors import InvalidInput
from knee_angle.machine import empty
from knee_angle.machine.bands import RangeJudged
from knee_angle.machine.empty import FLAT, NO_LEG, OFF_THE_LINE, check_empty
from knee_angle.records import BarsAlone
from knee_angle.settings import Settings

SETTINGS_DEG = (10.0, 40.0, 70.0, 100.0)
COV = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
HINGE = SimpleNamespace(thigh_mm=(150.0, 0.0), shank_mm=(-150.0, 0.0))


def shown_at(deg: float, number: float | None, **more) -> BarsAlone:
    return BarsAlone(
        deg, 0.5, bend=1.0, motion=(deg, 300.0, 0.0), motion_cov=COV, displayed_deg=number, **more
    )


def machine(offset_deg: float = 0.0, **more) -> dict[str, BarsAlone]:
    return {f"{d:g}.jpg": shown_at(d, d + offset_deg, **more) for d in SETTINGS_DEG}


def checked(seen: dict[str, BarsAlone]) -> empty.EmptyCheck:
    return check_empty(seen, (("x.jpg", "cut"),), Settings(), rng=np.random.default_rng(1))


@pytest.fixture
def poles(monkeypatch):
    """What the tags' turn shows, said beforehand; the motions it was asked of."""
    asked = []

    def say(p_value: float, hinge=HINGE) -> list:
        def fit(motions):
            asked.append(motions)
            return SimpleNamespace(p_value=p_value, hinge=hinge)

        monkeypatch.setattr(bars, "fit_hinge", fit)
        return asked

    return say


def test_a_display_that_is_right_is_cleared_and_the_fit_stays_open():
    found = checked(machine())
    assert (found.display.verdict, found.kind) == ("within", "undecided")
    assert found.words[-1] == NO_LEG
    assert found.left_out == (("x.jpg", "cut"),)


def test_a_display_15_degrees_off_is_accused():
    found = checked(machine(15.0))
    assert (found.display.verdict, found.kind) == ("outside", "calibration")
    assert FLAT not in found.words


@pytest.mark.parametrize(
    ("over_range", "here", "told"),
    [
        pytest.param("outside", "outside", "here", id="proven off: told where it was photographed"),
        pytest.param("outside", None, "over", id="nowhere photographed: told over the range"),
        pytest.param("within", "within", "over", id="an all-clear counts over the whole range"),
        pytest.param("undecided", "outside", "over", id="what is undecided over it stays so"),
    ],
)
def test_which_numbers_are_told_of_a_display(monkeypatch, over_range, here, told):
    over, near = (
        verdict
        and RangeJudged(
            verdict,
            tolerance_deg=5.0,
            range_deg=reach,
            p_within=0.5,
            largest_deg=6.0,
            at_deg=40.0,
            at_most_deg=8.0,
        )
        for verdict, reach in ((over_range, (0.0, 120.0)), (here, (10.0, 100.0)))
    )
    truly = empty.judge_machine

    def judged(*given, **named):
        return replace(
            truly(*given, **named),
            display_verdict=over, display_here=near, kind="calibration", words=(),
        )  # fmt: skip

    monkeypatch.setattr(empty, "judge_machine", judged)
    found = checked(machine())
    assert found.display is {"over": over, "here": near}[told]
    assert found.reading_verdict.verdict == over_range
    assert (found.reading_verdict.largest_deg, found.reading_verdict.at_deg) == (6.0, 40.0)


@pytest.mark.parametrize("offset_deg", [0.0, 15.0], ids=["right", "far off"])
def test_photos_whose_camera_was_not_seen_prove_nothing(offset_deg):
    found = checked(machine(offset_deg, camera_seen=False))
    assert (found.display.verdict, found.kind, found.words) == (
        "undecided", "undecided", (FLAT, NO_LEG),
    )  # fmt: skip


def test_points_off_every_line_take_the_all_clear_and_are_named(monkeypatch):
    """Five settings right and one with bars 3 degrees off: within 10 degrees, yet on no line."""
    monkeypatch.setattr(empty, "_hinge", lambda _: None)
    seen = {f"{d:g}.jpg": shown_at(d, d) for d in (10.0, 30.0, 50.0, 70.0, 90.0, 110.0)}
    seen["50.jpg"] = replace(seen["50.jpg"], deg=53.0)
    found = check_empty(
        seen, (), replace(Settings(), frame_tolerance_deg=12.0), rng=np.random.default_rng(1)
    )
    assert (found.display.verdict, found.reading_verdict.verdict) == ("undecided", "undecided")
    assert found.words == (OFF_THE_LINE, NO_LEG)
    assert found.outliers == ("50.jpg",)


def test_one_photo_with_a_camera_direction_is_enough_to_judge():
    seen = machine(15.0, camera_seen=False)
    seen["10.jpg"] = replace(seen["10.jpg"], camera_seen=True)
    assert checked(seen).display.verdict == "outside"


def test_every_photo_needs_its_number():
    """One without it was never left out in silence."""
    seen = machine() | {"late.jpg": shown_at(55.0, None)}
    with pytest.raises(InvalidInput, match="needs its displayed number"):
        checked(seen)


def test_photos_of_one_number_are_repeats_of_one_setting(monkeypatch):
    monkeypatch.setattr(empty, "_hinge", lambda _: None)
    seen = machine() | {"again.jpg": shown_at(43.0, 40.0)}
    found = checked(seen)
    assert found.displayed_deg == SETTINGS_DEG
    assert found.bars_deg == pytest.approx((10.0, 41.5, 70.0, 100.0))
    stuck = np.hypot(U_STUCK_DEG, U_STUCK_DEG)
    assert found.u_deg == pytest.approx(
        [np.hypot(0.5, stuck), np.hypot(0.5 / np.sqrt(2), stuck), *2 * [np.hypot(0.5, stuck)]]
    )


def test_how_tags_are_stuck_is_shared_by_all_settings_and_that_of_dots_likewise(monkeypatch):
    monkeypatch.setattr(empty, "_hinge", lambda _: None)
    by_tags = np.hypot(U_STUCK_DEG, U_STUCK_DEG)
    _, cov = empty._bars_at([10.0, 40.0], {"a": shown_at(10.0, 10.0), "b": shown_at(40.0, 40.0)})
    assert cov == pytest.approx(by_tags**2 + 0.25 * np.eye(2))
    dots = {"motion": None, "motion_cov": None, "shared_deg": 2.0}
    one, other = (replace(shown_at(d, d), **dots) for d in (10.0, 40.0))
    _, cov = empty._bars_at([10.0, 40.0], {"a": one, "b": other})
    assert cov == pytest.approx(4.0 + 0.25 * np.eye(2))
    _, cov = empty._bars_at([10.0, 40.0], {"a": one, "b": shown_at(40.0, 40.0)})
    assert cov == pytest.approx(np.diag([4.25, by_tags**2 + 0.25]))


def test_a_pole_says_how_the_tags_are_stuck_and_turns_tagged_bars_alone(poles, monkeypatch):
    poles(0.5)
    monkeypatch.setattr(bars, "stuck_turn", lambda _: (np.array([1.0, 3.0]), np.array([0.0, 0.0])))
    dots = replace(shown_at(70.0, 70.0), motion=None, motion_cov=None)
    seen = {"a": shown_at(10.0, 10.0), "b": replace(shown_at(40.0, 40.0), bend=-1.0), "c": dots}
    mean, _ = empty._bars_at([10.0, 40.0, 70.0], seen)
    assert mean == pytest.approx([12.0, 38.0, 70.0])


@pytest.mark.parametrize(
    ("p_value", "hinge", "used"),
    [
        pytest.param(0.001, HINGE, True, id="one in a thousand"),
        pytest.param(0.0015, HINGE, True, id="a little more"),
        pytest.param(0.0009, HINGE, False, id="the tags turn about no common pole"),
        pytest.param(
            0.5, SimpleNamespace(thigh_mm=(-150.0, 0.0), shank_mm=(-150.0, 0.0)), False,
            id="an arrow points to the hip",
        ),
    ],
)  # fmt: skip
def test_a_pole_counts_only_where_the_tags_fit_it(poles, p_value, hinge, used):
    poles(p_value, hinge)
    assert empty._hinge(machine()) is (hinge if used else None)


def test_the_pole_is_asked_of_the_photos_with_tags(poles):
    asked = poles(0.5)
    dots = replace(shown_at(40.0, 40.0), motion=None, motion_cov=None)
    half = replace(shown_at(70.0, 70.0), motion_cov=None)
    other = replace(shown_at(70.0, 70.0), motion=None)
    tagged = shown_at(10.0, 10.0)
    tagged = replace(tagged, motion=(11.0, 301.0, -4.0))
    empty._hinge({"a": tagged, "b": dots, "c": half, "d": other})
    ((motion,),) = asked
    assert (motion.turn_deg, motion.middle_mm, motion.cov) == (11.0, (301.0, -4.0), COV)


def test_no_pole_is_seen_where_none_can_be_fitted():
    assert empty._hinge({"a": shown_at(10.0, 10.0)}) is None
