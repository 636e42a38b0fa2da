"""What adjusting changed, over drawn visits: how often the stated intervals hold.

    python tests/bench/bench_adjusted.py [VISITS] [SEED]      (default 200)

Bodies, marks, views and machines by the spreads that the program states; both ends before and
after a section was moved, by dots on the bars. Prints how often the 95 % interval of each change
holds its truth, and how often "closer" or "further" is said and is wrong.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from drawn_visits import Shot, random_body, visit

from knee_angle.machine.answer import VisitAnswer, answer_visit
from knee_angle.machine.changed import Change
from knee_angle.settings import Settings

ENDS = (20.0, 85.0)


def adjusted_visits(count: int, *, seed: int) -> Counter[str]:
    """Holds of each change's interval at the flexion end, and words that are wrong."""
    rng, told = np.random.default_rng(seed), Counter()
    for _ in range(count):
        offs, hinge = 6.0 * rng.standard_normal((2, 2)), 20.0 * rng.standard_normal((2, 2))
        shots = [
            Shot(
                f"{times}{end:g}", f"{times}{end:g}", end - offs[times, k], frame_deg=end,
                displayed_deg=float(round(end)), adjusted=times, hinge_mm=tuple(hinge[times]),
                yaw_deg=8.0 * rng.standard_normal(),
            )
            for times in (0, 1)
            for k, end in enumerate(ENDS)
        ]  # fmt: skip
        photos = visit(random_body(rng), shots, rng)
        found = answer_visit(photos, Settings(), rng=rng, judge=False)
        if not isinstance(found, VisitAnswer):
            told["refused"] += 1
            continue
        change = found.changes[-1]
        truth = offs[:, 1]
        told["apart"] += _holds(change.apart, truth[1] - truth[0])
        told["distal"] += _holds(change.distal, hinge[1, 0] - hinge[0, 0])
        told["anterior"] += _holds(change.anterior, hinge[1, 1] - hinge[0, 1])
        size = abs(truth[1]) - abs(truth[0])
        told[f"said: {change.way}"] += 1
        told["said wrongly"] += change.way == ("further" if size < 0.0 else "closer")
    return told


def _holds(change: Change | None, truth: float) -> bool:
    assert change is not None
    low, high = change.change.interval
    return bool(low <= truth <= high)


def main() -> None:
    """Print the counts."""
    count, seed = (int(one) for one in [*sys.argv[1:], "200", "1"][:2])
    for name, times in sorted(adjusted_visits(count, seed=seed).items()):
        print(f"{name:20} {times:5} of {count}")


if __name__ == "__main__":
    main()
