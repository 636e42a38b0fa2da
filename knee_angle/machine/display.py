"""The displayed number against the bars, where a step rounds it.

The display's own angle is a curve of the bars; what is read is that angle rounded to the
step. So a reading d says only that the display's own angle lies within half a step of it,
and says so of the curve itself: on settings that stand a whole number of steps apart
every reading is off by the same amount, and no number of them averages it away. A
rectangular error for each reading, taken as independent, is therefore wrong; here each
reading is an interval::

    display(b) = offset + gain b + bow q(b),      |display(b_j) - d_j| <= step / 2

with q(b) the parabola that is 0 at both ends of the settings and 1 half-way: ``bow`` is by
how many degrees the display stands off a straight line there. The bars are known with a
covariance V. Of it, what has the shape of an offset, gain or bow (strip against bars, a
depth, the focal length) cannot be seen as scatter: it is taken out as F = (X' V^-1 X)^-1 less
what the scatter alone leaves, and added again at the end. The scatter's deviation s is
what is left between the settings (or, with too few of them, the smallest that V has in any
direction). The likelihood of a curve is then, with the normal distribution function N::

    prod_j  N((display(b_j) - d_j + step/2) / s) - N((display(b_j) - d_j - step/2) / s)

times the priors of `DISPLAY_PRIORS`. It is sampled by importance: draws from a Student's
distribution about the fitted curve, tightened to the posterior in `ROUNDS` rounds, weighed
and resampled. For a fine step this is generalised least squares.

Source: our own; the likelihood is that of rounded (grouped) readings, as in any text on
grouped data (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, ndtr

from knee_angle.angle.geometry import dot
from knee_angle.assumptions import DISPLAY_PRIORS, RISK
from knee_angle.errors import InvalidInput
from knee_angle.machine.bands import RangeJudged, judge_draws
from knee_angle.machine.evidence import SettingsOfMachine
from knee_angle.machine.holding import Figure

__all__ = ["FAR_DEG", "DisplayCurve", "fit_display"]

Floats = NDArray[np.float64]

FAR_DEG = 15.0
"""A place so far from every photographed setting is elsewhere (our own)."""
DRAWS = 2_000
PROPOSED = 12_000
ROUNDS = 4
FREEDOM = 4.0
"""Student's distribution with heavy tails: the posterior must lie inside it."""
OUT_OF_REACH = -500.0
"""Where the best draw's log probability is above this, one that is zero as a number weighs nothing.

The least number is about exp(-745) (IEEE 754, double)."""
LEAST_SCATTER_DEG = 0.1
"""Bars are never known better than this from one setting to the next (our own)."""


@dataclass(frozen=True, slots=True, eq=False)
class DisplayCurve:
    """Posterior of the display's curve.

    Parameters
    ----------
    draws : ndarray, shape (n, 3)
        Offset in degrees, gain, bow in degrees.
    ends_deg : (float, float)
        Between which the bow is counted: the settings' own range.
    step_deg : float
    bars_deg, displayed_deg : tuple of float
        What it was fitted to.
    effective : float
        Effective number of draws behind it.
    """

    draws: Floats
    ends_deg: tuple[float, float]
    step_deg: float
    bars_deg: tuple[float, ...]
    displayed_deg: tuple[float, ...]
    effective: float

    @property
    def offset_deg(self) -> Figure:
        """Display where the bars are straight."""
        return Figure.of(self.draws[:, 0])

    @property
    def gain(self) -> Figure:
        """Degrees of display a degree of bars."""
        return Figure.of(self.draws[:, 1])

    @property
    def bow_deg(self) -> Figure:
        """How far the middle of the range stands off the straight line."""
        return Figure.of(self.draws[:, 2])

    def holds(self, *, offset_deg: float, gain: float) -> bool:
        """Whether the 95 % region of offset and gain holds a point.

        The region is the ellipse about the mean, in the shape of the draws' covariance,
        that holds 95 % of them.
        """
        both = self.draws[:, :2]
        root = np.linalg.cholesky(np.cov(both.T))
        size = np.sum(np.linalg.solve(root, (both - both.mean(axis=0)).T) ** 2, axis=0)
        away = np.linalg.solve(root, np.array([offset_deg, gain]) - both.mean(axis=0))
        return bool(away @ away <= np.quantile(size, 1 - RISK))

    def error_deg(self, bars_deg: Floats) -> Floats:
        """Display's own angle minus bars, (n, g), of every draw."""
        x = _design(np.asarray(bars_deg, dtype=float), self.ends_deg)
        return np.asarray(self.draws @ x.T - bars_deg)

    def error_at(self, bars_deg: float) -> Figure:
        """Display's own angle minus bars at one place."""
        return Figure.of(self.error_deg(np.array([bars_deg]))[:, 0])

    def error_nearby_deg(self, bars_deg: Floats) -> Floats:
        """The same, beyond the settings as at the nearest of them, (n, g).

        A display that reads too much gives room for a knee that bends further: that room is
        not counted on where nobody photographed.
        """
        near = np.clip(bars_deg, min(self.bars_deg), max(self.bars_deg))
        error = self.error_deg(near)
        far = np.abs(bars_deg - near) >= FAR_DEG
        return np.asarray(np.where(far, np.minimum(error, 0.0), error))

    def most_error_deg(self, bars_deg: Floats) -> Floats:
        """The same at the most: put right, a display that reads too much falls by that, (n, g).

        One that read 4 low at 90 degrees and 2 high near straight, photographed at 85 only, was
        put right first, and the knee was 9 past it near straight where it had been 8.
        """
        return np.maximum(self.error_nearby_deg(bars_deg), self.error_deg(bars_deg))

    def bars_behind(self, displayed_deg: Floats, rng: np.random.Generator) -> Floats:
        """Bars behind displayed numbers (d,), (n, d): of every draw, somewhere in the step.

        The curve is followed back from the line by Newton's steps; its bow is slight.
        """
        shown = np.asarray(displayed_deg, dtype=float)
        within = self.step_deg * (rng.random((len(self.draws), len(shown))) - 0.5)
        offset, gain, bow = (self.draws[:, k : k + 1] for k in range(3))
        low, high = self.ends_deg
        bars = (shown + within - offset) / gain
        for _ in range(5):
            bent = 4 * (bars - low) * (high - bars) / (high - low) ** 2
            slope = gain + bow * 4 * (low + high - 2 * bars) / (high - low) ** 2
            bars = bars - (offset + gain * bars + bow * bent - shown - within) / slope
        return np.asarray(bars)

    def judged(self, *, range_deg: tuple[float, float], tolerance_deg: float) -> RangeJudged:
        """The verdict over a range; every number is of that whole range.

        ``outside`` is decided where somebody photographed (`judged_here`, whose numbers say how
        much and where), so that it does not depend on how much further the machine may run;
        ``within`` over the whole range.

        Raises
        ------
        InvalidInput
            An empty range, or a tolerance that is not positive.
        """
        low, high = range_deg
        if not low < high:
            raise InvalidInput(f"range_deg must rise, but got {low:g} to {high:g}")
        bars = np.linspace(low, high, 25)
        over = judge_draws(self.error_deg(bars), bars, tolerance_deg=tolerance_deg)
        if self.judged_here(tolerance_deg).verdict == "outside":
            return replace(over, verdict="outside")
        return replace(over, verdict="within" if over.verdict == "within" else "undecided")

    def judged_here(self, tolerance_deg: float) -> RangeJudged:
        """The verdict at the settings' own bars and between them."""
        low, high = min(self.bars_deg), max(self.bars_deg)
        bars = np.unique(np.linspace(low, high, 25))
        return judge_draws(self.error_deg(bars), bars, tolerance_deg=tolerance_deg)


def fit_display(
    seen: SettingsOfMachine, *, rng: np.random.Generator | None = None
) -> DisplayCurve | None:
    """The display's curve from all settings whose bars were seen and number given.

    Parameters
    ----------
    seen : SettingsOfMachine
    rng : numpy.random.Generator, optional
        For the draws; a fixed one by default.

    Returns
    -------
    DisplayCurve or None
        None where no setting has both.
    """
    used = [
        j
        for j, shown in enumerate(seen.displayed_deg)
        if shown is not None and ("bars", j) in seen.entries
    ]
    if not used:
        return None
    bars, cov = seen.part([("bars", j) for j in used])
    shown = np.array([seen.displayed_deg[j] for j in used], dtype=float)
    low, high = float(bars.min()), float(bars.max())
    ends = (low, high) if high - low > 1.0 else (low - 30.0, high + 30.0)
    x = _design(bars, ends)
    scatter, together = _split(x, cov)
    rng = rng or np.random.default_rng(len(seen.entries))
    draws, effective = _posterior(x, shown, scatter, seen.step_deg / 2, rng)
    # The bars' shared error e moves the curve: display(b - e) has the offset less by e.
    draws = draws + rng.multivariate_normal(np.zeros(3), together, size=len(draws), method="eigh")
    return DisplayCurve(
        draws,
        ends,
        seen.step_deg,
        tuple(float(b) for b in bars),
        tuple(float(d) for d in shown),
        effective,
    )


def _design(bars: Floats, ends: tuple[float, float]) -> Floats:
    """Columns of offset, gain and bow, (g, 3)."""
    low, high = ends
    bow = 4 * (bars - low) * (high - bars) / (high - low) ** 2
    return np.column_stack([np.ones_like(bars), bars, bow])


def _split(x: Floats, cov: Floats) -> tuple[float, Floats]:
    """The bars' scatter from setting to setting, and what has the shape of a curve (3, 3)."""
    n = len(x)
    basis, values, _ = np.linalg.svd(x, full_matrices=True)
    rank = int((values > 1e-9 * values[0]).sum())
    if n > rank:
        rest = basis[:, rank:]
        scatter = float(np.sqrt(np.trace(rest.T @ cov @ rest) / (n - rank)))
    else:
        scatter = float(np.sqrt(np.linalg.eigvalsh(cov)[0]))
    scatter = max(scatter, LEAST_SCATTER_DEG)
    weighted = np.linalg.pinv(x.T @ np.linalg.solve(cov, x))
    alone = scatter**2 * np.linalg.pinv(x.T @ x)
    # Scaled, so that degrees and gain weigh alike where a negative direction is cut off.
    size = np.array([1.0, 0.01, 1.0])
    levels, turn = np.linalg.eigh((weighted - alone) / np.outer(size, size))
    together = (turn * np.maximum(levels, 0.0)) @ turn.T
    return scatter, np.asarray(together * np.outer(size, size))


def _posterior(
    x: Floats, shown: Floats, scatter: float, half: float, rng: np.random.Generator
) -> tuple[Floats, float]:
    """Draws of (offset, gain, bow) given scatter and intervals, and their effective number."""
    middle, prior = np.array([0.0, 1.0, 0.0]), np.diag(1.0 / np.square(DISPLAY_PRIORS))
    noise = scatter**2 + half**2 / 3
    cov = np.linalg.inv(x.T @ x / noise + prior)
    mean = middle + cov @ (x.T @ (shown - x @ middle) / noise)
    cov = cov + half**2 / 3 * np.diag([1.0, 1e-4, 0.25])  # roundings may all be alike
    for _ in range(ROUNDS):
        root = np.linalg.cholesky(cov)
        z = rng.standard_normal((PROPOSED, 3))
        z *= np.sqrt(FREEDOM / rng.chisquare(FREEDOM, PROPOSED))[:, None]
        draws = mean + z @ root.T
        log = _log_likelihood(x @ draws.T - shown[:, None], scatter, half)
        off = (draws - middle) / DISPLAY_PRIORS
        log -= dot(off, off) / 2
        log += (FREEDOM + 3) / 2 * np.log1p(dot(z, z) / FREEDOM)
        weight = np.exp(log - log.max())
        weight /= weight.sum()
        mean = weight @ draws
        away = draws - mean
        cov = 1.2 * away.T @ (away * weight[:, None]) + 1e-12 * np.eye(3)
    effective = 1.0 / float(np.sum(weight**2))
    places = (np.arange(DRAWS) + rng.random()) / DRAWS
    chosen = np.minimum(np.searchsorted(np.cumsum(weight), places), PROPOSED - 1)
    return draws[rng.permutation(chosen)], effective


def _log_likelihood(away: Floats, scatter: float, half: float) -> Floats:
    """Log probability that each reading's interval holds the display's angle, summed, (n,).

    ``away`` (r, n): how far each draw is from each reading.
    """
    size = np.abs(away)  # the interval is symmetric, and this side keeps its digits
    upper, lower = (half - size) / scatter, (-half - size) / scatter
    with np.errstate(divide="ignore"):
        log = np.log(ndtr(upper) - ndtr(lower)).sum(axis=0)
        if log.max() > OUT_OF_REACH:
            return np.asarray(log)
        upper, lower = log_ndtr(upper), log_ndtr(lower)
        return np.asarray((upper + np.log1p(-np.exp(lower - upper))).sum(axis=0))
