"""The share of differences that stay within a tolerance.

Conventions
-----------
A difference counts as within where ``|compared - reference| <= tolerance``; a share lies
between 0 and 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from knee_angle.agreement.estimate import Estimate, Floats, Z, t_value
from knee_angle.agreement.pairs import Pairs
from knee_angle.errors import InvalidInput
from knee_angle.language import say

__all__ = ["Within", "share_within", "wilson"]


@dataclass(frozen=True, slots=True, eq=False)
class Within:
    """How many differences stay within a tolerance.

    Parameters
    ----------
    pairs : Pairs
        The pairs.
    tolerance : float
        The tolerance, in the unit of the pairs.
    count : int
        Differences within.
    share : Estimate
        count / n with its Wilson interval.
    effective_n : float
        What n is worth: n itself, or less where a person's pairs go together.
    """

    pairs: Pairs
    tolerance: float
    count: int
    share: Estimate
    effective_n: float


def wilson(share: float, *, n: float, quantile: float = Z) -> tuple[float, float]:
    """Wilson's score interval of a share.

    Wilson EB 1927, J Am Stat Assoc 22:209-212; recommended by Brown LD et al. 2001, Stat Sci
    16:101-133, doi 10.1214/ss/1009213286. `n` need not be whole.
    """
    q2 = quantile**2 / n
    middle = (share + q2 / 2.0) / (1.0 + q2)
    half = quantile / (1.0 + q2) * math.sqrt(share * (1.0 - share) / n + q2 / (4.0 * n))
    return max(middle - half, 0.0), min(middle + half, 1.0)


def share_within(pairs: Pairs, tolerance: float) -> Within:
    """The share of differences within ± tolerance, with a Wilson interval.

    With several pairs a person the interval is Wilson's for the effective sample size
    ``share (1 - share) / variance``, the variance from the delete-one-person spread, and
    Student's t with persons - 1 degrees of freedom (Korn EL, Graubard BI 1998, Survey
    Methodology 24:193-201, with Wilson's interval in place of the exact one). Where all or
    none are within, each person counts once. All pairs of one person say nothing about
    others: the interval is 0 to 1.

    Raises
    ------
    InvalidInput
        A tolerance that is not positive.
    """
    if not (tolerance > 0 and math.isfinite(tolerance)):
        raise InvalidInput(
            say("a tolerance must be positive, but got {tolerance:g}", tolerance=tolerance)
        )
    inside = np.abs(pairs.difference) <= tolerance
    count = int(inside.sum())
    share = count / pairs.n
    n, quantile = float(pairs.n), Z
    if pairs.units == 1 < pairs.n:
        return Within(pairs, tolerance, count, Estimate(share, (0.0, 1.0)), 1.0)
    if pairs.units < pairs.n:
        quantile = t_value(pairs.units - 1)
        n = _effective(pairs, inside.astype(float), share)
    interval = wilson(share, n=n, quantile=quantile)
    return Within(pairs, tolerance, count, Estimate(share, interval), n)


def _effective(pairs: Pairs, inside: Floats, share: float) -> float:
    """Effective sample size of the share, between persons and pairs."""
    g = pairs.units
    residual = pairs.summed(inside - share)
    variance = g / (g - 1) * float(residual @ residual) / pairs.n**2
    if variance <= 0:
        return float(g)
    return min(share * (1.0 - share) / variance, float(pairs.n))
