"""Stage two of a visit against a world of its own: what is found, said, obeyed.

Run: ``python tests/bench/bench_machine_visit.py [VISITS] [SEED]``. Prints figures; asserts
nothing. Worlds: faults by themselves and together, both suspensions, both kinds of pelvis,
displays with offset, gain and steps of 1, 2 and 5 degrees; settings 1, 2, 3, 4 and 6.

"Past": the knee beyond the display's own angle at bars over the whole range, where advice
that was obeyed bent it further there than before. Checks without millimetres are obeyed by
tape (each section 5 ± 4 mm longer than the leg, the place ± 4 mm), all before the machine
runs again, as they ask.
"""

from __future__ import annotations

import sys
from collections import Counter, defaultdict
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench.visit_world import Errors, Floats, World, estimate_of

from knee_angle.machine.adjust import JUDGED_AT_DEG, Advice
from knee_angle.machine.judge import PROOF, SEEMS, MachineJudged, judge_machine

RANGE = (15.0, 110.0)
GRID = np.linspace(*RANGE, 20)
SETTINGS = (1, 2, 3, 4, 6)
TAPE_MM = 4.0
FAULTS: dict[str, dict[str, float]] = {
    "none": {},
    "thigh +": {"thigh_fault": 30},
    "thigh -": {"thigh_fault": -30},
    "lower +": {"lower_fault": 30},
    "lower -": {"lower_fault": -45},
    "both +": {"thigh_fault": 25, "lower_fault": 25},
    "both -": {"thigh_fault": -25, "lower_fault": -25},
    "thigh + lower -": {"thigh_fault": 45, "lower_fault": -45},
    "thigh - lower +": {"thigh_fault": -45, "lower_fault": 45},
    "place up": {"place": 25},
    "place down": {"place": -25},
    "place down thigh +": {"place": -20, "thigh_fault": 30},
    "slack": {"slack": 6},
    "height": {"height": -45},
}
HOLDS: dict[str, dict[str, object]] = {
    "seated": {},
    "seated, give 50 %": {"give": 0.5},
    "seated, give 100 %": {"give": 1.0},
    "seated on springs": {"pelvis": "springs", "give": 0.4},
    "seated, blend 50 %": {"pelvis": "blend", "give": 0.5},
    "sliding": {"seated": False},
}


@dataclass
class Tally:
    """Everything counted, by name."""

    held: dict[str, list[bool]] = field(default_factory=lambda: defaultdict(list))
    said: Counter[str] = field(default_factory=Counter)
    away: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    past: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))


def random_world(rng: np.random.Generator, fault: str, hold: str) -> World:
    sizes = {"thigh": rng.normal(420, 25), "shank": rng.normal(405, 22)}
    sizes["lower"] = sizes["shank"] + rng.normal(60, 8)
    faults = {k: v + rng.normal(0, 4) for k, v in FAULTS[fault].items()}
    if "height" in faults and HOLDS[hold].get("seated", True):
        faults = {"lower_fault": faults["height"]}
    right = rng.random() < 0.5
    display = {} if right else {"offset": rng.normal(0, 3.0), "gain": rng.normal(1, 0.03)}
    step = float(rng.choice([1, 1, 2, 5]))
    return World(**sizes, **faults, **HOLDS[hold], **display, step=step)


def judged(world: World, settings: int, rng: np.random.Generator) -> MachineJudged:
    bars = np.linspace(20, 105, settings) if settings > 1 else np.array([85.0])
    bars = np.clip(bars + rng.uniform(-5, 5, settings), *RANGE)
    return judge_machine(estimate_of(world, bars, Errors(), rng), range_deg=RANGE)


def obeyed(world: World, advice: Advice, first: bool, rng: np.random.Generator) -> list[World]:
    """The world after every beginning of the advice (or the first step only), last is all."""
    if advice.checks:
        return [by_tape(world, rng)]
    worlds, now = [], world
    for step in advice.steps[: 1 if first else None]:
        now = now.changed({step.part: step.mm})
        worlds.append(now)
    return worlds


def by_tape(world: World, rng: np.random.Generator) -> World:
    off = np.array([0.0, 5.0, 5.0]) + TAPE_MM * rng.standard_normal(3)
    return replace(world, place=off[0], lower_fault=off[1], thigh_fault=off[2])


def brought_past(before: World, after: World) -> float:
    """By how much at most the knee came past the display where it bends more than before."""
    was = before.knee(GRID) - before.display(GRID)
    now = after.knee(GRID) - after.display(GRID)
    worse = now > was + 0.01
    return float(np.max(now[worse])) if np.any(worse) else -np.inf


def hinge_away(world: World) -> float:
    return float(np.hypot(*world.hinge(JUDGED_AT_DEG).mean(axis=0)))


def count(tally: Tally, world: World, found: MachineJudged) -> None:
    """Intervals and findings of one judged visit."""
    assert found.holding is not None
    assert found.display is not None
    assert found.display_verdict is not None
    bars = np.array([20.0, 60.0, 100.0])
    for b, knee in zip(bars, world.knee(bars), strict=True):
        low, high = found.holding.knee_minus_bars(float(b)).interval
        tally.held[f"knee - bars at {b:.0f}"].append(low <= knee - b <= high)
        low, high = found.display.error_at(float(b)).interval
        tally.held[f"display - bars at {b:.0f}"].append(low <= world.display(b) - b <= high)
    tally.held["region of offset and gain"].append(
        found.display.holds(offset_deg=world.offset, gain=world.gain)
    )
    true = {"slack_deg": world.slack, "thigh_fault_mm": world.thigh_fault}
    if world.seated:
        true["lower_fault_mm"] = world.lower_fault
    for name, value in true.items():
        low, high = found.holding.figure(name).interval
        tally.held[name].append(low <= value <= high)
    wrong = float(np.max(np.abs(world.display(GRID) - GRID)))
    tally.said[f"display {'wrong' if wrong > 5 else 'right'}: {found.display_verdict.verdict}"] += 1
    fit = found.fit
    assert fit is not None
    used = np.array(found.holding.bars_deg)
    off = float(np.max(np.abs(world.knee(used) - used)))
    tally.said[f"fit {'off' if off > 10 else 'right'}: {fit.verdict}"] += 1
    place = world.hinge(JUDGED_AT_DEG)
    for name, one, k in (("along", found.along, 0), ("across", found.across, 1)):
        assert one is not None
        size = np.abs(place[:, k])
        far = "off" if size.min() > 25 else "near" if size.max() < 25 else "either"
        tally.said[f"hinge {name} {far}: {one.verdict}"] += 1
    assert found.p_slack is not None
    slack = (
        "proven" if found.p_slack >= PROOF else "seems" if found.p_slack >= SEEMS else "not said"
    )
    tally.said[f"slack {'of 6' if world.slack > 0 else 'none'}: {slack}"] += 1


def main(visits: int, seed: int) -> None:
    tally = Tally()
    for i in range(visits):
        rng = np.random.default_rng([seed, i])
        fault = list(FAULTS)[i % len(FAULTS)]
        hold = list(HOLDS)[(i // len(FAULTS) + seed) % len(HOLDS)]
        world = random_world(rng, fault, hold)
        settings = SETTINGS[int(rng.integers(len(SETTINGS)))]
        found = judged(world, settings, rng)
        count(tally, world, found)
        tally.away[f"{fault} before"].append(hinge_away(world))
        first = bool(rng.random() < 0.3)
        for turn in (1, 2):
            assert found.advice is not None
            kind = "checks" if found.advice.checks else "mm" if found.advice.steps else "nothing"
            tally.said[f"advice {turn}: {kind}"] += 1
            for after in obeyed(world, found.advice, first and turn == 1, rng):
                low = np.min(world.display(GRID) - GRID) < -2
                name = f"{hold}, {kind}{', display reads low' if low else ''}"
                tally.past[name].append(brought_past(world, after))
                world_next = after
                tally.said[f"steps {kind}"] += 1
            if kind != "nothing":
                world = world_next
            if turn == 1:
                found = judged(world, settings, rng)
        low = np.min(world.display(GRID) - GRID) < -2
        tally.away[f"all, display {'reads low' if low else 'does not read low'}, after"].append(
            hinge_away(world)
        )
        tally.away[f"{fault} after"].append(hinge_away(world))
        tally.away[f"{hold} after"].append(hinge_away(world))
    show(tally)


def show(tally: Tally) -> None:
    print("95 % intervals hold:")
    for name, held in sorted(tally.held.items()):
        print(f"  {name}: {100 * np.mean(held):.1f} % of {len(held)}")
    for name, number in sorted(tally.said.items()):
        print(f"  {name}: {number}")
    print("hinge from the knee at 60 to 110 degrees, mm: median, 90 %, share within 15")
    for name, away in tally.away.items():
        a = np.array(away)
        print(
            f"  {name}: {np.median(a):.0f}, {np.quantile(a, 0.9):.0f}, {np.mean(a <= 15):.2f} "
            f"(n {len(a)})"
        )
    print("knee brought past the display: worst, share beyond 2 degrees")
    for name, past in tally.past.items():
        p: Floats = np.array(past)
        print(f"  {name}: {p.max():.1f}, {np.mean(p > 2):.3f} (n {len(p)})")


if __name__ == "__main__":
    main(*(int(a) for a in (sys.argv[1:] + ["140", "1"][len(sys.argv) - 1 :])))
