"""How long a 12-megapixel phone photo takes, beside plain MediaPipe passes on the same.

Run: ``python tests/bench/bench_photo.py``.
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
from knee_angle.landmarks.dots import DotDetector
from knee_angle.landmarks.pose.bundles import find_pose_bundle
from knee_angle.landmarks.pose.process import OFFLINE
from knee_angle.landmarks.standard import opened_detectors
from knee_angle.photo.reading import Photo, read_photo
from knee_angle.photo.tags import find_tags
from knee_angle.pipeline import measure_photo
from knee_angle.settings import Settings

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
CASES = {
    "bed_01.jpg": "dots and tags",
    "bed_06.jpg": "dots",
    "bed_14.jpg": "no dots, whole body",
    "bed_11.jpg": "no dots, leg only",
}


REPEATS = 9


def once(job: Callable[[], object]) -> float:
    """Milliseconds of one call."""
    start = time.perf_counter()
    job()
    return 1000 * (time.perf_counter() - start)


def milliseconds(job: Callable[[], object]) -> float:
    """Median over some repeats, after one to warm up."""
    job()
    return statistics.median(once(job) for _ in range(REPEATS))


def side_by_side(
    job: Callable[[], object], yardstick: Callable[[], object]
) -> tuple[float, float, float]:
    """Quickest ms of both, taken in turn, and their ratio: other load on the machine only adds."""
    job()
    yardstick()
    pairs = [(once(job), once(yardstick)) for _ in range(3 * REPEATS)]
    ours, plain = (min(times) for times in zip(*pairs, strict=True))
    return ours, plain, ours / plain


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

    def whole() -> object:
        return measure_photo(next(fresh), detectors=detectors, settings=settings)  # type: ignore[arg-type]

    tags_ms = milliseconds(lambda: find_tags(photo))
    dots_ms = milliseconds(lambda: DotDetector().find(photo))
    line = f"{words:<22}{read_ms:9.0f}{full_ms:9.0f}{tags_ms:9.0f}{dots_ms:9.0f}"
    if plain is None:
        print(f"{line}{milliseconds(whole):9.0f}")
        return
    whole_ms, pass_ms, ratio = side_by_side(whole, lambda: plain(photo))
    print(f"{line}{whole_ms:9.0f}{pass_ms:12.0f}{ratio:9.2f}")


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
