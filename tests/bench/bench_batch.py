"""What a batch of thousands costs, and what it survives, measured in one run on one machine.

Run: ``python tests/bench/bench_batch.py [--rates 400] [--killed 200] [--long 2000]``;
0 leaves a part out.

The photos are the sample photos under many names, each with a comment of its own at its
end, so that every file has its own hash and its own random numbers; every twentieth is cut
off after 5,000 bytes. Printed side by side: photos a second in one process with its usual
threads (a loop over `measure`), in one worker and in two; the memory of the whole run as
it goes on; and what is left after killing a run (SIGKILL) at random moments. Nothing is
asserted but that every photo stands in the table once.
"""

from __future__ import annotations

import argparse
import csv
import json
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import psutil

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
COMMAND = [sys.executable, "-m", "knee_angle", "batch"]
USUAL = """
import sys
from pathlib import Path
from knee_angle.landmarks.standard import opened_detectors
from knee_angle.pipeline import measure
with opened_detectors() as detectors, open("usual.journal.jsonl", "w", buffering=1) as done:
    for path in sorted(Path(sys.argv[1]).iterdir()):
        measure(path, detectors=detectors)
        print(path.name, file=done)
"""
MB = 1e6


def furnished(folder: Path, count: int) -> None:
    """So many photos; the 20th, 40th, ... is broken."""
    samples = [p.read_bytes() for p in sorted(SAMPLES.glob("*_*.jpg")) if p.stem[-1].isdigit()]
    folder.mkdir()
    for n in range(count):
        photo = samples[n % len(samples)] + f"photo {n}".encode()
        (folder / f"{n:05d}.jpg").write_bytes(photo[:5000] if n % 20 == 19 else photo)


def watched(command: list[str], cwd: Path, each: Callable[[psutil.Process], None]) -> float:
    """Seconds of a command, looked at five times a second."""
    started = time.perf_counter()
    with subprocess.Popen(command, cwd=cwd, stdout=subprocess.DEVNULL) as run:
        while run.poll() is None:
            each(psutil.Process(run.pid))
            time.sleep(0.2)
    return time.perf_counter() - started


def once_each(table: Path, count: int) -> list[dict[str, str]]:
    with table.open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["photo"] for row in rows] == [f"{n:05d}.jpg" for n in range(count)]
    return rows


def rates(place: Path, count: int) -> None:
    """One process with its usual threads, one worker, two workers: photos a second."""
    furnished(place / "some", count)
    commands = {"usual": [sys.executable, "-c", USUAL, "some"]}
    for n in (1, 2):
        commands[f"w{n}"] = [*COMMAND, "some", "--out", f"w{n}.csv", "--workers", str(n)]
    words = {"usual": "one process, usual threads", "w1": "--workers 1", "w2": "--workers 2"}
    steady = {}
    print(f"{'photos/s':<28}{'in all':>8}{'under way':>11}   (in all: with starting and writing)")
    for name, command in commands.items():
        seen: list[tuple[float, int]] = []

        def look(_: psutil.Process, name: str = name, seen: list[tuple[float, int]] = seen) -> None:
            journal = place / f"{name}.journal.jsonl"
            done = journal.read_bytes().count(b"\n") if journal.exists() else 0
            if 0.1 * count <= done <= 0.95 * count:
                seen.append((time.perf_counter(), done))

        wall = watched(command, place, look)
        steady[name] = (seen[-1][1] - seen[0][1]) / (seen[-1][0] - seen[0][0])
        print(f"{words[name]:<28}{count / wall:8.2f}{steady[name]:11.2f}", flush=True)
    print(f"under way, two workers / one worker: {steady['w2'] / steady['w1']:.2f}")
    print(f"under way, two workers / one process: {steady['w2'] / steady['usual']:.2f}", flush=True)
    assert (place / "w1.csv").read_bytes() == (place / "w2.csv").read_bytes()


def long(place: Path, count: int) -> None:
    """The memory of a long run with two workers, and its broken photos."""
    furnished(place / "many", count)
    memory: dict[int, list[tuple[str, float]]] = {}
    journal = place / "long.journal.jsonl"

    def look(run: psutil.Process) -> None:
        done = (journal.read_bytes().count(b"\n") - 1) // 200 * 200 if journal.exists() else -1
        if done < 200 or done in memory:
            return
        try:
            family = [("run", run), *(("worker", p) for p in run.children(recursive=True))]
            memory[done] = [(what, p.memory_info().rss / MB) for what, p in family]
        except psutil.NoSuchProcess:
            return

    wall = watched([*COMMAND, "many", "--out", "long.csv", "--workers", "2"], place, look)
    print(f"{count} photos, two workers: {wall:.0f} s, {count / wall:.2f}/s; memory (RSS, MB):")
    for done, parts in sorted(memory.items()):
        each = ", ".join(f"{what} {mb:.0f}" for what, mb in parts)
        print(f"  after {done:5d}: {sum(mb for _, mb in parts):.0f} ({each})")
    broken = [row for row in once_each(place / "long.csv", count) if row["status"] == "unreadable"]
    print(f"broken {count // 20}, named with a reason {sum(bool(row['reason']) for row in broken)}")
    print(json.loads((place / "long.run.json").read_text())["counts"], flush=True)


def killed(place: Path, count: int, kills: int, rng: random.Random) -> None:
    """Kill a run at random moments; go on; every photo once, and the whole run's numbers."""
    furnished(place / "few", count)
    command = [*COMMAND, "few", "--resume", "--workers", "2", "--out"]
    started = time.perf_counter()
    subprocess.run([*command, "whole.csv"], cwd=place, stdout=subprocess.DEVNULL, check=False)
    whole = time.perf_counter() - started
    journal = place / "cut.journal.jsonl"
    for number in range(kills):
        with subprocess.Popen([*command, "cut.csv"], cwd=place, stdout=subprocess.DEVNULL) as run:
            time.sleep(rng.uniform(0.0, whole / kills + 3.0))
            ended = run.poll() is not None
            run.kill()
        lines = journal.read_bytes().count(b"\n") - 1 if journal.exists() else 0
        print(f"kill {number + 1}: {'had ended' if ended else 'killed'}, {lines} rows on disk")
    subprocess.run([*command, "cut.csv"], cwd=place, stdout=subprocess.DEVNULL, check=False)
    once_each(place / "cut.csv", count)
    same = (place / "cut.csv").read_bytes() == (place / "whole.csv").read_bytes()
    twice = journal.read_bytes().count(b"\n") - 1 - count
    print(f"after {kills} kills: every photo once; the same table: {same}; measured twice: {twice}")


def main() -> None:
    """Print the figures."""
    options = argparse.ArgumentParser()
    options.add_argument("--rates", type=int, default=400, help="photos to compare rates on")
    options.add_argument("--long", type=int, default=2000, help="photos of the long run")
    options.add_argument("--killed", type=int, default=200, help="photos of the run that is killed")
    options.add_argument("--kills", type=int, default=10)
    given = options.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        if given.rates:
            rates(Path(folder), given.rates)
        if given.killed:
            rng = random.Random(6)  # noqa: S311  moments to kill at
            killed(Path(folder), given.killed, given.kills, rng)
        if given.long:
            long(Path(folder), given.long)


if __name__ == "__main__":
    main()
