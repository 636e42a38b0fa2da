"""What becomes of manipulated photos: every manipulation over all sample photos.

Run: ``python tests/bench/bench_gate.py [FOLDER] [--only WORDS...] [--list] [--part 0/1] [--out
FOLDER]``; the photos as for `accuracy`, or drawn by ``python -m knee_angle.training photos``. A
row a manipulation: photos, measured, refused, with a word of the gate; how often the interval
holds the true angle; on how many a display that is wrong by its tolerance + 4 degrees, either
way, is called in agreement; and on how many one that shows the true angle is, in all and of
those in doubt (a dot or the strip may sit wrongly, or the lens is not as told). ``--part K/N``
takes every Nth photo, ``--out`` keeps each answer as a line of ``gate_K.jsonl`` there, ``--table
FILE...`` prints such files' counts, and ``--card`` writes them into ``knee_angle/photo/GATE.md``:
those of ``--table`` as the sample photos', those of ``--fresh FILE...`` beside them, with
``--note WORDS`` above; without files all sample photos are measured.
Photos that are of no camera's shape as they are (drawn square) are left out. Asserts nothing.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from manipulated import MANIPULATIONS, SEEN, UNSEEN, Taken

from knee_angle.angle.verdict import compare, tolerance_at
from knee_angle.assumptions import CAMERA_SHAPES
from knee_angle.landmarks.base import Detector
from knee_angle.landmarks.standard import opened_detectors
from knee_angle.pipeline import measure
from knee_angle.records import Measurement
from knee_angle.records.displayed import checked
from knee_angle.settings import Settings

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
BEYOND_DEG = 4.0
GATE = ("cropped", "zoom", "ultra-wide", "feel for the bony point", "strip's plane")
"""Words of the gate's cautions."""
OF_MARKS = GATE[3:]
"""Those of dots and strip; the rest is of the lens."""
LOW = "   < 93 %"
CARD = Path(__file__).resolve().parents[2] / "knee_angle" / "photo" / "GATE.md"
HEAD = """# What becomes of manipulated photos

Every manipulation of `tests/manipulated.py` over photos whose truth is known. Made by \
`python tests/bench/bench_gate.py --card`; `DEVELOPERS.md` tells what the gate looks at. Its \
rules and thresholds were set while looking at the sample photos: unseen photos may be read \
worse. Answers from fresh renders stand below where `--fresh` named any.

- within: measured, the 95 % interval holds the true angle, that of the marks shown (without how \
far they lie from the bony points; with it where a dot was moved); missed: it does not / nor does \
the whole interval, which a person is told.
- named: of those measured, how many carry a caution of the gate.
- refused: not measured, with a reason in words and what to do.
- "agrees": displays wrong by the tolerance + 4°, of two a photo, that were said to agree.
- right: photos in which a display that shows the true angle was said to agree; of these in \
doubt: where a word of the gate says that a dot or the strip may sit wrongly / the lens is not \
as told.
"""
"""What stands above the card's tables."""


def agrees(outcome: Measurement, shown_deg: float) -> bool:
    """Whether a display is said to agree."""
    shown, provable = checked(shown_deg), outcome.leg.provable
    return compare(shown, outcome.knee, Settings(), provable=provable).verdict == "within"


def false_agreements(outcome: Measurement, true_deg: float) -> int:
    """Displays beyond the tolerance that are nevertheless said to agree, of two."""
    settings, found = Settings(), 0
    for sign in (-1.0, 1.0):
        wrong = true_deg + sign * (settings.tolerance_deg + BEYOND_DEG)
        tolerance = tolerance_at(settings, knee_deg=outcome.knee.deg, displayed_deg=wrong)
        found += agrees(outcome, true_deg + sign * (tolerance + BEYOND_DEG))
    return found


def _worded(outcome: Measurement, words: Sequence[str]) -> bool:
    return any(word in caution for caution in outcome.cautions for word in words)


def row_of(words: str, one: Taken, detectors: Sequence[Detector]) -> dict[str, Any]:
    """What becomes of one photo in one manipulation."""
    true = float(one.truth["true_knee_flexion_deg"])
    outcome = measure(MANIPULATIONS[words][0](one), detectors=detectors, name=one.name)
    row: dict[str, Any] = {"case": words, "photo": one.name, "measured": False}
    if not isinstance(outcome, Measurement):
        return row | {"why": outcome.reason}
    whole = outcome.knee.interval_deg
    low, high = whole if "dot" in words else outcome.knee.found_interval_deg
    return row | {
        "measured": True,
        "warned": _worded(outcome, GATE),
        "doubt": [_worded(outcome, OF_MARKS), _worded(outcome, GATE[:3])],
        "held": low <= true <= high,
        "told": whole[0] <= true <= whole[1],
        "agrees": false_agreements(outcome, true),
        "right": agrees(outcome, true),
        "plane": outcome.plane,
        "off": round(outcome.knee.deg - true, 2),
        "interval": [round(low - true, 2), round(high - true, 2)],
    }


def table(rows: Sequence[dict[str, Any]]) -> None:
    """Counts, a manipulation a line."""
    print(f"{'':36}photos meas. refus. warned held  of agrees right: marks lens")
    for words in MANIPULATIONS:
        some = [row for row in rows if row["case"] == words]
        done = [row for row in some if row["measured"]]
        warned, held, wrong = (
            sum(row[key] for row in done) for key in ("warned", "held", "agrees")
        )
        right, marks, lens = right_of(done)
        if some:
            print(
                f"{words:36}{len(some):6}{len(done):6}{len(some) - len(done):7}{warned:7}"
                f"{held:5} {len(done):3} {wrong:4}{right:7}{marks:7}{lens:5}"
                f"{LOW if held < 0.93 * len(done) else ''}"
            )


def right_of(done: Sequence[dict[str, Any]]) -> tuple[int, int, int]:
    """How many right displays agree, and of these with marks in doubt, and with the lens."""
    right = [row["doubt"] for row in done if row["right"]]
    return len(right), sum(marks for marks, _ in right), sum(lens for _, lens in right)


def card(sets: Mapping[str, Sequence[dict[str, Any]]], note: str = "") -> str:
    """The counts of each set of photos as a page."""
    parts = [HEAD, *([note, ""] if note else [])]
    for title, rows in sets.items():
        parts += [f"## {title}", "", *counted(rows, SEEN)]
        if unseen := counted(rows, UNSEEN):
            parts += [
                "Manipulations that no rule was set by, or only a little (strips):",
                "",
                *unseen,
            ]
    return "\n".join(parts)


def counted(rows: Sequence[dict[str, Any]], cases: Iterable[str]) -> list[str]:
    """A table's lines for these manipulations, as far as there are answers."""
    lines = []
    for words in cases:
        some = [row for row in rows if row["case"] == words]
        done = [row for row in some if row["measured"]]
        held, warned, wrong = (
            sum(row[key] for row in done) for key in ("held", "warned", "agrees")
        )
        right, marks, lens = right_of(done)
        missed = f"{len(done) - held} / {sum(not row['told'] for row in done)}"
        if some:
            lines.append(
                f"| {words} | {len(some)} | {held} | {missed} | {warned} | "
                f"{len(some) - len(done)} | {wrong} | {right} | {marks} / {lens} |"
            )
    head = ['| manipulation | photos | within | missed | named | refused | "agrees" | right | '
            "of these in doubt |",
            "|---|---|---|---|---|---|---|---|---|"]  # fmt: skip
    return [*head, *lines, ""] if lines else []


def rows_in(files: Sequence[Path]) -> list[dict[str, Any]]:
    """The answers of earlier parts."""
    return [json.loads(line) for file in files for line in file.read_text().splitlines()]


def listed(row: dict[str, Any]) -> str:
    """One answer in a line."""
    if not row["measured"]:
        return f"    {row['photo']} refused: {row['why']}"
    low, high = row["interval"]
    return (
        f"    {row['photo']} {row['plane']} off {row['off']:+.1f} in {low:+.1f} {high:+.1f}"
        f"{'' if row['held'] else ' MISSED'}{' AGREES' * row['agrees']}"
    )


def run(options: argparse.Namespace) -> list[dict[str, Any]]:
    """Measure one part's photos in every manipulation."""
    part, parts = map(int, options.part.split("/"))
    photos = sorted(p.with_suffix(".jpg") for p in options.folder.glob("*.json"))
    rows = []
    with opened_detectors(threads=1) as detectors:
        for words, (_, suits) in MANIPULATIONS.items():
            if not any(some in words for some in options.only):
                continue
            for photo in photos[:: options.every][part::parts]:
                one = Taken.of(photo)
                shape = max(one.size) / min(one.size)
                if min(abs(shape - known) for known in CAMERA_SHAPES) > 0.02:
                    continue
                if suits is not None and not suits(one):
                    continue
                rows.append(row_of(words, one, detectors))
                if options.list:
                    print(listed(rows[-1]), flush=True)
                if options.out is not None:
                    with (options.out / f"gate_{part}.jsonl").open("a") as file:
                        file.write(json.dumps(rows[-1]) + "\n")
    return rows


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, nargs="?", default=SAMPLES)
    parser.add_argument(
        "--only", nargs="+", default=[""], help="cases that have one of these words"
    )
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("--list", action="store_true")
    parser.add_argument("--part", default="0/1")
    parser.add_argument("--out", type=Path)
    parser.add_argument("--table", type=Path, nargs="+", default=[])
    parser.add_argument("--fresh", type=Path, nargs="+", default=[])
    parser.add_argument("--note", default="")
    parser.add_argument("--card", action="store_true")
    options = parser.parse_args()
    rows = rows_in(options.table) if options.table else run(options)
    table(rows)
    if options.card:
        sets = {"The sample photos": rows}
        sets |= {f"Fresh renders, {f.stem.rpartition('_')[2]}": rows_in([f]) for f in options.fresh}
        CARD.write_text(card(sets, options.note), encoding="utf-8")


if __name__ == "__main__":
    main()
