"""Processor time of a 12-megapixel photo as a multiple of what no program could do without.

Run: ``python tests/bench/bench_floor.py [--processes N] [--rounds N] [TREE ...]``. The floor is
one full decode, one detection of printed tags and one window of the leg network, on one thread
each. Floor and whole take turns, so that other load on the machine meets both alike, in several
processes, since two of one tree differ by 5 %. Told is the middle one of these, each by its least
of some rounds; after the ratio stand those of the lower and the upper quarter of the processes.
With other trees (working copies of this project) named, their processes take turns with this
one's. Asserts nothing.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

HERE = Path(__file__).resolve().parents[2]
PARTS = ("decode", "tags", "window", "whole")
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
        # A new network each time: one remembers the photos it has looked at.
        "whole": lambda: measure(data, detectors=(dots, NetworkDetector(threads=1))),
    }


def rounds(folder: Path, count: int) -> None:
    """Print the least milliseconds of each photo of a folder as JSON, by its file's name."""
    from knee_angle.landmarks.standard import opened_detectors

    with opened_detectors(threads=1):  # as every command does, for what it sets
        every = {path.name: jobs_of(path.read_bytes()) for path in sorted(folder.iterdir())}
        least: dict[str, Times] = {}
        for k in range(count + 1):
            for name, jobs in every.items():
                times = {part: processor_ms(job) for part, job in jobs.items()}
                if k < 2:  # the first warms up
                    least[name] = times
                least[name] = {part: min(least[name][part], ms) for part, ms in times.items()}
        print(json.dumps(least))


def rounds_apart(tree: Path, folder: Path, count: int) -> dict[str, Times]:
    """The same by a process of its own, with the code of a tree."""
    told = subprocess.run(
        [sys.executable, str(Path(__file__).resolve()), "--photos", folder, "--rounds", str(count)],
        env={**os.environ, "PYTHONPATH": str(tree), "OMP_NUM_THREADS": "1"},
        stdout=subprocess.PIPE, check=True, text=True,
    )  # fmt: skip
    least: dict[str, Times] = json.loads(told.stdout)
    return least


def floor_of(times: Times) -> float:
    """What no program could do without."""
    return times["decode"] + times["tags"] + times["window"]


def row(words: str, seen: list[Times]) -> str:
    """One photo's line of the table, from what each process says of it."""
    cells = [[times[part] for times in seen] for part in PARTS]
    cells.insert(3, [floor_of(times) for times in seen])
    ratios = [times["whole"] / floor_of(times) for times in seen]
    numbers = "".join(f"{statistics.median(cell):8.1f}" for cell in cells)
    low, middle, high = statistics.quantiles(ratios, n=4)
    return f"{words:28}{numbers}{middle:8.2f}{low:8.2f}{high:6.2f}"


def main() -> None:
    """Print a table for each tree."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("trees", nargs="*", type=Path, metavar="TREE")
    parser.add_argument("--processes", type=int, default=12)
    parser.add_argument("--rounds", type=int, default=4)
    parser.add_argument("--photos", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.processes < 2:
        parser.error("--processes: at least 2, of one alone nothing is known of its scatter")
    if asked.photos:
        rounds(asked.photos, asked.rounds)
        return
    from bench_photo import CASES, enlarged

    trees = [HERE, *(tree.resolve() for tree in asked.trees)]
    seen: dict[Path, list[dict[str, Times]]] = {tree: [] for tree in trees}
    with tempfile.TemporaryDirectory() as folder:
        for name in CASES:
            (Path(folder) / name).write_bytes(enlarged(name))
        for k in range(asked.processes):
            for tree in trees if k % 2 == 0 else trees[::-1]:
                seen[tree].append(rounds_apart(tree, Path(folder), asked.rounds))
    head = "".join(f"{part:>8}" for part in (*PARTS[:3], "floor", "whole", "ratio"))
    for tree, told in seen.items():
        print(f"{tree}\n{'12 MP, ms of processor time':28}{head}  quarters")
        for name, words in CASES.items():
            print(row(words, [times[name] for times in told]))


if __name__ == "__main__":
    main()
