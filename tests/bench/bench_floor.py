"""Processor time of a 12-megapixel photo as a multiple of what no program could do without.

Run: ``python tests/bench/bench_floor.py [--processes N] [--rounds N] [TREE ...]``. The floor is
one full decode, one detection of printed tags and one window of the leg network, on one thread
each. Floor and whole take turns in one process, and several processes do (two of one tree differ
by 5 % and more), so that other load on the machine meets both alike. Of each part the least of all
runs is told, and beside the ratio of these the median of the rounds' own ratios. With other trees
(working copies of this project) named, their processes take turns with this one's. Asserts nothing.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import time
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path

HERE = Path(__file__).resolve().parents[2]
PARTS = ("decode", "tags", "window", "read", "dots", "whole")
Times = dict[str, float]


def processor_ms(job: Callable[[], object]) -> float:
    """Processor time of one call."""
    start = time.process_time()
    job()
    return 1000.0 * (time.process_time() - start)


def jobs_of(data: bytes) -> dict[str, Callable[[], object]]:
    """What is timed of one photo, by `PARTS`."""
    import cv2
    import numpy as np

    from knee_angle.landmarks.dots import DotDetector
    from knee_angle.landmarks.network import NetworkDetector
    from knee_angle.landmarks.network.looks import see
    from knee_angle.landmarks.network.windows import whole_photo
    from knee_angle.photo.reading import read_photo
    from knee_angle.photo.tags import find_tags
    from knee_angle.pipeline import measure

    photo, dots = read_photo(data), DotDetector()
    photo.full()
    model = NetworkDetector(threads=1)._loaded()
    flags = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION
    pixels = np.frombuffer(data, np.uint8)
    return {
        "decode": lambda: cv2.imdecode(pixels, flags),
        "tags": lambda: find_tags(photo),
        "window": lambda: see(photo, model, [whole_photo(photo)]),
        "read": lambda: read_photo(data).full(),
        "dots": lambda: dots.find(photo),
        # A new network each time: one remembers the photos it has looked at.
        "whole": lambda: measure(data, detectors=(dots, NetworkDetector(threads=1))),
    }


def rounds(count: int) -> None:
    """Print each round's milliseconds of each photo, a line of JSON a round."""
    from bench_photo import CASES, enlarged

    from knee_angle.landmarks.standard import opened_detectors

    with opened_detectors(threads=1):  # as every command does, for what it sets
        every = {words: jobs_of(enlarged(name)) for name, words in CASES.items()}
        for k in range(count + 1):
            times = {
                words: {part: processor_ms(job) for part, job in jobs.items()}
                for words, jobs in every.items()
            }
            if k:  # the first warms up
                print(json.dumps(times), flush=True)


def rounds_apart(tree: Path, count: int) -> list[dict[str, Times]]:
    """The same by a process of its own, with the code of a tree."""
    told = subprocess.run(
        [sys.executable, str(Path(__file__).resolve()), "--here", "--rounds", str(count)],
        env={**os.environ, "PYTHONPATH": str(tree), "OMP_NUM_THREADS": "1"},
        stdout=subprocess.PIPE, check=True, text=True,
    )  # fmt: skip
    return [json.loads(line) for line in told.stdout.splitlines()]


def floor_of(times: Times) -> float:
    """What no program could do without."""
    return times["decode"] + times["tags"] + times["window"]


def row(words: str, seen: list[Times]) -> str:
    """One photo's line of the table."""
    least = {part: min(times[part] for times in seen) for part in PARTS}
    cells = [least[part] for part in PARTS[:3]] + [floor_of(least)]
    cells += [least[part] for part in PARTS[3:]]
    middle = statistics.median(times["whole"] / floor_of(times) for times in seen)
    numbers = "".join(f"{ms:8.1f}" for ms in cells)
    return f"{words:28}{numbers}{least['whole'] / floor_of(least):8.2f}{middle:8.2f}"


def main() -> None:
    """Print a table for each tree."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("trees", nargs="*", type=Path, metavar="TREE")
    parser.add_argument("--processes", type=int, default=5)
    parser.add_argument("--rounds", type=int, default=8)
    parser.add_argument("--here", action="store_true", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.here:
        rounds(asked.rounds)
        return
    trees = [HERE, *(tree.resolve() for tree in asked.trees)]
    seen: dict[Path, list[dict[str, Times]]] = defaultdict(list)
    for k in range(asked.processes):
        for tree in trees if k % 2 == 0 else trees[::-1]:
            seen[tree] += rounds_apart(tree, asked.rounds)
    head = "".join(f"{part:>8}" for part in (*PARTS[:3], "floor", *PARTS[3:], "ratio", "median"))
    for tree, told in seen.items():
        print(f"{tree}, {len(told)} rounds\n{'12 MP, ms of processor time':28}{head}")
        for words in told[0]:
            print(row(words, [times[words] for times in told]), flush=True)


if __name__ == "__main__":
    main()
