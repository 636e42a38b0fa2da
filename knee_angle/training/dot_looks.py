"""Surroundings of dots with what they lie on, for the network that tells which dot is which.

A scene of the trainer is drawn bare and with white dots, painted in one pigment, photographed as
a phone would, and cut as :mod:`knee_angle.landmarks.dots.lying` cuts a photo; larger, so that
training can turn, shift and scale what it cuts. Places beside the dots are the seventh kind,
some with a disc of the same pigment, and so are patches that the program itself takes for dots
of that pigment and that are none.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from knee_angle.landmarks.dots.expected import Expected
from knee_angle.landmarks.dots.lying import KINDS, crops
from knee_angle.landmarks.dots.picture import Picture
from knee_angle.landmarks.dots.sets import sets_of
from knee_angle.photo.reading import Photo, read_photo
from knee_angle.records import LEG_POINTS, MACHINE_POINTS
from knee_angle.training.bodies import Bank, load_bank
from knee_angle.training.dotted import Dot, discs, hinge_off_mm, outline, unhidden, with_discs
from knee_angle.training.painted import Drawn, photographed, pigment
from knee_angle.training.pictures import load_pictures
from knee_angle.training.scene import Camera, Scene, build_scene, draw_camera, draw_light
from knee_angle.training.stream import Source

if TYPE_CHECKING:
    from knee_angle.training.renderer import Renderer

__all__ = ["CUT_PX", "looks", "looks_to"]

NAMES = LEG_POINTS + MACHINE_POINTS
ELSEWHERE = KINDS - 1
CUT_PX, SHOTS, BESIDE, MISTAKEN = 96, 2, 4, 4
"""Side of what is kept, pictures of one scene, and of each picture places beside the dots and
patches that look like them."""
SEEN_SEGMENTS = 0.08
"""± of a witness that sees where the points are, mean segments (our own)."""
LEAST_DIAMETER_PX, LEAST_SEEN, APART_SEGMENTS = 4.0, 0.5, 0.07
"""What is smaller or more hidden is no dot to learn from; nor what is nearer than so to one."""
SIZES = (480, 800)
"""Longer sides of the pictures drawn, each by half of the processes, px (our own)."""


def looks(
    bank: Bank, renderer: Renderer, rng: np.random.Generator, *, pictures: int
) -> Iterator[tuple[NDArray[np.uint8], NDArray[np.intp]]]:
    """Endless: looks (n, 2, S, S, 3) of one photo's dots and what each lies on (n,)."""
    while True:
        scene = build_scene(bank, rng, pictures=pictures, kind="bed", marks=False)
        if not set(MACHINE_POINTS) <= set(scene.points):
            continue
        radius_m = rng.uniform(0.0075, 0.0125)
        dots = discs(scene)
        white = with_discs(scene, dots, radius_m)
        for _ in range(SHOTS):
            camera = draw_camera(scene, rng, size=renderer.size)
            if camera.framing in ("elsewhere", "empty"):
                continue
            drawn = _drawn(renderer, (scene, white), camera, dots, radius_m, rng)
            if drawn is not None:
                yield _cut(drawn, rng)


def _drawn(
    renderer: Renderer, scenes: tuple[Scene, Scene], camera: Camera,
    dots: list[Dot], radius_m: float, rng: np.random.Generator,
) -> Drawn | None:  # fmt: skip
    """The dots in sight; None where there are fewer than two."""
    scene, light, seed = scenes[0], draw_light(rng, scenes[0].person), int(rng.integers(2**31))
    seen = unhidden(scene, camera, dots)
    x0, y0, x1, y1 = camera.window
    corner = np.array([x0, y0])
    leg = scene.person.leg if scene.person is not None else None
    if leg is None:
        return None
    rims = {n: outline(camera, at, normal, radius_m) - corner for n, at, normal in seen}
    inside = {
        n: rim
        for n, rim in rims.items()
        if (rim > 1).all() and (rim < (x1 - x0 - 1, y1 - y0 - 1)).all()
    }
    if len(inside) < 2:
        return None
    bare, white = (
        renderer.render(one, [(camera, light)], np.random.default_rng(seed))[0][y0:y1, x0:x1]
        for one in scenes
    )
    # Where the leg is counts for the scale, in the picture or not.
    xy: dict[str, np.ndarray] = {
        n: camera.project(leg.skin[n][None])[0] - corner for n in LEG_POINTS
    }
    return Drawn(bare, white, inside, xy, 26.0, hinge_off_mm(scene))


def _cut(drawn: Drawn, rng: np.random.Generator) -> tuple[NDArray[np.uint8], NDArray[np.intp]]:
    """A photo of painted dots, cut about each and beside them."""
    rgb = pigment(rng)
    picture = drawn.painted(rgb)
    share = drawn.seen(picture)
    rims = {
        n: rim for n, rim in drawn.rims.items()
        if share[n] >= LEAST_SEEN
        and 2 * math.sqrt(cv2.contourArea(rim.astype(np.float32)) / math.pi) >= LEAST_DIAMETER_PX
    }  # fmt: skip
    beside = _beside(drawn, rng)
    for place in beside[: BESIDE // 2]:
        size = float(np.median([np.ptp(rim, axis=0).mean() / 2 for rim in drawn.rims.values()]))
        shade = 255 * rgb * rng.uniform(0.4, 1.0)
        centre = tuple(int(v) for v in np.round(place * 8))
        over = np.ascontiguousarray(picture, np.float32)
        cv2.circle(over, centre, round(size * 8), shade.tolist(), -1, cv2.LINE_AA, 3)
        picture = over
    data = photographed(
        picture, rng, f35_mm=26.0, blur_px=float(rng.choice([0.0, 0.0, rng.uniform(0, 4)])),
        quality=int(rng.integers(50, 96)), noise_rgb=rng.uniform(0.5, 5.0),
    )  # fmt: skip
    photo = read_photo(data, name="drawn.jpg")
    mistaken = _mistaken(photo, drawn, rng)
    xy = np.array([*(rim.mean(axis=0) for rim in rims.values()), *beside, *mistaken])
    none = [ELSEWHERE] * (len(beside) + len(mistaken))
    kinds = np.array([*(NAMES.index(n) for n in rims), *none], dtype=np.intp)
    mirrored = bool(drawn.xy["ankle"][0] < drawn.xy["hip"][0])
    cut = crops(
        photo.small, xy.reshape(-1, 2), segment_px=drawn.segment_px, mirrored=mirrored,
        side_px=CUT_PX,
    )  # fmt: skip
    return cut, kinds


def _mistaken(photo: Photo, drawn: Drawn, rng: np.random.Generator) -> NDArray[np.float64]:
    """Patches that the program takes for dots where it knows the leg, and that are none."""
    dots = {name: rim.mean(axis=0) for name, rim in drawn.rims.items()}
    names = tuple(n for n in NAMES if n in LEG_POINTS or n in dots)
    xy = np.array([dots.get(n, drawn.xy.get(n)) for n in names])
    spread = (SEEN_SEGMENTS * drawn.segment_px) ** 2 * np.eye(2)
    expected = Expected(names, xy, np.broadcast_to(spread, (len(names), 2, 2)))
    found = [one.xy for one in sets_of(Picture.of(photo, ()), expected)]
    places = np.concatenate([*found, np.zeros((0, 2))])
    gap = np.linalg.norm(places[:, None] - np.array(list(dots.values())), axis=2).min(axis=1)
    apart = np.nonzero(gap > APART_SEGMENTS * drawn.segment_px)[0]
    return np.asarray(places[rng.permutation(apart)[:MISTAKEN]])


def _beside(drawn: Drawn, rng: np.random.Generator) -> NDArray[np.float64]:
    """Places about the leg on no dot."""
    height, width = drawn.bare.shape[:2]
    about = np.array([*drawn.xy.values(), *(rim.mean(axis=0) for rim in drawn.rims.values())])
    low = np.maximum(about.min(axis=0) - 0.4 * drawn.segment_px, 2)
    high = np.minimum(about.max(axis=0) + 0.4 * drawn.segment_px, (width - 2, height - 2))
    if (high <= low).any():
        return np.zeros((0, 2))
    places = rng.uniform(low, high, (4 * BESIDE, 2))
    dots = np.array([rim.mean(axis=0) for rim in drawn.rims.values()]).reshape(-1, 2)
    gap = np.linalg.norm(places[:, None] - dots, axis=2).min(axis=1, initial=np.inf)
    return np.asarray(places[gap > APART_SEGMENTS * drawn.segment_px][:BESIDE])


def _work(source: Source, seed: list[int], until: float, file: Path) -> int:
    """One process: looks until the time is up, kept as one file."""
    from knee_angle.training.renderer import Renderer

    cv2.setNumThreads(1)
    rng, backgrounds = np.random.default_rng(seed), load_pictures(source.pictures)
    size = SIZES[seed[1] % len(SIZES)]
    renderer = Renderer(size=size, pictures=backgrounds, device=source.device)
    kept, kinds = [], []
    for cut, which in looks(load_bank(source.bank), renderer, rng, pictures=len(backgrounds)):
        kept.append(cut)
        kinds.append(which)
        if time.monotonic() > until:
            break
    np.savez(
        file,
        looks=np.concatenate(kept),
        kinds=np.concatenate(kinds),
        photo=np.repeat(np.arange(len(kept)), [len(k) for k in kinds]),
    )
    return len(kept)


def looks_to(folder: Path, *, source: Source, workers: int, seed: int, seconds: float) -> int:
    """Draws for so long into ``looks_*.npz``; returns how many photos."""
    folder.mkdir(parents=True, exist_ok=True)
    until = time.monotonic() + seconds
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as crew:
        done = [
            crew.submit(_work, source, [seed, k], until, folder / f"looks_{k:03d}.npz")
            for k in range(workers)
        ]
        return sum(one.result() for one in done)
