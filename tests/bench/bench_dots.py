"""How many photos with six visible dots use all six, and how many without dots use any.

Run: ``python tests/bench/bench_dots.py --bank BODIES.npz [--pictures P.npy] [--scenes 20]
[--paints 10] [--seed 1]``. Every scene is rendered once (two pictures), then painted in so
many pigments, each photographed with its own motion, noise and compression; every third
machine sits 70 to 110 mm wrongly. Prints counts; asserts nothing.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Mapping
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from drawn_dots import Drawn, photographed, pigment

from knee_angle.landmarks.dots import DotDetector
from knee_angle.landmarks.network import NetworkDetector
from knee_angle.photo.reading import read_photo
from knee_angle.records import Landmarks, NotMeasured

RIGHT = 0.06
"""Farthest that a dot may lie from its truth, in mean segments (a dot is 0.045 wide)."""


def judged(
    found: Landmarks | NotMeasured, truth: Mapping[str, np.ndarray], segment_px: float
) -> str:
    """One answer against the true places."""
    told = ", said" if found.unused_dots else ""
    if isinstance(found, NotMeasured):
        return f"refused{told}"
    off = {
        n: np.hypot(*(truth[n] - (p.x_px, p.y_px))) if n in truth else np.inf
        for n, p in found.points.items()
    }
    if max(off.values()) > RIGHT * segment_px:
        return "false"
    return "all six" if len(off) == len(truth) else f"{len(off)} of six{told}"


def photo_of(drawn: Drawn, picture: np.ndarray, rng: np.random.Generator):
    """A picture as a phone keeps it: still or moved by up to 4 px, quality 50 to 95."""
    jpeg = photographed(
        picture, rng, f35_mm=drawn.f35_mm, blur_px=float(rng.choice([0, 0, 1, 2, 3, 4])),
        quality=int(rng.integers(50, 96)), noise_rgb=rng.uniform(0.5, 4.0),
    )  # fmt: skip
    return read_photo(jpeg, name="drawn.jpg")


def count(
    drawn: Drawn, rng: np.random.Generator, *, paints: int, network: NetworkDetector
) -> Counter[str]:
    """What becomes of one scene in so many pigments, and without dots."""
    counts: Counter[str] = Counter()
    while sum(counts.values()) < paints:
        picture = drawn.painted(pigment(rng))
        if drawn.visible(picture):
            found = DotDetector().find_with(photo_of(drawn, picture, rng), witness=network)
            counts[judged(found, drawn.xy, drawn.segment_px)] += 1
    bare = DotDetector().find_with(photo_of(drawn, drawn.bare, rng), witness=network)
    counts["bare: " + judged(bare, {}, 1.0)] += 1
    return counts


def main() -> None:
    """Print the counts after every scene."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bank", type=Path, required=True)
    parser.add_argument("--pictures", type=Path)
    parser.add_argument("--scenes", type=int, default=20)
    parser.add_argument("--paints", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    from dotted_scenes import SIZE_PX, draw

    from knee_angle.training.bodies import load_bank
    from knee_angle.training.pictures import load_pictures
    from knee_angle.training.renderer import Renderer

    bank, pictures = load_bank(options.bank), load_pictures(options.pictures)
    renderer, network = Renderer(size=SIZE_PX, pictures=pictures), NetworkDetector()
    total: Counter[str] = Counter()
    for number in range(options.scenes):
        rng = np.random.default_rng([options.seed, number])
        size = rng.uniform(70, 110) if number % 3 == 0 else abs(rng.normal(0, 25))
        turn = rng.uniform(0, 2 * np.pi)
        shift = (size * np.cos(turn), size * np.sin(turn))
        drawn = draw(bank, renderer, rng, pictures=len(pictures), shift_mm=shift)
        total += count(drawn, rng, paints=options.paints, network=network)
        print(f"{number + 1} scenes: {dict(total)}", flush=True)


if __name__ == "__main__":
    main()
