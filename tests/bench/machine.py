"""The machine's figures: frame, hinge, findings, series, bar tags, simulated checks.

Run: ``python tests/bench/machine.py``. Prints figures; asserts nothing. The sample photos
have no tags on their bars: they are drawn in by the truth's camera (tests/drawn_bars.py).
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from conftest import Scene, scenes
from drawn_bars import Kit, with_bar_tags

from knee_angle.landmarks.dots import DotDetector
from knee_angle.machine import calibration as ca
from knee_angle.machine.check import MachineCheck, check_machine
from knee_angle.photo.reading import Photo
from knee_angle.pipeline import measure
from knee_angle.records import LEG_POINTS, Comparison, Landmarks, Measurement, NotMeasured
from knee_angle.settings import Settings

DOTS = DotDetector()
STUCK = Kit(from_hinge_mm=(160.0, 130.0), turned_deg=(0.8, -0.6), across_mm=(1.0, -1.0))
MACHINES = {"a": (5.0, 1.04), "b": (0.0, 1.0)}
"""True offset and gain of the two series."""


class LegDots:
    """The leg's dots only, as if the machine had none."""

    source = "dot"

    def find(self, photo: Photo, *, masked: tuple[object, ...] = ()) -> Landmarks | NotMeasured:
        found = DOTS.find(photo, masked=masked)
        if isinstance(found, NotMeasured):
            return found
        return replace(found, points={name: found.points[name] for name in LEG_POINTS})


def by_dots(scene: Scene) -> Measurement | NotMeasured:
    shown = scene.truth["machine"]["displayed_angle_int"]
    return measure(scene.photo, detectors=(DOTS,), displayed_deg=shown)


def by_tags(scene: Scene) -> Measurement | NotMeasured:
    shown = scene.truth["machine"]["displayed_angle_int"]
    photo = with_bar_tags(scene, STUCK)
    return measure(photo, detectors=(LegDots(),), name=scene.photo.name, displayed_deg=shown)


def spread(name: str, errors: Sequence[float]) -> None:
    print(
        f"  {name}: n {len(errors)}, median {np.median(errors):.2f}, "
        f"95th percentile {np.quantile(errors, 0.95):.2f}, worst {np.max(errors):.2f}"
    )


def photos(
    name: str, way: Callable[[Scene], Measurement | NotMeasured], group: list[Scene]
) -> None:
    """Frame and hinge errors, how often intervals hold, and what findings say."""
    print(name)
    frame_off, hinge_off, held, hinge_held = [], [], [], []
    said = {"right": 0, "not proven": 0, "contradicts the truth": 0}
    for scene in group:
        result, true = way(scene), scene.truth["machine"]
        if isinstance(result, NotMeasured) or result.machine is None:
            print(f"  {scene.photo.name}: no frame")
            continue
        frame, angle = result.machine.frame, true["frame_angle_deg"]
        frame_off.append(abs(frame.deg - angle))
        held.append(frame.interval_deg[0] <= angle <= frame.interval_deg[1])
        away = (
            frame.distal_mm + true["hinge_offset_mm"]["proximal"],
            frame.anterior_mm - true["hinge_offset_mm"]["anterior"],
        )
        hinge_off.append(np.hypot(*away))
        u = np.sqrt([frame.hinge_cov_mm2[0], frame.hinge_cov_mm2[2]])
        hinge_held += list(np.abs(away) <= 1.96 * u)
        for part, value in (
            (result.finding.calibration, true["displayed_angle_int"] - angle),
            (result.finding.fit, angle - scene.flexion_deg),
        ):
            said[answer(part, value)] += 1
    spread("frame angle, deg", frame_off)
    spread("hinge to knee, mm", hinge_off)
    print(f"  95 % intervals hold: frame {sum(held)} of {len(held)}, ", end="")
    print(f"hinge coordinates {sum(hinge_held)} of {len(hinge_held)}")
    print("  calibration and fit parts:", ", ".join(f"{k} {v}" for k, v in said.items()))


def answer(part: Comparison, true_deg: float) -> str:
    if part.verdict == "undecided":
        return "not proven"
    outside = abs(true_deg) > part.tolerance_deg
    return "right" if outside == (part.verdict == "outside") else "contradicts the truth"


def series(name: str, way: Callable[[Scene], Measurement | NotMeasured]) -> None:
    for letter, (offset, gain) in MACHINES.items():
        group = [s for s in scenes(tags=True) if s.photo.stem.startswith(f"series_{letter}_")]
        result = check_machine({s.photo.name: way(s) for s in group}, Settings())
        assert isinstance(result, MachineCheck)
        line = result.reading
        hinges = [
            np.hypot(
                f.distal_mm + s.truth["machine"]["hinge_offset_mm"]["proximal"],
                f.anterior_mm - s.truth["machine"]["hinge_offset_mm"]["anterior"],
            )
            for s, f in zip(group, result.frames, strict=True)
        ]
        print(
            f"series {letter} by {name}: {result.kind}; offset {line.offset:.2f} ± "
            f"{1.96 * line.u_offset:.2f} (true {offset}), gain {line.gain:.4f} ± "
            f"{1.96 * line.u_gain:.4f} (true {gain}), inside the 95 % region: "
            f"{result.judged.display.holds(offset_deg=offset, gain=gain)}; "
            f"hinge median {np.median(hinges):.1f} mm"
        )


def simulated() -> None:
    """False alarms, power and coverage of machine checks, as the tests draw them."""
    from test_calibration import (
        ANGLES,
        HIGH,
        LOW,
        TOLERANCE,
        U_DISPLAY,
        U_PHOTO,
        forward,
        holds,
        shares,
    )
    from test_calibration import simulated as machines

    count = 2100
    for shared in (0.0, 1.4, 2.0):
        line = ca.fit_line(ANGLES, ANGLES, u_x=U_PHOTO, u_y=U_DISPLAY, common_u_x=shared)
        u = max(forward(line, LOW).u, forward(line, HIGH).u)
        far = TOLERANCE + 3.3 * u
        at_edge, above, below = (
            shares(machines(offset, 1.0, shared=shared, seed=seed, count=count))["outside"]
            for offset, seed in ((TOLERANCE, 41), (far, 51), (-far, 51))
        )
        lines = machines(2.0, 1.04, shared=shared, seed=31, count=count)
        region = np.mean([holds(one, offset=2.0, gain=1.04) for one in lines])
        print(
            f"{count:,} simulated checks, shared ± {shared}: false alarms at the tolerance "
            f"{at_edge:.1%}, found 3.3 u beyond it {above:.1%}, below it {below:.1%}, "
            f"regions hold {region:.1%}"
        )


def main() -> None:
    """Print all figures."""
    photos("dots and strip", by_dots, scenes(dots=True, tags=True))
    turned = STUCK.turned_deg[0] - STUCK.turned_deg[1]
    print(f"the bar tags were stuck with {turned:.1f} degrees between them, which is unknown")
    photos("bar tags and strip", by_tags, scenes(dots=True, tags=True))
    photos("bar tags, no strip", by_tags, scenes(dots=True, tags=False))
    series("dots", by_dots)
    series("bar tags", by_tags)
    simulated()


if __name__ == "__main__":
    main()
