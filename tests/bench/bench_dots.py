"""How many photos with six visible dots use all six, and how many without dots use any.

Run: ``python tests/bench/bench_dots.py --bank BODIES.npz [--pictures P.npy] [--scenes 20] [--seed
1] [--size 800] [--part 0/1] [--out FOLDER] [--only CASE] [--times 1]``. Every scene is rendered
once (two pictures), then painted and photographed through each accident of `dot_accidents`, and
bare; every third machine sits 85 to 122 mm wrongly. ``--only plain`` keeps to the accidents of
that name, ``--times`` paints each scene so often, ``--size 1600`` draws photos as large as a
phone's are looked at (`photo.reading`). ``--part K/N`` does every Nth scene from the Kth on; with
``--out`` each answer is a line of ``dots_K.jsonl`` there, and pictures of the first failures
(``--keep``) and of others (``--also``) lie beside it; ``--photos FOLDER`` also keeps each scene as
a photo with its truth, for other benches. ``--table FILE...`` prints the counts of such files
instead. Asserts nothing.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench.dot_accidents import ACCIDENTS, SPOILT, Photographed, dark_magenta

from knee_angle.landmarks.dots import DotDetector
from knee_angle.landmarks.network import NetworkDetector
from knee_angle.photo.reading import read_photo
from knee_angle.records import Landmarks, NotMeasured
from knee_angle.training.painted import LEAST_SEEN, Drawn, photographed, pigment

if TYPE_CHECKING:
    from knee_angle.training.bodies import Bank
    from knee_angle.training.renderer import Renderer

SIGMA_99 = 3.58
"""The worst of six dots lies within so many ± in 99 % (chi-squared, 2 degrees of freedom)."""
FAR_MM, NEAR_MM = (85.0, 122.0), (0.0, 85.0)
"""How far from the knee a hinge lies, in every third machine and in the others."""
RIGHT = 0.06
"""Farthest that a dot may lie from its truth, in mean segments (a dot is 0.045 wide)."""


def judged(
    found: Landmarks | NotMeasured, truth: Mapping[str, np.ndarray], segment_px: float
) -> str:
    """One answer against the true places."""
    if isinstance(found, NotMeasured):
        return "refused, said" if found.unused_dots else "refused"
    told = ", said" if any("not used" in caution for caution in found.cautions) else ""
    off = {
        n: np.hypot(*(truth[n] - (p.x_px, p.y_px))) if n in truth else np.inf
        for n, p in found.points.items()
    }
    if max(off.values()) > RIGHT * segment_px:
        return "false"
    return "all six" if len(off) == len(truth) else f"{len(off)} of six{told}"


def photo_of(drawn: Drawn, taken: Photographed, rng: np.random.Generator) -> bytes:
    """A picture as a phone keeps it."""
    return photographed(
        taken.picture, rng, f35_mm=drawn.f35_mm, blur_px=taken.blur_px, quality=taken.quality,
        noise_rgb=rng.uniform(0.5, 4.0),
    )  # fmt: skip


def answered(data: bytes, network: NetworkDetector) -> Landmarks | NotMeasured:
    return DotDetector().find_with(read_photo(data, name="drawn.jpg"), witness=network)


def worst_sigma(found: Landmarks | NotMeasured, truth: Mapping[str, np.ndarray]) -> float:
    """How far the worst dot lies from its truth, in its own ±."""
    if isinstance(found, NotMeasured):
        return math.nan
    far = []
    for name, point in found.points.items():
        xx, xy, yy = point.cov_px2
        off = truth[name] - (point.x_px, point.y_px)
        far.append(float(np.sqrt(off @ np.linalg.solve([[xx, xy], [xy, yy]], off))))
    return max(far)


def rows_of(
    drawn: Drawn, rng: np.random.Generator, *, network: NetworkDetector,
    only: str = "", times: int = 1,
) -> Iterator[tuple[dict[str, object], bytes]]:  # fmt: skip
    """What becomes of one scene in every accident, and bare: one row and file each."""
    chosen = [(words, it) for words, it in ACCIDENTS.items() if only in words]
    for words, accident in chosen * times:
        paint = dark_magenta if "magenta" in words else pigment
        for _ in range(20):
            rgb, seed = paint(rng), int(rng.integers(2**31))
            taken, bare = (
                accident(picture, drawn, np.random.default_rng(seed))
                for picture in (drawn.painted(rgb), drawn.bare)
            )
            after = drawn.befallen(taken.picture, bare.picture, taken.shift)
            seen = after.seen(taken.picture)
            if words in SPOILT:
                seen.pop(str(taken.name))
            if min(seen.values()) >= LEAST_SEEN:
                break
        else:
            continue
        data = photo_of(drawn, taken, rng)
        found = answered(data, network)
        result = judged(found, after.xy, drawn.segment_px)
        yield {
            "case": words, "result": result, "offset_mm": drawn.offset_mm,
            "diameter_px": drawn.diameter_px, "rgb": [round(float(c), 3) for c in rgb],
            "blur_px": taken.blur_px, "quality": taken.quality, "dot": taken.name,
            "sigma": None if result[:5] in ("refus", "false") else worst_sigma(found, after.xy),
            "why": found.reason if isinstance(found, NotMeasured) else None,
            "xy": {name: [round(float(v), 1) for v in xy] for name, xy in after.xy.items()},
        }, data  # fmt: skip
    for blur_px in (0.0, 0.0, 1.0, 2.0, 4.0):
        taken = Photographed(drawn.bare, blur_px=blur_px, quality=int(rng.integers(50, 96)))
        data = photo_of(drawn, taken, rng)
        yield {"case": "bare", "result": judged(answered(data, network), {}, 1.0)}, data


def keep_photo(drawn: Drawn, name: Path, rng: np.random.Generator) -> None:
    """The scene as a sample photo, with its truth beside it."""
    picture = drawn.painted(pigment(rng))
    while not drawn.visible(picture):
        picture = drawn.painted(pigment(rng))
    name.with_suffix(".jpg").write_bytes(photographed(picture, rng, f35_mm=drawn.f35_mm))
    name.with_suffix(".json").write_text(json.dumps(drawn.truth))


def scene_of(number: int, seed: int, bank: Bank, renderer: Renderer, pictures: int) -> Drawn:
    """One scene; every third machine sits 85 to 122 mm wrongly."""
    from knee_angle.training.dotted import draw

    rng = np.random.default_rng([seed, number])
    return draw(
        bank, renderer, rng, pictures=pictures, offset_mm=FAR_MM if number % 3 == 0 else NEAR_MM
    )


def run(options: argparse.Namespace) -> None:
    """Draw and judge one part's scenes."""
    from knee_angle.training.bodies import load_bank
    from knee_angle.training.pictures import load_pictures
    from knee_angle.training.renderer import Renderer

    part, parts = map(int, options.part.split("/"))
    bank, pictures = load_bank(options.bank), load_pictures(options.pictures)
    renderer = Renderer(size=options.size, pictures=pictures, device=options.device)
    network = NetworkDetector(threads=1)
    rows: list[dict[str, object]] = []
    kept, others = Counter[bool](), set[int]()
    for number in range(part, options.scenes, parts):
        drawn = scene_of(number, options.seed, bank, renderer, len(pictures))
        rng = np.random.default_rng([options.seed, number, 1])
        if options.photos is not None:
            keep_photo(drawn, options.photos / f"dotted_{number:04d}", rng)
        for row, data in rows_of(
            drawn, rng, network=network, only=options.only, times=options.times
        ):
            rows.append(row | {"scene": number})
            failed = row["case"] != "bare" and row["result"] != "all six"
            if options.out is None:
                continue
            with (options.out / f"dots_{part}.jsonl").open("a") as file:
                file.write(json.dumps(rows[-1]) + "\n")
            # Of those that did not fail the first of each scene, so that they are of many.
            first = failed or (row["result"] != "refused" and number not in others)
            if first and kept[failed] < (options.keep if failed else options.also):
                kept[failed] += 1
                others.update([] if failed else [number])
                name = f"{number}_{row['case']}_{'failed' if failed else 'other'}{kept[failed]}"
                name = name.replace(" ", "_").replace("'", "")
                (options.out / f"{name}.jpg").write_bytes(data)
                (options.out / f"{name}.json").write_text(json.dumps(rows[-1]))
        if options.out is None:
            print(f"{number + 1} scenes", flush=True)
    if options.out is None:
        table(rows)


def table(rows: Sequence[Mapping[str, object]]) -> None:
    """Counts by case, and of well and badly set machines."""
    for words in dict.fromkeys(str(row["case"]) for row in rows):
        some = [row for row in rows if row["case"] == words]
        counts = Counter(str(row["result"]) for row in some)
        print(f"{words:26}{len(some):6}  {dict(counts.most_common())}")
        sigma = [float(str(row["sigma"])) for row in some if row.get("sigma") is not None]
        if sigma:
            held = np.mean(np.array(sigma) < SIGMA_99)
            print(f"{'':34}the worst of the dots within its 99 % ellipse: {held:.1%}")
        far = [row for row in some if float(str(row.get("offset_mm", 0.0))) > 85.0]
        if far:
            whole = sum(row["result"] == "all six" for row in far)
            print(f"{'':34}hinge more than 85 mm off: {whole} of {len(far)} all six")


def main() -> None:
    """Draw and judge, or print the counts of earlier parts."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bank", type=Path)
    parser.add_argument("--pictures", type=Path)
    parser.add_argument("--scenes", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--size", type=int, default=800, help="longer side, px")
    parser.add_argument("--part", default="0/1")
    parser.add_argument("--only", default="", help="accidents of this name alone, and bare")
    parser.add_argument("--times", type=int, default=1, help="paintings of each scene")
    parser.add_argument("--keep", type=int, default=0, help="pictures of failures kept")
    parser.add_argument("--also", type=int, default=0, help="pictures of others kept")
    parser.add_argument("--device", type=int, default=0, help="GPU that draws, as EGL counts")
    parser.add_argument("--out", type=Path)
    parser.add_argument("--photos", type=Path)
    parser.add_argument("--table", type=Path, nargs="+")
    options = parser.parse_args()
    if options.table:
        lines = [line for file in options.table for line in file.read_text().splitlines()]
        table([json.loads(line) for line in lines])
    else:
        run(options)


if __name__ == "__main__":
    main()
