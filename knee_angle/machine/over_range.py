"""A fitted line judged: the discrepancy over a whole range, arcs, and the table display to knee.

Over a whole range
------------------
Whitened, the estimate's error is a vector of two standard normals, and each x is a
direction in their plane; a range of x is an arc of the angle A. A band
``value ± k u(x)`` holds over the whole range with 95 % where k solves::

    two sides:  (A / pi) S(k) + (2 / pi) int_0^((pi - A) / 2) S(k / cos t) dt = 5 %
    one side:   (A / 2 pi) S(k) + Q(k) = 5 %

with ``S(k) = exp(-k² / 2)`` and the normal tail Q; where the scatter was estimated with
nu degrees of freedom ``S(k) = (1 + k² / nu)^(-nu / 2)`` and Student's tail. For a range
without limits this is the Working-Hotelling (Scheffé) band, k² = the 95 % quantile of
chi-square with 2 degrees of freedom (k = 2.448); for a single point k is 1.96 or 1.645.
Derived by the project; the method is that of Wynn HP, Bloomfield P 1971, J R Stat Soc B
33:202-217 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtri, ndtr, stdtr

from knee_angle.assumptions import COVERAGE_ONE_SIDED, RISK
from knee_angle.errors import InvalidInput
from knee_angle.language import say
from knee_angle.machine.calibration import Line, quantile
from knee_angle.records import Verdict

__all__ = [
    "ArcRatio",
    "RangeVerdict",
    "TableRow",
    "arc_ratio",
    "band_k",
    "check_range",
    "inverse_table",
    "verdict_over",
]

Floats = NDArray[np.float64]

LACK_OF_FIT = 0.01
"""Below this p value the points do not lie on a line, and no all-clear is given."""


@dataclass(frozen=True, slots=True)
class RangeVerdict:
    """The discrepancy y - x over a whole range against ± tolerance.

    Parameters
    ----------
    verdict : {"within", "outside", "undecided"}
        See :func:`verdict_over`.
    low_deg, high_deg, tolerance_deg : float
        The question.
    largest_deg, at_deg, u_deg : float
        The largest discrepancy in size, with its sign, where it lies, and its u.
    k : float
        Coverage factor of the band.
    outside_at_deg : float or None
        Where the band is furthest beyond the tolerance, for ``outside``.
    on_a_line : bool
        False where the points do not lie on a line (p < 1 %): then ``within`` is
        withheld.
    extrapolated : bool
        Whether the range reaches past the points.
    straight_tolerance_deg : float or None
        The tighter tolerance of a part of the range (near straight), where it has one.
    """

    verdict: Verdict
    low_deg: float
    high_deg: float
    tolerance_deg: float
    largest_deg: float
    at_deg: float
    u_deg: float
    k: float
    outside_at_deg: float | None
    on_a_line: bool
    extrapolated: bool
    straight_tolerance_deg: float | None = None


@dataclass(frozen=True, slots=True)
class ArcRatio:
    """(max - min of y) over (max - min of x), with what it came from."""

    ratio: float
    u: float
    interval: tuple[float, float]
    arc_y: float
    arc_x: float


@dataclass(frozen=True, slots=True)
class TableRow:
    """One row display -> knee; ``extrapolated`` where no photo reaches so far."""

    displayed_deg: float
    knee_deg: float
    u_deg: float
    interval_deg: tuple[float, float]
    extrapolated: bool


def verdict_over(
    line: Line,
    *,
    low_deg: float,
    high_deg: float,
    tolerance_deg: float | Callable[[float, float], float],
) -> RangeVerdict:
    """Is ``y - x`` within ± tolerance everywhere in a range? (ISO 14253-1 decision rule).

    * ``within``    the whole band lies inside ± tolerance (and the points lie on a line);
    * ``outside``   at some point of the range the band lies wholly beyond;
    * ``undecided`` otherwise.

    A proof concerns one limit, so the band is the one-sided 95 % one (see the module), its k
    between 1.65, for a single point, and 2.27; where both limits are in reach of the same
    line it is the two-sided one. A warning is false in at most 5 % of the checks of a
    machine at the tolerance's edge, however long the range.

    Parameters
    ----------
    line : Line
        Display (y) against frame or knee (x).
    low_deg, high_deg : float
        The range of x.
    tolerance_deg : float or callable
        Allowed size of the discrepancy, positive; where it is not the same everywhere, from x
        and y to it.

    Raises
    ------
    InvalidInput
        An empty range, or a tolerance that is not positive.
    """
    check_range(low_deg, high_deg)
    x = np.linspace(low_deg, high_deg, 501)
    allowed = _allowed(tolerance_deg, x, line.offset + line.gain * x)
    difference, u = line.offset + (line.gain - 1.0) * x, _u_at(line, x)
    k = _k_in_reach(line, difference, u, allowed, low_deg, high_deg)
    beyond = np.abs(difference) - k * u - allowed
    on_a_line = line.p_value is None or line.p_value >= LACK_OF_FIT
    verdict: Verdict = "undecided"
    if np.max(beyond) > 0:
        verdict = "outside"
    elif on_a_line and np.max(np.abs(difference) + k * u - allowed) < 0:
        verdict = "within"
    largest = int(np.argmax(np.abs(difference)))
    widest, tightest = float(np.max(allowed)), float(np.min(allowed))
    return RangeVerdict(
        verdict=verdict, low_deg=low_deg, high_deg=high_deg, tolerance_deg=widest,
        largest_deg=float(difference[largest]), at_deg=float(x[largest]),
        u_deg=float(u[largest]), k=k,
        outside_at_deg=float(x[np.argmax(beyond)]) if verdict == "outside" else None,
        on_a_line=on_a_line,
        extrapolated=bool(low_deg < min(line.x) or high_deg > max(line.x)),
        straight_tolerance_deg=tightest if tightest < widest else None,
    )  # fmt: skip


def _k_in_reach(
    line: Line, difference: Floats, u: Floats, allowed: Floats, low: float, high: float
) -> float:
    """The band's k: two-sided only where both limits are in reach of the same line."""
    k = band_k(line, low=low, high=high, sides=2)
    above = np.max(difference + k * u - allowed) > 0
    below = np.min(difference - k * u + allowed) < 0
    if above and below:
        return k
    return max(band_k(line, low=low, high=high, sides=1), COVERAGE_ONE_SIDED)


def _allowed(
    tolerance_deg: float | Callable[[float, float], float], x: Floats, y: Floats
) -> Floats:
    """The tolerance at each place of a line."""
    if callable(tolerance_deg):
        allowed = np.array([tolerance_deg(*at) for at in zip(x, y, strict=True)])
    else:
        allowed = np.full(len(x), tolerance_deg)
    if not (np.all(allowed > 0) and np.all(np.isfinite(allowed))):
        raise InvalidInput(f"tolerance_deg must be positive, but got {np.min(allowed):g}")
    return allowed


def arc_ratio(line: Line) -> ArcRatio:
    """(max - min of y) over (max - min of x) of a line's points, with u.

    For the knee against the display: the share of the shown arc through which the knee
    moves. What all x or all y share cancels; the covariances of the four extreme values
    are propagated (GUM, 5.2). Extremes of noisy repeats lie a little too far apart: take
    one or two photos at each end.

    Parameters
    ----------
    line : Line
        Its points are used, not its offset and gain.

    Raises
    ------
    InvalidInput
        Where the arc of x is not clearly more than its uncertainty (3 u).
    """
    x, y = np.array(line.x), np.array(line.y)
    cx, cy = np.zeros(len(x)), np.zeros(len(y))
    cx[np.argmax(x)], cx[np.argmin(x)] = 1.0, -1.0
    if np.ptp(y) > 0:
        cy[np.argmax(y)], cy[np.argmin(y)] = 1.0, -1.0
    arc_x, arc_y = float(cx @ x), float(cy @ y)
    var_x = float(cx @ np.array(line.cov_x) @ cx)
    if arc_x <= 3 * math.sqrt(var_x):
        raise InvalidInput(
            say(
                "the arc of x must be more than 3 u, but is {arc_x:g} with u {sqrt:g}: "
                "photograph over a wider range",
                arc_x=arc_x,
                sqrt=math.sqrt(var_x),
            )
        )
    ratio = arc_y / arc_x
    variance = (
        float(cy @ np.array(line.cov_y) @ cy)
        + ratio**2 * var_x
        - 2 * ratio * float(cx @ np.array(line.cov_xy) @ cy)
    )
    u = math.sqrt(max(variance, 0.0)) / arc_x
    k = quantile(1.0 - RISK / 2, line.freedom)
    return ArcRatio(ratio, u, (ratio - k * u, ratio + k * u), arc_y, arc_x)


def inverse_table(
    line: Line, displayed_deg: Sequence[float], *, u_displayed_deg: float
) -> tuple[TableRow, ...]:
    """Table display -> knee with 95 % intervals (ISO/TS 28037, 11.1).

    Parameters
    ----------
    line : Line
        Display (y) against knee (x), of a checked machine.
    displayed_deg : sequence of float
        The displayed angles, one a row.
    u_displayed_deg : float
        Standard uncertainty of one reading (step/√12) and of how the same setting
        repeats; an interval is that of one reading, for the leg as it was seated.

    Raises
    ------
    InvalidInput
        Where the line has no inverse.
    """
    low, high = min(line.y), max(line.y)
    rows = []
    for displayed in displayed_deg:
        knee = line.inverse(displayed, u=u_displayed_deg)
        outside = not low <= displayed <= high
        rows.append(TableRow(displayed, knee.value, knee.u, knee.interval, outside))
    return tuple(rows)


def _u_at(line: Line, x: Floats) -> Floats:
    """Standard uncertainty of the line at x, (n,)."""
    aa, ab, bb = line.cov
    return np.sqrt(aa + 2 * x * ab + x**2 * bb)


def band_k(line: Line, *, low: float, high: float, sides: int) -> float:
    """Coverage factor of a simultaneous 95 % band over [low, high]; see the module."""
    from scipy.optimize import brentq

    aa, ab, bb = line.cov
    ends = aa + ab * (low + high) + bb * low * high
    area = math.sqrt(max(aa * bb - ab**2, 0.0)) * (high - low)
    arc = math.atan2(area, ends)
    cosines = np.cos((math.pi - arc) / 4 * (_NODES + 1))

    def missed(k: float) -> float:
        if sides == 1:
            once = arc / (2 * math.pi) * float(_beyond(k, line.freedom))
            return once + _tail(k, line.freedom)
        rest = (math.pi - arc) / 4 * float(_WEIGHTS @ _beyond(k / cosines, line.freedom))
        return arc / math.pi * float(_beyond(k, line.freedom)) + 2 / math.pi * rest

    most = math.sqrt(_scheffe_k2(line.freedom))
    return float(brentq(lambda k: missed(k) - RISK, 1.0, most * 1.001))


_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(48)
"""Gauss-Legendre rule on [-1, 1]."""


def _beyond(k: ArrayLike, freedom: float) -> Floats:
    """Probability that the whitened error vector is longer than k."""
    k2 = np.square(np.asarray(k, dtype=float))
    if math.isinf(freedom):
        return np.asarray(np.exp(-k2 / 2))
    return np.asarray((1 + k2 / freedom) ** (-freedom / 2))


def _tail(k: float, freedom: float) -> float:
    """Upper tail of the normal or of Student's distribution."""
    return float(ndtr(-k) if math.isinf(freedom) else stdtr(freedom, -k))


def _scheffe_k2(freedom: float) -> float:
    """Chi-square quantile with 2 degrees of freedom, or 2 F(2, freedom)."""
    if math.isinf(freedom):
        return float(chdtri(2, RISK))
    return float(freedom * (RISK ** (-2 / freedom) - 1))


def check_range(low: float, high: float) -> None:
    """Refuse a range that does not rise."""
    if not (math.isfinite(low) and math.isfinite(high) and low < high):
        raise InvalidInput(f"the range must rise, but got {low:g} to {high:g}")
