"""What becomes of manipulated photos: every manipulation over all sample photos.

Run: ``python tests/bench/bench_gate.py [FOLDER] [--only WORDS] [--list]``; the folder as for
`accuracy`. A row a manipulation: photos, measured, refused, with a word of the gate; how
often the interval holds the true angle; and on how many a display that is wrong by its
tolerance + 4 degrees, either way, is called in agreement. Prints counts; asserts nothing.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from manipulated import MANIPULATIONS, Taken

from knee_angle.angle.verdict import checked, compare, tolerance_at
from knee_angle.landmarks.standard import opened_detectors
from knee_angle.pipeline import measure
from knee_angle.records import Measurement
from knee_angle.settings import Settings

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
BEYOND_DEG = 4.0
GATE = ("cropped", "zoom", "ultra-wide", "feel for the bony point", "strip's plane")
"""Words of the gate's cautions."""


def false_agreements(outcome: Measurement, true_deg: float) -> int:
    """Displays beyond the tolerance that are nevertheless said to agree, of two."""
    settings, found = Settings(), 0
    for sign in (-1.0, 1.0):
        wrong = true_deg + sign * (settings.tolerance_deg + BEYOND_DEG)
        tolerance = tolerance_at(settings, knee_deg=outcome.knee.deg, displayed_deg=wrong)
        wrong = true_deg + sign * (tolerance + BEYOND_DEG)
        said = compare(checked(wrong), outcome.knee, settings, provable=outcome.leg.provable)
        found += said.verdict == "within"
    return found


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, nargs="?", default=SAMPLES)
    parser.add_argument("--only", default="")
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("--list", action="store_true")
    options = parser.parse_args()
    photos = sorted(p.with_suffix(".jpg") for p in options.folder.glob("*.json"))[:: options.every]
    print(f"{'':36}photos meas. refus. warned held  of agrees")
    with opened_detectors(threads=1) as detectors:
        for words, (job, suits) in MANIPULATIONS.items():
            if options.only not in words:
                continue
            count = measured = warned = held = agrees = 0
            for photo in photos:
                one = Taken.of(photo)
                if suits is not None and not suits(one):
                    continue
                true = float(one.truth["true_knee_flexion_deg"])
                outcome = measure(job(one), detectors=detectors, name=photo.name)
                count += 1
                if not isinstance(outcome, Measurement):
                    if options.list:
                        print(f"    {photo.stem} refused: {outcome.reason}")
                    continue
                measured += 1
                warned += any(word in caution for caution in outcome.cautions for word in GATE)
                moved = "dot" in words
                low, high = outcome.knee.interval_deg if moved else outcome.knee.found_interval_deg
                holds, false = low <= true <= high, false_agreements(outcome, true)
                held, agrees = held + holds, agrees + false
                if options.list:
                    print(
                        f"    {photo.stem} {outcome.plane} off {outcome.knee.deg - true:+.1f} in "
                        f"{low - true:+.1f} {high - true:+.1f}"
                        f"{'' if holds else ' MISSED'}{' AGREES' * false}"
                    )
            print(
                f"{words:36}{count:6}{measured:6}{count - measured:7}{warned:7}"
                f"{held:5} {measured:3} {agrees:4}",
                flush=True,
            )


if __name__ == "__main__":
    main()
