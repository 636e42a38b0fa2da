"""Spoilt input guided by what it reaches: atheris (libFuzzer) at the doors that take bytes.

    pip install atheris                  (Linux; for this bench alone, no extra brings it)
    python tests/bench/fuzz_guided.py table --seconds 120 --out FOLDER

It begins with the door's good inputs, changes them, and keeps what runs a line of ours that none
ran before. What is a fault, and what is done with it, is as in `fuzz`; the seed is printed.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import sys
import time
import warnings
from contextlib import nullcontext
from pathlib import Path
from tempfile import TemporaryDirectory

try:
    import atheris  # type: ignore[import-not-found]
except ImportError:  # the tests read every file for examples, this one too
    atheris = None

sys.path.insert(0, str(Path(__file__).parent))

with atheris.instrument_imports(include=["knee_angle"]) if atheris else nullcontext():
    from fuzz import Tried, line_of, most_bytes, one
    from fuzz_doors import DOORS

JSON = ("settings",)
"""What comes to these doors is JSON already."""
GUIDED = ("photo", "exif", "points", "table", "settings", "numbers", "parquet", "codes", "model")


def is_json(data: bytes) -> bool:
    """Whether it can be read as such."""
    try:
        json.loads(data)
    except (ValueError, RecursionError):
        return False
    return True


def guided(name: str, seconds: float, seed: int, out: Path | None) -> None:
    """Try a door for so long, then print its line and end the process: libFuzzer never returns."""
    door, found, end = DOORS[name], Tried(), time.monotonic() + seconds
    with TemporaryDirectory() as folder:
        corpus, inside = Path(folder, "corpus"), Path(folder, "inside")
        corpus.mkdir()
        inside.mkdir()
        with atheris.instrument_imports(include=["knee_angle"]):  # doors import what they need
            for number, good in enumerate(door.seeds()):
                door.enter(good, inside)  # a door that refuses good input would prove nothing
                (corpus / str(number)).write_bytes(good)

        def enter(data: bytes) -> None:
            if time.monotonic() > end:
                print(line_of(name, found), f"seed {seed}", flush=True)
                os._exit(bool(found.wrong))
            began = time.process_time()
            if name in JSON and not is_json(data):
                return
            wrong = one(door, data, inside)
            found.slowest_s = max(found.slowest_s, time.process_time() - began)
            found.count += 1
            found.peak_mb = most_bytes() / 2**20
            if wrong is None:
                return
            kind = wrong.split(": ")[0]
            found.wrong[kind] += 1
            if kind not in found.told:
                found.told[kind] = wrong
                print(f"  {name}: {wrong}", flush=True)
                if out is not None:
                    (out / f"{name}-guided-{len(found.told)}.bin").write_bytes(data)

        # Time is kept by `one`; libFuzzer's own clock would take its signal.
        limits = ["-timeout=0", "-rss_limit_mb=4096", "-len_control=0", f"-seed={seed}"]
        atheris.Setup([sys.argv[0], *limits, str(corpus)], enter)
        atheris.Fuzz()


def main() -> None:
    """Try one door."""
    about = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    about.add_argument("door", choices=GUIDED)
    about.add_argument("--seconds", type=float, default=60.0)
    about.add_argument("--seed", type=int, default=random.SystemRandom().randrange(1, 2**31))
    about.add_argument("--out", type=Path)
    given = about.parse_args()
    if atheris is None:
        sys.exit("fuzz_guided: atheris is not installed here: pip install atheris (on Linux)")
    if given.out is not None:
        given.out.mkdir(parents=True, exist_ok=True)
    warnings.simplefilter("ignore")  # a spoilt picture makes its decoder complain
    guided(given.door, given.seconds, given.seed, given.out)


if __name__ == "__main__":
    main()
