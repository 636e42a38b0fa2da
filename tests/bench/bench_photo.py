"""How long a 12-megapixel phone photo takes, beside plain MediaPipe passes on the same.

Run: ``python tests/bench/bench_photo.py`` (after ``knee-angle models build``).
Prints milliseconds and ratios from one run on one machine; nothing is asserted.
"""

from __future__ import annotations

import io
import os
import statistics
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from itertools import count
from pathlib import Path

import numpy as np
from PIL import Image, ImageOps

from knee_angle.errors import MissingModel
from knee_angle.landmarks.bundles import find_pose_bundle
from knee_angle.landmarks.dots import DotDetector
from knee_angle.landmarks.pose_process import OFFLINE
from knee_angle.landmarks.standard import opened_detectors
from knee_angle.measure import measure_photo
from knee_angle.photo import Photo, read_photo
from knee_angle.records import Settings
from knee_angle.tags import find_tags

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
CASES = {
    "bed_01.jpg": "dots and tags",
    "bed_06.jpg": "dots",
    "bed_14.jpg": "no dots, whole body",
    "bed_11.jpg": "no dots, leg only",
}


def milliseconds(job: Callable[[], object], repeats: int = 9) -> float:
    """Median over some repeats, after one to warm up."""
    job()
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        job()
        times.append(1000 * (time.perf_counter() - start))
    return statistics.median(times)


def enlarged(name: str) -> bytes:
    """A sample photo enlarged to 12 megapixels, as a phone would hand it over."""
    with Image.open(SAMPLES / name) as picture:
        upright = ImageOps.exif_transpose(picture)
        factor = (12e6 / (upright.width * upright.height)) ** 0.5
        size = (round(upright.width * factor), round(upright.height * factor))
        out = io.BytesIO()
        upright.resize(size, Image.Resampling.LANCZOS).save(out, "JPEG", quality=92)
    return out.getvalue()


def plain_pass(bundle: Path) -> Callable[[Photo], object]:
    """One call of MediaPipe's landmarker in this process, as anybody would make it."""
    os.environ.update(OFFLINE)
    import mediapipe
    from mediapipe.tasks import python as tasks

    landmarker = tasks.vision.PoseLandmarker.create_from_options(
        tasks.vision.PoseLandmarkerOptions(
            base_options=tasks.BaseOptions(model_asset_path=str(bundle)), num_poses=1
        )
    )

    def detect(photo: Photo) -> object:
        pixels = np.ascontiguousarray(photo.full())
        return landmarker.detect(mediapipe.Image(mediapipe.ImageFormat.SRGB, pixels))

    return detect


def report(
    name: str,
    words: str,
    plain: Callable[[Photo], object] | None,
    detectors: tuple[object, ...],
) -> None:
    """One line of the table."""
    data = enlarged(name)
    photo: Photo = read_photo(data, name=name)
    read_ms = milliseconds(lambda: read_photo(data, name=name))
    full_ms = milliseconds(lambda: read_photo(data, name=name).full()) - read_ms
    photo.full()
    settings = Settings()
    # A new hash each time: the network remembers the photos it has looked at.
    fresh = (replace(photo, sha256=f"{n:064x}") for n in count())
    whole_ms = milliseconds(
        lambda: measure_photo(next(fresh), detectors=detectors, settings=settings)  # type: ignore[arg-type]
    )
    tags_ms = milliseconds(lambda: find_tags(photo))
    dots_ms = milliseconds(lambda: DotDetector().find(photo))
    line = f"{words:<22}{read_ms:9.0f}{full_ms:9.0f}{tags_ms:9.0f}{dots_ms:9.0f}{whole_ms:9.0f}"
    if plain is not None:
        pass_ms = milliseconds(lambda: plain(photo))
        line += f"{pass_ms:12.0f}{whole_ms / pass_ms:9.2f}"
    print(line)


def main() -> None:
    """Print the table."""
    try:
        bundle = find_pose_bundle()
    except MissingModel as error:
        print(error)
        bundle = None
    print("12 MP photo, ms       decode  to full     tags     dots    whole  plain pass    ratio")
    print("(whole = everything but decoding; ratio = whole / one plain MediaPipe pass)")
    if bundle is None:
        for name, words in CASES.items():
            report(name, words, None, (DotDetector(),))
        return
    plain = plain_pass(bundle)
    with opened_detectors(bundle) as detectors:
        for name, words in CASES.items():
            report(name, words, plain, detectors)
    # MediaPipe's own shutdown can hang: leave without it.
    sys.stdout.flush()
    os._exit(0)


if __name__ == "__main__":
    main()
