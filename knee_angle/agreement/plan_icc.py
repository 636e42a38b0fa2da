"""How many targets give an intraclass correlation as sharp as wanted, or prove it above another.

Bonett DG 2002, Stat Med 21:1331-1335, doi 10.1002/sim.1108: for the wanted width of the 95 %
interval, and Walter SD, Eliasziw M, Donner A 1998, Stat Med 17:101-110: for the test that it is
above a lowest acceptable one. Both are approximations for one rating of each rater.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.special import ndtri

from knee_angle.agreement.estimate import Z
from knee_angle.errors import InvalidInput
from knee_angle.language import say

__all__ = ["IccPlan", "plan_icc", "plan_icc_above"]

HIGH = 0.7
"""From this coefficient on two raters need 5 times it more targets (Bonett's own correction)."""


@dataclass(frozen=True, slots=True)
class IccPlan:
    """A number of targets, with the question it answers.

    Parameters
    ----------
    n : int
        Targets, each rated once by every rater.
    exact : float
        What the formula gives, before it is rounded up.
    icc, raters : float, int
        Expected coefficient, and how many raters.
    width : float or None
        Wanted width of the interval.
    above, power : float or None
        The lowest acceptable coefficient, and the probability to prove it exceeded (one-sided,
        5 %).
    """

    n: int
    exact: float
    icc: float
    raters: int
    width: float | None = None
    above: float | None = None
    power: float | None = None


def plan_icc(*, icc: float, raters: int, width: float) -> IccPlan:
    """Targets whose interval of the coefficient is as narrow as wanted.

    Parameters
    ----------
    icc : float
        Expected, 0 to below 1.
    raters : int
        Two or more.
    width : float
        Of the whole 95 % interval, 0 to 1.

    Raises
    ------
    InvalidInput
        Values that cannot be.
    """
    _check(icc, raters)
    if not 0 < width < 1:
        raise InvalidInput(say("width must be between 0 and 1, but got {width:g}", width=width))
    k = float(raters)
    exact = 8 * Z**2 * (1 - icc) ** 2 * (1 + (k - 1) * icc) ** 2 / (k * (k - 1) * width**2) + 1
    if raters == 2 and icc >= HIGH:
        exact += 5 * icc
    return IccPlan(math.ceil(exact), exact, icc, raters, width=width)


def plan_icc_above(*, icc: float, above: float, raters: int, power: float = 0.8) -> IccPlan:
    """Targets that prove the coefficient above another with the wanted power.

    Parameters
    ----------
    icc, above : float
        Expected, and the lowest acceptable one; ``above < icc``.
    raters : int
        Two or more.
    power : float
        0.5 to 0.999; the test is one-sided at 5 %.

    Raises
    ------
    InvalidInput
        Values that cannot be.
    """
    _check(icc, raters)
    if not 0 <= above < icc:
        raise InvalidInput(
            say("above must be from 0 to below {icc:g}, but got {above:g}", icc=icc, above=above)
        )
    if not 0.5 <= power <= 0.999:
        raise InvalidInput(
            say("power must be between 0.5 and 0.999, but got {power:g}", power=power)
        )
    k = float(raters)
    c0 = (1 + k * above / (1 - above)) / (1 + k * icc / (1 - icc))
    z = float(ndtri(0.95) + ndtri(power))
    exact = 1 + 2 * z**2 * k / (math.log(c0) ** 2 * (k - 1))
    return IccPlan(math.ceil(exact), exact, icc, raters, above=above, power=power)


def _check(icc: float, raters: int) -> None:
    if not 0 <= icc < 1:
        raise InvalidInput(say("icc must be from 0 to below 1, but got {icc:g}", icc=icc))
    if raters < 2:
        raise InvalidInput(say("raters must be 2 or more, but got {raters}", raters=raters))
