"""Bias and limits of agreement, for one pair a person and for several.

Conventions
-----------
``difference = compared - reference``. ``bias`` is its expectation, ``sd`` the standard
deviation of the difference of one new pair of a new person, and the limits are
``bias ± 1.959964 sd``: 95 % of such differences are expected between them. The interval of a
limit is for that limit alone. Differences are taken as normal.

One pair a person
-----------------
The interval of ``bias + z sd`` is exact: ``bias + s k``, with
``k = t'(p; n - 1, z sqrt n) / sqrt n`` and the quantile t' of the noncentral t distribution
(Carkeet A 2015, Optom Vis Sci 92:e71-e80, doi 10.1097/OPX.0000000000000513; the same as a
one-sided tolerance factor, ISO 16269-6). Bland and Altman's own approximation
``± t sqrt(3 s² / n)`` (1986, Lancet i:307-310) is symmetric, and too narrow outwards.

Several pairs a person
----------------------
Bland JM, Altman DG 2007, J Biopharm Stat 17:571-582, doi 10.1080/10543400701329422.

* ``varies``: what is measured changes from pair to pair (a knee at another angle), both
  methods see the same. One-way analysis of variance of the differences with mean squares B
  between and W within persons, and ``m0 = (N² - sum m²) / ((g - 1) N)``:
  ``sd² = B / m0 + (1 - 1 / m0) W``; bias is the mean of all differences. That mean is one
  person's where one has most of the pairs, and its interval then held the bias in as few as
  18 to 58 % of simulated studies. Where the pairs are worth less than `EVEN` of the persons,
  ``N² / sum m² < 0.8 g``, every person counts once, as Zou has it: with V the variance of
  the persons' means and m_h the harmonic mean of the numbers of pairs, bias is the mean of
  the persons' means and ``sd² = V + (1 - 1 / m_h) W``.
* ``constant``: what is measured does not change within a person. With d the difference of a
  person's two means, m_h the harmonic mean of the numbers of pairs and V the variances
  within persons of the two methods: ``sd² = var(d) + (1 - 1 / m_h) (V1 + V2)``; bias is the
  mean of d (the paper's example takes the mean of all differences, which is the same where
  every person has the same number of pairs).

With raters, person, rater and repeat are random: see `raters`.

Their intervals combine those of the parts (MOVER; Zou GY 2013, Stat Methods Med Res
22:630-642, doi 10.1177/0962280211402548), with Student's t for the bias where Zou takes the
normal quantile.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from scipy import stats
from scipy.special import ndtri

from knee_angle.agreement.estimate import Estimate, Floats, Z, sd_interval, t_interval
from knee_angle.agreement.pairs import Pairs
from knee_angle.agreement.raters import Parts, by_rater
from knee_angle.assumptions import (
    RISK,
)
from knee_angle.errors import InvalidInput
from knee_angle.language import say

__all__ = [
    "Design",
    "Limits",
    "TrueValue",
    "limit_factors",
    "limits_of_agreement",
    "tolerance_factor",
]

TrueValue = Literal["varies", "constant"]
Design = Literal["single", "varies", "constant", "raters"]

FEWEST = 3
"""Fewer persons (or pairs) give no interval that anybody could use."""

EVEN = 0.8
"""Pairs that are worth less than this share of the persons are unevenly spread (our own: the
example of Bland and Altman 2007 is worth 0.96)."""


@dataclass(frozen=True, slots=True, eq=False)
class Limits:
    """Bias and limits of agreement with what they were computed from.

    Parameters
    ----------
    pairs : Pairs
        The pairs.
    design : {"single", "varies", "constant", "raters"}
        One pair a person, or several, or by several raters: see the module.
    bias, sd, lower, upper : Estimate
        Mean difference, standard deviation of a difference, and the two limits.
    parts : Parts or None
        With raters: the standard deviations between persons, between raters, of repeats.
    """

    pairs: Pairs
    design: Design
    bias: Estimate
    sd: Estimate
    lower: Estimate
    upper: Estimate
    parts: Parts | None = None

    @property
    def sem(self) -> Estimate:
        """Standard error of measurement of one method, ``sd / sqrt 2``.

        The two methods are taken to share the scatter equally (de Vet HCW et al. 2011,
        Measurement in medicine, section 5.4.2); the bias is not in it.
        """
        return self.sd.times(1.0 / math.sqrt(2.0))

    @property
    def sdd(self) -> Estimate:
        """Smallest detectable difference, ``1.959964 sqrt 2 sem = 1.959964 sd``."""
        return self.sd.times(Z)


def limits_of_agreement(pairs: Pairs, *, true_value: TrueValue = "varies") -> Limits:
    """Bias, limits of agreement and their 95 % intervals.

    Parameters
    ----------
    pairs : Pairs
        At least 3 pairs, or 3 persons.
    true_value : {"varies", "constant"}
        Whether what is measured changes between the pairs of one person. Without effect
        where each person has one pair.

    Raises
    ------
    InvalidInput
        Fewer than 3 independent units.
    """
    if pairs.units < FEWEST:
        what = say("pairs") if pairs.person is None else say("persons")
        raise InvalidInput(
            say(
                "limits of agreement need {fewest} {what} or more, but got {units}: measure more",
                fewest=FEWEST,
                what=what,
                units=pairs.units,
            )
        )
    if pairs.rater is not None:
        if true_value == "constant":
            raise InvalidInput(
                say(
                    "raters are judged by the differences, which a constant true value does not "
                    "take: leave out the column of raters, or the constant true value"
                )
            )
        found = by_rater(pairs)
        return Limits(pairs, "raters", found.bias, found.sd, found.lower, found.upper, found.parts)
    if pairs.units == pairs.n:
        return _single(pairs)
    if true_value == "varies":
        return _varying(pairs)
    return _constant(pairs)


@lru_cache(maxsize=512)
def tolerance_factor(n: int, *, content: float, confidence: float) -> float:
    """``mean + k s`` lies above the `content` quantile with the probability `confidence`.

    The one-sided tolerance factor of n normal values, from the noncentral t distribution.
    """
    shift = float(ndtri(content)) * math.sqrt(n)
    return float(stats.nct.ppf(confidence, n - 1, shift)) / math.sqrt(n)


def limit_factors(n: int) -> tuple[float, float]:
    """(low, high) so that ``bias + s low`` and ``bias + s high`` hold ``bias + 1.96 sd``."""
    content = 1.0 - RISK / 2
    return (
        tolerance_factor(n, content=content, confidence=RISK / 2),
        tolerance_factor(n, content=content, confidence=1.0 - RISK / 2),
    )


def _single(pairs: Pairs) -> Limits:
    d, n = pairs.difference, pairs.n
    bias, s = float(d.mean()), float(d.std(ddof=1))
    low, high = limit_factors(n)
    return Limits(
        pairs=pairs,
        design="single",
        bias=t_interval(bias, se=s / math.sqrt(n), freedom=n - 1),
        sd=sd_interval(s, freedom=n - 1),
        lower=Estimate(bias - Z * s, (bias - high * s, bias - low * s)),
        upper=Estimate(bias + Z * s, (bias + low * s, bias + high * s)),
    )


def uneven(pairs: Pairs) -> bool:
    """Whether a few persons have so many of the pairs that every person is to count once."""
    m = pairs.summed(np.ones(pairs.n))
    return bool(pairs.n**2 < EVEN * pairs.units * float(m @ m))


def _varying(pairs: Pairs) -> Limits:
    d, g = pairs.difference, pairs.units
    m = pairs.summed(np.ones(pairs.n))
    means, within, freedom = within_persons(pairs, d)
    if uneven(pairs):
        variance = float(means.var(ddof=1))
        single = (1.0 - float(np.mean(1.0 / m))) * within
        each = t_interval(float(means.mean()), se=math.sqrt(variance / g), freedom=g - 1)
        return _combined(pairs, "varies", each, ((variance, g - 1), (single, freedom)))
    bias = float(d.mean())
    between = float(m @ (means - bias) ** 2) / (g - 1)
    m0 = (pairs.n**2 - float(m @ m)) / ((g - 1) * pairs.n)
    se = math.sqrt(g / (g - 1) * float(np.sum((m * (means - bias)) ** 2))) / pairs.n
    parts = ((between / m0, g - 1), ((1.0 - 1.0 / m0) * within, freedom))
    return _combined(pairs, "varies", t_interval(bias, se=se, freedom=g - 1), parts)


def _constant(pairs: Pairs) -> Limits:
    g = pairs.units
    m = pairs.summed(np.ones(pairs.n))
    left = 1.0 - float(np.mean(1.0 / m))
    x, vx, freedom = within_persons(pairs, pairs.reference)
    y, vy, _ = within_persons(pairs, pairs.compared)
    d = y - x
    variance = float(d.var(ddof=1))
    parts = ((variance, g - 1), (left * vx, freedom), (left * vy, freedom))
    bias = t_interval(float(d.mean()), se=math.sqrt(variance / g), freedom=g - 1)
    return _combined(pairs, "constant", bias, parts)


def within_persons(pairs: Pairs, values: Floats) -> tuple[Floats, float, int]:
    """Each person's mean (units,), the variance within persons, and its freedom."""
    m = pairs.summed(np.ones(pairs.n))
    means = pairs.summed(values) / m
    freedom = pairs.n - pairs.units
    return means, float(np.sum((values - means[pairs.unit]) ** 2)) / freedom, freedom


def _combined(
    pairs: Pairs, design: Design, bias: Estimate, parts: tuple[tuple[float, int], ...]
) -> Limits:
    """Limits from a bias and the parts (share of sd², freedom), by MOVER."""
    total = sum(part for part, _ in parts)
    below = above = 0.0
    for part, freedom in parts:
        one = sd_interval(math.sqrt(part), freedom=freedom)
        below += (part - one.low**2) ** 2
        above += (one.high**2 - part) ** 2
    sd = Estimate(
        math.sqrt(total),
        (math.sqrt(max(total - math.sqrt(below), 0.0)), math.sqrt(total + math.sqrt(above))),
    )
    half = bias.high - bias.value
    inner, outer = (math.hypot(half, Z * (end - sd.value)) for end in sd.interval)
    lower, upper = bias.value - Z * sd.value, bias.value + Z * sd.value
    return Limits(
        pairs=pairs,
        design=design,
        bias=bias,
        sd=sd,
        lower=Estimate(lower, (lower - outer, lower + inner)),
        upper=Estimate(upper, (upper - inner, upper + outer)),
    )
