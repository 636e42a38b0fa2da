"""Average run length of the control chart on unchanged machines, and what a change takes.

Run: ``python tests/bench/bench_control.py [MACHINES]``. Prints figures; asserts nothing. A run
length is counted in checks after the second; runs longer than 600 count as 600.
"""

from __future__ import annotations

import sys

import numpy as np

from knee_angle.machine.control_chart import individuals_chart

MOST = 600


def run_length(values: np.ndarray, u: np.ndarray | None) -> int:
    chart = individuals_chart(values, u=u)
    assert chart is not None
    return min((s.index for s in chart.signals), default=len(values)) - 1


def main(machines: int) -> None:
    for name, size in (("no u", None), ("own u", 1.0), ("u half", 0.5), ("u double", 2.0)):
        rng = np.random.default_rng(1)
        lengths = []
        for _ in range(machines):
            own = rng.uniform(0.5, 1.5, MOST) if size else np.ones(MOST)
            told = None if size is None else size * own
            lengths.append(run_length(own * rng.standard_normal(MOST), told))
        within = np.mean(np.array(lengths) < 60)
        print(f"unchanged, {name}: mean run {np.mean(lengths):.0f}, alarmed by 60: {within:.2f}")
    for shift in (1.0, 2.0, 3.0, 4.0):
        rng = np.random.default_rng(2)
        lengths = []
        for _ in range(machines):
            values = rng.standard_normal(80)
            values[20:] += shift
            chart = individuals_chart(values, u=np.ones(80))
            assert chart is not None
            lengths.append(min((s.index - 19 for s in chart.signals if s.index >= 20), default=60))
        print(f"changed by {shift:g} scatter: median {np.median(lengths):.0f} checks")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 150)
