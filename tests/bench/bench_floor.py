"""Processor time of a 12-megapixel photo as a multiple of what no program could do without.

Run: ``python tests/bench/bench_floor.py``. The floor is one full decode, one detection of
printed tags and one window of the leg network, on one thread each. Prints milliseconds of
processor time (the least of some repeats) and ratios; asserts nothing.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import cv2
import numpy as np
from bench_photo import CASES, enlarged

from knee_angle.landmarks.dots import DotDetector
from knee_angle.landmarks.network import NetworkDetector
from knee_angle.landmarks.network.looks import see
from knee_angle.landmarks.network.windows import whole_photo
from knee_angle.photo.reading import read_photo
from knee_angle.photo.tags import find_tags
from knee_angle.pipeline import measure

REPEATS = 5


def processor_ms(job: Callable[[], object]) -> float:
    """Least processor time of some repeats, after one to warm up."""
    job()
    times = []
    for _ in range(REPEATS):
        start = time.process_time()
        job()
        times.append(1000.0 * (time.process_time() - start))
    return min(times)


def row(words: str, data: bytes) -> str:
    """One photo's line of the table."""
    network, dots = NetworkDetector(threads=1), DotDetector()
    photo = read_photo(data)
    photo.full()
    flags = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION
    pixels = np.frombuffer(data, np.uint8)
    decode = processor_ms(lambda: cv2.imdecode(pixels, flags))
    tags = processor_ms(lambda: find_tags(photo))
    model = network._loaded()
    window = processor_ms(lambda: see(photo, model, [whole_photo(photo)]))
    read = processor_ms(lambda: read_photo(data).full())
    of_dots = processor_ms(lambda: dots.find(photo))
    # A new network each time: one remembers the photos it has looked at.
    whole = processor_ms(lambda: measure(data, detectors=(dots, NetworkDetector(threads=1))))
    floor = decode + tags + window
    return (
        f"{words:28}{decode:6.0f}{tags:6.0f}{window:7.0f}{floor:7.0f}{read:6.0f}{of_dots:6.0f}"
        f"{whole:7.0f}{whole / floor:6.2f}"
    )


def main() -> None:
    """Print the table."""
    cv2.setNumThreads(1)
    print(f"{'12 MP, ms of processor time':28}decode  tags window  floor  read  dots  whole ratio")
    for name, words in CASES.items():
        print(row(words, enlarged(name)), flush=True)


if __name__ == "__main__":
    main()
