"""What photos of a visit can know of the sum of both section faults: Fisher's information.

Run: ``python tests/bench/section_lengths.py`` (seconds). Asserts nothing, fits nothing: it says
what an estimate could reach at best that uses all the evidence, in the world of
``visit_world.py`` with its stated errors (`Errors`). Unknown are the leg's lengths, both
section faults, the patient's place, the share by which the pelvis gives way, slack, and the
bars of every setting; what is known of them beforehand is `KNOWN_BEFORE`.

Evidence: knee, bars, the hinge's place and the leg's lengths; the same with the leg's lengths
exact; then the direction of the thigh bar against the thigh too, which no estimate of ours
uses; then the patient's place, as a tape gives it; then the pelvis. 1.96 u of the sum, mm.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench.visit_world import Errors, World, _lean, marks_of, read_of

Floats = NDArray[np.float64]

KNOWN_BEFORE = {
    "thigh": 40.0, "shank": 40.0, "lower": 42.0, "thigh_fault": 30.0, "lower_fault": 30.0,
    "place": 12.0, "give": 0.29, "slack": 0.7,
}  # fmt: skip
"""Standard deviations before anything was seen: those of `MACHINE_PRIORS` and beside them;
give as anything between 0 and 1."""
STEPS = {"give": 0.05, "slack": 0.5}
THIGH_BAR_DEG = (0.4, 0.6)
"""u of the thigh bar's direction, a photo's own and shared (our own: as bars of two points)."""
WAYS: dict[str, dict[str, float]] = {
    "all that is used": {},
    "with exact lengths of the leg": {"thigh": 0.1, "shank": 0.1, "lower": 0.1},
    "with the thigh bar's direction": {},
    "place known too": {"place": 3.0},
    "pelvis known too": {"place": 3.0, "give": 0.05},
}
"""What is known better beforehand, each way; the thigh bar's direction from the third on."""
WORLDS = {
    "right, pelvis holds": World(give=0.05),
    "right, pelvis gives half": World(give=0.5),
    "both 25 long, pelvis holds": World(thigh_fault=25, lower_fault=25, give=0.05),
    "both 25 short, pelvis gives half": World(thigh_fault=-25, lower_fault=-25, give=0.5),
    "thigh 45 long, lower leg 45 short": World(thigh_fault=45, lower_fault=-45, give=0.05),
}


def seen(world: World, bars: Floats, e: Floats) -> Floats:
    """What is read at these bars with errors ``e``: knee, bars, hinge, thigh bar; lengths."""
    placed, (scale, bars_shared, *hinge_shared), turned = e[:6], e[6:10], e[10]
    own = e[11:].reshape(len(bars), 10)
    rows, lengths = [], []
    for b, (bar, *found, x_own, y_own, turn) in zip(bars, own, strict=True):
        marks = marks_of(world, float(b), placed + np.array(found))
        knee, x, y, thigh, shank = read_of(marks)
        axis = np.degrees(np.angle(marks.knee - marks.hip))
        lean = np.degrees(_lean(world, float(b))) - axis + turned + turn
        x, y = x * (1 + scale) + hinge_shared[0] + x_own, y * (1 + scale) + hinge_shared[1] + y_own
        rows.append([knee, b + bars_shared + bar, x, y, lean])
        lengths.append([(1 + scale) * thigh, (1 + scale) * shank])
    return np.concatenate([np.array(rows).ravel(), np.mean(lengths, axis=0)])


def spreads(n: int, errors: Errors) -> Floats:
    """Standard deviations of the errors of `seen` at n settings."""
    shared = [*np.repeat(errors.placement, 2), errors.scale, errors.bars_shared]
    shared += [errors.hinge_shared] * 2 + [THIGH_BAR_DEG[1]]
    own = [errors.bars_own, *[errors.found_mm] * 6, *[errors.hinge_own] * 2, THIGH_BAR_DEG[0]]
    return np.array([*shared, *own * n])


def reached_mm(world: World, bars: Floats, way: str, errors: Errors) -> float:
    """1.96 u of thigh fault and lower-leg fault together."""
    sd, none = spreads(len(bars), errors), np.zeros(11 + 10 * len(bars))
    truth = seen(world, bars, none)
    by_error = np.array([seen(world, bars, none + one) - truth for one in np.diag(sd)])
    slopes = []
    for name in KNOWN_BEFORE:
        step, was = STEPS.get(name, 2.0), getattr(world, name)
        low, high = (max(0.0, was - step) if name == "give" else was - step), was + step
        ends = [seen(replace(world, **{name: v}), bars, none) for v in (low, high)]
        slopes.append((ends[1] - ends[0]) / (high - low))
    for j in range(len(bars)):
        ends = [seen(world, bars + s * np.eye(len(bars))[j], none) for s in (-0.5, 0.5)]
        slopes.append(ends[1] - ends[0])
    used = np.ones(len(truth), dtype=bool)
    used[np.arange(len(bars)) * 5 + 4] = list(WAYS).index(way) > 1
    before = {**KNOWN_BEFORE, **WAYS[way]}
    cov = (by_error.T @ by_error)[np.ix_(used, used)] + 1e-9 * np.eye(int(used.sum()))
    towards = np.array(slopes)[:, used]
    prior = np.concatenate([np.array(list(before.values())) ** -2.0, np.zeros(len(bars))])
    whole = np.linalg.inv(towards @ np.linalg.solve(cov, towards.T) + np.diag(prior))
    both = np.isin([*KNOWN_BEFORE, *["bars"] * len(bars)], ["thigh_fault", "lower_fault"])
    return float(1.96 * np.sqrt(both @ whole @ both))


def main() -> None:
    """Print the table, and what better marks and twice the photos would change."""
    marks = {"as usual": Errors(), "within 2 to 3 mm": Errors(placement=(3.0, 2.0, 2.0))}
    for way in WAYS:
        print(way)
        for (said, errors), n in product(marks.items(), (2, 4, 8)):
            bars = np.linspace(20.0, 105.0, n)
            told = [f"{reached_mm(world, bars, way, errors):5.1f}" for world in WORLDS.values()]
            print(f"   marks {said:17s} {n} settings {' '.join(told)}")
    print("   worlds:", "; ".join(WORLDS))


if __name__ == "__main__":
    main()
