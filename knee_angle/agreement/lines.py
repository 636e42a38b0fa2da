"""Straight lines between two methods: proportional bias, Deming, errors in both.

Conventions
-----------
``compared = offset + gain reference``; the perfect line is offset 0, gain 1. For the trend of
the differences, ``difference = offset + gain mean``; there the perfect line is 0, 0.

Intervals
---------
Deming's line and the line with errors in both have delete-one jackknife intervals (Linnet K
1993, Clin Chem 39:424-432; Student's t with units - 2 degrees of freedom), which hold for
whatever scatter the points have and, with a person's pairs left out together, for several
pairs a person. Deleting is done on sums, so the work grows with the number of pairs only.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from knee_angle.agreement.estimate import Estimate, Floats, jackknife, t_interval
from knee_angle.agreement.pairs import Pairs, Sums
from knee_angle.errors import InvalidInput
from knee_angle.language import say

__all__ = ["FittedLine", "deming", "errors_in_both", "trend"]

FEWEST = 4
"""Fewer units leave no more than one degree of freedom."""

SMALL = 250_000
"""Units times pairs up to which the lines without each unit are found exactly."""


@dataclass(frozen=True, slots=True, eq=False)
class FittedLine:
    """A fitted line with what it was fitted to.

    Parameters
    ----------
    pairs : Pairs
        The points.
    kind : {"trend", "deming", "errors_in_both"}
        Which line; see the functions.
    offset, gain : Estimate
        With 95 % intervals, each for itself.
    variance_ratio : float or None
        Deming's assumption: error variance of compared over that of reference.
    chi2_per_dof : float or None
        For errors in both: observed chi-square over n - 2. Far above 1 the points scatter
        more than their uncertainties say, and the gain leans on a wrong ratio of errors.
    """

    pairs: Pairs
    kind: Literal["trend", "deming", "errors_in_both"]
    offset: Estimate
    gain: Estimate
    variance_ratio: float | None = None
    chi2_per_dof: float | None = None


def trend(pairs: Pairs) -> FittedLine:
    """Proportional bias: least squares of the differences on the means.

    With one pair a person the intervals are those of least squares (Student's t, exact for
    normal scatter of equal size); with several, the delete-one-person jackknife's.

    Raises
    ------
    InvalidInput
        Fewer than 4 units, or means that are all the same.

    Notes
    -----
    Bland JM, Altman DG 1999, Stat Methods Med Res 8:135-160, section 3.2, doi
    10.1177/096228029900800204. A gain also appears where the methods differ in scatter.
    The same as scipy's linregress, whose standard errors are not numbers where all
    differences are equal.
    """
    _require_units(pairs)
    sums = Sums.of_units(pairs)
    gain, offset = _trend(sums.total())
    if pairs.units < pairs.n:
        gains, offsets = _trend(sums.without_each())
        return _jackknifed(pairs, "trend", offset, gain, offsets, gains)
    m, d = pairs.mean, pairs.difference
    scatter = d - float(offset) - float(gain) * m
    freedom = pairs.n - 2
    spread = float(np.sum((m - m.mean()) ** 2))
    s = math.sqrt(float(scatter @ scatter) / freedom)
    se_offset = s * math.sqrt(1.0 / pairs.n + float(m.mean()) ** 2 / spread)
    return FittedLine(
        pairs=pairs,
        kind="trend",
        offset=t_interval(float(offset), se=se_offset, freedom=freedom),
        gain=t_interval(float(gain), se=s / math.sqrt(spread), freedom=freedom),
    )


def _trend(sums: Sums) -> tuple[Floats, Floats]:
    """Gain and offset of the differences on the means, from sums."""
    across = (sums.sxx + sums.syy + 2.0 * sums.sxy) / 4.0
    if not np.all(across > 1e-12 * (sums.sxx + sums.syy)):
        raise InvalidInput(
            say("the means of the pairs must differ for a trend, but are all the same")
        )
    gain = (sums.syy - sums.sxx) / 2.0 / across
    middle = (sums.mean_x + sums.mean_y + sum(sums.origin)) / 2.0
    return gain, sums.shift - gain * middle


def deming(pairs: Pairs, *, variance_ratio: float = 1.0) -> FittedLine:
    """Deming's line: errors in both methods, the same for all pairs, in a known ratio.

    Parameters
    ----------
    pairs : Pairs
        At least 4 units.
    variance_ratio : float
        Error variance of compared over that of reference; 1 is orthogonal regression.

    Raises
    ------
    InvalidInput
        Fewer than 4 units, a ratio that is not positive, or points without any slope.

    Notes
    -----
    Deming WE 1943, Statistical adjustment of data; closed form as in Linnet 1993::

        q = Syy - ratio Sxx,   gain = (q + sqrt(q² + 4 ratio Sxy²)) / (2 Sxy)
    """
    _require_units(pairs)
    if not (variance_ratio > 0 and math.isfinite(variance_ratio)):
        raise InvalidInput(
            say(
                "variance_ratio must be positive, but got {variance_ratio:g}",
                variance_ratio=variance_ratio,
            )
        )
    sums = Sums.of_units(pairs)
    gain, offset = _deming(sums.total(), variance_ratio)
    gains, offsets = _deming(sums.without_each(), variance_ratio)
    return _jackknifed(pairs, "deming", offset, gain, offsets, gains, variance_ratio=variance_ratio)


def _deming(sums: Sums, ratio: float) -> tuple[Floats, Floats]:
    sxy = sums.sxy
    if not np.all(sxy):
        raise InvalidInput(
            say(
                "reference and compared must vary together for a line, but do not: measure "
                "over a wider range"
            )
        )
    q = sums.syy - ratio * sums.sxx
    root = np.sqrt(q**2 + 4.0 * ratio * sxy**2)
    # Two forms of one root: the sum without cancellation is taken.
    gain = np.where(q >= 0, (q + root) / (2.0 * sxy), 2.0 * ratio * sxy / (root - q))
    offset = sums.mean_y + sums.origin[1] - gain * (sums.mean_x + sums.origin[0])
    return gain, offset


def errors_in_both(pairs: Pairs, *, u_reference: Floats, u_compared: Floats) -> FittedLine:
    """The line where each point has its own uncertainties in both directions.

    The same line as :func:`knee_angle.machine.calibration.fit_line` with independent points, whose
    matrices (n, n) would not fit here; its work grows with n. Leaving a unit out is one
    Gauss-Newton step from the line through all; in small tables, where that is not yet
    exact, three more.

    Parameters
    ----------
    pairs : Pairs
        At least 4 units.
    u_reference, u_compared : ndarray, shape (n,)
        Standard uncertainties; at least one of each point positive.

    Raises
    ------
    InvalidInput
        Fewer than 4 units, points without uncertainty, or no line found.

    Notes
    -----
    York D et al. 2004, Am J Phys 72:367-375, doi 10.1119/1.1632486; ISO/TS 28037:2010,
    clause 7. The jackknife, not the uncertainties, gives the intervals: they hold although
    the points scatter more than their u says.
    """
    _require_units(pairs)
    middle = float(pairs.reference.mean())
    x, y = pairs.reference - middle, pairs.compared
    vx, vy = np.square(u_reference), np.square(u_compared)
    if not np.all(vx + vy > 0):
        raise InvalidInput(say("each pair needs a positive uncertainty in reference or compared"))
    start = Sums.of_units(pairs).total()
    gain = float(_deming(start, float(vy.sum() / vx.sum()) if vx.any() and vy.any() else 1.0)[0])
    offset = float(y.mean())
    for _ in range(100):
        step, parts = _step(x, y, vx, vy, offset, gain)
        offset, gain = offset + step[0], gain + step[1]
        if abs(step[1]) <= 1e-12 * (1.0 + abs(gain)):
            break
    else:
        raise InvalidInput(say("100 iterations found no line with errors in both: check the u"))
    offsets, gains = _left_out(pairs, offset, gain, parts)
    if pairs.units * pairs.n <= SMALL:
        offsets, gains = _refined(pairs, (x, y, vx, vy), offsets, gains)
    chi2 = float(np.sum((y - offset - gain * x) ** 2 / (vy + gain**2 * vx)))
    return _jackknifed(
        pairs,
        "errors_in_both",
        np.array(offset - gain * middle),
        np.array(gain),
        offsets - gains * middle,
        gains,
        chi2_per_dof=chi2 / (pairs.n - 2),
    )


def _step(
    x: Floats, y: Floats, vx: Floats, vy: Floats, offset: float, gain: float
) -> tuple[tuple[float, float], tuple[Floats, ...]]:
    """A Gauss-Newton step, and each point's part of its normal equations."""
    parts = _parts(x, y, vx, vy, np.array(offset), np.array(gain))
    step = _solved(*(np.asarray(part.sum()) for part in parts))
    return (float(step[0]), float(step[1])), parts


def _parts(
    x: Floats, y: Floats, vx: Floats, vy: Floats, offset: Floats, gain: Floats
) -> tuple[Floats, ...]:
    """What each point adds to the normal equations of a Gauss-Newton step."""
    r = y - offset - gain * x
    w = 1.0 / (vy + gain**2 * vx)
    adjusted = x + gain * vx * w * r
    return w, w * adjusted, w * adjusted**2, w * r, w * adjusted * r


def _solved(aa: Floats, ab: Floats, bb: Floats, ra: Floats, rb: Floats) -> tuple[Floats, Floats]:
    """Solution of the symmetric 2 x 2 equations."""
    det = aa * bb - ab**2
    if not np.all(det > 0):
        raise InvalidInput(say("the reference values must differ for a line, but are all the same"))
    return (bb * ra - ab * rb) / det, (aa * rb - ab * ra) / det


def _left_out(
    pairs: Pairs, offset: float, gain: float, parts: tuple[Floats, ...]
) -> tuple[Floats, Floats]:
    """The lines without each unit, (units,) each."""
    rest = (part.sum() - pairs.summed(part) for part in parts)
    da, db = _solved(*rest)
    return offset + da, gain + db


def _refined(
    pairs: Pairs, points: tuple[Floats, Floats, Floats, Floats], offsets: Floats, gains: Floats
) -> tuple[Floats, Floats]:
    """Three more steps for the line without each unit; work and memory (units, n)."""
    stays = pairs.unit[None, :] != np.arange(pairs.units)[:, None]
    for _ in range(3):
        parts = _parts(*points, offsets[:, None], gains[:, None])
        da, db = _solved(*(np.asarray(np.sum(part * stays, axis=1)) for part in parts))
        offsets, gains = offsets + da, gains + db
    return offsets, gains


def _jackknifed(
    pairs: Pairs,
    kind: Literal["trend", "deming", "errors_in_both"],
    offset: Floats,
    gain: Floats,
    offsets: Floats,
    gains: Floats,
    *,
    variance_ratio: float | None = None,
    chi2_per_dof: float | None = None,
) -> FittedLine:
    freedom = pairs.units - 2
    return FittedLine(
        pairs=pairs,
        kind=kind,
        offset=jackknife(float(offset), offsets, freedom=freedom),
        gain=jackknife(float(gain), gains, freedom=freedom),
        variance_ratio=variance_ratio,
        chi2_per_dof=chi2_per_dof,
    )


def _require_units(pairs: Pairs) -> None:
    if pairs.units < FEWEST:
        what = say("pairs") if pairs.units == pairs.n else say("persons")
        raise InvalidInput(
            say(
                "a line with an interval needs {fewest} {what} or more, but got {units}",
                fewest=FEWEST,
                what=what,
                units=pairs.units,
            )
        )
