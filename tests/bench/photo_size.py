"""How errors on the sample photos depend on the size of the pictures that a phone sends.

    python tests/bench/photo_size.py [EVERY]

Each sample photo is reduced as the page's script reduces it (longer side, JPEG) and measured;
errors are against the truth of the marks. EVERY n-th photo only, for a slow machine.
"""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path

import numpy as np
from PIL import Image

from knee_angle.pipeline import measure
from knee_angle.records import Measurement

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
SIZES = (1600, 1200, 900, 700)
QUALITY = 88


def reduced(path: Path, longest: int) -> bytes:
    """The photo as a phone would send it."""
    with Image.open(path) as image:
        exif = image.getexif()
        small = image.convert("RGB")
        small.thumbnail((longest, longest), Image.Resampling.BICUBIC)
    out = io.BytesIO()
    small.save(out, "JPEG", quality=QUALITY, exif=exif)
    return out.getvalue()


def main() -> None:
    """Print one line a size."""
    every = int(sys.argv[1]) if len(sys.argv) > 1 else 1
    truths = sorted(SAMPLES.glob("*.json"))[::every]
    print(f"{len(truths)} photos\nlonger side   measured   median error   95 %    kB")
    for longest in SIZES:
        errors, sizes = [], []
        for truth in truths:
            told = json.loads(truth.read_text())
            content = reduced(truth.with_suffix(".jpg"), longest)
            sizes.append(len(content) / 1024)
            found = measure(content, name=truth.stem, judge=False)
            if isinstance(found, Measurement):
                errors.append(abs(found.knee.deg - told["true_knee_flexion_deg"]))
        print(
            f"{longest:>8} px {len(errors):>9} {np.median(errors):>13.2f}° "
            f"{np.quantile(errors, 0.95):>8.2f}° {np.median(sizes):>6.0f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
