"""How often the intervals of a clip hold, over clips drawn as points from the stated spreads.

Run: ``python tests/bench/clip_coverage.py FILE FIRST LAST [KIND ...]`` judges clips FIRST to LAST
of every kind (`clip_world`), one JSON line each, added to FILE; with files alone it prints what
they hold, with 95 % binomial intervals. Asserts nothing.
"""

from __future__ import annotations

import json
import sys
from collections import defaultdict
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench.bench_machine_visit import share
from clip_world import KINDS, measured, truth_and_said, world

from knee_angle.records import NotMeasured


def judge(where: str, first: int, last: int, kinds: list[str]) -> None:
    """Judge clips and add them to the file."""
    with Path(where).open("a") as kept:
        for seed in range(first, last):
            for kind in kinds or KINDS:
                one = world(kind, seed)
                answer = measured(one)
                line: dict[str, object] = {"kind": kind, "seed": seed}
                if isinstance(answer, NotMeasured):
                    line["refused"] = answer.reason
                else:
                    line["said"] = truth_and_said(one, answer)
                kept.write(json.dumps(line) + "\n")
                kept.flush()


def show(files: list[str]) -> None:
    """Print all figures that the files hold."""
    lines = {
        (row["kind"], row["seed"]): row
        for file in files
        for row in map(json.loads, Path(file).read_text().splitlines())
    }
    for kind in KINDS:
        rows = [row for (name, _), row in lines.items() if name == kind]
        said = defaultdict(list)
        for row in rows:
            for quantity, values in row.get("said", {}).items():
                said[quantity] += values
        print(f"{kind}: {sum('said' in row for row in rows)} of {len(rows)} clips measured")
        for quantity, values in said.items():
            off, u = np.abs(np.array(values)).T
            line = f"  {quantity}: median {np.median(off):.3f}, 95 % {np.percentile(off, 95):.3f}"
            if quantity != "rms":
                line += f", u {np.median(u):.3f}; holds {share(off <= 1.96 * u)}"
            print(line)


def main() -> None:
    where, *rest = sys.argv[1:]
    if rest and rest[0].isdigit():
        judge(where, int(rest[0]), int(rest[1]), rest[2:])
    else:
        show([where, *rest])


if __name__ == "__main__":
    main()
