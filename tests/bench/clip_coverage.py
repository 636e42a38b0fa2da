"""How often the intervals of a clip hold, over clips drawn as points from the stated spreads.

Run: ``python tests/bench/clip_coverage.py FILE FIRST LAST [--seconds S] [--rate R] [KIND ...]``
judges clips FIRST to LAST of every kind (`clip_world`), one JSON line each, added to FILE; with
files alone it prints what they hold, with 95 % binomial intervals. Asserts nothing.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import defaultdict
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench.bench_machine_visit import share
from clip_world import KINDS, measured, truth_and_said, world

from knee_angle.records import NotMeasured


def judge(asked: argparse.Namespace) -> None:
    """Judge clips and add them to the file."""
    where, first, last = asked.given[0], *map(int, asked.given[1:3])
    kinds = asked.given[3:]
    with Path(where).open("a") as kept:
        for seed in range(first, last):
            for kind in kinds or KINDS:
                one = world(kind, seed, per_second=asked.rate)
                one = replace(one, clip=replace(one.clip, seconds=asked.seconds))
                answer = measured(one)
                line: dict[str, object] = {"kind": kind, "seed": seed, "seconds": asked.seconds}
                if isinstance(answer, NotMeasured):
                    line["refused"] = answer.reason
                else:
                    line["said"] = truth_and_said(one, answer)
                kept.write(json.dumps(line) + "\n")
                kept.flush()


def show(files: list[str]) -> None:
    """Print all figures that the files hold."""
    lines = {
        (row["kind"], row["seed"], row["seconds"]): row
        for file in files
        for row in map(json.loads, Path(file).read_text().splitlines())
    }
    for kind, seconds in sorted({(kind, seconds) for kind, _, seconds in lines}):
        rows = [row for key, row in lines.items() if key[::2] == (kind, seconds)]
        said = defaultdict(list)
        for row in rows:
            for quantity, values in row.get("said", {}).items():
                said[quantity] += values
        count = sum("said" in row for row in rows)
        print(f"{kind}, {seconds:g} s: {count} of {len(rows)} clips measured")
        for quantity, values in said.items():
            off, u = np.abs(np.array(values)).T
            line = f"  {quantity}: median {np.median(off):.3f}, 95 % {np.percentile(off, 95):.3f}"
            if quantity != "rms":
                line += f", u {np.median(u):.3f}; holds {share(off <= 1.96 * u)}"
            print(line)


def main() -> None:
    given = argparse.ArgumentParser(description=__doc__)
    given.add_argument("given", nargs="+")
    given.add_argument("--seconds", type=float, default=12.0)
    given.add_argument("--rate", type=float, default=8.0)
    asked = given.parse_intermixed_args()
    if asked.given[1:] and asked.given[1].isdigit():
        judge(asked)
    else:
        show(asked.given)


if __name__ == "__main__":
    main()
