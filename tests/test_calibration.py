"""Straight lines and whole ranges, against standards, GTC, scipy and simulated machines."""

from __future__ import annotations

import time
import tracemalloc
from collections import Counter
from functools import cache
from types import SimpleNamespace
from typing import get_args

import GTC
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from published_tables import columns
from scipy import stats
from scipy.optimize import minimize

from knee_angle.angle import bars
from knee_angle.angle.verdict import verdict_of
from knee_angle.assumptions import U_POINTS_DEG
from knee_angle.errors import InvalidInput
from knee_angle.machine import calibration as ca
from knee_angle.machine import check_plan, over_range
from knee_angle.records import Verdict
from knee_angle.store.codec import from_json, to_json

LOW, HIGH = 10.0, 110.0
ANGLES = np.linspace(LOW, HIGH, 8)


def example(number: int) -> ca.Line:
    c = columns(f"iso_ts_28037_example_{number}")
    return ca.fit_line(c["x"], c["y"], u_x=c.get("u_x"), u_y=c["u_y"])


def gum_h3(common: float = 0.0) -> ca.Line:
    c = columns("gum_h3")
    return ca.fit_line(c["t"] - 20.0, c["b"], common_u_y=common)


def forward(line: ca.Line, x: float | np.ndarray, *, u: float = 0.0) -> ca.LineEstimate:
    """Reading to expect at an x, or at each of several, with its u (ISO/TS 28037, 11.2)."""
    aa, ab, bb = line.cov
    at = line.offset + line.gain * x
    spread = (aa + 2 * x * ab + x**2 * bb + (line.gain * u) ** 2) ** 0.5
    k = ca.quantile(0.975, line.freedom)
    return ca.LineEstimate(at, spread, (at - k * spread, at + k * spread))


def holds(line: ca.Line, *, offset: float, gain: float) -> bool:
    """Whether the 95 % ellipse of the line's covariance holds a point."""
    (aa, ab, bb), away = line.cov, np.array([offset - line.offset, gain - line.gain])
    size = float(away @ np.linalg.solve([[aa, ab], [ab, bb]], away))
    return size <= float(stats.chi2.ppf(0.95, 2))


def band(line: ca.Line, *, low: float, high: float) -> SimpleNamespace:
    """The simultaneous 95 % band about a line over a range, two sides."""
    over_range.check_range(low, high)
    k = over_range.band_k(line, low=low, high=high, sides=2)
    x = np.linspace(low, high, 101)
    at = forward(line, x)
    return SimpleNamespace(x=x, k=k, lower=at.value - k * at.u, upper=at.value + k * at.u)


def test_gum_h3_thermometer():
    """JCGM 100:2008 H.3: y1, y2, their s, r, and the correction at 30 degrees Celsius."""
    line = gum_h3()
    assert (line.offset, line.u_offset) == pytest.approx((-0.1712, 0.0029), abs=5e-5)
    assert (line.gain, line.u_gain) == pytest.approx((0.00218, 0.00067), abs=5e-6)
    assert line.cov[1] / (line.u_offset * line.u_gain) == pytest.approx(-0.930, abs=5e-4)
    at_30 = forward(line, 10.0)
    assert (at_30.value, at_30.u) == pytest.approx((-0.1494, 0.0041), abs=5e-5)
    assert (line.freedom, line.p_value, line.outliers) == (9, None, ())
    # More digits, computed by the project.
    assert (line.u_offset, line.u_gain) == pytest.approx((0.0028776, 0.00066794), rel=1e-5)
    assert at_30.u == pytest.approx(0.00413860, rel=1e-5)


def test_gum_h36_a_common_error_enters_the_offset_and_not_the_gain():
    """JCGM 100:2008 H.3.6: u(y1) 0.00576893, u(y2) as before."""
    line = gum_h3(common=0.005)
    assert line.u_offset == pytest.approx(0.00576893, abs=5e-9)
    assert line.u_gain == pytest.approx(gum_h3().u_gain, rel=1e-9)
    assert line.gain == pytest.approx(gum_h3().gain)


@pytest.mark.parametrize(
    ("number", "a", "b", "cov", "chi2"),
    [
        pytest.param(1, (1.867, 0.465), (1.757, 0.120), -0.050, 1.665, id="equal weights"),
        pytest.param(2, (0.885, 0.530), (2.057, 0.178), -0.082, 4.131, id="unequal weights"),
    ],
)
def test_iso_ts_28037_weights_in_y(number, a, b, cov, chi2):
    """ISO/TS 28037:2010, examples 1 and 2, to the three printed decimals."""
    line = example(number)
    assert (line.offset, line.u_offset) == pytest.approx(a, abs=5.1e-4)
    assert (line.gain, line.u_gain) == pytest.approx(b, abs=5.1e-4)
    assert line.cov[1] == pytest.approx(cov, abs=5.1e-4)
    assert line.chi2 == pytest.approx(chi2, abs=5.1e-4)
    assert line.p_value == pytest.approx(stats.chi2.sf(chi2, 4), abs=1e-3)


def test_iso_ts_28037_errors_in_both():
    """ISO/TS 28037:2010, example 3; the gain is printed cut, 2.159 for 2.1597."""
    line = example(3)
    assert (line.offset, line.u_offset) == pytest.approx((0.5788, 0.4764), abs=5.1e-5)
    assert line.gain == pytest.approx(2.159, abs=1e-3)
    assert line.u_gain == pytest.approx(0.1355, abs=5.1e-5)
    assert line.cov[1] == pytest.approx(-0.0577, abs=5.1e-5)
    assert line.chi2 == pytest.approx(2.743, abs=5.1e-4)


def test_iso_ts_28037_inverse_and_forward():
    """Example 1: y 10.5 (0.5) is x 4.913 (0.322); x 3.5 (0.2) is y 8.017 (0.406)."""
    back, forth = example(1).inverse(10.5, u=0.5), forward(example(1), 3.5, u=0.2)
    assert (back.value, back.u) == pytest.approx((4.913, 0.322), abs=5.1e-4)
    assert (forth.value, forth.u) == pytest.approx((8.017, 0.406), abs=5.1e-4)
    assert forth.interval == pytest.approx((8.017 - 1.96 * 0.406, 8.017 + 1.96 * 0.406), abs=2e-3)


def test_york_pearson():
    """Pearson's points with York's weights: a 5.47991022, b -0.48053341."""
    c = columns("york_pearson")
    line = ca.fit_line(c["x"], c["y"], u_x=c["w_x"] ** -0.5, u_y=c["w_y"] ** -0.5)
    assert line.offset == pytest.approx(5.47991022, abs=5e-9)
    assert line.gain == pytest.approx(-0.48053341, abs=5e-9)


def test_deming():
    """Var(Y) 0.008, Var(X) 0.032: a -0.089745, b 1.001194 (computed by the project)."""
    c = columns("deming")
    line = ca.fit_line(c["x"], c["y"], u_x=0.032**0.5, u_y=0.008**0.5)
    assert (line.offset, line.gain) == pytest.approx((-0.089745, 1.001194), abs=5e-7)


def test_gtc_fits_the_same_line_with_errors_in_both():
    """GTC's weighted total least squares (Krystek and Anton 2011); u differs by about 3 %."""
    c = columns("iso_ts_28037_example_3")
    x, y = ([GTC.ureal(v, u) for v, u in zip(c[k], c[f"u_{k}"], strict=True)] for k in "xy")
    a, b = GTC.type_b.line_fit_wtls(x, y).a_b
    line = example(3)
    assert (line.offset, line.gain) == pytest.approx((GTC.value(a), GTC.value(b)), abs=1e-6)
    assert line.u_offset == pytest.approx(GTC.uncertainty(a), rel=0.03)
    assert line.u_gain == pytest.approx(GTC.uncertainty(b), rel=0.03)


@pytest.mark.parametrize("r", [0.4, -0.4, 0.8])
def test_correlated_points_minimise_the_weighted_sum_of_york(r):
    """York et al. 2004: weights 1 / (u(y)² - 2 b cov + b² u(x)²), minimised by scipy.

    GTC 1.5 counts such a correlation twice (its r = 0.4 gives the line of r = 0.8 here),
    and so is no check of this case.
    """
    c = columns("iso_ts_28037_example_3")
    cov = r * c["u_x"] * c["u_y"]

    def total(p: np.ndarray) -> float:
        variance = c["u_y"] ** 2 - 2 * p[1] * cov + p[1] ** 2 * c["u_x"] ** 2
        return float(np.sum((c["y"] - p[0] - p[1] * c["x"]) ** 2 / variance))

    best = minimize(total, np.array([0.5, 2.0]), options={"gtol": 1e-8})
    line = ca.fit_line(c["x"], c["y"], u_x=c["u_x"], u_y=c["u_y"], cov_xy=cov)
    assert (line.offset, line.gain) == pytest.approx(tuple(best.x), abs=1e-5)


def test_gtc_and_scipy_fit_the_same_unweighted_line():
    c = columns("gum_h3")
    a, b = GTC.type_a.line_fit(c["t"] - 20, c["b"]).a_b
    ours, theirs = gum_h3(), stats.linregress(c["t"] - 20, c["b"])
    assert (ours.u_offset, ours.u_gain) == pytest.approx((GTC.uncertainty(a), GTC.uncertainty(b)))
    assert (ours.offset, ours.gain) == pytest.approx((theirs.intercept, theirs.slope))
    assert (ours.u_offset, ours.u_gain) == pytest.approx((theirs.intercept_stderr, theirs.stderr))


def full_case() -> dict[str, np.ndarray]:
    rng = np.random.default_rng(21)
    x = np.linspace(0, 10, 6) + rng.normal(0, 0.3, 6)
    y = 1 + 0.9 * np.linspace(0, 10, 6) + rng.normal(0, 0.4, 6)
    root = rng.normal(0, 0.15, (12, 12)) + 0.3 * np.eye(12)
    cov = root @ root.T
    return {"x": x, "y": y, "cov": cov}


def test_a_general_minimiser_finds_the_same_line_with_a_full_covariance():
    """The minimize of scipy over offset, gain and all true x of the full least squares sum."""
    c = full_case()
    n, weight = 6, np.linalg.inv(c["cov"])
    ours = ca.fit_line(
        c["x"], c["y"], cov_x=c["cov"][:n, :n], cov_y=c["cov"][n:, n:], cov_xy=c["cov"][:n, n:]
    )

    def total(p: np.ndarray) -> float:
        e = np.concatenate([c["x"] - p[2:], c["y"] - p[0] - p[1] * p[2:]])
        return float(e @ weight @ e)

    best = minimize(total, np.array([0.5, 1.0, *c["x"]]), method="BFGS", options={"gtol": 1e-9})
    assert (ours.offset, ours.gain) == pytest.approx(tuple(best.x[:2]), abs=1e-5)
    assert ours.adjusted_x == pytest.approx(tuple(best.x[2:]), abs=1e-5)
    assert ours.chi2 == pytest.approx(best.fun, abs=1e-8)


@pytest.mark.parametrize("axis", ["x", "y"])
def test_what_all_points_share_moves_only_the_offset(axis):
    alone = ca.fit_line(ANGLES, 2 + 1.1 * ANGLES, u_x=0.8, u_y=0.3)
    common = {f"common_u_{axis}": 1.5}
    shared = ca.fit_line(ANGLES, 2 + 1.1 * ANGLES, u_x=0.8, u_y=0.3, **common)
    effect = 1.5 * (1.1 if axis == "x" else 1.0)
    assert shared.u_offset == pytest.approx(np.hypot(alone.u_offset, effect))
    assert shared.u_gain == pytest.approx(alone.u_gain)


@given(
    offset=st.floats(-20, 20),
    gain=st.floats(0.5, 2.0),
    shift=st.floats(-50, 50),
    angle=st.floats(-20, 150),
)
def test_a_line_is_found_again_wherever_zero_is(offset, gain, shift, angle):
    x = ANGLES + shift
    line = ca.fit_line(x, offset + gain * x, u_x=0.5, u_y=0.5)
    assert (line.offset, line.gain) == pytest.approx((offset, gain), abs=1e-6)
    assert line.inverse(forward(line, angle).value).value == pytest.approx(angle, abs=1e-6)


def test_turning_x_and_y_round_gives_the_inverse_line():
    """Errors in both variables: no axis is preferred."""
    c = columns("iso_ts_28037_example_3")
    line = example(3)
    turned = ca.fit_line(c["y"], c["x"], u_x=c["u_y"], u_y=c["u_x"])
    assert turned.gain == pytest.approx(1 / line.gain)
    assert turned.offset == pytest.approx(-line.offset / line.gain)
    assert turned.chi2 == pytest.approx(line.chi2)


def test_a_wild_point_is_named_and_kept():
    y = ANGLES.copy()
    y[7] += 8.0
    line = ca.fit_line(ANGLES, y, u_x=0.8, u_y=0.3)
    assert line.outliers == (7,)
    assert len(line.x) == 8
    assert line.p_value < 0.01
    assert abs(line.standardised[7]) == max(np.abs(line.standardised))
    by_scatter = ca.fit_line(ANGLES, y + 0.1 * np.tile([1, -1], 4))
    assert by_scatter.outliers == (7,)


def test_of_three_points_none_is_named():
    line = ca.fit_line([10, 50, 90], [10, 60, 90], u_y=0.5)
    assert line.outliers == ()
    assert line.p_value < 1e-6


def test_two_points_make_a_line_and_test_nothing():
    line = ca.fit_line([10, 90], [12, 93], u_y=0.5)
    assert (line.dof, line.p_value, line.standardised) == (0, 1.0, (0.0, 0.0))


def test_the_band_of_a_boundless_range_is_that_of_working_and_hotelling():
    """k² tends to the 95 % quantile of chi-square with 2 degrees of freedom, or 2 F."""
    known = ca.fit_line(ANGLES, ANGLES, u_y=0.5)
    assert band(known, low=-1e6, high=1e6).k == pytest.approx(stats.chi2.ppf(0.95, 2) ** 0.5, 1e-4)
    assert band(known, low=50, high=50.001).k == pytest.approx(1.95996, abs=1e-3)
    estimated = ca.fit_line(ANGLES, ANGLES + 0.1 * np.tile([1, -1], 4))
    wide = band(estimated, low=-1e6, high=1e6).k
    assert wide == pytest.approx((2 * stats.f.ppf(0.95, 2, 6)) ** 0.5, rel=1e-4)
    assert band(estimated, low=50, high=50.001).k == pytest.approx(stats.t.ppf(0.975, 6), abs=1e-3)


def test_a_single_point_is_judged_as_a_single_difference():
    """A range of no width falls back to the decision rule for one value."""
    for offset in (3.0, 4.9, 5.1, 7.0):
        line = ca.fit_line(ANGLES, ANGLES + offset, u_y=0.6)
        u = forward(line, 60.0).u
        judged = over_range.verdict_over(line, low_deg=60, high_deg=60.0001, tolerance_deg=5)
        assert judged.verdict == verdict_of(offset, u=u, tolerance=5)


def test_the_verdict_looks_between_and_beside_the_points():
    """Gain 1.08 and offset -3: fine on the left, +5.8 at 110."""
    line = ca.fit_line(ANGLES, -3 + 1.08 * ANGLES, u_x=0.1, u_y=0.1)
    judged = over_range.verdict_over(line, low_deg=LOW, high_deg=HIGH, tolerance_deg=5)
    assert (judged.verdict, judged.at_deg, judged.outside_at_deg) == ("outside", 110.0, 110.0)
    assert judged.largest_deg == pytest.approx(5.8)
    inner = over_range.verdict_over(line, low_deg=LOW, high_deg=90, tolerance_deg=5)
    assert (inner.verdict, inner.extrapolated) == ("within", False)
    assert over_range.verdict_over(line, low_deg=0, high_deg=90, tolerance_deg=5).extrapolated


def test_no_all_clear_for_points_that_are_not_on_a_line():
    y = ANGLES + np.array([0, 3, 0, 3, 0, 3, 0, 3])
    judged = over_range.verdict_over(
        ca.fit_line(ANGLES, y, u_y=0.3), low_deg=LOW, high_deg=HIGH, tolerance_deg=5
    )
    assert (judged.verdict, judged.on_a_line) == ("undecided", False)


# --- simulated machines -----------------------------------------------------------------

CHECKS = 700
"""The bench `machine.py` prints the same shares of 2,100."""
U_PHOTO, U_DISPLAY, TOLERANCE = 0.8, 0.3, 5.0


def simulated(
    offset: float, gain: float, *, shared: float, seed: int, count: int = CHECKS
) -> list[ca.Line]:
    """So many machine checks of eight photos with errors in both, and one that all share."""
    rng = np.random.default_rng(seed)
    x = ANGLES + U_PHOTO * rng.standard_normal((count, 8))
    x += shared * rng.standard_normal((count, 1))
    y = offset + gain * ANGLES + U_DISPLAY * rng.standard_normal((count, 8))
    return [
        ca.fit_line(one, other, u_x=U_PHOTO, u_y=U_DISPLAY, common_u_x=shared)
        for one, other in zip(x, y, strict=True)
    ]


@cache
def honest(shared: float) -> tuple[ca.Line, ...]:
    return tuple(simulated(2.0, 1.04, shared=shared, seed=31))


def shares(lines: list[ca.Line]) -> dict[str, float]:
    """Of each verdict."""
    judged = Counter(
        over_range.verdict_over(one, low_deg=LOW, high_deg=HIGH, tolerance_deg=TOLERANCE).verdict
        for one in lines
    )
    return {verdict: judged[verdict] / len(lines) for verdict in get_args(Verdict)}


@cache
def shares_at_the_tolerance(offset: float, gain: float, shared: float) -> dict[str, float]:
    """Those of machines that are just as far off as is tolerated, everywhere or at an end."""
    return shares(simulated(offset, gain, shared=shared, seed=41))


SAMPLING = 2 * (0.05 * 0.95 / CHECKS) ** 0.5
"""Two standard deviations of a share of 5 % in so many checks: 1.6 %."""


@pytest.mark.parametrize("shared", [0.0, 2.0])
@pytest.mark.parametrize(
    ("offset", "gain"),
    [
        pytest.param(TOLERANCE, 1.0, id="at the tolerance everywhere"),
        pytest.param(-TOLERANCE, 1.0, id="at the lower tolerance everywhere"),
        pytest.param(0.0, 1.0 + TOLERANCE / HIGH, id="at the tolerance at one end"),
        pytest.param(-6.0, 1.1, id="at both tolerances at the two ends"),
    ],
)
def test_a_machine_at_the_tolerance_is_accused_in_at_most_5_percent(offset, gain, shared):
    """Seeded checks; 5 % and its sampling, as the rule is exact at the edge."""
    assert shares_at_the_tolerance(offset, gain, shared)["outside"] <= 0.05 + SAMPLING


@pytest.mark.parametrize("shared", [0.0, 2.0])
@pytest.mark.parametrize("sign", [1, -1])
def test_an_offset_3_3_u_beyond_the_tolerance_is_found_in_95_percent(shared, sign):
    """With u the largest over the range; less the sampling of a share that is near 95 %."""
    line = ca.fit_line(ANGLES, ANGLES, u_x=U_PHOTO, u_y=U_DISPLAY, common_u_x=shared)
    u = max(forward(line, LOW).u, forward(line, HIGH).u)
    machines = simulated(sign * (TOLERANCE + 3.3 * u), 1.0, shared=shared, seed=51)
    assert shares(machines)["outside"] >= 0.95 - SAMPLING


@pytest.mark.parametrize("shared", [0.0, 2.0])
def test_a_machine_outside_is_cleared_in_at_most_5_percent(shared):
    """An all-clear has to be proven too."""
    assert shares_at_the_tolerance(TOLERANCE, 1.0, shared)["within"] <= 0.05
    assert shares_at_the_tolerance(-6.0, 1.1, shared)["within"] <= 0.05


@pytest.mark.parametrize("shared", [0.0, 0.7])
def test_95_percent_regions_hold_93_to_97_percent(shared):
    held = [holds(one, offset=2.0, gain=1.04) for one in honest(shared)]
    assert 0.93 <= np.mean(held) <= 0.97


@pytest.mark.parametrize("shared", [0.0, 0.7])
def test_95_percent_bands_hold_the_whole_line_in_93_to_97_percent(shared):
    bands = [band(one, low=LOW, high=HIGH) for one in honest(shared)]
    true = 2.0 + 1.04 * bands[0].x
    held = [np.all((b.lower <= true) & (true <= b.upper)) for b in bands]
    assert 0.93 <= np.mean(held) <= 0.97


def test_95_percent_bands_hold_with_an_estimated_scatter_too():
    rng = np.random.default_rng(71)
    y = 2.0 + 1.04 * ANGLES + 0.5 * rng.standard_normal((CHECKS, 8))
    bands = [band(ca.fit_line(ANGLES, one), low=LOW, high=HIGH) for one in y]
    true = 2.0 + 1.04 * bands[0].x
    held = [np.all((b.lower <= true) & (true <= b.upper)) for b in bands]
    assert 0.93 <= np.mean(held) <= 0.97


def test_offset_gain_and_inverse_intervals_hold_95_percent():
    rng = np.random.default_rng(81)
    lines = honest(0.7)
    offset = np.mean([one.interval[0][0] <= 2.0 <= one.interval[0][1] for one in lines])
    gain = np.mean([one.interval[1][0] <= 1.04 <= one.interval[1][1] for one in lines])
    read = 2.0 + 1.04 * 70.0 + U_DISPLAY * rng.standard_normal(len(lines))
    found = [one.inverse(y, u=U_DISPLAY).interval for one, y in zip(lines, read, strict=True)]
    knee = np.mean([low <= 70.0 <= high for low, high in found])
    assert [offset, gain, knee] == pytest.approx([0.95] * 3, abs=0.02)


def test_chi_square_and_false_outliers_come_as_often_as_they_say():
    lines = honest(0.7)
    assert np.mean([one.p_value < 0.05 for one in lines]) == pytest.approx(0.05, abs=0.015)
    assert np.mean([len(one.outliers) > 0 for one in lines]) == pytest.approx(0.05, abs=0.015)


# --- what else a check answers ----------------------------------------------------------


def test_arc_ratio():
    """Knee 20 to 80 for a display of 10 to 90: 75 %; GTC propagates the same u."""
    line = ca.fit_line([10, 50, 90], [20, 52, 80], u_x=0.3, u_y=1.5, common_u_y=4.0)
    ratio = over_range.arc_ratio(line)
    x, y = ([GTC.ureal(v, u) for v in vs] for vs, u in (((10, 90), 0.3), ((20, 80), 1.5)))
    theirs = (y[1] - y[0]) / (x[1] - x[0])
    assert ratio.ratio == pytest.approx(0.75)
    assert ratio.u == pytest.approx(GTC.uncertainty(theirs))
    assert (ratio.arc_x, ratio.arc_y) == (80, 60)


def test_the_table_gives_the_knee_behind_each_display():
    line = ca.fit_line(ANGLES, 5 + 1.04 * ANGLES, u_x=0.8, u_y=0.3)
    rows = over_range.inverse_table(line, [20, 70, 130], u_displayed_deg=0.3)
    assert [r.knee_deg for r in rows] == pytest.approx([15 / 1.04, 65 / 1.04, 125 / 1.04])
    assert [r.extrapolated for r in rows] == [False, False, True]
    assert rows[2].u_deg > rows[1].u_deg
    assert rows[1].interval_deg[0] < rows[1].knee_deg < rows[1].interval_deg[1]


@pytest.mark.parametrize("shared", [0.0, 0.4])
def test_a_plan_reaches_what_it_says(shared):
    plan = check_plan.plan_check(
        wanted_u_deg=0.6,
        u_photo_deg=0.8,
        u_display_deg=0.3,
        low_deg=LOW,
        high_deg=HIGH,
        common_u_deg=shared,
    )
    x = np.array(plan.angles_deg)
    line = ca.fit_line(x, x, u_x=0.8, u_y=0.3, common_u_x=shared)
    assert plan.photos % 2 == 1
    assert len(set(plan.angles_deg)) == plan.photos  # equal angles repeat the display's rounding
    assert LOW <= min(plan.angles_deg) < max(plan.angles_deg) <= HIGH
    assert plan.u_deg <= 0.6
    assert plan.u_deg == pytest.approx(max(forward(line, LOW).u, forward(line, HIGH).u))
    assert (plan.u_offset_deg, plan.u_gain) == pytest.approx((line.u_offset, line.u_gain))


@pytest.mark.parametrize("step", [1.0, 2.0, 5.0])
def test_the_planned_photos_spread_over_the_displays_step(step):
    """Repeats at one end fall on different places of the step, so that their rounding averages."""
    made = check_plan.plan_check(
        wanted_u_deg=0.75,
        u_photo_deg=0.9,
        u_display_deg=step / np.sqrt(12),
        low_deg=LOW,
        high_deg=HIGH,
        step_deg=step,
    )
    end = [a for a in made.angles_deg if a < (LOW + HIGH) / 2]
    assert len({round(a % step, 6) for a in end}) == min(len(end), max(1, round(step)))


@pytest.mark.parametrize("source", ["dot", "tag"])
def test_a_plan_with_what_the_bars_share_gets_what_it_promises(source):
    """By tags it promised 0.70 and got 0.8 to 1.1: how they are stuck is shared by all photos."""
    shared = bars.tags_shared_u_deg() if source == "tag" else U_POINTS_DEG
    made = check_plan.plan_check(
        wanted_u_deg=shared + 0.2,
        u_photo_deg=0.9,
        u_display_deg=0.3,
        low_deg=LOW,
        high_deg=HIGH,
        common_u_deg=shared,
    )
    rng, x, off = np.random.default_rng(6), np.array(made.angles_deg), []
    for _ in range(400):
        seen = x + 0.9 * rng.standard_normal(len(x)) + shared * rng.standard_normal()
        line = ca.fit_line(seen, np.round(x), u_x=0.9, u_y=0.3, common_u_x=shared)
        off.append([forward(line, LOW).value - LOW, forward(line, HIGH).value - HIGH])
    got = np.sqrt(np.mean(np.square(off), axis=0)).max()
    assert got == pytest.approx(made.u_deg, rel=0.12)
    assert (source == "tag") == (made.u_deg > 0.7)


def plan(**changed: float) -> check_plan.CheckPlan:
    usual = {"wanted_u_deg": 0.5, "u_photo_deg": 1, "u_display_deg": 0.3}
    return check_plan.plan_check(**{**usual, "low_deg": 0, "high_deg": 90, **changed})


@pytest.mark.parametrize(
    ("call", "rule"),
    [
        pytest.param(lambda: ca.fit_line([10], [10], u_y=1), "2 points or more", id="one point"),
        pytest.param(lambda: ca.fit_line([10, 10], [1, 2], u_y=1), "must differ", id="all x equal"),
        pytest.param(lambda: ca.fit_line([1, 2], [1, 2]), "3 points or more", id="no scatter"),
        pytest.param(lambda: ca.fit_line([1, 2], [1], u_y=1), "equally long", id="rows differ"),
        pytest.param(
            lambda: ca.fit_line([1, np.nan], [1, 2], u_y=1), "numbers", id="a missing value"
        ),
        pytest.param(lambda: ca.fit_line([1, 2], [1, 2], u_y=-1), "none negative", id="negative u"),
        pytest.param(
            lambda: ca.fit_line([1, 2], [1, 2], u_x=0, u_y=0), "positive uncertainty", id="no u"
        ),
        pytest.param(
            lambda: ca.fit_line([1, 2], [1, 2], u_y=1, cov_y=np.eye(2)), "not both", id="u and cov"
        ),
        pytest.param(
            lambda: ca.fit_line([1, 2], [1, 2], u_x=1, u_y=1, cov_xy=[2, 2]),
            "form a covariance",
            id="correlation past one",
        ),
        pytest.param(
            lambda: ca.fit_line([1, 2], [1, 2], cov_xy=[0, 0]), "beside it", id="cov_xy alone"
        ),
        pytest.param(
            lambda: ca.fit_line([1, 2], [1, 2], u_y=1, cov_xy=[0]), "shape", id="short cov_xy"
        ),
        pytest.param(
            lambda: ca.fit_line([1, 2], [1, 2], cov_y=np.eye(3)), "shape", id="wrong cov_y"
        ),
        pytest.param(
            lambda: ca.fit_line([0, 1], [0, 0.1], u_y=1).inverse(1), "3 u from", id="flat line"
        ),
        pytest.param(
            lambda: over_range.arc_ratio(ca.fit_line([0, 1], [0, 1], u_x=1)),
            "more than 3 u",
            id="no arc",
        ),
        pytest.param(lambda: band(example(1), low=9, high=1), "must rise", id="range upside down"),
        pytest.param(
            lambda: over_range.verdict_over(example(1), low_deg=1, high_deg=2, tolerance_deg=0),
            "tolerance_deg must be positive",
            id="no tolerance",
        ),
        pytest.param(lambda: plan(common_u_deg=0.5), "do not lower", id="plan below the floor"),
        pytest.param(lambda: plan(wanted_u_deg=0.01), "99 photos", id="plan of too many photos"),
        pytest.param(lambda: plan(u_photo_deg=-1), "none negative", id="plan with a negative u"),
    ],
)
def test_what_has_no_answer_is_refused(call, rule):
    with pytest.raises(InvalidInput, match=rule):
        call()


# Many points ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("given", "wild"),
    [
        pytest.param({"u_x": 0.4, "u_y": 0.3}, 0, id="both uncertain"),
        pytest.param({"u_y": 0.3, "common_u_y": 0.29}, 0, id="a step that all readings share"),
        pytest.param({"u_x": 0.4, "u_y": 0.3, "common_u_x": 0.5, "common_u_y": 0.2}, 3,
                     id="shared errors and points off the line"),
        pytest.param({"u_x": 0.4, "u_y": 0.3, "cov_xy": np.full(60, 0.06)}, 2,
                     id="x and y of a point hang together"),
        pytest.param({"u_x": 0.01, "u_y": 0.01, "common_u_y": 1.0}, 0,
                     id="nearly all of it is shared"),
    ],
)  # fmt: skip
def test_independent_points_give_the_line_of_their_whole_covariance(given, wild):
    rng = np.random.default_rng(4)
    x = np.linspace(5.0, 110.0, 60)
    y = 2.0 + 1.03 * x + rng.normal(0, min(0.5, 5 * given["u_y"]), 60)
    y[:wild] += 9.0
    quick = ca.fit_line(x, y, **given)
    n, eye = len(x), np.eye(60)
    whole = {
        "cov_x": given.get("u_x", 0.0) ** 2 * eye + given.get("common_u_x", 0.0) ** 2,
        "cov_y": given["u_y"] ** 2 * eye + given.get("common_u_y", 0.0) ** 2,
        "cov_xy": given.get("cov_xy", np.zeros(n)) * eye,
    }
    slow = ca.fit_line(x, y, **whole)
    assert quick.outliers == slow.outliers
    assert len(quick.outliers) >= wild
    for name in ("offset", "gain", "cov", "chi2", "p_value", "adjusted_x", "residuals",
                 "standardised", "cov_x", "cov_y", "cov_xy"):  # fmt: skip
        np.testing.assert_allclose(
            getattr(quick, name), getattr(slow, name), rtol=1e-9, atol=1e-9, err_msg=name
        )


def test_covariances_that_are_made_when_read_are_those_of_the_matrix_and_are_kept():
    line = ca.fit_line([1.0, 2, 3], [1, 2.2, 3], u_x=0.1, u_y=[0.1, 0.2, 0.3], common_u_y=0.5)
    rows = ((0.26, 0.25, 0.25), (0.25, 0.29, 0.25), (0.25, 0.25, 0.34))
    np.testing.assert_allclose(np.array(line.cov_y), rows)
    assert line.cov_y == tuple(line.cov_y) == line.cov_y[0:3]
    assert line.cov_y != line.cov_x
    assert np.diag(line.cov_x) == pytest.approx([0.01] * 3)
    back = from_json(to_json(line), ca.Line)
    assert back == line
    assert line == back


def test_a_line_through_a_thousand_points_costs_what_its_points_cost():
    x = np.linspace(5.0, 110.0, 1000)
    y = 2.0 + 1.03 * x + np.random.default_rng(4).normal(0, 0.5, 1000)

    def seconds() -> float:
        begun = time.process_time()
        ca.fit_line(x, y, u_x=0.4, u_y=0.3, common_u_y=0.29)
        return time.process_time() - begun

    tracemalloc.start()
    ca.fit_line(x, y, u_x=0.4, u_y=0.3, common_u_y=0.29)
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert most < 2e6
    assert min(seconds() for _ in range(5)) < 0.02  # 2 ms; two seconds by matrices
