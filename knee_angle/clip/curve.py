"""The displayed number against knee or bars over a motion: offset, gain, bow, lag, hysteresis."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from knee_angle.assumptions import U_SECONDS

__all__ = ["Curve", "fit_curve"]

Floats = NDArray[np.float64]

LAGS_S = (-0.5, 3.0)
LAG_STEP_S = 0.05
"""Where the lag is looked for: a number before its angle is a clock that is off."""
LEAST_GAIN = 0.3
"""A number that rises by less with the knee is none of it."""
MOST_LEFT_OUT = 0.75
"""Lags at which more of the numbers fall into gaps are not compared."""
LEAST_READINGS, LEAST_WINDING = 8, 16
LEAST_RANGE_DEG = 15.0
ROUNDS, CAUCHY, LEAST_SCATTER_DEG = 4, 2.4, 0.5
"""Cauchy's weights, in robust standard deviations of at least half a degree."""
MOST_GAP_S = 0.6
"""Pictures further apart say nothing of what was between."""
SEPARABLE = 0.95
"""Lag and hysteresis correlated more than this are one."""
NAMES = ("offset", "gain", "bow", "hysteresis", "lag")


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """A fitted curve.

    Parameters
    ----------
    values : ndarray, shape (5,)
        Offset, gain, bow, hysteresis, lag: degrees, 1, degrees, degrees, seconds.
    cov : ndarray, shape (5, 5)
        Their covariance, with what all values of x share.
    middle : (float, float)
        Displayed less x in the middle of the range, and its u.
    low, high : float
        The range of x.
    readings : int
        Numbers that were used.
    scatter : float
        Root mean square of what is left, degrees.
    """

    values: Floats
    cov: Floats
    middle: tuple[float, float]
    low: float
    high: float
    readings: int
    scatter: float

    @property
    def separable(self) -> bool:
        """Whether lag and hysteresis were told apart."""
        u = np.sqrt(np.diag(self.cov))
        return bool(abs(self.cov[3, 4]) <= SEPARABLE * u[3] * u[4])


def fit_curve(
    *,
    read_s: Floats,
    displayed: Floats,
    seconds: Floats,
    x: Floats,
    root: Floats,
    u_own: Floats,
    step_deg: float,
    typed: bool = True,
    winding: bool = False,
) -> Curve | None:
    """Fit the display's curve.

    Parameters
    ----------
    read_s, displayed : ndarray, shape (r,)
        When each number was read, and the number (degrees of flexion).
    seconds, x : ndarray, shape (n,)
        The motion of knee or bars.
    root, u_own : ndarray, shapes (n, m) and (n,)
        Its covariance: shared and each picture's own (`estimate.Quantity`).
    step_deg : float
        The display's step.
    typed : bool
        Whether the numbers were written down, not read in the pictures.
    winding : bool
        Whether the curve may bend back half-way, where there are `LEAST_WINDING` numbers: a
        leg's in its machine does, and a parabola would lay what it leaves to the lag.

    Returns
    -------
    Curve or None
        None with fewer than `LEAST_READINGS` numbers or less than `LEAST_RANGE_DEG` of range.
    """
    if len(seconds) < LEAST_READINGS or len(read_s) < LEAST_READINGS:
        return None
    winding = winding and len(read_s) >= LEAST_WINDING
    tried = []
    for lag in np.arange(LAGS_S[0], LAGS_S[1] + 1e-9, LAG_STEP_S):
        at = _At.of(read_s - lag, seconds, x)
        if at.known.sum() < LEAST_READINGS or np.ptp(at.x[at.known]) < LEAST_RANGE_DEG:
            continue
        found, left, weight = _left(at, displayed, winding)
        if found[1] >= LEAST_GAIN:  # half a cycle late it would run the other way
            cost = float(np.sum(weight * left**2) / np.sum(weight))
            tried.append((cost, float(lag), int(at.known.sum())))
    if not tried:
        return None
    most = max(count for _, _, count in tried)
    _, lag = min((cost, lag) for cost, lag, count in tried if count >= MOST_LEFT_OUT * most)
    curve = _fitted(lag, read_s, displayed, seconds, x, root, u_own, step_deg, winding)
    if typed:
        curve.cov[4, 4] += U_SECONDS**2 / 2.0
    return curve


@dataclass(frozen=True, slots=True, eq=False)
class _At:
    """The motion at some times: value, speed, way, and whether it is known there."""

    x: Floats
    speed: Floats
    way: Floats
    known: NDArray[np.bool_]

    @classmethod
    def of(cls, times: Floats, seconds: Floats, x: Floats) -> _At:
        smooth = CubicSpline(seconds, x)
        inside = np.clip(times, seconds[0], seconds[-1])
        value, speed = smooth(inside), smooth(inside, 1)
        usual = float(np.percentile(np.abs(speed), 75)) + 1e-9
        after = np.clip(np.searchsorted(seconds, times), 1, len(seconds) - 1)
        known = (times >= seconds[0]) & (times <= seconds[-1])
        known &= seconds[after] - seconds[after - 1] <= MOST_GAP_S
        return cls(value, speed, np.tanh(speed / (0.1 * usual)), known)


def _design(at: _At, low: float, high: float, winding: bool) -> Floats:
    place = (at.x - low) / max(high - low, 1e-9)
    columns = [np.ones_like(at.x), at.x, 4.0 * place * (1.0 - place), at.way / 2.0]
    if winding:  # nothing at both ends and in the middle
        columns.append(np.sin(2.0 * np.pi * np.clip(place, 0.0, 1.0)))
    return np.column_stack(columns)


def _left(at: _At, displayed: Floats, winding: bool) -> tuple[Floats, Floats, Floats]:
    """The linear part, what it leaves, and each number's weight: a wrong digit counts little."""
    x, shown = at.x[at.known], displayed[at.known]
    design = _design(at, float(x.min()), float(x.max()), winding)[at.known]
    weight = np.ones(len(shown))
    for _ in range(ROUNDS):
        root = np.sqrt(weight)
        solved = np.linalg.lstsq(design * root[:, None], shown * root, rcond=None)[0]
        found = np.asarray(solved, dtype=np.float64)
        left = np.asarray(shown - design @ found)
        usual = max(1.48 * float(np.median(np.abs(left))), LEAST_SCATTER_DEG)
        weight = 1.0 / (1.0 + (left / (CAUCHY * usual)) ** 2)
    return found, left, weight


def _fitted(
    lag: float, read_s: Floats, displayed: Floats, seconds: Floats, x: Floats, root: Floats,
    u_own: Floats, step_deg: float, winding: bool,
) -> Curve:  # fmt: skip
    """All five together, from a lag nearby; then their covariance."""
    for _ in range(12):
        at = _At.of(read_s - lag, seconds, x)
        low, high = float(at.x[at.known].min()), float(at.x[at.known].max())
        linear, left, weight = _left(at, displayed, winding)
        slope = -linear[1] * at.speed[at.known]
        design = np.insert(_design(at, low, high, winding)[at.known], 4, slope, axis=1)
        scale = np.sqrt(weight)
        step, *_ = np.linalg.lstsq(design * scale[:, None], left * scale, rcond=None)
        lag += float(np.clip(step[4], -0.1, 0.1))
        if abs(step[4]) < 1e-4:
            break
    scatter = float(
        np.sqrt(np.sum(weight * left**2) / max(float(np.sum(weight)) - design.shape[1], 1.0))
    )
    inverse = np.linalg.pinv(design * scale[:, None]) * scale
    noise = np.full(len(left), max(scatter**2, step_deg**2 / 12.0))
    own = np.interp(read_s - lag, seconds, u_own)[at.known]
    noise = _together(left) * (noise + (linear[1] * own) ** 2)
    cov = (inverse * noise) @ inverse.T
    shared = _interpolated(read_s[at.known] - lag, seconds, root)
    moved = inverse @ (linear[1] * shared)
    cov = (cov + moved @ moved.T)[:5, :5]
    half = 0.5 * (low + high)
    # Displayed less x in the middle: offset + (gain - 1) x + bow; x's own error counts there.
    way = np.array([1.0, half, 1.0, 0.0, 0.0])
    u_middle = float(np.sqrt(way @ cov @ way))
    middle = float(way[:3] @ linear[:3]) - half
    values = np.array([*linear[:4], lag])
    return Curve(values, cov, (middle, u_middle), low, high, int(at.known.sum()), scatter)


def _together(left: Floats) -> float:
    """By how much neighbours that err alike make the variance of a fit larger."""
    if len(left) < 4 or not np.any(left):
        return 1.0
    alike = float(np.clip(np.corrcoef(left[:-1], left[1:])[0, 1], 0.0, 0.9))
    return (1.0 + alike) / (1.0 - alike)


def _interpolated(times: Floats, seconds: Floats, rows: Floats) -> Floats:
    """Rows (n, m) at other times (t, m)."""
    after = np.clip(np.searchsorted(seconds, times), 1, len(seconds) - 1)
    share = (times - seconds[after - 1]) / (seconds[after] - seconds[after - 1])
    share = np.clip(share, 0.0, 1.0)[:, None]
    return np.asarray((1.0 - share) * rows[after - 1] + share * rows[after])
