"""A second world for visits of a seated leg, written from the sheet of facts alone.

Run: ``python tests/bench/other_machine.py FILE FIRST LAST`` judges visits FIRST to LAST, one
JSON line each, added to FILE (kept outside the project); with files alone it prints what holds and
what is accused in all of them. Asserts nothing. Nothing here is parametrised as the package or
``visit_world`` is:

* the chain is the sheet's two laws of cosines, with hip and heel on one line along the bed;
* leg and bars stand in the room as points (m), the bars 16 to 110 mm before the knee's mark;
* marks lie off the bone by so many mm and slide over it with the bend;
* the phone is a place in the room that looks at another, its lens a field of view.

The package meets it where a detector would hand over points, and where a strip of tags would
hand over the machine's plane.
"""

from __future__ import annotations

import json
import sys
from collections import defaultdict
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench.bench_machine_visit import share

from knee_angle.machine.adjust import Advice
from knee_angle.machine.from_visit import evidence_of
from knee_angle.machine.judge import MachineJudged, judge_machine
from knee_angle.photo import camera
from knee_angle.photo.camera import Board
from knee_angle.records import Landmark, LegInView, Lens
from knee_angle.visit import VisitEstimate, VisitPhoto, estimate_visit

Floats = NDArray[np.float64]
GRID = np.arange(15.0, 111.0, 5.0)
WIDE, HIGH = 4000, 3000


@dataclass(frozen=True)
class Bedside:
    """One leg in one machine, lengths in mm: a, b, A, B and s are the sheet's letters."""

    a: float
    b: float
    A: float
    B: float
    s: float
    give: float
    heel: float
    offset: float
    gain: float
    step: float

    def room(self, bars: Floats) -> Floats:
        """From the hip to the heel, mm."""
        bend = np.cos(np.radians(bars))
        seated = np.sqrt(self.A**2 + self.B**2 + 2 * self.A * self.B * bend) + self.s
        free = np.sqrt(self.a**2 + self.b**2 + 2 * self.a * self.b * bend)
        return np.minimum((1 - self.give) * seated + self.give * free, self.a + self.b)

    def knee(self, bars: Floats) -> Floats:
        """True flexion, degrees."""
        cos = (self.room(bars) ** 2 - self.a**2 - self.b**2) / (2 * self.a * self.b)
        return np.degrees(np.arccos(np.clip(cos, -1.0, 1.0)))

    def display(self, bars: Floats) -> Floats:
        return self.offset + self.gain * bars

    def flat(self, bars: float) -> dict[str, Floats]:
        """Points in the sagittal plane (along the bed, up), the heel at the origin, mm."""
        points = {"heel": np.zeros(2)}
        reach = float(self.room(np.array(bars)))
        points["hip"] = np.array([-reach, 0.0])
        points["knee"] = _apex(reach, self.a, self.b)
        end = np.sqrt(self.A**2 + self.B**2 + 2 * self.A * self.B * np.cos(np.radians(bars)))
        points["hinge"] = _apex(end, self.A, self.B)
        far = np.array([-end, 0.0])
        points["thigh_bar"] = points["hinge"] + 210.0 * _unit(far - points["hinge"])
        points["shank_bar"] = points["hinge"] + 230.0 * _unit(-points["hinge"])
        points["ankle"] = points["knee"] * self.heel / self.b
        return points

    def off(self, bars: float) -> Floats:
        """The hinge from the knee: distal along the thigh, anterior; mm."""
        at = self.flat(bars)
        along = _unit(at["knee"] - at["hip"])
        away = at["hinge"] - at["knee"]
        return np.array([away @ along, away @ np.array([-along[1], along[0]])])


def _unit(v: Floats) -> Floats:
    return np.asarray(v / np.linalg.norm(v))


def _apex(base: float, first: float, second: float) -> Floats:
    """Third corner above a base that ends at the origin; `first` starts at its far end."""
    x = (second**2 - first**2 + base**2) / (2 * base)
    return np.array([-x, np.sqrt(max(second**2 - x**2, 0.0))])


def random_bedside(rng: np.random.Generator) -> tuple[Bedside, tuple[float, float, float]]:
    """A bedside, and by how much thigh section, lower-leg section and place are off."""
    stature = rng.normal(1700, 90)
    a, shank = 0.245 * stature, 0.246 * stature
    heel = rng.uniform(45, 75)
    b = shank + heel
    much = rng.choice([-1, 1]) * rng.uniform(15, 45)
    kinds = [(0, 0, 0), (much, 0, 0), (0, much, 0), (much, -much, 0), (0, 0, much / 2)]
    off = kinds[int(rng.choice(5, p=[0.3, 0.2, 0.25, 0.15, 0.1]))]
    right = rng.random() < 0.6
    told = (0.0, 1.0) if right else (rng.normal(0, 3), rng.normal(1, 0.03))
    give = float(rng.choice([0.0, rng.uniform(0, 0.6)]))
    step = float(rng.choice([1, 2, 5]))
    return Bedside(a, b, a + off[0], b + off[1], off[2], give, heel, *told, step), off


def photos_of(here: Bedside, bars: Floats, rng: np.random.Generator) -> list[VisitPhoto]:
    """Each setting photographed once, by one phone."""
    ahead = rng.uniform(16, 110)
    depth = {"hip": rng.normal(20, 12), "knee": 0.0, "ankle": rng.normal(-36, 15),
             "thigh_bar": ahead, "shank_bar": ahead,
             "hinge": ahead + rng.uniform(0, 18)}  # fmt: skip
    turned = np.radians(rng.normal(0, 1.0))
    stuck = {name: rng.normal(0, u, 2) for name, u in (("hip", 9), ("knee", 4.5), ("ankle", 4.5))}
    slid = {name: rng.normal(0, u, 2) for name, u in (("hip", 6), ("knee", 4.5), ("ankle", 3))}
    view_deg, wrong_plane = rng.uniform(62, 75), np.radians(rng.normal(0, 0.5, 2))
    strip = rng.normal(80, 30)
    taken = []
    for k, b in enumerate(bars):
        flat = here.flat(float(b))
        bend = float(here.knee(np.array(b)))
        thigh, shank = _unit(flat["knee"] - flat["hip"]), _unit(flat["ankle"] - flat["knee"])
        for name, along in (("hip", thigh), ("knee", thigh), ("ankle", shank)):
            moved = stuck[name] + slid[name] * (bend - 45) / 90
            flat[name] = flat[name] + moved[0] * along + moved[1] * np.array([-along[1], along[0]])
        spots = {
            name: np.array([at[0], depth[name], at[1]])
            for name, at in flat.items()
            if name != "heel"
        }
        for name in ("hip", "ankle"):  # the leg's plane turns about the upright through the knee
            spots[name][1] -= np.tan(turned) * (spots[name][0] - spots["knee"][0])
        taken.append(_photo(k, spots, here, float(b), (view_deg, strip), wrong_plane, rng))
    return taken


def _photo(
    k: int, spots: dict[str, Floats], here: Bedside, bars: float,
    seen: tuple[float, float], wrong_plane: Floats, rng: np.random.Generator,
) -> VisitPhoto:  # fmt: skip
    """The phone stands at +y and looks at the leg's middle; pixels, strip and records."""
    view_deg, strip = seen
    target = np.mean(list(spots.values()), axis=0) + rng.normal(0, 30, 3)
    eye = target + np.array([rng.uniform(-350, 350), rng.uniform(1050, 1600), rng.uniform(50, 450)])
    ahead = _unit(target - eye)
    right = _unit(np.cross(ahead, [0.0, 0.0, 1.0]))
    lean = np.radians(rng.normal(0, 3))
    right, down = (
        np.cos(lean) * right + np.sin(lean) * np.cross(ahead, right),
        np.cos(lean) * np.cross(ahead, right) - np.sin(lean) * right,
    )
    axes = np.array([right, down, ahead])
    focal = WIDE / 2 / np.tan(np.radians(view_deg) / 2)
    points = {}
    for name, spot in spots.items():
        x, y, z = axes @ (spot - eye)
        px = np.array([WIDE / 2 + focal * x / z, HIGH / 2 + focal * y / z]) + rng.normal(0, 0.8, 2)
        points[name] = Landmark.round(*px, u_px=1.0, source="dot")
    normal = axes @ np.array([0.0, 1.0, 0.0])
    tilt = wrong_plane + np.radians(rng.normal(0, 0.4, 2))
    normal = _unit(normal + tilt[0] * np.array([1.0, 0, 0]) + tilt[1] * np.array([0, 1.0, 0]))
    board = Board(normal, 0.4**2 * np.eye(2), float(eye[1]) - strip, 3.0, 0.3)
    axis = (points["ankle"].x_px - points["hip"].x_px, points["ankle"].y_px - points["hip"].y_px)
    leg = LegInView(
        points=points,
        # From +y, with the foot at +x, the foot lies to the picture's left: a left leg.
        side="left",
        lens=Lens(WIDE, HIGH, focal, 0.02, "exif"),
        view=camera.view_from_board(board, long_axis_px=axis),
        placement_mm=(10.0, 5.0, 5.0),
    )
    shown = float(here.step * np.round(here.display(np.array(bars)) / here.step))
    return VisitPhoto(f"p{k}", f"s{k}", leg, shown)


def obeyed(here: Bedside, advice: Advice, rng: np.random.Generator) -> list[Bedside]:
    """After every beginning of the advice."""
    if advice.first == "display":
        here = replace(here, offset=0.0, gain=1.0)
    if advice.first is not None and not advice.checks:
        return [here]
    if advice.checks:
        off = rng.normal(0, 4, 3) + np.array([advice.longer_mm, advice.longer_mm, 0.0])
        return [replace(here, A=here.a + off[0], B=here.b + off[1], s=off[2])]
    after, now = [], here
    for step in advice.steps:
        name = {"thigh": "A", "lower": "B", "place": "s"}[step.part]
        now = replace(now, **{name: getattr(now, name) + step.mm})
        after.append(now)
    return after


def count(
    said: dict[str, list[float]], number: int, here: Bedside,
    off: tuple[float, float, float], bars: Floats,
    found: VisitEstimate, machine: MachineJudged,
) -> None:  # fmt: skip
    """What holds and what is accused wrongly, of one visit."""

    def holds(name: str, interval: tuple[float, float], true: float) -> None:
        said[f"holds {name}"].append(bool(interval[0] <= true <= interval[1]))

    k = number % len(bars)  # one setting a visit: settings share errors
    one, b = found.setting(f"s{k}"), float(bars[k])
    hinge = here.off(b)
    holds("knee", one.knee.interval, float(here.knee(bars[k : k + 1])[0]))
    for name, value, true in (
        ("bars", one.frame, b), ("hinge along", one.distal, hinge[0]),
        ("hinge across", one.anterior, hinge[1]),
    ):  # fmt: skip
        assert value is not None
        holds(name, value.interval, true)
    ends = here.knee(bars[[0, -1]])
    holds("arc", found.arc(start="s0", end=f"s{len(bars) - 1}").interval, float(ends[1] - ends[0]))
    assert machine.holding is not None
    assert machine.display is not None
    for name, figure, true in (
        ("thigh section", machine.holding.figure("thigh_fault_mm"), off[0]),
        ("lower-leg section", machine.holding.figure("lower_fault_mm"), off[1]),
        ("both sections", machine.holding.sections_mm, off[0] + off[1]),
        ("sections and place", machine.holding.sum_mm, sum(off)),
    ):
        holds(name, figure.interval, true)
        said[f"± {name}"].append((figure.interval[1] - figure.interval[0]) / 2)
    holds("display at 60", machine.display.error_at(60).interval, here.display(60.0) - 60)
    holds(
        f"offset and gain, steps of {here.step:g}",
        (0.0, 0.0) if machine.display.holds(offset_deg=here.offset, gain=here.gain) else (1.0, 1.0),
        0.0,
    )
    if np.max(np.abs(here.display(GRID) - GRID)) <= 5:
        assert machine.display_verdict is not None
        said["accused: a right display"].append(machine.display_verdict.verdict == "outside")
    if np.max(np.abs(here.knee(bars) - bars)) <= 10:
        assert machine.fit is not None
        said["accused: a right fit"].append(machine.fit.verdict == "outside")
    if machine.advice is not None:
        parts = {step.part for step in machine.advice.steps}
        for part, much in zip(("thigh", "lower", "place"), off, strict=True):
            if much == 0:
                said[f"accused: a right {part}"].append(part in parts)


def seen(
    number: int,
) -> tuple[Bedside, tuple[float, float, float], Floats, VisitEstimate | None, np.random.Generator]:
    """One drawn bedside, what is off in it, the bars' settings, and the visit's joint estimate."""
    rng = np.random.default_rng([12, number])
    here, off = random_bedside(rng)
    settings = int(rng.choice([2, 3, 4, 6]))
    bars = np.linspace(17, 104, settings) + rng.uniform(-3, 3, settings)
    found = estimate_visit(photos_of(here, bars, rng), rng=rng, trials=1200)
    return here, off, bars, found if isinstance(found, VisitEstimate) else None, rng


def judged(said: dict[str, list[float]], number: int) -> None:
    """Draw one visit, judge it, obey it once, and count."""
    here, off, bars, found, rng = seen(number)
    said["refused"].append(found is None)
    if found is None:
        return
    evidence = evidence_of(found, step_deg=here.step)
    machine = judge_machine(evidence, range_deg=(15.0, 110.0), rng=rng)
    said["cautioned"].append(bool(found.cautions))
    count(said, number, here, off, bars, found, machine)
    said["visits"].append(True)
    if machine.advice is None:
        return
    before = here.knee(GRID) - here.display(GRID)
    for after in obeyed(here, machine.advice, rng):
        past = after.knee(GRID) - after.display(GRID)
        worse = bool(np.any((past > 2) & (past > before + 0.01)))
        said["obeyed: knee past the display by > 2 deg"].append(worse)


def show(files: list[str]) -> None:
    """Everything that the files hold."""
    said: dict[str, list[float]] = defaultdict(list)
    for line in (line for name in files for line in Path(name).read_text().splitlines()):
        for name, values in json.loads(line).items():
            said[name] += values
    for name in sorted(said):
        if name.startswith("±"):
            print(f"  median {name}: {np.median(said[name]):.1f} mm")
        else:
            print(f"  {name:42s} {share(bool(one) for one in said[name])}")


def main(where: str, first: int, last: int) -> None:
    """Judge visits FIRST to LAST and add them to the file."""
    with Path(where).open("a") as kept:
        for number in range(first, last):
            said: dict[str, list[float]] = defaultdict(list)
            judged(said, number)
            kept.write(json.dumps(said) + "\n")
            kept.flush()


if __name__ == "__main__":
    if len(sys.argv) == 4 and sys.argv[2].isdigit():
        main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
    else:
        show(sys.argv[1:])
