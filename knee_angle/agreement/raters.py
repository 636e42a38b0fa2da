"""Person, rater and repeat as random effects, with small-sample intervals.

Conventions
-----------
A difference is ``bias + person + rater + repeat``; each of the three is drawn anew, with a
standard deviation of its own. Least squares give each person's and each rater's effect
(persons and raters may have any numbers of pairs, as long as raters share persons). With V
the variance of the persons' effects, U that of the raters' and E of what is left::

    E[V] = person² + h E        person² = V - h E, and the raters' likewise
    var(bias) = person² / n + rater² / r + c repeat²

with h and c from the design. Every person, and every rater, counts once: the unweighted means
of Burdick RK, Graybill FA 1992, Confidence intervals on variance components, chapter 4.

The intervals of the parts, of the SD of a new pair (of a new person by a new rater) and of the
limits are generalised confidence intervals: V, U and E are each replaced by V (n - 1) / χ²
(Weerahandi S 1993, J Am Stat Assoc 88:899-905, and 1995, Exact statistical methods for data
analysis; from memory), computed on a fixed even grid, so that the same pairs give the same
interval. For the bias that interval held 97 to 98 % with two raters, Satterthwaite's t (1946,
Biometrics Bulletin 2:110-114) 88 to 90 %: the half-width is the geometric mean of both (our
own), which held 95 to 97 % (``tests/bench/bench_raters.py``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import chdtri, ndtri
from scipy.stats import qmc

from knee_angle.agreement.estimate import Estimate, Floats, Z, t_value
from knee_angle.agreement.pairs import Pairs
from knee_angle.assumptions import RISK
from knee_angle.errors import InvalidInput
from knee_angle.language import say

__all__ = ["ByRater", "Parts", "by_rater", "effects_of"]

GRID = 2048
"""Points of the grid: an end of an interval is then known to about 1 % of its width."""


@dataclass(frozen=True, slots=True)
class Parts:
    """Standard deviations of a difference: between persons, between raters, of repeats."""

    person: Estimate
    rater: Estimate
    repeat: Estimate


@dataclass(frozen=True, slots=True)
class ByRater:
    """Bias, SD of a new pair, limits and parts of pairs by several raters."""

    bias: Estimate
    sd: Estimate
    lower: Estimate
    upper: Estimate
    parts: Parts


@dataclass(frozen=True, slots=True)
class Effects:
    """What least squares leave of the pairs: see the module.

    ``person``, ``rater``, ``repeat`` are (mean square, degrees of freedom); ``of_person`` and
    ``of_rater`` the share of the repeats' variance in the first two, ``of_bias`` in the bias.
    """

    bias: float
    person: tuple[float, int]
    rater: tuple[float, int]
    repeat: tuple[float, int]
    of_person: float
    of_rater: float
    of_bias: float
    residuals: Floats


def by_rater(pairs: Pairs) -> ByRater:
    """Bias and limits of agreement of a new person measured by a new rater.

    Parameters
    ----------
    pairs : Pairs
        With persons and raters.

    Raises
    ------
    InvalidInput
        One rater, raters who share no person, or no repeats to tell them from persons.
    """
    seen = effects_of(pairs)
    (v, n1), (u, r1), (e, _) = seen.person, seen.rater, seen.repeat
    n, r = n1 + 1, r1 + 1
    z, person2, rater2, repeat2 = _drawn(seen)
    sd = np.sqrt(person2 + rater2 + repeat2)
    of_bias = person2 / n + rater2 / r + seen.of_bias * repeat2
    drawn = seen.bias - z * np.sqrt(of_bias)
    best = [max(v - seen.of_person * e, 0.0), max(u - seen.of_rater * e, 0.0), e]
    new = math.sqrt(sum(best))
    return ByRater(
        bias=_bias(seen, drawn),
        sd=_estimate(new, sd),
        lower=_estimate(seen.bias - Z * new, drawn - Z * sd),
        upper=_estimate(seen.bias + Z * new, drawn + Z * sd),
        parts=Parts(
            _estimate(math.sqrt(best[0]), np.sqrt(person2)),
            _estimate(math.sqrt(best[1]), np.sqrt(rater2)),
            _estimate(math.sqrt(best[2]), np.sqrt(repeat2)),
        ),
    )


def _drawn(seen: Effects) -> tuple[Floats, Floats, Floats, Floats]:
    """A normal number and the three variances, at each point of the grid."""
    grid = _grid()
    v, u, e = (
        square * freedom / chdtri(freedom, grid[:, k])
        for k, (square, freedom) in enumerate((seen.person, seen.rater, seen.repeat), start=1)
    )
    person2 = np.maximum(v - seen.of_person * e, 0.0)
    rater2 = np.maximum(u - seen.of_rater * e, 0.0)
    return ndtri(grid[:, 0]), person2, rater2, e


def _bias(seen: Effects, drawn: Floats) -> Estimate:
    """The bias with the half-width between the generalised interval and Satterthwaite's."""
    wide = float(np.quantile(np.abs(drawn - seen.bias), 1.0 - RISK))
    (v, n1), (u, r1), (e, freedom) = seen.person, seen.rater, seen.repeat
    n, r = n1 + 1, r1 + 1
    left = seen.of_bias - seen.of_person / n - seen.of_rater / r
    parts = ((v / n, n1), (u / r, r1), (left * e, freedom))
    variance = sum(part for part, _ in parts)
    if not variance > 0:
        return Estimate(seen.bias, (seen.bias - wide, seen.bias + wide))
    like = variance**2 / sum(part**2 / k for part, k in parts)
    narrow = t_value(max(like, 1.0)) * math.sqrt(variance)
    half = math.sqrt(wide * narrow)
    return Estimate(seen.bias, (seen.bias - half, seen.bias + half))


def _estimate(value: float, drawn: Floats) -> Estimate:
    low, high = np.quantile(drawn, (RISK / 2, 1.0 - RISK / 2))
    return Estimate(value, (min(float(low), value), max(float(high), value)))


@lru_cache(maxsize=1)
def _grid() -> Floats:
    """Even points in four dimensions, none of them on an edge."""
    return np.asarray(qmc.Sobol(4, seed=1).random(GRID), dtype=np.float64)


def effects_of(pairs: Pairs) -> Effects:
    """Least squares of the differences on persons and raters.

    Persons are eliminated first, so that only raters by raters are solved for.
    """
    if pairs.rater is None or pairs.person is None:
        raise InvalidInput(say("raters need the column of persons too: name both"))
    n, r, whose = pairs.units, int(pairs.rater.max(initial=-1)) + 1, pairs.unit
    if r < 2:
        raise InvalidInput(say("raters need two or more, but the column names one: leave it out"))
    counts = np.bincount(whose * r + pairs.rater, minlength=n * r).reshape(n, r).astype(float)
    m = counts.sum(axis=1)
    shares = counts / m[:, None]
    inside = np.diag(counts.sum(axis=0)) - shares.T @ counts
    levels, turn = np.linalg.eigh(inside)
    if int((levels > 1e-9 * max(levels[-1], 1.0)).sum()) < r - 1:
        raise InvalidInput(
            say(
                "raters cannot be told from persons where they share none: have some persons "
                "measured by every two raters, or leave the column of raters out"
            )
        )
    inverse = (turn[:, 1:] / levels[1:]) @ turn[:, 1:].T
    freedom = pairs.n - n - r + 1
    if freedom < 1:
        raise InvalidInput(
            say(
                "persons, raters and repeats need more than {fewest} pairs, but got {n}: "
                "measure some persons again",
                fewest=n + r - 1,
                n=pairs.n,
            )
        )
    d = pairs.difference
    means = pairs.summed(d) / m
    rater = inverse @ np.bincount(pairs.rater, weights=d - means[whose], minlength=r)
    person = means - shares @ rater
    residuals = d - person[whose] - rater[pairs.rater]
    centred = shares - shares.mean(axis=0)
    own = float((1.0 / m).sum())
    return Effects(
        bias=float(person.mean() + rater.mean()),
        person=(float(person.var(ddof=1)), n - 1),
        rater=(float(rater.var(ddof=1)), r - 1),
        repeat=(float(residuals @ residuals) / freedom, freedom),
        of_person=((1.0 - 1.0 / n) * own + float(np.sum((centred @ inverse) * centred))) / (n - 1),
        of_rater=float(np.trace(inverse)) / (r - 1),
        of_bias=own / n**2 + float(shares.mean(axis=0) @ inverse @ shares.mean(axis=0)),
        residuals=residuals,
    )
