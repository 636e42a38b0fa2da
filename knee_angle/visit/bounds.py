"""Always an answer: how far apart display and knee are at most, whatever is proven.

``apart`` is the displayed number less the knee, degrees: positive where the machine claims
more bend than the knee has. All of it is normal arithmetic on an estimate and its u, as in
:mod:`knee_angle.angle.verdict`, so bound, probabilities and verdict never contradict each other.
"""

from __future__ import annotations

from dataclasses import dataclass

from scipy.optimize import brentq

from knee_angle.angle.verdict import PROVEN, conformance_probability, judged
from knee_angle.records import Comparison

__all__ = [
    "LADDER_DEG",
    "STRAIGHT_BELOW_DEG",
    "STRAIGHT_TOLERANCE_DEG",
    "Apart",
    "apart",
    "at_most",
    "lacks_extension",
    "tolerance_at",
]

LADDER_DEG = (5.0, 10.0, 15.0, 20.0)
"""Tolerances at which it is said what is proven."""
STRAIGHT_BELOW_DEG = 20.0
STRAIGHT_TOLERANCE_DEG = 5.0
"""Where knee or display is below 20 degrees no more than 5 are allowed: therapists agree to
4 to 10 degrees there, and 10 would hide a contracture (facts of extension in
`Settings.tolerance_deg`'s sources; our own choice)."""


@dataclass(frozen=True, slots=True)
class Apart:
    """Displayed number and knee, side by side.

    Parameters
    ----------
    displayed_deg, knee_deg, u_deg : float
        The two numbers, and the standard uncertainty of their difference.
    camera_seen : bool
        Whether the camera's direction was seen; where it was only assumed, the bound stands
        and nothing is proven.
    at_most_deg : float
        Display and knee are at most so far apart, with 95 %.
    main : Comparison
        Against the tolerance that holds here.
    ladder : tuple of Comparison
        The same at `LADDER_DEG`.
    """

    displayed_deg: float
    knee_deg: float
    u_deg: float
    camera_seen: bool
    at_most_deg: float
    main: Comparison
    ladder: tuple[Comparison, ...]

    @property
    def apart_deg(self) -> float:
        """Displayed less knee."""
        return self.displayed_deg - self.knee_deg


def apart(
    displayed_deg: float,
    *,
    knee_deg: float,
    u_knee_deg: float,
    u_display_deg: float,
    tolerance_deg: float,
    camera_seen: bool = True,
) -> Apart:
    """How far display and knee are apart: the bound, and what is proven at which tolerance.

    Parameters
    ----------
    displayed_deg, u_display_deg : float
        The machine's number as flexion, and ± of reading it (`comparison.u_display_deg`).
    knee_deg, u_knee_deg : float
        The measured flexion and its u.
    tolerance_deg : float
        What a site allows in flexion; near extension `tolerance_at` takes it down.
    camera_seen : bool
        Whether the camera's direction was seen (by tags or network).
    """
    u = (u_knee_deg**2 + u_display_deg**2) ** 0.5
    difference = displayed_deg - knee_deg
    allowed = tolerance_at(tolerance_deg, knee_deg=knee_deg, displayed_deg=displayed_deg)

    def against(tolerance: float) -> Comparison:
        one = judged(difference, u=u, tolerance=tolerance)
        return one if camera_seen else _unproven(one)

    return Apart(
        displayed_deg=displayed_deg,
        knee_deg=knee_deg,
        u_deg=u,
        camera_seen=camera_seen,
        at_most_deg=at_most(difference, u=u),
        main=against(allowed),
        ladder=tuple(against(tolerance) for tolerance in LADDER_DEG),
    )


def _unproven(one: Comparison) -> Comparison:
    return Comparison(one.discrepancy_deg, one.u_deg, one.tolerance_deg, one.p_within, "undecided")


def at_most(difference: float, *, u: float, p: float = PROVEN) -> float:
    """The N for which ``|difference| <= N`` has probability p; N and u in one unit.

    Examples
    --------
    With no difference it is the two-sided 1.96 u, far from zero the one-sided 1.645 u beyond:

    >>> round(at_most(0.0, u=2.0), 2), round(at_most(10.0, u=2.0), 2)
    (3.92, 13.29)
    """
    if u == 0.0:
        return abs(difference)

    def short(bound: float) -> float:
        return conformance_probability(difference, u=u, lower=-bound, upper=bound) - p

    return float(brentq(short, 0.0, abs(difference) + 10.0 * u))


def tolerance_at(tolerance_deg: float, *, knee_deg: float, displayed_deg: float) -> float:
    """The tolerance that holds here: near extension no more than `STRAIGHT_TOLERANCE_DEG`."""
    if min(knee_deg, displayed_deg) < STRAIGHT_BELOW_DEG:
        return min(tolerance_deg, STRAIGHT_TOLERANCE_DEG)
    return tolerance_deg


def lacks_extension(knee_deg: float, *, u_deg: float, camera_seen: bool = True) -> float | None:
    """How many degrees are proven to be lacking to a straight knee; None where none is.

    The one-sided 95 % bound: with that probability the knee lacks at least so much.
    """
    least = at_least(knee_deg, u=u_deg)
    return least if camera_seen and least > 0.0 else None


def at_least(value: float, *, u: float) -> float:
    """What a quantity exceeds with 95 %."""
    return value - ONE_SIDED * u


ONE_SIDED = 1.6448536269514722
"""The 95 % quantile of the normal distribution."""
