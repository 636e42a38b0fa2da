"""How long the whole comparison of 1,000,000 pairs takes, and what of it.

Run: ``python tests/bench/bench_agreement.py``. Prints seconds from one run on one machine
beside a plain mean and standard deviation of the same column; nothing is asserted.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from knee_angle import agreement as ag
from knee_angle.report.study_page import study_page
from knee_angle.report.study_words import About

PAIRS = 1_000_000
ABOUT = About("bench", "flexion_deg", "displayed_deg", None, "u_deg", "drop", "0", "2026-01-01")


def seconds(job: Callable[[], object], repeats: int = 5) -> float:
    """Median over some repeats, after one to warm up."""
    job()
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        job()
        times.append(time.perf_counter() - start)
    return float(np.median(times))


def main() -> None:
    rng = np.random.default_rng(1)
    knee = rng.uniform(0, 130, PAIRS)
    display = knee + rng.normal(1, 3, PAIRS)
    u = rng.uniform(1, 3, PAIRS)
    whose = rng.integers(0, 200_000, PAIRS)
    machine = [f"M{i % 5}" for i in range(PAIRS)]
    plain = seconds(lambda: ((display - knee).mean(), (display - knee).std(ddof=1)))
    print(f"{PAIRS:,} pairs                          seconds   times mean and SD alone")
    for name, person in (("one pair a person", None), ("200,000 persons", whose)):

        def selected(person: np.ndarray | None = person) -> ag.Pairs:
            return ag.select_pairs(
                reference=knee, compared=display, person=person, u_reference=u, missing="drop"
            )

        def whole(selected: Callable[[], ag.Pairs] = selected) -> ag.Study:
            return ag.study_agreement(selected(), u_compared=0.3, by={"machine": machine})

        for what, job in (("selecting", selected), ("whole study", whole)):
            took = seconds(job)
            print(f"  {name + ', ' + what:<38}{took:>8.2f}   {took / plain:>6.0f}")
    study = whole()
    print(f"  {'the report of it (HTML)':<38}{seconds(lambda: study_page(study, ABOUT), 3):>8.2f}")
    print(f"  {'mean and SD alone':<38}{plain:>8.3f}")


if __name__ == "__main__":
    main()
