"""How the sample photos are read without their dots: painted over, the leg network alone.

Run: ``python tests/bench/painted_over.py [FOLDER]``; the folder as for `accuracy`. Where dots are,
or would be, the picture is filled in from around, so that nothing shows where they lay; printed
tags stay, and where there are any they give the camera's direction. Prints figures; asserts
nothing.
"""

from __future__ import annotations

import json
import math
import sys
import tempfile
from pathlib import Path

import cv2
import numpy as np
from PIL import Image, ImageOps

from knee_angle.landmarks.network import NetworkDetector
from knee_angle.pipeline import measure
from knee_angle.records import LEG_POINTS, MACHINE_POINTS, Measurement

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
BRUSH = 0.045
"""Radius that is painted over, in thighs: a dot is half as wide."""


def painted_over(photo: Path, truth: dict, folder: Path) -> Path:
    """The photo without its dots, upright, its EXIF kept."""
    with Image.open(photo) as file:
        exif = file.getexif()
        exif.get_ifd(0x8769)
        picture = np.array(ImageOps.exif_transpose(file).convert("RGB"))
    exif[0x0112] = 1
    leg, machine = truth["landmarks"], truth["machine"]["points"]
    places = [leg[name]["marker_px"] for name in LEG_POINTS]
    places += [machine[name]["px"] for name in MACHINE_POINTS if name in machine]
    radius = BRUSH * math.dist(leg["hip"]["skin_px"], leg["knee"]["skin_px"])
    over = np.zeros(picture.shape[:2], np.uint8)
    for x, y in places:
        cv2.circle(over, (round(x), round(y)), round(radius), 255, -1)
    path = folder / photo.name
    Image.fromarray(cv2.inpaint(picture, over, 5, cv2.INPAINT_TELEA)).save(
        path, quality=90, exif=exif
    )
    return path


def row(photo: Path, folder: Path, network: NetworkDetector) -> dict[str, float] | None:
    """Errors and half-widths of one photo, degrees; None where it is refused."""
    truth = json.loads(photo.with_suffix(".json").read_text())
    outcome = measure(painted_over(photo, truth, folder), detectors=[network])
    if not isinstance(outcome, Measurement):
        return None
    true = float(truth["true_knee_flexion_deg"])
    normal = np.array(truth["camera"]["R"]) @ np.array(truth["sagittal_normal"])
    facing = abs(float(normal @ outcome.leg.view.normal)) / float(np.linalg.norm(normal))
    low, high = outcome.knee.interval_deg
    found = outcome.knee.found_interval_deg
    seen = outcome.leg.view.plane == "estimated"
    return {
        "off": abs(outcome.knee.deg - true),
        "half": (high - low) / 2,
        "held": found[0] <= true <= found[1],
        "direction": math.degrees(math.acos(min(1.0, facing))) if seen else math.nan,
    }


def main() -> None:
    """Measure all photos and print one line for all, one for those without tags."""
    photos = sorted((Path(sys.argv[1]) if len(sys.argv) > 1 else SAMPLES).glob("*.json"))
    network = NetworkDetector()
    with tempfile.TemporaryDirectory() as folder:
        rows = [row(photo.with_suffix(".jpg"), Path(folder), network) for photo in photos]
    done = [one for one in rows if one is not None]
    print(f"measured {len(done)} of {len(rows)}")
    for words, some in (
        ("all", done),
        ("without tags", [one for one in done if math.isfinite(one["direction"])]),
    ):
        off, half, away = (np.array([r[k] for r in some]) for k in ("off", "half", "direction"))
        print(
            f"{words}: n {len(some)}, median {np.median(off):.2f}, 95th percentile "
            f"{np.quantile(off, 0.95):.2f}, half-width {np.median(half):.2f} in the median, "
            f"{sum(r['held'] for r in some)} hold; direction {np.nanmedian(away):.2f}"
        )


if __name__ == "__main__":
    main()
