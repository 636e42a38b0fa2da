"""How often the intervals of agreement hold the truth: raters, unequal persons, heavy tails.

    python tests/bench/bench_raters.py [RUNS]

Studies are drawn with 1 to 12 pairs a person, 2 to 4 raters who share persons unevenly, and
repeats that are normal or of Student's t with 3 degrees of freedom. Truth of the limits is that
of a new person by a new rater; of the quantiles, that of the drawn distribution.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator

import numpy as np
from scipy import stats

from knee_angle import agreement as ag
from knee_angle.errors import InvalidInput

BIAS = 1.5
Z = stats.norm.ppf(0.975)
RATED = ((2, 15, 1.5), (2, 30, 1.0), (2, 10, 3.0), (3, 15, 1.5), (4, 15, 1.5), (4, 30, 1.0))
"""Raters, persons, SD between raters; persons and repeats have SD 2."""


def rated(raters: int, persons: int, sd_rater: float, rng: np.random.Generator) -> ag.Pairs:
    """One study with unequal numbers of pairs."""
    whose = np.repeat(np.arange(persons), rng.choice([1, 2, 3, 4, 6, 12], persons))
    by = rng.integers(0, raters, len(whose))
    by[:raters] = np.arange(raters)
    d = BIAS + rng.normal(0, 2, persons)[whose] + rng.normal(0, sd_rater, raters)[by]
    d = d + rng.normal(0, 2, len(whose))
    return ag.Pairs(np.full(len(d), 60.0), 60.0 + d, person=whose, rater=by)


def rated_figures(
    raters: int, persons: int, sd_rater: float, runs: int, rng: np.random.Generator
) -> Iterator[tuple[str, ag.Estimate, float]]:
    """Every figure of `runs` studies with its truth."""
    sd = (8.0 + sd_rater**2) ** 0.5
    for _ in range(runs):
        found = ag.limits_of_agreement(rated(raters, persons, sd_rater, rng))
        assert found.parts is not None
        yield "bias", found.bias, BIAS
        yield "sd", found.sd, sd
        yield "lower limit", found.lower, BIAS - Z * sd
        yield "upper limit", found.upper, BIAS + Z * sd
        yield "sd of raters", found.parts.rater, sd_rater
        yield "sd of persons", found.parts.person, 2.0
        yield "sd of repeats", found.parts.repeat, 2.0


def heavy(persons: int, *, several: bool, rng: np.random.Generator) -> ag.Pairs:
    """Differences with a person's normal part (SD 1) and repeats of Student's t, 3 degrees."""
    counts = rng.choice([1, 2, 3, 6, 12], persons) if several else np.ones(persons, dtype=int)
    whose = np.repeat(np.arange(persons), counts)
    d = rng.normal(0, 1, persons)[whose] + rng.standard_t(3, len(whose))
    return ag.Pairs(np.zeros(len(d)), d, person=whose if several else None)


def heavy_figures(
    persons: int, runs: int, *, several: bool, rng: np.random.Generator
) -> Iterator[tuple[str, ag.Estimate, float]]:
    """Both quantiles of `runs` studies with their truth."""
    draws = np.random.default_rng(9)
    true = float(np.quantile(draws.normal(0, 1, 10**6) + draws.standard_t(3, 10**6), 0.975))
    for _ in range(runs):
        pairs = heavy(persons, several=several, rng=rng)
        try:
            found = ag.quantile_limits(pairs, each_person_once=several)
        except InvalidInput:
            continue
        yield "lower quantile", found.lower, -true
        yield "upper quantile", found.upper, true


def held(figures: Iterator[tuple[str, ag.Estimate, float]]) -> dict[str, float]:
    """Share of intervals that hold the truth, by figure."""
    hits: Counter[str] = Counter()
    total: Counter[str] = Counter()
    for name, estimate, truth in figures:
        total[name] += 1
        hits[name] += estimate.low <= truth <= estimate.high
    return {name: hits[name] / count for name, count in total.items()}


def main(runs: int) -> None:
    """Print the coverage of every design."""
    for raters, persons, sd_rater in RATED:
        rng = np.random.default_rng(100 * raters + persons)
        shares = held(rated_figures(raters, persons, sd_rater, runs, rng))
        print(f"{raters} raters (SD {sd_rater:g}), {persons} persons:", _said(shares))
    for persons, several in ((150, False), (400, False), (120, True), (300, True)):
        rng = np.random.default_rng(persons)
        shares = held(heavy_figures(persons, runs, several=several, rng=rng))
        print(f"heavy tails, {persons} persons, several pairs {several}:", _said(shares))
    rng = np.random.default_rng(5)
    normal = [ag.tails_of(ag.Pairs(np.zeros(60), rng.normal(0, 4, 60))).heavy for _ in range(runs)]
    told = [ag.tails_of(heavy(120, several=True, rng=rng)).heavy for _ in range(runs)]
    print(f"called heavy: normal {np.mean(normal):.3f}, Student's t with 3 {np.mean(told):.3f}")


def _said(shares: dict[str, float]) -> str:
    return ", ".join(f"{name} {share:.3f}" for name, share in shares.items())


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
