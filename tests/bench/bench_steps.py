"""Where the processor time of a 12-megapixel photo goes, step by step.

Run: ``python tests/bench/bench_steps.py [REPEATS]``. Every step's own milliseconds, without those
of the steps that it calls: the least of some repeats, on one thread. Asserts nothing.
"""

from __future__ import annotations

import functools
import sys
import time
from collections import Counter
from typing import Any

import cv2
from bench_photo import CASES, enlarged

from knee_angle import pipeline
from knee_angle.angle import uncertainty
from knee_angle.landmarks import view
from knee_angle.landmarks.dots import DotDetector, detector, picture, placed
from knee_angle.landmarks.network import NetworkDetector, looks, search
from knee_angle.landmarks.network.model import Model
from knee_angle.photo import boards, full_size, reading, tags

STEPS: tuple[tuple[Any, str, str], ...] = (
    (pipeline, "read_photo", "file, hash, EXIF"),
    (reading, "half_of", "decoding at half size"),
    (full_size.FullSize, "part", "decoding at full size"),
    (full_size.FullSize, "pixels", "decoding at full size"),
    (reading, "_resized", "the reduced copy"),
    (pipeline, "find_tags", "tags found"),
    (tags, "_refined", "tags' corners at full size"),
    (pipeline, "lens_through", "lens and tags, as taken"),
    (picture, "propose", "dots: places"),
    (picture, "examine", "dots: outlines"),
    (detector, "readings_of", "dots: which is which"),
    (detector, "readings_together", "dots: sets beside a witness"),
    (detector, "readings_expected", "dots: where a witness expects them"),
    (placed, "centres", "dots: centres at full size"),
    (Model, "run", "network"),
    (looks, "cut", "network: windows cut"),
    (search, "cut", "network: windows cut"),
    (boards, "boards_of", "tags' plane"),
    (view, "scale_of", "view"),
    (pipeline, "with_doubts", "doubts"),
    (uncertainty, "photo_with_uncertainty", "± of knee, bars, lengths"),
    (uncertainty, "_budget", "budget"),
    (pipeline, "measure", "all else"),
)


class Clock:
    """Own seconds of each step, and how often it ran."""

    def __init__(self) -> None:
        self.own: Counter[str] = Counter()
        self.calls: Counter[str] = Counter()
        self._inner: list[float] = []

    def watch(self, where: Any, name: str, words: str) -> None:
        """Count what a function takes from now on."""
        job = getattr(where, name)

        @functools.wraps(job)
        def timed(*given: Any, **named: Any) -> Any:
            self._inner.append(0.0)
            start = time.process_time()
            try:
                return job(*given, **named)
            finally:
                took = time.process_time() - start
                self.own[words] += took - self._inner.pop()
                self.calls[words] += 1
                if self._inner:
                    self._inner[-1] += took

        setattr(where, name, timed)


def table(data: bytes, clock: Clock, repeats: int) -> dict[str, tuple[float, int]]:
    """Least milliseconds and calls of each step."""
    least: dict[str, float] = {}
    dots = DotDetector()
    for k in range(repeats + 1):
        clock.own.clear()
        clock.calls.clear()
        # A new network each time: one remembers the photos it has looked at.
        pipeline.measure(data, detectors=(dots, NetworkDetector(threads=1)))
        for words, took in clock.own.items():
            least[words] = min(least.get(words, took), took) if k else took
    return {words: (1000.0 * took, clock.calls[words]) for words, took in least.items()}


def main() -> None:
    """Print the table."""
    cv2.setNumThreads(1)
    clock, repeats = Clock(), int(sys.argv[1]) if len(sys.argv) > 1 else 5
    for step in STEPS:
        clock.watch(*step)
    columns = [table(enlarged(name), clock, repeats) for name in CASES]
    print(f"{'12 MP, ms (times)':36}" + "".join(f"{words:>22}" for words in CASES.values()))
    for words in dict.fromkeys(words for _, _, words in STEPS):
        cells = [column.get(words, (0.0, 0)) for column in columns]
        print(f"{words:36}" + "".join(f"{ms:16.1f} ({n:2d}) " for ms, n in cells))
    print(f"{'sum':36}" + "".join(f"{sum(v[0] for v in c.values()):16.1f}      " for c in columns))


if __name__ == "__main__":
    main()
