"""How well displays are found and read: by height of the digits, with a table of confusions.

Run as ``python tests/bench/bench_display_read.py``: the sample photos, then their time as a
multiple of one decode. ``--rows FILE`` tells of drawn displays that
``python -m knee_angle.training.display_judge`` has read, in fonts that no training saw.
``--calibrate`` chooses the weights and the threshold from such rows and writes them into the
weights' card; figures belong to rows of another seed. ``--ocr`` reads the sample photos with a
general library instead (``pip install rapidocr-onnxruntime``).
"""

from __future__ import annotations

import argparse
import json
import time
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict
from itertools import pairwise
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image
from scipy.optimize import minimize
from scipy.stats import beta

from knee_angle.photo.display.choose import chosen
from knee_angle.photo.display.line import said
from knee_angle.photo.display.networks import Weighing, networks
from knee_angle.photo.display.read import LineRead, as_seen
from knee_angle.photo.display.rectify import LineBox
from knee_angle.photo.display.seen import read_display
from knee_angle.photo.reading import read_photo
from knee_angle.settings import Settings

ROOT = Path(__file__).resolve().parents[2]
CARD = ROOT / "knee_angle" / "photo" / "display" / "weights" / "display.json"
HEIGHTS = (0.0, 12.0, 14.0, 20.0, 30.0, 100.0)
WRONG = 0.003
"""So many wrong among the numbers used is what the threshold is chosen for; of 0.005 that are
allowed some are kept for displays that are not drawn."""
Row = dict[str, Any]


def upper(wrong: int, of: int) -> float:
    """Upper end of the one-sided 95 % interval of a share (Clopper and Pearson)."""
    return 1.0 if wrong >= of else float(beta.ppf(0.95, wrong + 1, of - wrong))


def seen_of(row: Row, weighing: Weighing) -> list[tuple[Any, Row]]:
    """Each line of a picture as a number, with the line's own row."""
    box = LineBox((0.0, 0.0), (20.0, 0.0), (0.0, 10.0))
    both = [
        (as_seen(LineRead(box, one["texts"], one["unaided"], one["odds"]), weighing), one)
        for one in row["seen"]
    ]
    return [(number, one) for number, one in both if number is not None]


def judged(
    rows: Iterable[Row], weighing: Weighing
) -> Iterator[tuple[float, str, float | None, bool]]:
    """Every plain number or angle that is shown: height, text, probability read, rightly or not."""
    for row in rows:
        seen = seen_of(row, weighing)
        for i, truth in enumerate(row["truth"]):
            want = said(truth["says"])
            if want is None or want.kind == "other":
                continue
            mine = [n for n, one in seen if one["shows"] == i]
            best = max(mine, key=lambda n: n.probability, default=None)
            right = best is not None and best.number == want.number
            yield truth["digit_px"], truth["says"], best and best.probability, right


def offered(rows: Iterable[Row], weighing: Weighing) -> Iterator[tuple[float, bool]]:
    """Of every picture where an angle would be used, were it likely enough: how likely, and right.

    Wrong is what no display of the picture shows, so print and clutter that are read count, too.
    """
    for row in rows:
        one = whole(row, weighing, 0.0)
        if one.state == "read":
            yield one.angle.probability, one.angle.number in shown_in(row)


def shown_in(row: Row) -> set[float | None]:
    """The numbers that the displays of a picture show."""
    told_of = [said(truth["says"]) for truth in row["truth"]]
    return {one.number for one in told_of if one is not None}


def calibrated(rows: Sequence[Row]) -> tuple[Weighing, float]:
    """Weights by likelihood, then the threshold for at most `WRONG` among the numbers used."""
    plain = Weighing(1.0, 0.0, 0.0)
    both = []
    for row in rows:
        seen = seen_of(row, plain)
        one = chosen([number for number, _ in seen], accept=0.0, settings=Settings())
        if one.state == "read":
            odds = next(line["odds"] for number, line in seen if number is one.angle)
            p = min(max(one.angle.probability, 1e-6), 1 - 1e-6)
            both.append((np.log(p / (1 - p)), odds, one.angle.number in shown_in(row)))
    text, place, right = np.array(both, float).T

    def loss(weights: Any) -> float:
        total = weights[0] * text + weights[1] * place + weights[2]
        return float(np.mean(np.logaddexp(0, np.where(right > 0, -total, total))))

    best = minimize(loss, [1.0, 0.0, 0.0], method="Nelder-Mead").x
    weighing = Weighing(*(round(float(v), 3) for v in best))
    accept, wrong = 0.9999, 0
    for n, (p, ok) in enumerate(sorted(offered(rows, weighing), reverse=True), start=1):
        wrong += not ok
        if n >= 200 and wrong / n <= WRONG:
            accept = p
    return weighing, float(np.clip(np.ceil(accept * 1e4) / 1e4, 0.99, 0.9999))


def told(rows: Sequence[Row], weighing: Weighing, accept: float) -> None:
    """The figures of drawn displays."""
    every = list(judged(rows, weighing))
    print(f"drawn displays: {len(rows)} pictures, {len(every)} numbers; used from {accept:.4f} on")
    print("digits, px    numbers  found  right  used  wrong of used (95 % upper)")
    for low, high in pairwise(HEIGHTS):
        line([one for one in every if low <= one[0] < high], f"{low:3.0f} to {high:3.0f}", accept)
    line([one for one in every if one[0] >= 14], "14 and up", accept)
    confusions(rows, weighing)
    none = [row for row in rows if not row["truth"]]
    used = [row for row in none if whole(row, weighing, accept).state == "read"]
    print(f"pictures without a display: {len(none)}; with a number that would be used: {len(used)}")
    told_of = [ok for p, ok in offered(rows, weighing) if p >= accept]
    bad = len(told_of) - sum(told_of)
    share, most = bad / max(len(told_of), 1), upper(bad, len(told_of))
    print(f"all pictures: an angle used in {len(told_of)}, {bad} of them wrong "
          f"({share:.2%}; 95 % upper {most:.2%})")  # fmt: skip
    shown = [row for row in rows if row["truth"]]
    read = [(row, whole(row, weighing, accept)) for row in shown]
    read = [(row, one) for row, one in read if one.state == "read"]
    wrong = [
        (row["truth"], one.angle.text) for row, one in read
        if one.angle.number not in shown_in(row)
    ]  # fmt: skip
    print(f"pictures with displays: {len(shown)}; an angle used in {len(read)}; of these "
          f"{len(wrong)} wrong (95 % upper {upper(len(wrong), len(read)):.2%})")  # fmt: skip
    for truth, text in wrong[:12]:
        print(f"  {text!r} for {[t['says'] for t in truth]}")


def whole(row: Row, weighing: Weighing, accept: float) -> Any:
    """What the picture comes to."""
    numbers = [number for number, _ in seen_of(row, weighing)]
    return chosen(numbers, accept=accept, settings=Settings())


def line(some: Sequence[tuple[float, str, float | None, bool]], name: str, accept: float) -> None:
    """One line of the table."""
    if not some:
        return
    found = sum(p is not None for _, _, p, _ in some)
    right = sum(ok for *_, ok in some)
    used = [ok for _, _, p, ok in some if p is not None and p >= accept]
    wrong = len(used) - sum(used)
    n = len(some)
    print(f"{name:12} {n:8} {found / n:6.1%} {right / n:6.1%} {len(used) / n:5.1%} "
          f"{wrong:4} ({upper(wrong, len(used)):.2%})")  # fmt: skip


def confusions(rows: Sequence[Row], weighing: Weighing) -> None:
    """Which digit was read for which, where as many signs were read as are shown, from 14 px."""
    table: Counter[tuple[str, str]] = Counter()
    for row in rows:
        for number, one in seen_of(row, weighing):
            truth = None if one["shows"] is None else row["truth"][one["shows"]]
            if truth and truth["digit_px"] >= 14 and len(number.text) == len(truth["says"]):
                table.update(zip(truth["says"], number.text, strict=True))
    digits = "0123456789"
    print("shown \\ read  " + " ".join(f"{d:>5}" for d in digits) + "  other")
    for a in digits:
        counts = [table[a, b] for b in digits]
        other = sum(n for (x, b), n in table.items() if x == a and b not in digits)
        print(f"{a:>12}  " + " ".join(f"{n:>5}" for n in counts) + f"  {other:>5}")


def photos(folder: Path, *, ocr: bool) -> None:
    """The sample photos, whose threshold was not chosen on them."""
    reader = general() if ocr else None
    names = [p for p in sorted(folder.glob("*.json")) if p.with_suffix(".jpg").exists()]
    counts: Counter[str] = Counter()
    for path in names:
        scene = json.loads(path.read_text())
        if "lcd" not in scene:
            continue
        photo = read_photo(path.with_suffix(".jpg"))
        if reader is not None:
            counts.update([reader(photo, scene)])
            continue
        seen = read_display(photo, settings=Settings())
        hidden = without(photo, scene)
        counts["painted over: used"] += hidden.state == "read"
        counts["painted over"] += 1
        angle = seen.angle
        right = angle is not None and angle.number == float(scene["lcd"]["text"])
        used = seen.state == "read"
        counts.update(["photos", "right" if right else "not right"])
        counts["used"] += used
        counts["wrong and used"] += used and not right
        if not right or not used:
            told_as = [(n.text, round(n.probability, 3)) for n in seen.numbers]
            print(
                f"  {path.stem}: shows {scene['lcd']['text']}; {seen.state}: {told_as}; "
                f"{seen.reason}"
            )
    print(", ".join(f"{name} {n}" for name, n in counts.items()))


def without(photo: Any, scene: Row) -> Any:
    """The same photo with its display painted over in the colour around it."""
    pixels = photo.full().copy()
    corners = np.array(scene["lcd"]["corners_px"], float)
    grown = corners.mean(0) + (corners - corners.mean(0)) * 1.12
    colour = np.median(pixels[tuple(np.clip(grown.astype(int), 0, np.array(pixels.shape[1::-1]) - 1)
                                    .T[::-1])], 0)  # fmt: skip
    cv2.fillPoly(pixels, [np.round(grown).astype(np.int32)], tuple(float(v) for v in colour))
    png = cv2.imencode(".png", pixels[..., ::-1])[1].tobytes()
    return read_display(read_photo(png), settings=Settings())


def general() -> Any:
    """A general OCR library: the digits of the line nearest to the display, or what it misses."""
    from rapidocr_onnxruntime import RapidOCR

    engine = RapidOCR()

    def read(photo: Any, scene: Row) -> str:
        found, _ = engine(np.ascontiguousarray(photo.full()[..., ::-1]))
        centre = np.mean(scene["lcd"]["corners_px"], 0)
        near = [
            text for quad, text, _ in found or []
            if np.linalg.norm(np.mean(quad, 0) - centre) < 45
        ]  # fmt: skip
        digits = "".join(c for c in "".join(near) if c.isdigit())
        ok = digits == scene["lcd"]["text"]
        print(f"  {photo.name}: shows {scene['lcd']['text']}, read {near}")
        return "right" if ok else "missed" if not digits else "wrong"

    return read


def timed(folder: Path) -> None:
    """Processor time of one photo's display as a multiple of one full decode."""
    path = folder / "bed_01.jpg"
    networks()

    def best(work: Any) -> float:
        times = []
        for _ in range(7):
            began = time.process_time()
            work()
            times.append(time.process_time() - began)
        return min(times)

    decode = best(lambda: np.asarray(Image.open(path)))
    photo = read_photo(path)
    read = best(lambda: read_display(photo, settings=Settings()))
    print(f"processor time: {1000 * read:.0f} ms, {read / decode:.1f} decodes of {path.name}")


def main() -> None:
    """The command."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=Path, nargs="*", default=[])
    parser.add_argument("--calibrate", action="store_true")
    parser.add_argument("--photos", type=Path, default=ROOT / "sample_images")
    parser.add_argument("--ocr", action="store_true")
    args = parser.parse_args()
    cv2.setNumThreads(1)
    card = json.loads(CARD.read_text())
    rows = [json.loads(text) for path in args.rows for text in path.read_text().splitlines()]
    if args.calibrate:
        fitted, card["accept"] = calibrated(rows)
        card["weighing"] = asdict(fitted)
        CARD.write_text(json.dumps(card, indent=1) + "\n")
        print(f"{card['weighing']}, accept {card['accept']}: chosen on these rows")
    if rows:
        told(rows, Weighing(**card["weighing"]), card["accept"])
        return
    photos(args.photos, ocr=args.ocr)
    if not args.ocr:
        timed(args.photos)


if __name__ == "__main__":
    main()
