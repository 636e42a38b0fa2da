"""Stage two of a visit against a world of its own: what is found, said, obeyed.

Run: ``python tests/bench/bench_machine_visit.py FILE [FIRST] [LAST] [SEED]`` judges visits
FIRST to LAST, one JSON line each, added to FILE (kept outside the project); with files alone
it prints all that they hold, by cell, with 95 % binomial intervals (Clopper and Pearson).
Worlds: faults by themselves, together and drawn, both suspensions, both kinds of pelvis,
displays with offset, gain and steps of 1, 2 and 5 degrees; settings 1, 2, 3, 4 and 6.

"Past": the knee beyond the display's own angle at bars over the whole range, where advice
that was obeyed bent it further there than before. Checks without millimetres are obeyed by
tape (each section as much longer than the leg as they say, ± 4 mm, the place ± 4 mm), all
before the machine runs again, as they ask; where the display is to be put right first it is,
with the checks where both are told, and where more settings are asked for, six are photographed.
Display or photos alone count as none of the two times that advice is obeyed.
"""

from __future__ import annotations

import json
import sys
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy import stats

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench.visit_world import Errors, World, estimate_of

from knee_angle.angle.verdict import PROVEN
from knee_angle.machine.adjust import JUDGED_AT_DEG, Advice
from knee_angle.machine.judge import SEEMS, MachineJudged, judge_machine

RANGE = (15.0, 110.0)
GRID = np.linspace(*RANGE, 20)
SETTINGS = (1, 2, 3, 4, 6)
TAPE_MM = 4.0
MOST_ROUNDS = 4
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
    "drawn": {},
}
HOLDS: dict[str, dict[str, object]] = {
    "seated": {},
    "seated, give 50 %": {"give": 0.5},
    "seated, give 100 %": {"give": 1.0},
    "seated on springs": {"pelvis": "springs", "give": 0.4},
    "seated, blend 50 %": {"pelvis": "blend", "give": 0.5},
    "sliding": {"seated": False},
}


def random_world(rng: np.random.Generator, fault: str, hold: str) -> World:
    sizes = {"thigh": rng.normal(420, 25), "shank": rng.normal(405, 22)}
    sizes["lower"] = sizes["shank"] + rng.normal(60, 8)
    # Slack in degrees, all of it slack; the rest in mm.
    spread = {"slack": 1.0}
    faults = {k: v + spread.get(k, 4.0) * rng.standard_normal() for k, v in FAULTS[fault].items()}
    if fault == "drawn":
        drawn = {"thigh_fault": 25, "lower_fault": 25, "place": 12}
        faults = {k: rng.normal(0, sd) for k, sd in drawn.items()}
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
    if advice.first == "display":
        world = replace(world, offset=0.0, gain=1.0)
    if advice.first is not None and not advice.checks:
        return [world]
    if advice.checks:
        return [by_tape(world, advice.longer_mm, rng)]
    worlds, now = [], world
    for step in advice.steps[: 1 if first else None]:
        now = now.changed({step.part: step.mm})
        worlds.append(now)
    return worlds


def by_tape(world: World, longer_mm: float, rng: np.random.Generator) -> World:
    off = np.array([0.0, longer_mm, longer_mm]) + TAPE_MM * rng.standard_normal(3)
    return replace(world, place=off[0], lower_fault=off[1], thigh_fault=off[2])


def brought_past(before: World, after: World) -> float:
    """By how much at most the knee came past the display where it bends more than before."""
    was = before.knee(GRID) - before.display(GRID)
    now = after.knee(GRID) - after.display(GRID)
    worse = now > was + 0.01
    return float(np.max(now[worse])) if np.any(worse) else -99.0


def hinge_away(world: World) -> float:
    return float(np.hypot(*world.hinge(JUDGED_AT_DEG).mean(axis=0)))


def reads_low(world: World) -> bool:
    return bool(np.min(world.display(GRID) - GRID) < -2)


def intervals(world: World, found: MachineJudged) -> dict[str, tuple[bool, float]]:
    """For every figure: whether its interval holds the truth, and its half-width."""
    assert found.holding is not None
    assert found.display is not None
    figures = {
        "slack, deg": (found.holding.figure("slack_deg"), world.slack),
        "leg, hip to knee, mm": (found.holding.thigh_mm, world.thigh),
        "thigh section, mm": (found.holding.figure("thigh_fault_mm"), world.thigh_fault),
    }
    if world.seated:
        both = world.thigh_fault + world.lower_fault
        figures["leg, knee to heel, mm"] = (found.holding.lower_mm, world.lower)
        figures["lower-leg section, mm"] = (
            found.holding.figure("lower_fault_mm"),
            world.lower_fault,
        )
        figures["both sections, mm"] = (found.holding.sections_mm, both)
        figures["sections and place, mm"] = (found.holding.sum_mm, both + world.place)
    for b in (20.0, 60.0, 100.0):
        knee = float(world.knee(np.array([b]))[0])
        shown = float(world.display(np.array([b]))[0])
        figures[f"knee - bars at {b:.0f}, deg"] = (found.holding.knee_minus_bars(b), knee - b)
        figures[f"display - bars at {b:.0f}, deg"] = (found.display.error_at(b), shown - b)
    held = {}
    for name, (figure, true) in figures.items():
        low, high = figure.interval
        held[name] = (bool(low <= true <= high), (high - low) / 2)
    region = found.display.holds(offset_deg=world.offset, gain=world.gain)
    held["region of offset and gain"] = (bool(region), 0.0)
    return held


def findings(world: World, found: MachineJudged) -> list[str]:
    """Truth and verdict of one judged visit, in words that can be counted."""
    assert found.holding is not None
    assert found.display_verdict is not None
    assert found.fit is not None
    assert found.p_slack is not None
    wrong = float(np.max(np.abs(world.display(GRID) - GRID)))
    said = [f"display {'wrong' if wrong > 5 else 'right'}: {found.display_verdict.verdict}"]
    used = np.array(found.holding.bars_deg)
    off = float(np.max(np.abs(world.knee(used) - used)))
    said.append(f"fit {'off' if off > 10 else 'right'}: {found.fit.verdict}")
    place = world.hinge(JUDGED_AT_DEG)
    for name, one, k in (("along", found.along, 0), ("across", found.across, 1)):
        assert one is not None
        size = np.abs(place[:, k])
        far = "off" if size.min() > 25 else "near" if size.max() < 25 else "either"
        said.append(f"hinge {name} {far}: {one.verdict}")
    seems = "seems" if found.p_slack >= SEEMS else "not said"
    slack = "proven" if found.p_slack >= PROVEN else seems
    return [*said, f"slack {'of 6' if world.slack > 0 else 'none'}: {slack}"]


def kind_of(advice: Advice) -> str:
    if advice.first is not None:
        return f"{advice.first} first" + (", then checks" if advice.checks else "")
    return "checks" if advice.checks else "mm" if advice.steps else "nothing"


def judge_one(i: int, seed: int) -> dict[str, object]:
    """One visit, judged and obeyed twice, as a line of the file."""
    rng = np.random.default_rng([seed, i])
    fault = list(FAULTS)[i % len(FAULTS)]
    hold = list(HOLDS)[(i // len(FAULTS) + seed) % len(HOLDS)]
    world = random_world(rng, fault, hold)
    settings = SETTINGS[int(rng.integers(len(SETTINGS)))]
    found = judged(world, settings, rng)
    cell = {"fault": fault, "hold": hold, "settings": settings, "step": world.step}
    cell["display"] = "reads low" if reads_low(world) else "does not read low"
    row = {"i": i, "seed": seed, "cell": cell, "held": intervals(world, found)}
    row["said"] = findings(world, found)
    first = bool(rng.random() < 0.3)
    away, past, turn = hinge_away(world), [], 0
    for _ in range(MOST_ROUNDS):
        assert found.advice is not None
        advice, kind = found.advice, kind_of(found.advice)
        row["said"].append(f"advice {turn + 1}: {kind}")
        turn += advice.first is None or bool(advice.checks)
        after = obeyed(world, advice, first and turn == 1, rng)
        past += [(turn, kind, brought_past(world, one)) for one in after]
        world = after[-1] if after else world
        if turn == 2:
            break
        settings = max(SETTINGS) if advice.first == "photos" else settings
        found = judged(world, settings, rng)
    return {**row, "away": [away, hinge_away(world)], "past": past}


def share(hits: Iterable[bool]) -> str:
    """Hits of all, in per cent, with the binomial interval."""
    hit = np.array(list(hits), dtype=bool)
    ci = stats.binomtest(int(hit.sum()), len(hit)).proportion_ci(method="exact")
    return f"{hit.mean():6.1%} ({ci.low:.1%} to {ci.high:.1%}) of {len(hit)}"


def by_cell(rows: list[dict]) -> dict[str, list[dict]]:
    cells = defaultdict(list)
    for row in rows:
        cells["all"].append(row)
        for name, value in row["cell"].items():
            cells[f"{name}: {value}"].append(row)
    return cells


def show(rows: list[dict]) -> None:
    """Everything by cell."""
    for cell, mine in by_cell(rows).items():
        print(f"{cell} ({len(mine)} visits)")
        for name in sorted({name for row in mine for name in row["held"]}):
            held = [row["held"][name] for row in mine if name in row["held"]]
            half = np.median([width for _, width in held])
            print(f"   holds {name:28s} {share(h for h, _ in held)}  median ± {half:.1f}")
        away = np.array([row["away"] for row in mine])
        print(f"   hinge within 15 mm obeyed twice  {share(away[:, 1] <= 15)}")
        past = [one for row in mine for one in row["past"]]
        for kind in sorted({kind for _, kind, _ in past}):
            p = np.array([by for _, of, by in past if of == kind])
            print(f"   past by > 2 deg, {kind:16s} {share(p > 2)}  worst {p.max():.1f}")
    said = sorted(one for row in rows for one in row["said"])
    for one in dict.fromkeys(said):
        print(f"   {one}: {said.count(one)}")


def main(where: str, first: int, last: int, seed: int = 1) -> None:
    """Judge visits and add them to the file."""
    with Path(where).open("a") as kept:
        for i in range(first, last):
            kept.write(json.dumps(judge_one(i, seed)) + "\n")
            kept.flush()


if __name__ == "__main__":
    if len(sys.argv) > 3 and sys.argv[2].isdigit():
        main(sys.argv[1], *(int(a) for a in sys.argv[2:]))
    else:
        lines = [line for name in sys.argv[1:] for line in Path(name).read_text().splitlines()]
        show([json.loads(line) for line in lines])
