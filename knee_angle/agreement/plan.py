"""How many pairs give limits of agreement of a wanted sharpness.

Conventions
-----------
The wanted ``half_width`` is half the width of the exact 95 % interval of one limit (that
interval is not symmetric), in the unit of the expected ``sd`` of the differences.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.special import chdtri, gammaln

from knee_angle.agreement.limits import limit_factors
from knee_angle.errors import InvalidInput
from knee_angle.language import say

__all__ = ["LimitsPlan", "half_width_of", "plan_limits"]

FEWEST, MOST = 3, 100_000


@dataclass(frozen=True, slots=True)
class LimitsPlan:
    """A number of pairs, with the question it answers.

    Parameters
    ----------
    n : int
        Pairs, each of another person; with repeats, persons.
    half_width : float
        Half-width reached, on average or with the assurance.
    sd, wanted_half_width : float
        The question.
    assurance : float or None
        Probability that the half-width is not above the wanted one; None: on average.
    repeats : int
        Pairs of each person.
    between : float or None
        With repeats: the share of the variance that was taken to lie between persons.
    """

    n: int
    half_width: float
    sd: float
    wanted_half_width: float
    assurance: float | None
    repeats: int = 1
    between: float | None = None


def half_width_of(n: int, *, sd: float, assurance: float | None = None) -> float:
    """Half-width of the exact interval of one limit from n pairs.

    On average (the expectation of s is ``sd sqrt(2 / (n - 1)) G(n / 2) / G((n - 1) / 2)``
    with the gamma function G), or what it stays below with the probability `assurance`.
    """
    low, high = limit_factors(n)
    freedom = n - 1
    if assurance is None:
        shrink = math.sqrt(2.0 / freedom) * math.exp(
            float(gammaln(n / 2.0)) - float(gammaln(freedom / 2.0))
        )
    else:
        shrink = math.sqrt(float(chdtri(freedom, 1.0 - assurance)) / freedom)
    return sd * shrink * (high - low) / 2.0


def plan_limits(*, sd: float, half_width: float, assurance: float | None = None) -> LimitsPlan:
    """The smallest number of pairs whose limits are as sharp as wanted.

    Parameters
    ----------
    sd : float
        Expected standard deviation of the differences, from a pilot or a report.
    half_width : float
        Wanted half-width of the interval of a limit.
    assurance : float, optional
        Probability (0.5 to 0.999) with which it is reached; on average by default.

    Raises
    ------
    InvalidInput
        Values that are not positive, or more than 100,000 pairs.

    Notes
    -----
    Jan S-L, Shieh G 2018, Comput Biol Med 100:247-252, doi
    10.1016/j.compbiomed.2018.06.020: both criteria, expected width and assurance.
    """
    for name, value in (("sd", sd), ("half_width", half_width)):
        if not (value > 0 and math.isfinite(value)):
            raise InvalidInput(
                say("{name} must be above 0, but got {value:g}", name=name, value=value)
            )
    if assurance is not None and not 0.5 <= assurance <= 0.999:
        raise InvalidInput(
            say(
                "assurance must be between 0.5 and 0.999, but got {assurance:g}",
                assurance=assurance,
            )
        )
    least = half_width_of(MOST, sd=sd, assurance=assurance)
    if half_width < least:
        raise InvalidInput(
            say(
                "half_width must be at least {least:.3g}, which {most} pairs give, but got "
                "{half_width:g}: lower the scatter first",
                least=least,
                most=MOST,
                half_width=half_width,
            )
        )
    low, high = FEWEST, MOST
    while low < high:
        middle = (low + high) // 2
        if half_width_of(middle, sd=sd, assurance=assurance) <= half_width:
            high = middle
        else:
            low = middle + 1
    reached = half_width_of(low, sd=sd, assurance=assurance)
    return LimitsPlan(low, reached, sd, half_width, assurance)
