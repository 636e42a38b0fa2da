"""Every door with input that was spoilt at random: words or a result, in bounded time.

    python tests/bench/fuzz.py                        500 inputs at each door
    python tests/bench/fuzz.py photo table --count 20000 --seed 3 --jobs 8 --out FOLDER

An input is a good one with one to eight changes (bits, bytes, blocks, numbers, lines; in JSON also
a value in its place; in a store's rows cells past their triggers). A door may answer or raise one
of our own errors. Anything else is a fault: another exception, more than `LONGEST_S` seconds, a
process that dies, or one that takes more than `MOST_BYTES` for an input. Each fault is told with
its last line of our code, and its input is written to --out, to become a test. With --jobs so many
processes share the doors, the slow ones in pieces.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import random
import resource
import signal
import sys
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parent))

from fuzz_doors import DOORS, Door

from knee_angle.errors import KneeAngleError

LONGEST_S, NO_END_S = 10, 60
"""Processor time of one input; and by the clock, whatever else runs on the machine."""
MOST_BYTES = 2**30
"""Memory that one input may take, above what its process had before."""
MOST_MEMORY = 4 * 2**30
"""Address space of a process, bytes."""
PIECE = 500
"""Inputs that one process tries; the next begins afresh."""


class TooLong(BaseException):
    """The alarm clock; nobody's `except Exception` swallows it."""


def too_long(*_: object) -> None:
    raise TooLong


def one(door: Door, data: bytes, folder: Path) -> str | None:
    """What is wrong with the door's answer to this input, or None."""
    signal.signal(signal.SIGPROF, too_long)
    signal.signal(signal.SIGALRM, too_long)
    signal.setitimer(signal.ITIMER_PROF, LONGEST_S)
    signal.alarm(NO_END_S)
    before = most_bytes()
    try:
        door.enter(data, folder)
    except KneeAngleError as error:
        return f"several lines at {door.enter.__name__}: {error}" if "\n" in str(error) else None
    except TooLong:
        return f"more than {LONGEST_S} s"
    except (Exception, SystemExit) as error:  # noqa: BLE001  whatever a door lets out
        ours = [f for f in traceback.extract_tb(error.__traceback__) if "knee_angle/" in f.filename]
        at = f"{Path(ours[-1].filename).name}:{ours[-1].lineno}" if ours else "outside"
        return f"{type(error).__name__} at {at}: {str(error)[:100]}"
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.alarm(0)
    # What it took and gave back below the peak of before is not seen: that was allowed then.
    took = most_bytes() - before
    return f"took {took / 1e6:.0f} MB" if took > MOST_BYTES else None


def most_bytes() -> int:
    """Most memory that this process ever had, bytes."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


@dataclass
class Tried:
    """What came of a door's inputs."""

    count: int = 0
    wrong: Counter[str] = field(default_factory=Counter)
    told: dict[str, str] = field(default_factory=dict)
    slowest_s: float = 0.0
    peak_mb: float = 0.0

    def add(self, other: Tried) -> None:
        """Take in another piece."""
        self.count += other.count
        self.wrong += other.wrong
        self.told = other.told | self.told
        self.slowest_s = max(self.slowest_s, other.slowest_s)
        self.peak_mb = max(self.peak_mb, other.peak_mb)


def tried(name: str, count: int, seed: int, out: Path | None) -> Tried:
    """Try a door so many times, in this process."""
    door, found = DOORS[name], Tried()
    rng = random.Random(f"{name} {seed}")  # noqa: S311  input to try, no secret
    seeds = door.seeds()
    with TemporaryDirectory() as folder:
        last = Path(folder) / "last.bin" if out is None else out / f"{name}-{seed}-last.bin"
        inside = Path(folder) / "inside"
        inside.mkdir()
        for good in seeds:
            door.enter(good, inside)  # a door that refuses good input would prove nothing
        for _ in range(count):
            data = door.spoil(rng.choice(seeds), rng)
            last.write_bytes(data)  # there even if this process dies of it
            started = time.process_time()
            wrong = one(door, data, inside)
            found.slowest_s = max(found.slowest_s, time.process_time() - started)
            found.count += 1
            if wrong is not None:
                kind = wrong.split(": ")[0]
                found.wrong[kind] += 1
                if found.told.setdefault(kind, wrong) == wrong and out is not None:
                    (out / f"{name}-{seed}-{len(found.told)}.bin").write_bytes(data)
        last.unlink()
    found.peak_mb = most_bytes() / 2**20
    return found


def _in_child(pipe: object, name: str, count: int, seed: int, out: Path | None) -> None:
    resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    warnings.simplefilter("ignore")  # a spoilt picture makes its decoder complain
    pipe.send(tried(name, count, seed, out))  # type: ignore[attr-defined]


def piece(job: tuple[str, int, int, Path | None]) -> tuple[str, Tried]:
    """Some inputs of a door in a process of their own; one that dies is a fault."""
    name, count, seed, _ = job
    spawning = multiprocessing.get_context("spawn")
    ours, theirs = spawning.Pipe(duplex=False)
    child = spawning.Process(target=_in_child, args=(theirs, *job))
    child.start()
    theirs.close()
    try:
        return name, ours.recv()
    except EOFError:
        child.join()
        died = f"died of {-(child.exitcode or 0)}"
        return name, Tried(count, Counter({died: 1}), {died: f"{died}: see {name}-{seed}-last.bin"})
    finally:
        child.join()


def pieces(names: list[str], count: int, seed: int, out: Path | None) -> Iterator[tuple]:
    """The work, in pieces with a seed of its own each."""
    for begin in range(0, count, PIECE):
        for name in names:
            yield name, min(PIECE, count - begin), 1000 * seed + begin // PIECE, out


def line_of(name: str, found: Tried) -> str:
    """One door's line of the table."""
    return (
        f"{name:11s} {found.count:7d} inputs, {found.wrong.total()} faults in "
        f"{len(found.wrong)} kinds, slowest {found.slowest_s:.2f} s, peak {found.peak_mb:.0f} MB"
    )


def main() -> None:
    """Try the doors and print a line for each."""
    about = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    about.add_argument("doors", nargs="*", help=f"of {', '.join(DOORS)}; all without")
    about.add_argument("--count", type=int, default=500)
    about.add_argument("--seed", type=int, default=1)
    about.add_argument("--jobs", type=int, default=1)
    about.add_argument("--out", type=Path)
    given = about.parse_args()
    if given.out is not None:
        given.out.mkdir(parents=True, exist_ok=True)
    names = given.doors or list(DOORS)
    all_of = {name: Tried() for name in names}
    started = time.monotonic()
    with ThreadPoolExecutor(given.jobs) as pool:
        work = list(pieces(names, given.count, given.seed, given.out))
        for name, found in pool.map(piece, work):
            new = set(found.told) - set(all_of[name].told)
            all_of[name].add(found)
            for kind in sorted(new):
                print(f"  {name}: {found.told[kind]}", flush=True)
            if all_of[name].count >= given.count:
                print(line_of(name, all_of[name]), flush=True)
    total = sum(found.count for found in all_of.values())
    print(f"{total} inputs at {len(names)} doors in {time.monotonic() - started:.0f} s")
    if given.out is not None:
        told = {name: dict(found.wrong) for name, found in all_of.items()}
        (given.out / "faults.json").write_text(json.dumps(told, indent=1))
    sys.exit(any(found.wrong for found in all_of.values()))


if __name__ == "__main__":
    main()
