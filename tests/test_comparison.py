"""Verdicts, against JCGM 106."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from knee_angle.angle.verdict import compare, conformance_probability, judged, verdict_of
from knee_angle.errors import InvalidInput
from knee_angle.records import Angle, Comparison, Displayed
from knee_angle.records.displayed import checked
from knee_angle.settings import Settings, flexion_of_display


def knee(deg: float, u: float) -> Angle:
    half = 1.96 * u
    return Angle(deg, u, (deg - half, deg + half), {}, (deg - half, deg + half))


def test_conformance_probability_of_the_standard():
    """JCGM 106:2012 7.4: y 13.6, u 1.8, limits 12.5 and 16.3 give 0.66263 (computed)."""
    p = conformance_probability(13.6, u=1.8, lower=12.5, upper=16.3)
    assert p == pytest.approx(0.66263, abs=5e-6)


def test_conformance_probability_agrees_with_scipy():
    p = conformance_probability(3.0, u=2.0, lower=-10, upper=10)
    assert p == pytest.approx(stats.norm(3.0, 2.0).cdf(10) - stats.norm(3.0, 2.0).cdf(-10))


@pytest.mark.parametrize(
    ("difference", "u", "expected"),
    [
        pytest.param(0.0, 2.0, "within", id="a small difference well known is within"),
        pytest.param(
            13.30, 2.0, "outside", id="just beyond tolerance plus 1.645 u is proven outside"
        ),
        pytest.param(13.28, 2.0, "undecided", id="just short of it nothing is proven"),
        pytest.param(6.70, 2.0, "within", id="just inside tolerance less 1.645 u is proven within"),
        pytest.param(6.72, 2.0, "undecided", id="just outside that nothing is proven"),
        pytest.param(-13.30, 2.0, "outside", id="the sign does not matter"),
        pytest.param(0.0, 7.0, "undecided", id="an all-clear has to be proven too"),
        pytest.param(0.0, 5.85, "undecided", id="both edges count: inside with 91 % is not proven"),
        pytest.param(0.0, 5.10, "within", id="inside with 95 % is proven"),
        pytest.param(10.0, 0.0, "within", id="a difference known to be just allowed is allowed"),
    ],
)
def test_a_verdict_is_a_probability_of_95_percent(difference, u, expected):
    """JCGM 106:2012, 7.4 and 8.3: inside (or outside) with at least 95 %; tolerance 10 degrees."""
    assert verdict_of(difference, u=u, tolerance=10.0) == expected


@given(st.floats(-40.0, 40.0), st.floats(0.0, 12.0), st.sampled_from([2.0, 5.0, 10.0]))
def test_no_verdict_contradicts_its_probability(difference, u, tolerance):
    """Issue 12: "agrees" stood beside a probability of 0.914."""
    one = judged(difference, u=u, tolerance=tolerance)
    assert (one.verdict == "within") == (one.p_within >= 0.95)
    assert (one.verdict == "outside") == (one.p_within <= 0.05)


@pytest.mark.parametrize("u", [0.5, 2.0, 4.0])
def test_a_proof_is_wrong_at_most_one_time_in_twenty(u):
    """At the very edge of the tolerance a warning comes up with probability 5 %."""
    measured = 10.0 + 1.65 * u
    assert 1 - stats.norm(10.0, u).cdf(measured) <= 0.05


def test_whole_comparison():
    settings = Settings(tolerance_deg=10.0, display_resolution_deg=1.0, movement_deg=1.5)
    compared = compare(Displayed(95.0), knee(88.0, 2.0), settings)
    # Knee, display step (rectangular, 1 degree), movement (rectangular, half-width 1.5).
    u = math.hypot(2.0, math.sqrt(1 / 12 + 1.5**2 / 3))
    assert compared == Comparison(
        discrepancy_deg=7.0,
        u_deg=u,
        tolerance_deg=10.0,
        p_within=conformance_probability(7.0, u=u, lower=-10, upper=10),
        verdict="undecided",
    )
    assert compared.interval_deg == pytest.approx((7 - 1.96 * u, 7 + 1.96 * u))


@pytest.mark.parametrize("value", [412.0, -31.0, math.nan, math.inf])
def test_a_number_no_knee_can_have_is_refused(value):
    with pytest.raises(InvalidInput, match=r"displayed_deg must be between -30 and 180, but got"):
        checked(value)


@pytest.mark.parametrize(
    ("number", "counting", "flexion"),
    [
        pytest.param(93, "flexion", 93, id="a display of flexion is taken as it stands"),
        pytest.param(87, "straight-is-180", 93, id="where 180 is straight, 87 bends by 93"),
        pytest.param(185, "straight-is-180", -5, id="and 185 is hyperextended by 5"),
        pytest.param(-93, "negative", 93, id="where flexion is negative, -93 bends by 93"),
        pytest.param(4, "negative", -4, id="and 4 is hyperextended by 4"),
    ],
)
def test_a_display_may_count_another_way(number, counting, flexion):
    """Common practice: some models write flexion negative, some sheets call straight 180."""
    assert flexion_of_display(number, counting=counting) == flexion
