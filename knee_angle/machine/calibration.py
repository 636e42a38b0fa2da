"""A straight line through a machine's readings, judged over its whole range.

Conventions
-----------
``y = offset + gain x``. For a machine check x is the frame (or the knee), y the display,
and the discrepancy is ``y - x = offset + (gain - 1) x``: positive where the display claims
more bend. Both have uncertainties, and these may be correlated. Offset and everything
called value are in the unit of y; in this package degrees.

The line
--------
Generalised Gauss-Markov regression (ISO/TS 28037:2010, clause 10), of which weights in y
only (clause 6) and errors in both variables (clauses 7, 8; York D et al. 2004, Am J Phys
72:367-375) are cases. With the residuals ``r = y - offset - gain x`` and their covariance
``W = Vyy - gain (Vxy + Vxy') + gain² Vxx`` the true x are estimated by
``x* = x - (Vxy - gain Vxx) W^-1 r``, and with ``Z = [1, x*]`` the line solves
``Z' W^-1 r = 0``; its covariance is ``(Z' W^-1 Z)^-1``. An error that all x or all y share
is the covariance ``u² 1 1'``: it enters the offset and leaves the gain (GUM H.3.6).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc, ndtri, stdtrit

from knee_angle.assumptions import COVERAGE, RISK
from knee_angle.errors import InvalidInput
from knee_angle.language import say
from knee_angle.machine.covariances import Covariances, Matrix, Weights, points_of

__all__ = ["Line", "LineEstimate", "fit_line", "quantile", "settings_at_one_place"]

Floats = NDArray[np.float64]

FEWEST_FOR_OUTLIERS = 4
"""With three points each is equally far out once the other two make the line."""
MOST_U_GAIN = 1.0
"""A ± of the gain beyond which offset and gain are no news (our own)."""


@dataclass(frozen=True, slots=True)
class LineEstimate:
    """A value, its standard uncertainty and its 95 % interval."""

    value: float
    u: float
    interval: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Line:
    """A fitted straight line that keeps what it was fitted to.

    Parameters
    ----------
    x, y : tuple of float, shape (n,)
        The points.
    cov_x, cov_y, cov_xy : tuple of tuples, shape (n, n)
        Their covariances, with what is shared; ``cov_xy[i][j]`` is cov(x_i, y_j).
    offset, gain : float
        ``y = offset + gain x``.
    cov : (float, float, float)
        Covariance as (offset offset, offset gain, gain gain).
    chi2, dof : float, int
        Observed chi-square and n - 2.
    p_value : float or None
        Probability of a larger chi-square if a line is right (lack of fit); None where
        the scatter itself was the measure of uncertainty, 1 where dof is 0.
    scatter_known : bool
        False: u(y) was estimated from the residuals, intervals are Student's.
    adjusted_x : tuple of float
        The x of the points on the line.
    residuals : tuple of float
        y - offset - gain x.
    standardised : tuple of float
        Deleted residuals over their standard uncertainty; 0 where a point has no
        freedom to stand off the line.
    outliers : tuple of int
        Indices of points that stand off the line through the others at 5 %
        (Bonferroni), the furthest first. None is dropped: the line is through all.
        Fewer than four points name none.
    """

    x: tuple[float, ...]
    y: tuple[float, ...]
    cov_x: Matrix
    cov_y: Matrix
    cov_xy: Matrix
    offset: float
    gain: float
    cov: tuple[float, float, float]
    chi2: float
    dof: int
    p_value: float | None
    scatter_known: bool
    adjusted_x: tuple[float, ...]
    residuals: tuple[float, ...]
    standardised: tuple[float, ...]
    outliers: tuple[int, ...]

    @property
    def u_offset(self) -> float:
        """Standard uncertainty of the offset."""
        return math.sqrt(self.cov[0])

    @property
    def u_gain(self) -> float:
        """Standard uncertainty of the gain."""
        return math.sqrt(self.cov[2])

    @property
    def at_one_place(self) -> bool:
        """Whether the points are so close together that offset and gain cannot be told."""
        return settings_at_one_place(self.u_gain)

    @property
    def freedom(self) -> float:
        """Degrees of freedom behind the uncertainties: infinite where they were given."""
        return math.inf if self.scatter_known else float(self.dof)

    @property
    def interval(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """95 % intervals of the offset and of the gain, each for itself."""
        offset = self._estimate(self.offset, self.u_offset)
        gain = self._estimate(self.gain, self.u_gain)
        return offset.interval, gain.interval

    def inverse(self, y: float, *, u: float = 0.0) -> LineEstimate:
        """The x behind a reading y with its u (ISO/TS 28037, 11.1).

        Raises
        ------
        InvalidInput
            Where the gain is not clearly different from zero (gain < 3 u).
        """
        if abs(self.gain) < 3 * self.u_gain or self.gain == 0:
            raise InvalidInput(
                say(
                    "the gain must be at least 3 u from zero for an inverse, but is {gain:g} "
                    "with u {u_gain:g}: photograph over a wider range",
                    gain=self.gain,
                    u_gain=self.u_gain,
                )
            )
        aa, ab, bb = self.cov
        x = (y - self.offset) / self.gain
        variance = (aa + 2 * x * ab + x**2 * bb + u**2) / self.gain**2
        return self._estimate(x, math.sqrt(variance))

    def _estimate(self, value: float, u: float) -> LineEstimate:
        k = quantile(1.0 - RISK / 2, self.freedom)
        return LineEstimate(value, u, (value - k * u, value + k * u))


def settings_at_one_place(u_gain: float) -> bool:
    """Whether a gain with this u says that all settings were close together.

    Offset and gain are then not told anywhere.
    """
    return COVERAGE * u_gain > MOST_U_GAIN


def fit_line(
    x: Sequence[float],
    y: Sequence[float],
    *,
    u_x: ArrayLike | None = None,
    u_y: ArrayLike | None = None,
    cov_xy: ArrayLike | None = None,
    cov_x: ArrayLike | None = None,
    cov_y: ArrayLike | None = None,
    common_u_x: float = 0.0,
    common_u_y: float = 0.0,
) -> Line:
    """The straight line ``y = offset + gain x`` through points with uncertainties.

    Parameters
    ----------
    x, y : sequence of float, shape (n,)
        The points, n >= 2.
    u_x, u_y : array_like, shape (n,) or ()
        Standard uncertainties, independent from point to point. u_x left out: x is
        exact. Both left out (and no covariance): u(y) is the same everywhere and
        estimated from the residuals (GUM H.3; n >= 3).
    cov_x, cov_y : array_like, shape (n, n)
        Covariances in place of `u_x`, `u_y`.
    cov_xy : array_like, shape (n,) or (n, n)
        cov(x_i, y_i) of each point, or of all pairs.
    common_u_x, common_u_y : float
        Standard uncertainty of an error that all x, or all y, share (GUM H.3.6).

    Returns
    -------
    Line

    Raises
    ------
    InvalidInput
        Too few points, all x equal, wrong shapes, values that are no covariance, or
        data through which no line is found.
    """
    xs, ys = _checked_points(x, y)
    known = not all(v is None for v in (u_x, u_y, cov_x, cov_y))
    if not known and cov_xy is not None:
        raise InvalidInput("cov_xy needs u_x and u_y (or cov_x and cov_y) beside it")
    if not known:
        u_y = _scatter(xs, ys)
    points = points_of(
        len(xs), u_x=u_x, u_y=u_y, cov_x=cov_x, cov_y=cov_y, cov_xy=cov_xy,
        common_u_x=common_u_x, common_u_y=common_u_y,
    )  # fmt: skip
    return _line(xs, ys, points, scatter_known=known)


def _line(x: Floats, y: Floats, points: Covariances, *, scatter_known: bool) -> Line:
    """Fit and everything that follows from it."""
    offset, gain = _solve(x, y, points)
    r, inverse, adjusted, cov = _state(x, y, points, offset, gain)
    chi2, dof = float(r @ inverse.times(r)), len(x) - 2
    standardised = _deleted(r, inverse, adjusted, cov)
    outliers: tuple[int, ...] = ()
    if np.any(_far(standardised, scatter_known)):
        outliers = _outliers(x, y, points, scatter_known=scatter_known)
    p_value = (float(chdtrc(dof, chi2)) if dof else 1.0) if scatter_known else None
    cov_x, cov_xy, cov_y = points.as_tuples()
    return Line(
        x=_tuple(x),
        y=_tuple(y),
        cov_x=cov_x,
        cov_y=cov_y,
        cov_xy=cov_xy,
        offset=offset,
        gain=gain,
        cov=(float(cov[0, 0]), float(cov[0, 1]), float(cov[1, 1])),
        chi2=chi2,
        dof=dof,
        p_value=p_value,
        scatter_known=scatter_known,
        adjusted_x=_tuple(adjusted),
        residuals=_tuple(r),
        standardised=_tuple(standardised if scatter_known else _studentised(standardised)),
        outliers=outliers,
    )


def _solve(x: Floats, y: Floats, points: Covariances) -> tuple[float, float]:
    """Offset and gain by Gauss-Newton steps from the unweighted line."""
    middle_x, middle_y = x.mean(), y.mean()
    off = x - middle_x
    gain = float(off @ (y - middle_y) / (off @ off))
    offset = float(middle_y - gain * middle_x)
    for _ in range(200):
        r, inverse, adjusted, cov = _state(x, y, points, offset, gain)
        pulled = inverse.times(r)
        step = cov @ np.array([pulled.sum(), adjusted @ pulled])
        offset, gain = offset + float(step[0]), gain + float(step[1])
        if (np.abs(step) <= 1e-10 * np.sqrt(cov.diagonal())).all():
            return offset, gain
    raise InvalidInput(
        say(
            "x and y must lie near enough to a line, but 200 iterations found none: "
            "check the uncertainties against the scatter"
        )
    )


def _state(
    x: Floats, y: Floats, points: Covariances, offset: float, gain: float
) -> tuple[Floats, Weights, Floats, Floats]:
    """Residuals, inverse of their covariance, adjusted x and the line's covariance."""
    r = y - offset - gain * x
    try:
        inverse = points.weights(gain)
        adjusted = x - points.towards_x(inverse.times(r), gain)
        z = np.ones((len(x), 2))
        z[:, 1] = adjusted
        cov = np.linalg.inv(z.T @ inverse.times(z))
    except np.linalg.LinAlgError:
        cov = np.full((2, 2), np.nan)
    if not (np.isfinite(cov).all() and cov[0, 0] > 0 and cov[1, 1] > 0):
        raise InvalidInput(
            say(
                "each point must have a positive uncertainty and the x must differ: no "
                "line with a finite uncertainty goes through these points"
            )
        )
    return r, inverse, adjusted, np.asarray(cov)


def _deleted(r: Floats, inverse: Weights, adjusted: Floats, cov: Floats) -> Floats:
    """Shift of each point against the line through the others, over its u."""
    z = np.column_stack([np.ones_like(adjusted), adjusted])
    wz, diagonal = inverse.times(z), inverse.diagonal
    freedom = diagonal - np.sum((wz @ cov) * wz, axis=1)
    free = freedom > 1e-9 * diagonal
    return np.where(free, inverse.times(r) / np.sqrt(np.where(free, freedom, 1.0)), 0.0)


def _studentised(standardised: Floats) -> Floats:
    """Externally Studentised residuals where the scatter was estimated from the same points."""
    dof = len(standardised) - 2
    left = np.maximum(dof - standardised**2, 1e-12)
    return np.asarray(standardised * np.sqrt(max(dof - 1, 0) / left))


def _far(standardised: Floats, scatter_known: bool) -> NDArray[np.bool_]:
    """Beyond the two-sided 5 % limit, Bonferroni for the number of points."""
    n = len(standardised)
    if n < FEWEST_FOR_OUTLIERS:
        return np.zeros(n, dtype=bool)
    values = standardised if scatter_known else _studentised(standardised)
    limit = quantile(1.0 - RISK / (2 * n), math.inf if scatter_known else n - 3.0)
    return np.asarray(np.abs(values) > limit)


def _outliers(x: Floats, y: Floats, points: Covariances, *, scatter_known: bool) -> tuple[int, ...]:
    """The furthest point, then the furthest from the line through the rest, and so on.

    One by one, because a wild point pulls the line away from good ones.
    """
    kept = np.arange(len(x))
    named: list[int] = []
    while len(kept) >= FEWEST_FOR_OUTLIERS and np.ptp(x[kept]) > 0:
        xs, ys = x[kept], y[kept]
        left = points.part(kept) if scatter_known else points_of(len(kept), u_y=_scatter(xs, ys))
        values = _deleted(*_state(xs, ys, left, *_solve(xs, ys, left)))
        if not np.any(_far(values, scatter_known)):
            break
        worst = int(np.argmax(np.abs(values)))
        named.append(int(kept[worst]))
        kept = np.delete(kept, worst)
    return tuple(named)


def _scatter(x: Floats, y: Floats) -> float:
    """Standard deviation of y about the unweighted line (GUM H.3.2)."""
    if len(x) < 3:
        raise InvalidInput(
            say(
                "an estimate of the scatter needs 3 points or more, but got {n_x}: give "
                "u_y, or take more photos",
                n_x=len(x),
            )
        )
    z = np.column_stack([np.ones_like(x), x - x.mean()])
    r = y - z @ np.linalg.lstsq(z, y, rcond=None)[0]
    s = math.sqrt(float(r @ r) / (len(x) - 2))
    return max(s, 1e-12 * max(float(np.max(np.abs(y))), 1e-300))


def quantile(p: float, freedom: float) -> float:
    """Quantile of the normal or of Student's distribution."""
    return float(ndtri(p) if math.isinf(freedom) else stdtrit(freedom, p))


def _checked_points(x: Sequence[float], y: Sequence[float]) -> tuple[Floats, Floats]:
    xs, ys = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    if xs.ndim != 1 or xs.shape != ys.shape:
        raise InvalidInput(
            f"x and y must be equally long rows, but have shapes {xs.shape} and {ys.shape}"
        )
    if not (np.all(np.isfinite(xs)) and np.all(np.isfinite(ys))):
        raise InvalidInput(say("x and y must be numbers: leave out a photo that was not measured"))
    if len(xs) < 2:
        raise InvalidInput(
            say(
                "a line needs 2 points or more, but got {n_xs}: photograph at further settings",
                n_xs=len(xs),
            )
        )
    if np.ptp(xs) == 0:
        raise InvalidInput(
            say(
                "the x of a line must differ, but all are {xs:g}: photograph at further settings",
                xs=xs[0],
            )
        )
    return xs, ys


def _tuple(values: Floats) -> tuple[float, ...]:
    return tuple(float(v) for v in values)
