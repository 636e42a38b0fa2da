"""The display's curve against known displays: coverage and false accusations, by step.

Run: ``python tests/bench/bench_display.py [VISITS]``. Prints figures; asserts nothing. Displays
have offset 0 ± 3 degrees and gain 1 ± 0.03; settings stand a whole number of steps apart,
or anywhere; bars are known to 0.5 degrees each and 0.8 shared. Last: displays at the very
edge of the tolerance of 5 degrees, where most false accusations are.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench.visit_world import World

from knee_angle.machine.display import DisplayCurve, fit_display
from knee_angle.machine.evidence import SettingsOfMachine

RANGE = (10.0, 100.0)


def curve_of(world: World, bars: np.ndarray, rng: np.random.Generator) -> DisplayCurve:
    n = len(bars)
    cov = 0.5**2 * np.eye(n) + 0.8**2
    mean = bars + np.linalg.cholesky(cov) @ rng.standard_normal(n)
    shown = tuple(float(d) for d in world.shown(bars))
    found = fit_display(
        SettingsOfMachine(tuple(("bars", j) for j in range(n)), mean, cov, shown, world.step),
        rng=rng,
    )
    assert found is not None
    return found


def settings(kind: str, step: float, n: int, rng: np.random.Generator) -> np.ndarray:
    if kind == "anywhere":
        return np.sort(rng.uniform(*RANGE, n))
    return step * np.round(np.linspace(*RANGE, n) / step)


def main(visits: int) -> None:
    for step in (1.0, 2.0, 5.0):
        for kind in ("whole steps", "anywhere"):
            rng = np.random.default_rng(int(step))
            region, inside, accused, right = 0, 0, 0, 0
            for i in range(visits):
                world = World(offset=rng.normal(0, 3), gain=rng.normal(1, 0.03), step=step)
                curve = curve_of(world, settings(kind, step, (2, 3, 6)[i % 3], rng), rng)
                region += curve.holds(offset_deg=world.offset, gain=world.gain)
                for b in (10.0, 55.0, 100.0):
                    low, high = curve.error_at(b).interval
                    inside += bool(low <= world.display(b) - b <= high)
                wrong = max(abs(world.display(b) - b) for b in RANGE) > 5
                verdict = curve.judged(range_deg=RANGE, tolerance_deg=5.0).verdict
                right += not wrong
                accused += verdict == "outside" and not wrong
            print(
                f"step {step:g}, {kind}: region {region / visits:.3f}, error at 10/55/100 "
                f"{inside / visits / 3:.3f}, false accusations {accused} of {right}"
            )
    for step in (1.0, 2.0, 5.0):
        rng = np.random.default_rng(10 + int(step))
        accused = 0
        for i in range(visits):
            world = World(offset=5.0 if i % 2 else -5.0, step=step)
            curve = curve_of(world, settings("anywhere", step, 6, rng), rng)
            accused += curve.judged(range_deg=RANGE, tolerance_deg=5.0).verdict == "outside"
        print(f"step {step:g}, at the edge everywhere: accused {accused / visits:.3f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 150)
