"""Limits of agreement where the differences' tails are heavier than a normal distribution's.

``bias ± 1.96 sd`` holds 95 % of normal differences. Where a few are far off, as where a display
was misread or a point was wrong, it is wrong at both ends; the quantiles of the differences
themselves hold for any distribution. They stand beside the limits always, and `Tails` says
which of the two to read: the quantiles where the excess kurtosis of what is left after persons
and raters, or that of the persons' means, is proven above 0 (Anscombe FJ, Glynn WJ 1983,
Biometrika 70:227-234; `scipy.stats.kurtosistest`), at 1 % because the test is done in every
study.

The 2.5 % and 97.5 % quantiles have the interval of Woodruff RS 1952, J Am Stat Assoc
47:635-646: the exact binomial interval of 2.5 % for the effective number of differences (Korn
EL, Graubard BI 1998, Survey Methodology 24:193-201), read off the same distribution. Where a
few persons have most of the pairs every person counts once, as in `limits`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import stats
from scipy.special import betaincinv

from knee_angle.agreement.estimate import Estimate, Floats
from knee_angle.agreement.pairs import Pairs
from knee_angle.agreement.raters import effects_of
from knee_angle.assumptions import RISK
from knee_angle.errors import InvalidInput
from knee_angle.language import say

__all__ = ["LEAST_EFFECTIVE", "QuantileLimits", "Tails", "quantile_limits", "tails_of"]

LEAST_EFFECTIVE = 120.0
"""Fewer differences' worth than this, and no interval of a 2.5 % quantile lies inside them."""
FEWEST_TESTED = 20
"""The kurtosis test's approximation needs so many values (scipy's own warning)."""
P_HEAVY = 0.01


@dataclass(frozen=True, slots=True)
class Tails:
    """Whether the tails are heavier than normal.

    Parameters
    ----------
    excess : float
        Excess kurtosis of the sample in question; 0 is normal.
    p_value : float
        How probable so much is in normal differences, both samples tried.
    of : {"repeats", "persons"}
        Which sample that is, the less probable one: what is left after persons and raters, or
        the persons' means.
    """

    excess: float
    p_value: float
    of: Literal["repeats", "persons"] = "repeats"

    @property
    def heavy(self) -> bool:
        """Whether the quantile limits are to be read."""
        return self.p_value < P_HEAVY


@dataclass(frozen=True, slots=True, eq=False)
class QuantileLimits:
    """The 2.5 % and 97.5 % quantiles of the differences, and what their number is worth."""

    pairs: Pairs
    lower: Estimate
    upper: Estimate
    effective_n: float


def tails_of(pairs: Pairs) -> Tails:
    """Test the tails.

    Raises
    ------
    InvalidInput
        Fewer than 20 differences, or none that vary.
    """
    both: tuple[tuple[Floats, Literal["repeats", "persons"]], ...] = tuple(
        zip(_residuals(pairs), ("repeats", "persons"), strict=True)
    )
    samples = [one for one in both if len(one[0]) >= FEWEST_TESTED and np.ptp(one[0]) > 0]
    if not samples:
        raise InvalidInput(
            say(
                "tails are tested from {fewest_tested} differences on that are not all the "
                "same, but got {n}",
                fewest_tested=FEWEST_TESTED,
                n=pairs.n,
            )
        )
    p = [float(stats.kurtosistest(one, alternative="greater").pvalue) for one, _ in samples]
    least = p.index(min(p))
    sample, of = samples[least]
    return Tails(float(stats.kurtosis(sample, bias=False)), min(1.0, len(p) * p[least]), of)


def _residuals(pairs: Pairs) -> tuple[Floats, Floats]:
    """What is left of each difference after its person (and rater), and the persons' means."""
    d = pairs.difference
    if pairs.units == pairs.n:
        return d, np.empty(0)
    m = pairs.summed(np.ones(pairs.n))
    means = pairs.summed(d) / m
    left = d - means[pairs.unit] if pairs.rater is None else effects_of(pairs).residuals
    several = m[pairs.unit] > 1
    # A person's own mean takes a part of each away, more of it where there are few.
    return left[several] / np.sqrt(1.0 - 1.0 / m[pairs.unit][several]), means


def quantile_limits(pairs: Pairs, *, each_person_once: bool = False) -> QuantileLimits:
    """The quantiles with their intervals.

    Parameters
    ----------
    pairs : Pairs
        The pairs.
    each_person_once : bool
        Whether persons count alike, instead of pairs.

    Raises
    ------
    InvalidInput
        Too few differences for an interval.
    """
    d = pairs.difference
    weights = np.full(pairs.n, 1.0 / pairs.n)
    if each_person_once:
        weights = 1.0 / (pairs.units * pairs.summed(np.ones(pairs.n))[pairs.unit])
    order = np.argsort(d, kind="stable")
    upto = np.cumsum(weights[order]) - 0.5 * weights[order]

    def at(share: float) -> float:
        return float(np.interp(share, upto, d[order]))

    lower, upper = at(RISK / 2), at(1.0 - RISK / 2)
    outside = ((d < lower) | (d > upper)).astype(float)
    worth = _effective(pairs, outside, weights)
    if worth < LEAST_EFFECTIVE:
        raise InvalidInput(
            say(
                "quantiles at 2.5 % and 97.5 % need about {least_effective:.0f} independent "
                "differences for an interval, but these are worth {worth:.0f}: measure more "
                "persons",
                least_effective=LEAST_EFFECTIVE,
                worth=worth,
            )
        )
    k = RISK / 2 * worth
    low = float(betaincinv(k, worth - k + 1.0, RISK / 2))
    high = float(betaincinv(k + 1.0, worth - k, 1.0 - RISK / 2))
    return QuantileLimits(
        pairs=pairs,
        lower=Estimate(lower, (at(low), at(high))),
        upper=Estimate(upper, (at(1.0 - high), at(1.0 - low))),
        effective_n=worth,
    )


def _effective(pairs: Pairs, outside: Floats, weights: Floats) -> float:
    """What the differences are worth at both ends, between persons and pairs."""
    alike = 1.0 / float(weights @ weights)
    if pairs.units == pairs.n:
        return alike
    g = pairs.units
    away = pairs.summed(weights * (outside - weights @ outside))
    variance = g / (g - 1) * float(away @ away)
    return float(g) if variance <= 0 else min(RISK * (1.0 - RISK) / variance, alike)
