"""The rules by which several photos of one leg are judged, each at its edge.

`mutation.py` breaks each of these rules in small ways and asks whether a test here notices.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from drawn_visits import Body, Shot, visit
from stores import made_measurement

from knee_angle.angle import geometry
from knee_angle.angle.uncertainty import frame_with_uncertainty
from knee_angle.landmarks.network import NetworkDetector
from knee_angle.machine import answer
from knee_angle.machine.answer import VisitAnswer, answer_visit, range_of
from knee_angle.pipeline import judged_alone, measure
from knee_angle.records import MACHINE_POINTS, NotMeasured, Unreadable, UnusedDot
from knee_angle.report.visit_words import to_do
from knee_angle.settings import Settings
from knee_angle.visit.photos import refused, without_guessed_bars

LIMITED = Settings(limit_flexion_deg=95.0, limit_extension_deg=0.0)


def setting(knee: float, *, u: float = 2.0, shown: float | None = None, seen: bool = True):
    """One setting as it is judged: only what the rules look at."""
    return SimpleNamespace(
        knee=SimpleNamespace(value=knee, u=u), displayed_deg=shown, camera_seen=seen
    )


# ------------------------------------------------------------------ one setting


@pytest.mark.parametrize(
    ("shown", "seen", "verdict"),
    [
        pytest.param(60.0, True, "within", id="display and knee agree"),
        pytest.param(80.0, True, "outside", id="20 apart is too much"),
        pytest.param(80.0, False, "undecided", id="an assumed camera direction proves nothing"),
        pytest.param(60.0, False, "undecided", id="and clears nothing"),
    ],
)
def test_a_setting_is_judged_by_what_was_seen(shown, seen, verdict):
    judged = answer._setting(setting(60.0, shown=shown, seen=seen), LIMITED)
    assert judged.comparison.verdict == verdict
    assert judged.comparison.discrepancy_deg == judged.apart.discrepancy_deg == shown - 60.0
    assert (
        judged.comparison.u_deg
        == judged.apart.u_deg
        == pytest.approx(math.hypot(2.0, 1 / math.sqrt(12)))
    )


def test_a_setting_without_a_number_is_held_against_the_limits_alone():
    judged = answer._setting(setting(101.0), LIMITED)
    assert (judged.comparison, judged.apart) == (None, None)
    assert [one.standing for one in judged.limits] == ["past", "inside"]


@pytest.mark.parametrize(
    ("knee", "shown", "tolerance"),
    [
        pytest.param(30.0, 30.0, 10.0, id="in flexion"),
        pytest.param(15.0, 30.0, 5.0, id="the knee near straight"),
        pytest.param(30.0, 15.0, 5.0, id="the display near straight"),
    ],
)
def test_a_setting_has_the_tolerance_of_its_place(knee, shown, tolerance):
    assert answer._setting(setting(knee, shown=shown), LIMITED).comparison.tolerance_deg == (
        tolerance
    )


# ------------------------------------------------------------------ extension that is lacking


@pytest.mark.parametrize(
    ("given", "limit", "deg"),
    [
        pytest.param({"knee": 20.0, "shown": 5.0}, 0.0, 20.0, id="the display 5 from the wanted"),
        pytest.param({"knee": 20.0, "shown": 5.1}, 0.0, None, id="further: no extension end"),
        pytest.param({"knee": 20.0, "shown": 15.0}, 10.0, 10.0, id="5 from the prescribed 10"),
        pytest.param({"knee": 20.0, "shown": 5.0}, None, 20.0, id="straight where none is"),
        pytest.param({"knee": 44.9}, 0.0, 44.9, id="no number: below 45 it counts for extension"),
        pytest.param({"knee": 45.0}, 0.0, None, id="no number: from 45 on it does not"),
        pytest.param({"knee": 20.0, "shown": 5.0, "seen": False}, 0.0, None,
                     id="an assumed camera direction proves none"),
        pytest.param({"knee": 3.2, "shown": 0.0}, 0.0, None, id="1.6 u is not proven"),
        pytest.param({"knee": 3.4, "shown": 0.0}, 0.0, 3.4, id="1.7 u is"),
    ],
)  # fmt: skip
def test_extension_is_lacking_only_at_its_end_and_proven(given, limit, deg):
    found = answer._lacking(setting(**given), Settings(limit_extension_deg=limit))
    assert (found and found.deg) == (None if deg is None else pytest.approx(deg))


# ------------------------------------------------------------------ the range of the machine


@pytest.mark.parametrize(
    ("bars", "extension", "flexion", "judged"),
    [
        pytest.param([20.0, 80.0], None, None, (20.0, 80.0), id="nothing prescribed: as seen"),
        pytest.param([20.0, 80.0], 0.0, 95.0, (0.0, 95.0), id="the prescribed range"),
        pytest.param([20.0, 80.0], 5.0, None, (5.0, 80.0), id="extension alone"),
        pytest.param([20.0, 80.0], None, 95.0, (20.0, 95.0), id="flexion alone"),
        pytest.param([80.0, 90.0], None, 60.0, (60.0, 80.0), id="passed by every setting"),
        pytest.param([50.0], None, None, (49.5, 50.5), id="one setting: where it stands"),
        pytest.param([50.0, 50.9], None, None, (49.5, 51.4), id="less than a degree apart"),
        pytest.param([50.0, 51.0], None, None, (50.0, 51.0), id="a degree apart is a range"),
    ],
)
def test_the_machine_is_judged_over_the_prescribed_range_or_what_was_seen(
    bars, extension, flexion, judged
):
    limits = Settings(limit_extension_deg=extension, limit_flexion_deg=flexion)
    assert range_of(bars, limits) == pytest.approx(judged)


# ------------------------------------------------------------------ the worst standing


@pytest.mark.parametrize(
    ("standings", "worst"),
    [
        pytest.param([["inside", "past"], ["at"]], "past", id="one past"),
        pytest.param([["inside"], ["at"]], "at", id="one at"),
        pytest.param([["inside"], ["inside"]], "inside", id="all inside"),
        pytest.param([[], []], None, id="nothing prescribed"),
    ],
)
def test_a_visit_stands_as_its_worst_limit_does(standings, worst):
    settings = [
        SimpleNamespace(limits=[SimpleNamespace(standing=one) for one in each])
        for each in standings
    ]
    assert VisitAnswer.standing.fget(SimpleNamespace(settings=settings, now=settings)) == worst


# ------------------------------------------------------------------ what is no visit


SHOTS = (Shot("a", "1", 20.0, frame_deg=20.0), Shot("b", "2", 60.0, frame_deg=60.0))
PHOTOS = visit(Body(), SHOTS)


def numbered(*numbers):
    return [replace(p, displayed_deg=n) for p, n in zip(PHOTOS, numbers, strict=True)]


@pytest.mark.parametrize(
    ("photos", "reason"),
    [
        pytest.param([], "a visit needs at least one photo in which the leg was measured",
                     id="no photo"),
        pytest.param([PHOTOS[0], *visit(Body(side="right"), SHOTS[1:])],
                     "a visit is of one leg, but the left leg is in a and the right one in b",
                     id="two legs"),
        pytest.param([replace(p, setting="1") for p in numbered(16.0, 3.0)],
                     "photos of one setting share one displayed number, but setting 1 has 3 and "
                     "16", id="two numbers of one setting, told in order"),
        pytest.param([replace(p, setting="1") for p in numbered(20.0, 20.0)], None,
                     id="one number of one setting"),
        pytest.param([replace(p, setting="1") for p in numbered(20.0, None)], None,
                     id="one of two numbers is missing"),
        pytest.param(numbered(20.0, 60.0), None, id="a number for each setting"),
        pytest.param(visit(Body(side="right"), SHOTS), None, id="right legs alone"),
    ],
)  # fmt: skip
def test_photos_are_a_visit_or_refused_with_the_reason(photos, reason):
    told = refused(photos)
    assert (told and told.reason) == reason


# ------------------------------------------------------------------ guessed bars


def seen_by(photo, **sources):
    points = {
        name: replace(point, source=sources.get(name, "dot"))
        for name, point in photo.leg.points.items()
    }
    return replace(photo.leg, points=points)


@pytest.mark.parametrize(
    ("sources", "kept"),
    [
        pytest.param({}, True, id="bars seen by dots"),
        pytest.param(dict.fromkeys(MACHINE_POINTS, "network"), False, id="bars a network saw"),
        pytest.param(dict.fromkeys(MACHINE_POINTS, "pose"), False, id="bars a pose model saw"),
        pytest.param({MACHINE_POINTS[0]: "network"}, False, id="one of them guessed: none"),
        pytest.param({"knee": "network"}, True, id="a guessed knee takes no bars away"),
    ],
)
def test_guessed_bars_prove_nothing(sources, kept):
    leg = without_guessed_bars(seen_by(PHOTOS[0], **sources))
    assert [name in leg.points for name in MACHINE_POINTS] == [kept] * len(MACHINE_POINTS)
    assert {"hip", "knee", "ankle"} <= set(leg.points)


def with_bars_turned(one, by_deg):
    """A measured photo whose bars the network read so much more bent."""
    at = {n: np.array([p.x_px, p.y_px]) for n, p in one.leg.points.items()}
    points = dict(one.leg.points)
    for name, way in (("thigh_bar", 0.5), ("shank_bar", -0.5)):
        turned = geometry.turned(at[name] - at["hinge"], by_deg=way * by_deg) + at["hinge"]
        points[name] = replace(points[name], x_px=float(turned[0]), y_px=float(turned[1]))
    leg = replace(one.leg, points=points)
    frame = frame_with_uncertainty(leg, trials=1000, rng=np.random.default_rng(1))
    return replace(one, leg=leg, machine=replace(one.machine, frame=frame))


def test_wherever_the_network_sees_the_bars_of_a_bare_photo_nothing_is_proven_by_them():
    """The whole way, from pixels to the answer of photo and visit: 25° either way."""
    photo = Path(__file__).parents[1] / "sample_images" / "bed_11.jpg"
    seen = measure(photo, detectors=(NetworkDetector(threads=1),), displayed_deg=60.0, judge=False)
    assert seen.machine.frame.source == "network"
    read, said = [], []
    for turn in (-25.0, 0.0, 25.0):
        one = with_bars_turned(seen, turn)
        result, answer = judged_alone(one)
        read.append(one.machine.frame.deg)
        found = result.finding
        assert (found.kind, found.calibration, found.fit) == ("not_separable", None, None)
        assert answer.machine is None
        assert "The machine's bars are only guessed" in to_do(answer)[0][0]
        said.append(result.comparison)
    dot = UnusedDot(one.landmarks.points["knee"], 12.0, "green", None)
    seen = replace(one, landmarks=replace(one.landmarks, unused_dots=(dot,) * 3))
    told = to_do(replace(answer, outcomes=((photo.name, seen),)))[0][0]
    assert "There are dots that were not used" in told
    assert np.ptp(read) > 40.0
    assert said == [said[0]] * 3


def test_bars_of_a_picture_that_may_be_stretched_do_not_count():
    leg = PHOTOS[0].leg
    assert set(MACHINE_POINTS) <= set(without_guessed_bars(leg).points)
    odd = without_guessed_bars(replace(leg, lens=replace(leg.lens, trusted=False)))
    assert not set(MACHINE_POINTS) & set(odd.points)


@pytest.mark.parametrize(
    ("adjusted", "said"),
    [
        pytest.param((1, 1), None, id="both after"),
        pytest.param((0, 1), "setting 1 has photos from before and after", id="one before"),
    ],
)
def test_a_setting_is_of_one_machine_as_it_stood(adjusted, said):
    photos = [
        replace(one, setting="1", displayed_deg=None, adjusted=n)
        for one, n in zip(PHOTOS, adjusted, strict=True)
    ]
    found = refused(photos)
    assert (found is None) == (said is None)
    assert said is None or said in found.reason


# ------------------------------------------------------------------ the whole visit


def answered(photos, settings=LIMITED, outcomes=()):
    return answer_visit(photos, settings, rng=np.random.default_rng(5), outcomes=outcomes)


def test_the_arc_is_that_of_the_machine_as_it_stands_now():
    """Straighter before adjusting: the arc begins where the machine now begins."""
    third = replace(SHOTS[1], name="c", setting="3", flexion_deg=SHOTS[1].flexion_deg + 20.0)
    photos = visit(Body(), [*SHOTS, third])
    whole = answered([replace(one, displayed_deg=None) for one in photos]).arc.value
    before, *rest = photos
    now = [replace(one, displayed_deg=None, adjusted=1) for one in rest]
    arc = answered([replace(before, displayed_deg=None), *now]).arc.value
    assert arc == pytest.approx(20.0, abs=4.0)
    assert whole == pytest.approx(third.flexion_deg - SHOTS[0].flexion_deg, abs=4.0)
    assert whole > arc + 8.0


def test_the_machine_is_judged_where_that_is_wanted():
    photos, rng = numbered(20.0, 60.0), np.random.default_rng(5)
    assert answered(photos).machine is not None
    assert answer_visit(photos, LIMITED, rng=rng, judge=False).machine is None


def test_a_visit_of_one_setting_has_no_arc():
    found = answered(numbered(20.0, 60.0)[:1])
    assert (found.arc, found.displayed_arc_deg) == (None, None)


@pytest.mark.parametrize(
    ("numbers", "displayed"),
    [
        pytest.param((20.0, 61.0), 41.0, id="both ends have a number"),
        pytest.param((None, 61.0), None, id="none at the extension end"),
        pytest.param((20.0, None), None, id="none at the flexion end"),
    ],
)
def test_the_displays_arc_needs_the_numbers_of_both_ends(numbers, displayed):
    found = answered(numbered(*numbers))
    assert found.arc is not None
    assert found.displayed_arc_deg == displayed


def test_two_legs_are_refused_by_the_whole_visit():
    told = answered([PHOTOS[0], *visit(Body(side="right"), SHOTS[1:])])
    assert isinstance(told, NotMeasured)


def test_what_was_left_out_is_named_and_what_was_measured_is_not():
    outcomes = [("a", made_measurement()), ("gone", Unreadable("it is empty"))]
    assert answered(PHOTOS, outcomes=outcomes).estimate.left_out == (("gone", "it is empty"),)
