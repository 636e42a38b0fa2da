"""Always an answer: how far apart at most, and where each prescribed limit stands."""

from __future__ import annotations

import math

import pytest
from scipy.stats import norm

from knee_angle.angle.bounds import (
    apart,
    extension_lacking,
    limit_standings,
)
from knee_angle.angle.verdict import tolerance_at
from knee_angle.settings import Settings


@pytest.mark.parametrize(
    ("difference", "u", "at_most"),
    [
        pytest.param(0.0, 1.0, 1.960, id="no difference: the two-sided 1.960 u"),
        pytest.param(6.0, 2.0, 6.0 + 1.645 * 2.0, id="a clear difference: one-sided 1.645 u more"),
        pytest.param(-6.0, 2.0, 6.0 + 1.645 * 2.0, id="the sign does not matter"),
        pytest.param(4.0, 0.0, 4.0, id="without any doubt it is the difference"),
    ],
)
def test_the_bound_holds_95_percent_of_a_normal(difference, u, at_most):
    found = apart(difference, u_deg=u)
    assert found.at_most_deg == pytest.approx(at_most, abs=0.002)
    if u:
        inside = norm.cdf(found.at_most_deg, difference, u) - norm.cdf(
            -found.at_most_deg, difference, u
        )
        assert inside == pytest.approx(0.95, abs=1e-6)


def test_what_is_proven_is_told_step_by_step():
    told = dict(apart(8.0, u_deg=1.5).proven)
    assert told == {5.0: "outside", 10.0: "undecided", 15.0: "within", 20.0: "within"}


PRESCRIBED = Settings(limit_flexion_deg=95.0, limit_extension_deg=0.0)


@pytest.mark.parametrize(
    ("given", "flexion"),
    [
        pytest.param({"knee_deg": 90.0, "u_deg": 2.0}, "inside", id="5 inside at ± 4: proven"),
        pytest.param({"knee_deg": 93.0, "u_deg": 2.0}, "at", id="2 inside at ± 4: at the limit"),
        pytest.param({"knee_deg": 97.0, "u_deg": 2.0}, "at", id="2 past at ± 4: not proven"),
        pytest.param({"knee_deg": 99.0, "u_deg": 2.0}, "past", id="4 past at ± 4: proven"),
        pytest.param(
            {"knee_deg": 80.0, "u_deg": 2.0, "displayed_deg": 110.0}, "past",
            id="a display of 110 against 95 is past, whatever the knee",
        ),
        pytest.param(
            {"knee_deg": None, "displayed_deg": 110.0}, "past",
            id="past by the display where the knee was not measured",
        ),
        pytest.param(
            {"knee_deg": 80.0, "u_deg": 2.0, "set_flexion_deg": 100.0}, "past",
            id="the machine's own setting beyond the prescription is past",
        ),
        pytest.param(
            {"knee_deg": 80.0, "u_deg": 2.0, "displayed_deg": 95.0}, "inside",
            id="a display on the limit is not past it",
        ),
        pytest.param(
            {"knee_deg": 80.0, "u_deg": 2.0, "camera_seen": False}, "at",
            id="an assumed camera direction proves no inside",
        ),
    ],
)  # fmt: skip
def test_a_flexion_limit_stands_in_one_of_three_words(given, flexion):
    found = limit_standings(PRESCRIBED, **given)
    assert {one.which: one.standing for one in found}["flexion"] == flexion


@pytest.mark.parametrize(
    ("knee", "standing"),
    [
        pytest.param(6.0, "inside", id="bent 6 at ± 4: proven short of straight"),
        pytest.param(0.0, "at", id="straight at an extension limit of straight"),
        pytest.param(-6.0, "past", id="6 beyond straight: past"),
    ],
)
def test_an_extension_limit_counts_the_other_way(knee, standing):
    found = limit_standings(PRESCRIBED, knee_deg=knee, u_deg=2.0)
    assert {one.which: one.standing for one in found}["extension"] == standing


@pytest.mark.parametrize(
    ("given", "knee"),
    [
        pytest.param({"knee_deg": 80.0, "u_deg": 2.0}, "inside", id="a knee proven inside"),
        pytest.param({"knee_deg": 89.0, "u_deg": 2.0}, "at", id="not proven on which side"),
        pytest.param({"knee_deg": 99.0, "u_deg": 2.0}, "past", id="proven past"),
        pytest.param({"knee_deg": 80.0, "u_deg": 2.0, "camera_seen": False}, "at",
                     id="an assumed camera direction proves no inside"),
        pytest.param({"knee_deg": None}, None, id="a knee that was not measured"),
    ],
)  # fmt: skip
def test_where_the_knee_is_stays_told_beneath_a_display_past_the_limit(given, knee):
    found = limit_standings(Settings(limit_flexion_deg=90.0), displayed_deg=97.0, **given)
    assert [(one.standing, one.knee) for one in found] == [("past", knee)]


def test_past_says_what_is_past():
    found = limit_standings(
        PRESCRIBED, knee_deg=101.0, u_deg=1.0, displayed_deg=99.0, set_flexion_deg=105.0
    )
    assert found[0].because == ("knee", "display", "setting")
    assert limit_standings(Settings(), knee_deg=150.0, u_deg=1.0) == ()


@pytest.mark.parametrize(
    ("knee", "display", "tolerance"),
    [
        pytest.param(60.0, 65.0, 10.0, id="in flexion"),
        pytest.param(19.0, 25.0, 5.0, id="the knee near straight"),
        pytest.param(25.0, 19.0, 5.0, id="the display near straight"),
        pytest.param(20.0, 20.0, 10.0, id="20 itself is flexion"),
    ],
)
def test_the_tolerance_is_tighter_near_straight(knee, display, tolerance):
    assert tolerance_at(Settings(), knee_deg=knee, displayed_deg=display) == tolerance


def test_a_site_that_allows_less_keeps_its_own_tolerance_near_straight():
    assert tolerance_at(Settings(tolerance_deg=3.0), knee_deg=10.0, displayed_deg=10.0) == 3.0


def test_lacking_extension_is_told_only_where_proven():
    short = extension_lacking(Settings(), knee_deg=12.0, u_deg=2.0)
    assert short is not None
    assert (short.deg, short.wanted_deg) == (12.0, 0.0)
    assert short.at_least_deg == pytest.approx(12.0 - 1.645 * 2.0)
    assert extension_lacking(Settings(), knee_deg=3.0, u_deg=2.0) is None
    assert extension_lacking(PRESCRIBED, knee_deg=3.0, u_deg=2.0) is None
    five = Settings(limit_extension_deg=10.0)
    assert extension_lacking(five, knee_deg=12.0, u_deg=2.0) is None
    assert not math.isnan(short.deg)
