"""The verdict over a whole range, at its edges: lines of known ±, no fit and no chance."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from knee_angle.errors import InvalidInput
from knee_angle.machine.over_range import RangeVerdict, verdict_over


def judged(
    offset_deg: float,
    *,
    u_deg: float = 1.0,
    gain: float = 1.0,
    p_value: float | None = 0.5,
    low_deg: float = 10.0,
    high_deg: float = 110.0,
) -> RangeVerdict:
    """A line whose offset alone is unsure, against ± 5 degrees; photos at 10 to 110."""
    line = SimpleNamespace(
        offset=offset_deg, gain=gain, cov=(u_deg**2, 0.0, 0.0), p_value=p_value,
        x=(10.0, 60.0, 110.0), freedom=float("inf"),
    )  # fmt: skip
    return verdict_over(line, low_deg=low_deg, high_deg=high_deg, tolerance_deg=5.0)


@pytest.mark.parametrize("sign", [1, -1], ids=["reads more", "reads less"])
@pytest.mark.parametrize(
    ("off_deg", "verdict"),
    [
        pytest.param(3.3, "within", id="3.3 and 1.65 u are below 5"),
        pytest.param(3.4, "undecided", id="3.4 are not"),
        pytest.param(6.6, "undecided", id="6.6 less 1.65 u are not beyond"),
        pytest.param(6.7, "outside", id="6.7 are"),
    ],
)
def test_a_proof_against_one_limit_takes_the_one_sided_band(off_deg, verdict, sign):
    found = judged(sign * off_deg)
    assert (found.verdict, found.k) == (verdict, pytest.approx(1.65, abs=1e-3))
    assert found.largest_deg == pytest.approx(sign * off_deg)
    assert (found.outside_at_deg is None) == (verdict != "outside")
    assert (found.tolerance_deg, found.u_deg) == (5.0, 1.0)


@pytest.mark.parametrize(
    ("offset_deg", "u_deg", "k", "verdict"),
    [
        pytest.param(0.0, 2.5, 1.65, "within", id="1.96 u reach neither limit"),
        pytest.param(0.0, 2.7, 1.960, "undecided", id="1.96 u reach both: 1.65 u would clear it"),
        pytest.param(3.0, 1.5, 1.65, "undecided", id="only the upper one"),
        pytest.param(-3.0, 1.5, 1.65, "undecided", id="only the lower one"),
        pytest.param(3.0, 3.8, 1.65, "undecided", id="the lower one just not"),
        pytest.param(3.0, 4.2, 1.960, "undecided", id="the lower one too"),
    ],
)
def test_both_limits_in_reach_take_the_two_sided_band(offset_deg, u_deg, k, verdict):
    found = judged(offset_deg, u_deg=u_deg)
    assert (found.k, found.verdict) == (pytest.approx(k, abs=1e-3), verdict)


def test_a_tolerance_of_less_than_a_degree_is_one():
    line = SimpleNamespace(
        offset=0.0, gain=1.0, cov=(0.01, 0.0, 0.0), p_value=None, x=(10.0, 110.0),
        freedom=float("inf"),
    )  # fmt: skip
    assert verdict_over(line, low_deg=10, high_deg=110, tolerance_deg=0.5).verdict == "within"


@pytest.mark.parametrize("offset_deg", [5.0, -5.0])
def test_exactly_at_the_tolerance_nothing_is_proven(offset_deg):
    assert judged(offset_deg, u_deg=0.0).verdict == "undecided"


@pytest.mark.parametrize(
    ("p_value", "verdict"),
    [
        pytest.param(None, "within", id="the scatter was the measure"),
        pytest.param(0.015, "within", id="1.5 percent"),
        pytest.param(0.01, "within", id="1 percent"),
        pytest.param(0.0099, "undecided", id="below 1 percent"),
    ],
)
def test_points_off_a_line_get_no_all_clear(p_value, verdict):
    found = judged(0.0, p_value=p_value)
    assert (found.verdict, found.on_a_line) == (verdict, verdict == "within")
    assert judged(8.0, p_value=p_value).verdict == "outside"


def test_the_largest_discrepancy_is_the_largest_in_size():
    found = judged(-4.0, gain=1.01)
    assert (found.largest_deg, found.at_deg) == (pytest.approx(-3.9), 10.0)


@pytest.mark.parametrize(
    ("range_deg", "extrapolated"),
    [
        ((10.0, 110.0), False), ((9.9, 110.0), True), ((10.0, 110.1), True), ((20.0, 90.0), False),
    ],
)  # fmt: skip
def test_a_range_past_the_photos_is_said(range_deg, extrapolated):
    low, high = range_deg
    assert judged(0.0, low_deg=low, high_deg=high).extrapolated is extrapolated


@pytest.mark.parametrize(
    "range_deg", [(50.0, 50.0), (60.0, 50.0), (float("-inf"), 50.0), (50.0, float("inf"))]
)
def test_a_range_that_does_not_rise_is_refused(range_deg):
    low, high = range_deg
    with pytest.raises(InvalidInput, match="must rise"):
        judged(0.0, low_deg=low, high_deg=high)


@pytest.mark.parametrize(
    "tolerance_deg",
    [
        0.0, -5.0, float("nan"), float("inf"),
        pytest.param(lambda x, _: 5.0 if x > 60 else 0.0, id="none at one end"),
        pytest.param(lambda x, _: 5.0 if x > 60 else float("inf"), id="no number at one end"),
    ],
)  # fmt: skip
def test_a_tolerance_that_is_none_is_refused(tolerance_deg):
    line = SimpleNamespace(offset=0.0, gain=1.0)
    with pytest.raises(InvalidInput, match="tolerance_deg must be positive"):
        verdict_over(line, low_deg=10, high_deg=110, tolerance_deg=tolerance_deg)
