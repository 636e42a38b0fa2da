"""Displays drawn with fonts that no training saw, read by the whole chain: what came of each.

``python -m knee_angle.training.display_judge --fonts F --backgrounds B --out FILE``: a line of
JSON a picture, with what it shows and what was read; thresholds are chosen from these, and
`tests/bench/bench_display_read.py` prints figures from others, of another seed.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from knee_angle.photo.display.find import find_lines
from knee_angle.photo.display.networks import networks
from knee_angle.photo.display.read import read_texts
from knee_angle.photo.display.rectify import box_of
from knee_angle.photo.reading import Photo, read_photo
from knee_angle.training.display_scenes import Scene, World, draw_scene, load_world

__all__ = ["drawn_photo", "judged_scene", "main", "scenes"]

Row = dict[str, Any]
SIZE = 960
DIGIT_PX = (9.0, 60.0)
NONE = 0.25
"""Share of pictures without a display."""


def drawn_photo(scene: Scene) -> Photo:
    """A drawn picture as a photo that was read."""
    png = cv2.imencode(".png", np.ascontiguousarray(scene.rgb[..., ::-1]))[1]
    return read_photo(png.tobytes(), name="drawn.png")


def scenes(world: World, *, seed: int, count: int, size: int = SIZE) -> Iterator[Scene]:
    """So many pictures: most with one display, some with two, a quarter with none."""
    for i in range(count):
        rng = np.random.default_rng([seed, i])
        panels = 0 if rng.random() < NONE else int(rng.choice([1, 2], p=[0.8, 0.2]))
        yield draw_scene(rng, world, size=size, panels=panels, digit_px=DIGIT_PX, clutter=7)


def judged_scene(scene: Scene) -> Row:
    """What a picture shows, and every line read in it with its likeliest texts."""
    photo = drawn_photo(scene)
    nets = networks()
    truth = [(n.says, box_of(n.quad)) for n in scene.numbers]
    hidden = [q.mean(0) for q in scene.unclear]
    seen = []
    lines = find_lines(photo, nets)
    for line, read in zip(lines, read_texts(photo.full(), lines, nets), strict=True):
        box = read.box
        centre = np.array(box.centre)
        shows = [
            i for i, (_, real) in enumerate(truth)
            if np.hypot(*(centre - real.centre)) < 0.7 * real.digit_px + 0.3 * np.hypot(*real.along)
        ]  # fmt: skip
        unclear = any(np.linalg.norm(centre - at) < 2 * box.digit_px for at in hidden)
        seen.append({
            "shows": shows[0] if shows else None, "unclear": unclear, "odds": round(line.odds, 2),
            "texts": _likeliest(read.texts), "unaided": _likeliest(read.unaided),
            "digit_px": round(box.digit_px, 1),
        })  # fmt: skip
    return {
        "truth": [{"says": says, "digit_px": round(box.digit_px, 1)} for says, box in truth],
        "seen": seen,
    }


def _likeliest(texts: Mapping[str, float]) -> dict[str, float]:
    best = sorted(texts.items(), key=lambda item: -item[1])[:8]
    return {text: round(p, 6) for text, p in best}


def _part(job: tuple[argparse.Namespace, int, int]) -> list[Row]:
    args, seed, count = job
    cv2.setNumThreads(1)
    world = load_world(args.fonts, args.backgrounds)
    drawn = scenes(world, seed=seed, count=count, size=args.size)
    return [judged_scene(scene) for scene in drawn]


def main(argv: Sequence[str] | None = None) -> None:
    """The command."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fonts", type=Path, required=True)
    parser.add_argument("--backgrounds", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--count", type=int, default=3000)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1001)
    parser.add_argument("--size", type=int, default=SIZE, help="edge of a picture, pixels")
    args = parser.parse_args(argv)
    each = -(-args.count // (4 * args.workers))
    jobs = [(args, args.seed + k, each) for k in range(4 * args.workers)]
    with ProcessPoolExecutor(args.workers) as pool, args.out.open("w") as file:
        for rows in pool.map(_part, jobs):
            file.writelines(json.dumps(row, ensure_ascii=False) + "\n" for row in rows)
            file.flush()


if __name__ == "__main__":
    main()
