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
from scipy.optimize import brentq
from scipy.special import chdtrc, chdtri, ndtr, ndtri, stdtr, stdtrit

from knee_angle.assumptions import (
    COVERAGE_ONE_SIDED,
    RISK,
)
from knee_angle.errors import InvalidInput
from knee_angle.records import Verdict

__all__ = [
    "ArcRatio",
    "Band",
    "Estimate",
    "Line",
    "Plan",
    "RangeVerdict",
    "Region",
    "TableRow",
    "arc_ratio",
    "fit_line",
    "inverse_table",
    "plan_check",
    "verdict_over",
]

Floats = NDArray[np.float64]
Matrix = tuple[tuple[float, ...], ...]


LACK_OF_FIT = 0.01
"""Below this p value the points do not lie on a line, and no all-clear is given."""

MOST_PHOTOS = 99
"""A plan that needs more photos is refused."""

FEWEST_FOR_OUTLIERS = 4
"""With three points each is equally far out once the other two make the line."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value, its standard uncertainty and its 95 % interval."""

    value: float
    u: float
    interval: tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """A band about a line that holds everywhere at once with 95 %.

    Parameters
    ----------
    x, middle, lower, upper : ndarray, shape (n,)
        The range, the line and the band's edges.
    k : float
        Coverage factor: the band is middle ± k u(x).
    """

    x: Floats
    middle: Floats
    lower: Floats
    upper: Floats
    k: float


@dataclass(frozen=True, slots=True)
class Region:
    """The ellipse that holds (offset, gain) with 95 %.

    Parameters
    ----------
    offset, gain : float
        Its centre.
    cov : (float, float, float)
        Covariance as (offset offset, offset gain, gain gain).
    k2 : float
        Squared size: the 95 % quantile of chi-square with 2 degrees of freedom, or
        2 F(2, nu) where the scatter was estimated.
    """

    offset: float
    gain: float
    cov: tuple[float, float, float]
    k2: float

    def holds(self, *, offset: float, gain: float) -> bool:
        """Whether the ellipse holds a point, for instance (0, 1), a perfect machine."""
        aa, ab, bb = self.cov
        away = np.array([offset - self.offset, gain - self.gain])
        return bool(away @ np.linalg.solve(np.array([[aa, ab], [ab, bb]]), away) <= self.k2)

    def outline(self, points: int = 121) -> Floats:
        """Points (offset, gain) around the ellipse, closed; shape (points, 2)."""
        aa, ab, bb = self.cov
        root = np.linalg.cholesky(np.array([[aa, ab], [ab, bb]]))
        turn = np.linspace(0.0, 2.0 * math.pi, points)
        circle = np.column_stack([np.cos(turn), np.sin(turn)])
        return np.asarray([self.offset, self.gain] + math.sqrt(self.k2) * circle @ root.T)


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
    def correlation(self) -> float:
        """Correlation of offset and gain."""
        return self.cov[1] / (self.u_offset * self.u_gain)

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

    @property
    def region(self) -> Region:
        """The 95 % ellipse of offset and gain together."""
        return Region(self.offset, self.gain, self.cov, _scheffe_k2(self.freedom))

    def forward(self, x: float, *, u: float = 0.0) -> Estimate:
        """Reading to expect at an x with its u (ISO/TS 28037, 11.2)."""
        aa, ab, bb = self.cov
        variance = aa + 2 * x * ab + x**2 * bb + (self.gain * u) ** 2
        return self._estimate(self.offset + self.gain * x, math.sqrt(variance))

    def inverse(self, y: float, *, u: float = 0.0) -> Estimate:
        """The x behind a reading y with its u (ISO/TS 28037, 11.1).

        Raises
        ------
        InvalidInput
            Where the gain is not clearly different from zero (gain < 3 u).
        """
        if abs(self.gain) < 3 * self.u_gain or self.gain == 0:
            raise InvalidInput(
                "the gain must be at least 3 u from zero for an inverse, "
                f"but is {self.gain:g} with u {self.u_gain:g}: photograph over a wider range"
            )
        aa, ab, bb = self.cov
        x = (y - self.offset) / self.gain
        variance = (aa + 2 * x * ab + x**2 * bb + u**2) / self.gain**2
        return self._estimate(x, math.sqrt(variance))

    def band(self, *, low: float, high: float, points: int = 101) -> Band:
        """The simultaneous 95 % band of the line over [low, high]; two sides."""
        _check_range(low, high)
        k = _band_k(self, low=low, high=high, sides=2)
        x = np.linspace(low, high, points)
        middle, u = self.offset + self.gain * x, _u_at(self, x)
        return Band(x=x, middle=middle, lower=middle - k * u, upper=middle + k * u, k=k)

    def _estimate(self, value: float, u: float) -> Estimate:
        k = _quantile(1.0 - RISK / 2, self.freedom)
        return Estimate(value, u, (value - k * u, value + k * u))


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
class Plan:
    """How many photos, at which angles.

    Parameters
    ----------
    angles_deg : tuple of float
        One a photo, rising.
    u_deg : float
        Largest standard uncertainty of the discrepancy over the range.
    u_offset_deg, u_gain : float
        Those of the line.
    floor_deg : float
        What no number of photos gets below: the shared u.
    """

    angles_deg: tuple[float, ...]
    u_deg: float
    u_offset_deg: float
    u_gain: float
    floor_deg: float

    @property
    def photos(self) -> int:
        """Number of photos."""
        return len(self.angles_deg)


@dataclass(frozen=True, slots=True)
class TableRow:
    """One row display -> knee; ``extrapolated`` where no photo reaches so far."""

    displayed_deg: float
    knee_deg: float
    u_deg: float
    interval_deg: tuple[float, float]
    extrapolated: bool


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
        cov_y = _scatter(xs, ys) ** 2 * np.eye(len(xs))
    vxx = _matrix(u_x, cov_x, common_u_x, n=len(xs), name="x")
    vyy = _matrix(u_y, cov_y, common_u_y, n=len(xs), name="y")
    vxy = _cross(cov_xy, n=len(xs))
    _require_covariance(np.block([[vxx, vxy], [vxy.T, vyy]]))
    return _line(xs, ys, vxx, vxy, vyy, scatter_known=known)


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

    A proof concerns one limit, so the band is the one-sided 95 % one (see the module) and
    its k lies between the standard's 1.65, for a single point, and 2.27; where both
    limits are in reach of the same line it is the two-sided one. A warning is therefore
    false in at most 5 % of the checks of a machine at the tolerance's edge, however long
    the range.

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
    _check_range(low_deg, high_deg)
    x = np.linspace(low_deg, high_deg, 501)
    allowed = _allowed(tolerance_deg, x, line.offset + line.gain * x)
    difference, u = line.offset + (line.gain - 1.0) * x, _u_at(line, x)
    k = _band_k(line, low=low_deg, high=high_deg, sides=2)
    reached = (
        np.max(difference + k * u - allowed) > 0,
        np.min(difference - k * u + allowed) < 0,
    )
    if not all(reached):
        k = max(_band_k(line, low=low_deg, high=high_deg, sides=1), COVERAGE_ONE_SIDED)
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
        verdict=verdict,
        low_deg=low_deg,
        high_deg=high_deg,
        tolerance_deg=widest,
        largest_deg=float(difference[largest]),
        at_deg=float(x[largest]),
        u_deg=float(u[largest]),
        k=k,
        outside_at_deg=float(x[np.argmax(beyond)]) if verdict == "outside" else None,
        on_a_line=on_a_line,
        extrapolated=bool(low_deg < min(line.x) or high_deg > max(line.x)),
        straight_tolerance_deg=tightest if tightest < widest else None,
    )


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
            f"the arc of x must be more than 3 u, but is {arc_x:g} with u {math.sqrt(var_x):g}: "
            "photograph over a wider range"
        )
    ratio = arc_y / arc_x
    variance = (
        float(cy @ np.array(line.cov_y) @ cy)
        + ratio**2 * var_x
        - 2 * ratio * float(cx @ np.array(line.cov_xy) @ cy)
    )
    u = math.sqrt(max(variance, 0.0)) / arc_x
    k = _quantile(1.0 - RISK / 2, line.freedom)
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


def plan_check(
    *,
    wanted_u_deg: float,
    u_photo_deg: float,
    u_display_deg: float,
    low_deg: float,
    high_deg: float,
    common_u_deg: float = 0.0,
    step_deg: float = 1.0,
) -> Plan:
    """How many photos, at which angles, reach a wanted u of the discrepancy.

    A line is known best with half the photos at each end of its range (D-optimal); one
    more in the middle tests whether it is a line at all. The photos of one end are taken
    a step and a degree apart (within a quarter of the range), so that they fall on different
    places of the step: at one angle the display's rounding is the same in all of them.

    Parameters
    ----------
    wanted_u_deg : float
        Wanted largest standard uncertainty of the discrepancy over the range.
    u_photo_deg, u_display_deg : float
        Of one photo's frame (or knee) angle, and of one reading; independent.
    low_deg, high_deg : float
        The range, which must be allowed for the patient.
    common_u_deg : float
        What all photos share (bars by tags: `bars.tags_shared_u_deg`); more photos do not lower it.
    step_deg : float
        The display's step.

    Raises
    ------
    InvalidInput
        A wanted u that no number of photos, or more than 99, can reach.
    """
    _check_range(low_deg, high_deg)
    point = math.hypot(u_photo_deg, u_display_deg)
    if not (point > 0 and min(u_photo_deg, u_display_deg, common_u_deg) >= 0):
        raise InvalidInput("u_photo_deg or u_display_deg must be positive, and none negative")
    if not wanted_u_deg > common_u_deg:
        raise InvalidInput(
            f"wanted_u_deg must be more than the shared u of {common_u_deg:g}, "
            f"but got {wanted_u_deg:g}: more photos do not lower what they share"
        )
    for each in range(1, (MOST_PHOTOS - 1) // 2 + 1):
        plan = _plan(each, point, low_deg, high_deg, common_u_deg, apart=step_deg + 1.0)
        if plan.u_deg <= wanted_u_deg:
            return plan
    raise InvalidInput(
        f"wanted_u_deg must be reachable with {MOST_PHOTOS} photos, which give {plan.u_deg:.3g}, "
        f"but got {wanted_u_deg:g}: lower the u of one photo first"
    )


def _plan(
    each: int, u_point: float, low: float, high: float, common: float, *, apart: float
) -> Plan:
    """About `each` photos at each end, `apart` from one another, and one in the middle."""
    quarter = (high - low) / 4
    turns = max(1, math.ceil(each * apart / quarter))
    # Beyond a quarter of the range they start again in between the first ones.
    away = [(i * apart) % quarter + (i * apart // quarter) * apart / turns for i in range(each)]
    angles = sorted([*(low + a for a in away), (low + high) / 2, *(high - a for a in away)])
    x = np.array(angles)
    spread = float(np.sum((x - x.mean()) ** 2))
    u_gain = u_point / math.sqrt(spread)
    centre = u_point**2 / len(x) + common**2
    return Plan(
        angles_deg=tuple(float(angle) for angle in angles),
        u_deg=math.sqrt(centre + (u_gain * (high - low) / 2) ** 2),
        u_offset_deg=math.sqrt(centre + (u_gain * x.mean()) ** 2),
        u_gain=u_gain,
        floor_deg=common,
    )


def _line(
    x: Floats, y: Floats, vxx: Floats, vxy: Floats, vyy: Floats, *, scatter_known: bool
) -> Line:
    """Fit and everything that follows from it."""
    offset, gain = _solve(x, y, vxx, vxy, vyy)
    r, inverse, adjusted, cov = _state(x, y, vxx, vxy, vyy, offset, gain)
    chi2, dof = float(r @ inverse @ r), len(x) - 2
    standardised = _deleted(r, inverse, adjusted, cov)
    outliers: tuple[int, ...] = ()
    if np.any(_far(standardised, scatter_known)):
        outliers = _outliers(x, y, vxx, vxy, vyy, scatter_known=scatter_known)
    p_value = (float(chdtrc(dof, chi2)) if dof else 1.0) if scatter_known else None
    return Line(
        x=_tuple(x),
        y=_tuple(y),
        cov_x=_tuples(vxx),
        cov_y=_tuples(vyy),
        cov_xy=_tuples(vxy),
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


def _solve(x: Floats, y: Floats, vxx: Floats, vxy: Floats, vyy: Floats) -> tuple[float, float]:
    """Offset and gain by Gauss-Newton steps from the unweighted line."""
    gain = float((x - x.mean()) @ (y - y.mean()) / ((x - x.mean()) @ (x - x.mean())))
    offset = float(y.mean() - gain * x.mean())
    for _ in range(200):
        r, inverse, adjusted, cov = _state(x, y, vxx, vxy, vyy, offset, gain)
        pulled = inverse @ r
        step = cov @ np.array([pulled.sum(), adjusted @ pulled])
        offset, gain = offset + float(step[0]), gain + float(step[1])
        if np.all(np.abs(step) <= 1e-10 * np.sqrt(np.diag(cov))):
            return offset, gain
    raise InvalidInput(
        "x and y must lie near enough to a line, but 200 iterations found none: "
        "check the uncertainties against the scatter"
    )


def _state(
    x: Floats, y: Floats, vxx: Floats, vxy: Floats, vyy: Floats, offset: float, gain: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """Residuals, inverse of their covariance, adjusted x and the line's covariance."""
    r = y - offset - gain * x
    try:
        inverse = np.linalg.inv(vyy - gain * (vxy + vxy.T) + gain**2 * vxx)
        adjusted = x - (vxy - gain * vxx) @ (inverse @ r)
        z = np.column_stack([np.ones_like(x), adjusted])
        cov = np.linalg.inv(z.T @ inverse @ z)
    except np.linalg.LinAlgError:
        cov = np.full((2, 2), np.nan)
    if not (np.all(np.isfinite(cov)) and cov[0, 0] > 0 and cov[1, 1] > 0):
        raise InvalidInput(
            "each point must have a positive uncertainty and the x must differ: "
            "no line with a finite uncertainty goes through these points"
        )
    return r, np.asarray(inverse), adjusted, np.asarray(cov)


def _deleted(r: Floats, inverse: Floats, adjusted: Floats, cov: Floats) -> Floats:
    """Shift of each point against the line through the others, over its u."""
    z = np.column_stack([np.ones_like(adjusted), adjusted])
    wz = inverse @ z
    freedom = np.diag(inverse - wz @ cov @ wz.T)
    free = freedom > 1e-9 * np.diag(inverse)
    return np.where(free, (inverse @ r) / np.sqrt(np.where(free, freedom, 1.0)), 0.0)


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
    limit = _quantile(1.0 - RISK / (2 * n), math.inf if scatter_known else n - 3.0)
    return np.asarray(np.abs(values) > limit)


def _outliers(
    x: Floats, y: Floats, vxx: Floats, vxy: Floats, vyy: Floats, *, scatter_known: bool
) -> tuple[int, ...]:
    """The furthest point, then the furthest from the line through the rest, and so on.

    One by one, because a wild point pulls the line away from good ones.
    """
    kept = np.arange(len(x))
    named: list[int] = []
    while len(kept) >= FEWEST_FOR_OUTLIERS and np.ptp(x[kept]) > 0:
        here = np.ix_(kept, kept)
        parts = (x[kept], y[kept], vxx[here], vxy[here], vyy[here])
        if not scatter_known:
            parts = (*parts[:4], _scatter(parts[0], parts[1]) ** 2 * np.eye(len(kept)))
        values = _deleted(*_state(*parts, *_solve(*parts)))
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
            "an estimate of the scatter needs 3 points or more, "
            f"but got {len(x)}: give u_y, or take more photos"
        )
    z = np.column_stack([np.ones_like(x), x - x.mean()])
    r = y - z @ np.linalg.lstsq(z, y, rcond=None)[0]
    s = math.sqrt(float(r @ r) / (len(x) - 2))
    return max(s, 1e-12 * max(float(np.max(np.abs(y))), 1e-300))


def _u_at(line: Line, x: Floats) -> Floats:
    """Standard uncertainty of the line at x, (n,)."""
    aa, ab, bb = line.cov
    return np.sqrt(aa + 2 * x * ab + x**2 * bb)


def _band_k(line: Line, *, low: float, high: float, sides: int) -> float:
    """Coverage factor of a simultaneous 95 % band over [low, high]; see the module."""
    aa, ab, bb = line.cov
    ends = aa + ab * (low + high) + bb * low * high
    area = math.sqrt(max(aa * bb - ab**2, 0.0)) * (high - low)
    arc = math.atan2(area, ends)

    def missed(k: float) -> float:
        if sides == 1:
            once = arc / (2 * math.pi) * float(_beyond(k, line.freedom))
            return once + _tail(k, line.freedom)
        t = (math.pi - arc) / 4 * (_NODES + 1)
        rest = (math.pi - arc) / 4 * float(_WEIGHTS @ _beyond(k / np.cos(t), line.freedom))
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


def _quantile(p: float, freedom: float) -> float:
    return float(ndtri(p) if math.isinf(freedom) else stdtrit(freedom, p))


def _scheffe_k2(freedom: float) -> float:
    """Chi-square quantile with 2 degrees of freedom, or 2 F(2, freedom)."""
    if math.isinf(freedom):
        return float(chdtri(2, RISK))
    return float(freedom * (RISK ** (-2 / freedom) - 1))


def _checked_points(x: Sequence[float], y: Sequence[float]) -> tuple[Floats, Floats]:
    xs, ys = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    if xs.ndim != 1 or xs.shape != ys.shape:
        raise InvalidInput(
            f"x and y must be equally long rows, but have shapes {xs.shape} and {ys.shape}"
        )
    if not (np.all(np.isfinite(xs)) and np.all(np.isfinite(ys))):
        raise InvalidInput("x and y must be numbers: leave out a photo that was not measured")
    if len(xs) < 2:
        raise InvalidInput(
            f"a line needs 2 points or more, but got {len(xs)}: photograph at further settings"
        )
    if np.ptp(xs) == 0:
        raise InvalidInput(
            f"the x of a line must differ, but all are {xs[0]:g}: photograph at further settings"
        )
    return xs, ys


def _matrix(
    u: ArrayLike | None, cov: ArrayLike | None, common: float, *, n: int, name: str
) -> Floats:
    """Covariance matrix of all x or all y, (n, n)."""
    if u is not None and cov is not None:
        raise InvalidInput(f"one of u_{name} and cov_{name} must be given, and not both")
    full = np.zeros((n, n)) if cov is None else np.asarray(cov, dtype=float)
    if u is not None:
        each = np.asarray(u, dtype=float)
        if each.shape not in {(), (n,)} or not np.all(each >= 0):
            raise InvalidInput(f"u_{name} must be one number, or {n}, and none negative")
        full = np.diag(np.broadcast_to(each, (n,)) ** 2)
    if full.shape != (n, n) or not common >= 0:
        raise InvalidInput(f"cov_{name} must have shape ({n}, {n}), and common_u_{name} be >= 0")
    return np.asarray(full + common**2)


def _cross(cov_xy: ArrayLike | None, *, n: int) -> Floats:
    """Cross covariance, (n, n)."""
    full = np.zeros(n) if cov_xy is None else np.asarray(cov_xy, dtype=float)
    if full.shape not in {(n,), (n, n)}:
        raise InvalidInput(f"cov_xy must have shape ({n},) or ({n}, {n}), not {full.shape}")
    return np.diag(full) if full.ndim == 1 else full


def _require_covariance(cov: Floats) -> None:
    symmetric = np.all(np.isfinite(cov)) and np.allclose(cov, cov.T, rtol=1e-9, atol=0)
    if not symmetric or np.linalg.eigvalsh(cov)[0] < -1e-9 * np.trace(cov):
        raise InvalidInput(
            "the covariances of x and y must form a covariance (symmetric, no negative variance)"
        )


def _check_range(low: float, high: float) -> None:
    if not (math.isfinite(low) and math.isfinite(high) and low < high):
        raise InvalidInput(f"the range must rise, but got {low:g} to {high:g}")


def _tuple(values: Floats) -> tuple[float, ...]:
    return tuple(float(v) for v in values)


def _tuples(values: Floats) -> Matrix:
    return tuple(_tuple(row) for row in values)
