"""How often the intervals of a visit hold, over visits drawn from the stated spreads.

Run: ``python tests/bench/visit_coverage.py FILE FIRST LAST [KIND ...]`` judges visits FIRST to
LAST of 1, 2, 3 and 6 photos, one JSON line each, added to FILE (kept outside the project); with
files alone it prints all that they hold, with 95 % binomial intervals. Asserts nothing.

Of every visit each quantity counts once at each setting (arcs: the widest). A display exactly 10
degrees off is at the edge of its tolerance: 5 % of those may be accused. "Proven within" is how
often a right display gets its all-clear.
"""

from __future__ import annotations

import json
import sys
from collections import defaultdict
from itertools import product
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench.bench_machine_visit import share
from drawn_visits import Shot, random_body, visit

from knee_angle.angle.verdict import judged
from knee_angle.records import NotMeasured
from knee_angle.visit import SettingEstimate, VisitEstimate, estimate_visit

KINDS = {
    "strip and dots": {"plane": "tag", "source": "dot", "u_px": 1.0},
    "bar tags, dots on the leg": {"plane": "tag", "source": "dot", "u_px": 1.0, "bar_tags": True},
    "strip and network": {"plane": "tag", "source": "network", "u_px": 8.0},
    "network alone": {"plane": "estimated", "source": "network", "u_px": 8.0},
    "flat with dots": {"plane": "image", "source": "dot", "u_px": 1.0},
}


def random_shots(rng: np.random.Generator, photos: int, kind: dict[str, object]) -> list[Shot]:
    """Photos of a visit: settings over the range, some of them taken again."""
    settings = 1 if photos == 1 else max(2, photos // 2) if rng.random() < 0.5 else photos
    knees = np.sort(rng.uniform(0.0, 115.0, settings))
    fits = rng.normal(0.0, 4.0, settings)
    hinge = rng.normal(0.0, 15.0, (settings, 2))
    seen = kind["plane"]
    views = 15.0 * rng.standard_normal(photos + 1)
    yaws = np.sqrt(0.5) * (views[:1] + views[1:]) if seen == "image" else 1.3 * views[1:]
    pitches = 9.0 + 8.0 * np.sqrt(0.5) * (rng.standard_normal() + rng.standard_normal(photos))
    shots = []
    for k in range(photos):
        at = k % settings
        shots.append(
            Shot(
                name=f"p{k}", setting=f"s{at}", flexion_deg=float(knees[at]),
                yaw_deg=float(np.clip(yaws[k], -50, 50)), pitch_deg=float(pitches[k]),
                roll_deg=float(rng.normal(0, 5)), distance_mm=float(rng.uniform(1100, 2200)),
                frame_deg=float(knees[at] + fits[at]), hinge_mm=tuple(hinge[at]), **kind,
            )
        )  # fmt: skip
    return shots


def held(found: VisitEstimate, shots: list[Shot]) -> dict[str, list[tuple[bool, float]]]:
    """For every quantity: whether its interval holds the truth, and its error over u."""
    truth: dict[str, Shot] = {shot.setting: shot for shot in shots}
    said = defaultdict(list)
    for one in found.settings:
        shot = truth[one.name]
        for name, value, true in (
            ("knee", one.knee, shot.flexion_deg),
            ("frame", one.frame, shot.frame_deg),
            ("fit", one.fit, shot.frame_deg - shot.flexion_deg),
            ("distal", one.distal, shot.hinge_mm[0]),
            ("anterior", one.anterior, shot.hinge_mm[1]),
        ):
            said[name].append(_judged(value, true))
        for apart_deg in (-10.0, 10.0, 0.0):
            verdict = _verdict(one, shot.flexion_deg + apart_deg)
            which = "not accused, right" if apart_deg == 0.0 else "not accused, edge"
            said[which].append((verdict != "outside", 0.0, one.knee.u))
        said["proven within"].append((_verdict(one, shot.flexion_deg) == "within", 0.0, one.knee.u))
    if len(found.settings) > 1:
        first, last = found.settings[0].name, found.settings[-1].name
        arc = found.arc(start=first, end=last)
        said["arc"].append(_judged(arc, truth[last].flexion_deg - truth[first].flexion_deg))
    return said


def _verdict(one: SettingEstimate, displayed_deg: float) -> str:
    """Against a tolerance of 10 degrees everywhere, the display known exactly."""
    return judged(
        displayed_deg - one.knee.value, u=one.knee.u, tolerance=10.0, provable=one.camera_seen
    ).verdict


def _judged(value, true: float) -> tuple[bool, float, float]:
    low, high = value.interval
    return low <= true <= high, (value.value - true) / value.u, value.u


def one_visit(name: str, photos: int, k: int, *, seed: int = 1) -> dict[str, list]:
    """All judgements of one visit, by quantity: held, error over u, u."""
    rng = np.random.default_rng([seed, photos, k, sorted(KINDS).index(name)])
    shots = random_shots(rng, photos, KINDS[name])
    body = random_body(rng)
    found = estimate_visit(visit(body, shots, rng), rng=np.random.default_rng(k), trials=800)
    if isinstance(found, NotMeasured):
        return {"refused": [(True, 0.0, 0.0)]}
    said = held(found, shots)
    for length, true in (("thigh", body.thigh_mm), ("shank", body.shank_mm)):
        if length in found.names:
            at = found.names.index(length)
            off, u = found.values[at] - true, found.covariance[at][at] ** 0.5
            said[length].append((bool(abs(off) <= 1.96 * u), off / u, u))
    said["effective trials"].append((True, 0.0, found.draws.effective / len(found.draws.rows)))
    said["cautions"].append((not found.cautions, 0.0, found.p_value))
    return said


def coverage(name: str, photos: int, visits: int, *, seed: int = 1) -> dict[str, np.ndarray]:
    """The same of many visits of one kind."""
    said = defaultdict(list, refused=[])
    for k in range(visits):
        for quantity, rows in one_visit(name, photos, k, seed=seed).items():
            said[quantity] += rows
    return {q: np.array(rows) for q, rows in said.items()}


def judge(where: str, first: int, last: int, kinds: list[str]) -> None:
    """Judge visits of every kind and add them to the file."""
    with Path(where).open("a") as kept:
        for k, name, photos in product(range(first, last), kinds or KINDS, (1, 2, 3, 6)):
            line = {"kind": name, "photos": photos, "said": one_visit(name, photos, k)}
            kept.write(json.dumps(line, default=float) + "\n")
            kept.flush()


def show(files: list[str]) -> None:
    """Print all figures that the files hold."""
    cells = defaultdict(lambda: defaultdict(list))
    visits = defaultdict(int)
    for line in (line for file in files for line in Path(file).read_text().splitlines()):
        one = json.loads(line)
        cell = (one["kind"], one["photos"])
        visits[cell] += 1
        for quantity, rows in one["said"].items():
            cells[cell][quantity] += rows
    for cell in sorted(cells):
        said = cells[cell]
        refused = len(said.pop("refused", ()))
        print(f"{cell[0]}, {cell[1]} photos, {visits[cell]} visits, refused {refused}")
        for quantity, rows in said.items():
            hold, off, u = np.array(rows, dtype=float).T
            print(
                f"   {quantity:18s} holds {share(hold)}  rms error/u "
                f"{np.sqrt(np.mean(off**2)):.2f}  median u {np.median(u):.2f}"
            )


if __name__ == "__main__":
    if len(sys.argv) > 3 and sys.argv[2].isdigit():
        judge(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), sys.argv[4:])
    else:
        show(sys.argv[1:])
