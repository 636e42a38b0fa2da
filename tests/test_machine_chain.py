"""The closed chain with the heel seated: figures, a general solver, limits."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import least_squares, minimize_scalar

from knee_angle.errors import InvalidInput
from knee_angle.machine import chain as ch

THIGH, LOWER = 420.0, 400.0
BARS = np.array([30.0, 60.0, 90.0, 110.0])


def leg(**faults):
    return ch.Chain(THIGH, LOWER, **faults)


# Knee minus bars, deg, and the hinge seen from the knee (distal, anterior), mm, at 30, 60,
# 90 and 110 degrees of the bars: computed beforehand, apart from this code, by the project.
FIGURES = [
    pytest.param(
        {"thigh_fault_mm": 20},
        [(-13.43, 17.4, 47.4), (-5.10, 19.8, 13.1), (-2.93, 20.0, 0.5), (-2.11, 19.9, -7.0)],
        id="thigh section 20 too long",
    ),
    pytest.param(
        {"thigh_fault_mm": -20},
        [(9.11, -21.0, -28.3), (4.70, -20.1, -10.2), (2.80, -20.0, 0.5), (2.00, -20.1, 7.5)],
        id="thigh section 20 too short",
    ),
    pytest.param(
        {"lower_fault_mm": 20},
        [(-13.36, -3.0, 50.4), (-5.02, -0.7, 23.7), (-2.80, -0.5, 20.0), (-1.92, -0.5, 21.1)],
        id="lower-leg section 20 too long",
    ),
    pytest.param(
        {"lower_fault_mm": -20},
        [(9.08, -1.5, -35.2), (4.62, -0.6, -22.6), (2.66, -0.5, -20.0), (1.80, -0.5, -21.4)],
        id="lower-leg section 20 too short",
    ),
    pytest.param(
        {"place_mm": 20},
        [(-14.05, 16.8, 47.4), (-5.86, 17.4, 11.9), (-4.03, 14.7, 0.8), (-3.45, 12.3, -3.9)],
        id="patient 20 up the bed",
    ),
    pytest.param(
        {"place_mm": -20},
        [(9.38, -20.2, -26.9), (5.38, -17.4, -8.5), (3.89, -14.2, 0.7), (3.38, -11.8, 4.9)],
        id="patient 20 down the bed",
    ),
]


@pytest.mark.parametrize(("faults", "figures"), FIGURES)
def test_the_projects_figures_of_the_closed_chain(faults, figures):
    """Tolerance: the digits given."""
    knee = ch.knee_flexion_deg(BARS, leg(**faults))
    distal, anterior = ch.hinge_mm(BARS, knee, leg(**faults))
    for got, wanted, digits in zip(
        (knee - BARS, distal, anterior), zip(*figures, strict=True), (2, 1, 1), strict=True
    ):
        assert got == pytest.approx(wanted, abs=0.5 * 10**-digits + 1e-9)


def test_opposite_section_faults_hide_from_the_angles_but_not_from_the_hinge():
    """Thigh +45 with lower leg -45: knee and bars within 1.4 degrees, the hinge 45 mm off."""
    hidden = leg(thigh_fault_mm=45, lower_fault_mm=-45)
    knee = ch.knee_flexion_deg(BARS, hidden)
    distal, anterior = ch.hinge_mm(BARS, knee, hidden)
    assert np.max(np.abs(knee - BARS)) < 1.45
    assert (distal[2], anterior[2]) == pytest.approx((42.65, -46.74), abs=5e-3)


faults = st.fixed_dictionaries(
    {
        "thigh_fault_mm": st.floats(-45, 45),
        "lower_fault_mm": st.floats(-45, 45),
        "place_mm": st.floats(-40, 40),
        "give": st.floats(0, 1),
        "slack_deg": st.floats(-6, 6),
    }
)


def by_coordinates(bars, knee_from, one):
    """The raw linkage, solved as points in the plane by a general solver; no law of cosines.

    Unknown: the heel's place on the line, the hinge, the hip's place, the knee. The pelvis
    takes its share of what a leg bent as the bars would miss.
    """
    upper, under = THIGH + one["thigh_fault_mm"], LOWER + one["lower_fault_mm"]
    turn = np.radians(bars)
    along, across = under * np.cos(turn) + upper, -under * np.sin(turn)
    heel = np.hypot(along, across)
    free = np.hypot(LOWER * np.cos(turn) + THIGH, LOWER * np.sin(turn))
    hip = np.array([-one["place_mm"] + one["give"] * (heel + one["place_mm"] - free), 0.0])

    def gaps(knee):
        return (
            np.hypot(*(knee - hip)) - THIGH,
            np.hypot(*(knee - np.array([heel, 0.0]))) - LOWER,
        )

    found = least_squares(gaps, knee_from + hip, xtol=1e-15, ftol=1e-15, gtol=1e-15)
    knee = found.x
    thigh, shank = knee - hip, np.array([heel, 0.0]) - knee
    bend = np.degrees(np.arctan2(thigh[1] * shank[0] - thigh[0] * shank[1], thigh @ shank))
    # The hinge: upper from P at the origin, under from the heel, above the line.
    at_p = np.arccos((upper**2 + heel**2 - under**2) / (2 * upper * heel))
    away = upper * np.array([np.cos(at_p), np.sin(at_p)]) - knee
    unit = thigh / np.hypot(*thigh)
    place = away @ unit, away @ np.array([-unit[1], unit[0]])
    return bend - one["slack_deg"], place, max(np.abs(found.fun))


@given(bars=st.floats(5, 130), one=faults)
def test_a_general_solver_of_the_linkage_finds_the_same_knee_and_hinge(bars, one):
    chain = leg(**one)
    knee = float(ch.knee_flexion_deg(bars, chain))
    bend = np.radians(knee + one["slack_deg"])
    if np.sin(bend) < 0.02:
        return  # straight: the linkage is locked, and tested below
    at_hip = np.arctan2(LOWER * np.sin(bend), THIGH + LOWER * np.cos(bend))
    start = THIGH * np.array([np.cos(at_hip + 0.1), np.sin(at_hip + 0.1)])
    solved, place, missed = by_coordinates(bars, start, one)
    assert missed < 1e-6
    assert knee == pytest.approx(solved, abs=1e-4)
    # The hinge's figures know no slack: it turns the marked leg against the one that closes.
    assert np.ravel(ch.hinge_mm(bars, knee, chain)) == pytest.approx(place, abs=1e-3)
    assert float(ch.closure_mm(bars, knee, chain)) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("give", [0.0, 0.4, 1.0])
def test_without_faults_the_knee_is_the_bars_over_the_whole_range(give):
    bars = np.linspace(-5, 130, 271)
    knee = ch.knee_flexion_deg(bars, leg(give=give))
    # Near straight a rounding of 1e-13 mm is 1e-6 degrees of knee.
    assert knee == pytest.approx(bars, abs=1e-5)
    place = ch.hinge_mm(bars, knee, leg(give=give))
    assert np.abs(place) == pytest.approx(np.zeros((2, 271)), abs=1e-4)


@given(bars=st.floats(-5, 130), one=faults)
def test_a_pelvis_that_gives_way_altogether_leaves_the_knee_as_the_bars(bars, one):
    one = {**one, "give": 1.0, "slack_deg": 0.0}
    assert float(ch.knee_flexion_deg(bars, leg(**one))) == pytest.approx(bars, abs=1e-4)


def test_the_more_the_pelvis_gives_the_less_the_knee_is_off():
    off = [
        abs(float(ch.knee_flexion_deg(40, leg(thigh_fault_mm=-25, give=g))) - 40)
        for g in (0, 0.25, 0.5, 0.75, 1)
    ]
    assert off == sorted(off, reverse=True)
    assert off[0] > 8


@pytest.mark.parametrize(
    ("fault", "sign"),
    [
        pytest.param({"thigh_fault_mm": -15}, 1, id="thigh section too short: more bent"),
        pytest.param({"lower_fault_mm": -15}, 1, id="lower-leg section too short: more bent"),
        pytest.param({"place_mm": -15}, 1, id="patient too far down: more bent"),
        pytest.param({"thigh_fault_mm": 15}, -1, id="thigh section too long: less bent"),
        pytest.param({"lower_fault_mm": 15}, -1, id="lower-leg section too long: less bent"),
        pytest.param({"place_mm": 15}, -1, id="patient too far up: less bent"),
        pytest.param({"slack_deg": 5}, -1, id="slack: less bent"),
    ],
)
def test_signs_over_the_whole_range_and_the_largest_error_near_extension(fault, sign):
    bars = np.linspace(25, 130, 50)
    off = sign * (ch.knee_flexion_deg(bars, leg(**fault)) - bars)
    assert np.all(off > 0)
    if "slack_deg" not in fault:
        assert np.argmax(off) == 0


def test_too_long_a_section_locks_the_straight_leg_and_pulls_the_pelvis():
    long = leg(thigh_fault_mm=10)
    assert float(ch.knee_flexion_deg(3, long)) == 0.0
    assert float(ch.closure_mm(0, 0, long)) == 0.0  # the pelvis closes it
    assert float(ch.knee_flexion_deg(-25, long)) < 0  # it came straight and follows the bars


def test_too_short_a_section_keeps_the_knee_from_coming_straight():
    short = leg(lower_fault_mm=-10)
    straightest = ch.knee_flexion_deg(np.linspace(-5, 20, 26), short)
    assert np.min(straightest) > 15  # acos of (810^2 - 420^2 - 400^2) / (2 420 400) is 16.2


@given(bars=st.floats(5, 130), one=faults)
def test_a_general_minimiser_finds_where_pelvis_and_slings_balance(bars, one):
    one = {**one, "give": 0.3 + 0.7 * one["give"]}
    upper, under = THIGH + one["thigh_fault_mm"], LOWER + one["lower_fault_mm"]

    def third(one_side, other, deg):
        return abs(one_side + other * np.exp(-1j * np.radians(deg)))

    def strain(bend):
        pelvis = third(THIGH, LOWER, bend) - third(upper, under, bars) - one["place_mm"]
        return (1 - one["give"]) * pelvis**2 + one["give"] * (200 * np.radians(bend - bars)) ** 2

    least = minimize_scalar(strain, bracket=(bars - 1, bars + 1), tol=1e-12).x
    knee = float(ch.knee_in_slings_deg(bars, leg(**one)))
    assert strain(knee + one["slack_deg"]) <= strain(least) * (1 + 1e-5) + 1e-3
    assert float(ch.off_slings_deg(bars, knee, leg(**one))) == pytest.approx(0.0, abs=1e-3)


def test_in_slings_the_error_is_largest_half_bent_and_not_near_extension():
    bars = np.linspace(0, 130, 131)
    off = ch.knee_in_slings_deg(bars, leg(thigh_fault_mm=-20, give=0.4)) - bars
    assert 25 < bars[np.argmax(off)] < 70
    assert off[0] < 0.05 * np.max(off)
    assert ch.knee_in_slings_deg(bars, leg(give=0.4)) == pytest.approx(bars, abs=1e-9)


@pytest.mark.parametrize("give", [0.25, 0.75])
@pytest.mark.parametrize("faults", [(20, 0, 0), (0, -20, 0), (25, 25, 5)])
def test_a_knee_between_chain_and_bars_is_their_weighed_mean(faults, give):
    """Also where too long a section has locked the leg straight: half-way to the bars."""
    one = dict(zip(("thigh_fault_mm", "lower_fault_mm", "place_mm"), faults, strict=True))
    bars = np.array([5.0, 20.0, 60.0, 110.0])
    held = ch.knee_flexion_deg(bars, leg(**one))
    knee = ch.knee_between_deg(bars, leg(**one, give=give, slack_deg=2.0))
    assert knee == pytest.approx((1 - give) * held + give * bars - 2.0)
    missed = ch.between_mm(bars, knee, leg(**one, give=give, slack_deg=2.0))
    assert missed == pytest.approx(np.zeros(4), abs=1e-9)
    straighter = ch.between_mm(bars, knee - 5.0, leg(**one, give=give, slack_deg=2.0))
    assert np.all(straighter[held > 10.0] > 0.5)


def test_arrays_broadcast():
    many = leg(thigh_fault_mm=np.linspace(-20, 20, 5)[:, None])
    knee = ch.knee_flexion_deg(BARS, many)
    assert knee.shape == (5, 4)
    assert knee[0, 2] - 90 == pytest.approx(2.80, abs=5e-3)


@pytest.mark.parametrize(
    ("call", "rule"),
    [
        pytest.param(lambda: ch.Chain(0, 400), "thigh_mm must be positive", id="no thigh"),
        pytest.param(
            lambda: leg(lower_fault_mm=-400), "lower_fault_mm must be positive", id="no section"
        ),
        pytest.param(lambda: leg(give=1.2), "give must be between", id="more than all"),
        pytest.param(
            lambda: ch.knee_flexion_deg([10, 175], leg()), "bars_deg must be", id="folded bars"
        ),
        pytest.param(
            lambda: ch.knee_flexion_deg(np.nan, leg()), "bars_deg must be", id="no number"
        ),
        pytest.param(
            lambda: ch.knee_flexion_deg(170, leg(place_mm=-60, lower_fault_mm=5)),
            "must not fold",
            id="a leg folded flat",
        ),
    ],
)
def test_what_the_chain_does_not_answer_is_refused(call, rule):
    with pytest.raises(InvalidInput, match=rule):
        call()
