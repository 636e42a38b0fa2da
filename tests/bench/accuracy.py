"""How far results are from the truth of rendered photos: the figures of the closing notes.

Run: ``python tests/bench/accuracy.py [FOLDER]``; the folder holds NAME.jpg with NAME.json
as in sample_images/ (the default). Prints figures; asserts nothing.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from knee_angle.landmarks.standard import opened_detectors
from knee_angle.pipeline import measure
from knee_angle.records import Measurement, Outcome

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
CONFIDENT_DEG = 15.0


@dataclass(frozen=True)
class Case:
    """One photo with its truth and its result."""

    name: str
    truth: dict[str, Any]
    outcome: Outcome

    @property
    def flexion_deg(self) -> float:
        return float(self.truth["true_knee_flexion_deg"])


def cases(folder: Path) -> list[Case]:
    """Every photo of the folder, measured."""
    found = []
    with opened_detectors() as detectors:
        for path in sorted(folder.glob("*.json")):
            truth = json.loads(path.read_text())
            shown = truth["machine"]["displayed_angle_int"]
            photo = path.with_suffix(".jpg")
            outcome = measure(photo, detectors=detectors, displayed_deg=shown)
            found.append(Case(path.stem, truth, outcome))
    return found


def spread(name: str, errors: Sequence[float]) -> None:
    """One line: median, 95th percentile, worst."""
    if not len(errors):
        print(f"{name}: none")
        return
    off = np.abs(errors)
    print(
        f"{name}: n {len(off)}, median {np.median(off):.2f}, "
        f"95th percentile {np.quantile(off, 0.95):.2f}, worst {off.max():.2f}"
    )


def knee(name: str, group: list[Case]) -> None:
    """Error against a truth, and how often the interval without placement holds it."""
    done = [(c, c.outcome) for c in group if isinstance(c.outcome, Measurement)]
    spread(
        f"{name}, measured {len(done)} of {len(group)}",
        [r.knee.deg - c.flexion_deg for c, r in done],
    )
    held = [
        r.knee.found_interval_deg[0] <= c.flexion_deg <= r.knee.found_interval_deg[1]
        for c, r in done
    ]
    if held:
        print(f"  interval without placement holds the true angle: {sum(held)} of {len(held)}")


def machine(group: list[Case]) -> None:
    """Frame angle and hinge against their truth."""
    frames, hinges = [], []
    for case in group:
        outcome, true = case.outcome, case.truth["machine"]
        if isinstance(outcome, Measurement) and outcome.machine and outcome.machine.frame:
            seen, hinge = outcome.machine.frame, true["hinge_offset_mm"]
            frames.append(seen.deg - true["frame_angle_deg"])
            hinges.append(
                np.hypot(seen.distal_mm + hinge["proximal"], seen.anterior_mm - hinge["anterior"])
            )
    spread("frame angle, deg", frames)
    spread("hinge to knee, mm", hinges)


def confident_wrong(group: list[Case]) -> None:
    """Answers off by more than 15 degrees that claim to be better than that."""
    wrong = [
        c.name
        for c in group
        if isinstance(c.outcome, Measurement)
        and abs(c.outcome.knee.deg - c.flexion_deg) > CONFIDENT_DEG
        and np.ptp(c.outcome.knee.interval_deg) / 2 < CONFIDENT_DEG
    ]
    print(f"confident wrong answers: {len(wrong)} of {len(group)} {' '.join(wrong)}")


def main() -> None:
    """Print all figures."""
    everything = cases(Path(sys.argv[1]) if len(sys.argv) > 1 else SAMPLES)
    rigid = [c for c in everything if "hinge_cover" in c.truth]
    everything = [c for c in everything if "hinge_cover" not in c.truth]
    tagged = [c for c in everything if c.truth["dots"] and c.truth["tags"]]
    dotted = [c for c in everything if c.truth["dots"] and not c.truth["tags"]]
    bare = [c for c in everything if not c.truth["dots"]]
    knee("dots and tags, against the truth", tagged)
    knee("dots alone, against the truth", dotted)
    spread(
        "dots alone, flat angle against the flat picture",
        [
            c.outcome.flat_deg - c.truth["projected_2d_knee_angle_deg"]
            for c in dotted
            if isinstance(c.outcome, Measurement)
        ],
    )
    knee("no dots, against the truth", bare)
    print("machine, dots and tags:")
    machine(tagged)
    confident_wrong(everything)
    for covered in (False, True):
        group = [c for c in rigid if c.truth["hinge_cover"] == covered]
        knee(f"rigid machine, hinge {'covered' if covered else 'bare'}", group)


if __name__ == "__main__":
    main()
