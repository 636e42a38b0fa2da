"""How often the intervals of a rater study hold the truth, over drawn studies.

python tests/bench/bench_reliability.py [RUNS]
"""

from __future__ import annotations

import math
import sys
from collections import Counter

import numpy as np

from knee_angle.agreement import Ratings, reliability
from knee_angle.agreement.estimate import Z

DESIGNS = ((30, 3, 2), (20, 2, 3), (50, 5, 1), (12, 4, 2))
TARGET, RATER, VIEW, REPEAT = 30.0, 1.0, 0.8, 1.5
"""Standard deviations, degrees: of the size that goniometry studies report (our own choice)."""


def drawn(n: int, r: int, m: int, rng: np.random.Generator) -> Ratings:
    """A study with known parts."""
    y = (
        rng.normal(0, TARGET, (n, 1, 1))
        + rng.normal(0, RATER, (1, r, 1))
        + rng.normal(0, VIEW, (n, r, 1))
        + rng.normal(0, REPEAT, (n, r, m))
    )
    return Ratings(y, tuple(map(str, range(n))), tuple(f"R{k + 1}" for k in range(r)))


def truth(r: int, m: int) -> dict[str, float]:
    """What the intervals are to hold; with one repeat own view and repeat are one."""
    own = VIEW**2 + REPEAT**2
    rest = RATER**2 + own
    known = {
        "target": TARGET,
        "rater": RATER,
        "between": math.sqrt(rest),
        "from_mean": Z
        * math.sqrt((1 - 1 / r) * (RATER**2 + VIEW**2) + (1 - 1 / (r * m)) * REPEAT**2),
        "icc_between": TARGET**2 / (TARGET**2 + rest),
    }
    if m == 1:
        return known | {"repeat": math.sqrt(own)}
    within = 1 - REPEAT**2 / (TARGET**2 + rest)
    return known | {"view": VIEW, "within": REPEAT, "icc_within": within}


def held(n: int, r: int, m: int, runs: int, rng: np.random.Generator) -> dict[str, float]:
    """Share of intervals that hold the truth, by figure."""
    hits: Counter[str] = Counter()
    known = truth(r, m)
    for _ in range(runs):
        found = reliability(drawn(n, r, m, rng))
        for name, true in known.items():
            one = getattr(found, name)
            hits[name] += one.low <= true <= one.high
    return {name: hits[name] / runs for name in known}


def main(runs: int) -> None:
    """Print the coverage of every design."""
    for n, r, m in DESIGNS:
        shares = held(n, r, m, runs, np.random.default_rng(n + r + m))
        said = ", ".join(f"{name} {share:.3f}" for name, share in shares.items())
        print(f"{n} targets, {r} raters, {m} repeats: {said}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
