"""Drawn displays as samples for the networks, made by several processes at once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch.utils.data import IterableDataset, get_worker_info

from knee_angle.photo.display.fit import FIT_SIZE, around, told_of
from knee_angle.photo.display.line import CHARACTERS, STATES
from knee_angle.photo.display.rectify import CROP_SIZE, LineBox, box_of, straightened
from knee_angle.training.display_panels import Number
from knee_angle.training.display_scenes import Scene, World, draw_scene

__all__ = ["MOST_NUMBERS", "MOST_SIGNS", "Blocks", "finder_block", "fitter_block", "reader_block"]

MOST_NUMBERS = 14
MOST_SIGNS = 12
PATCH = 384
SMALL_PX = (11.0, 26.0)
"""Where most displays of a photo taken from a bed's side lie: more are drawn of these."""
UPRIGHT, TURNED, NOTHING = range(len(STATES))
Block = dict[str, NDArray[Any]]


def finder_block(rng: np.random.Generator, world: World, count: int) -> Block:
    """Pictures of 384 px, and for each number its middle, way along, way down, certainty."""
    pictures = np.zeros((count, PATCH, PATCH, 3), np.uint8)
    numbers = np.zeros((count, MOST_NUMBERS, 7), np.float32)
    for i in range(count):
        panels = int(rng.choice([0, 1, 2, 3], p=[0.22, 0.46, 0.22, 0.1]))
        heights = (5.0, 22.0) if rng.random() < 0.6 else (5.5, 85.0)
        scene = draw_scene(rng, world, size=PATCH, panels=panels, digit_px=heights, clutter=6)
        pictures[i] = scene.rgb
        both = [(n.quad, 1.0) for n in scene.numbers] + [(q, 2.0) for q in scene.unclear]
        for k, (quad, what) in enumerate(both[:MOST_NUMBERS]):
            box = box_of(quad)
            numbers[i, k] = (*box.centre, *box.along, *box.down, what)
    return {"pictures": pictures, "numbers": numbers}


def _shaken(rng: np.random.Generator, box: LineBox) -> LineBox:
    """A box as a finder gives it: a little beside, turned and of another size."""
    c, u, v = (np.array(p) for p in (box.centre, box.along, box.down))
    digit = box.digit_px
    c = c + rng.normal(0, 0.07, 2) * digit
    turn = rng.normal(0, np.radians(2.5))
    spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    reach = np.linalg.norm(u)
    u = spin @ u * max(0.5, (reach + rng.normal(0.04, 0.12) * digit) / reach)
    v = spin @ v * np.exp(rng.normal(0.03, 0.08))
    return LineBox(*((float(p[0]), float(p[1])) for p in (c, u, v)))


def _cut_off(rng: np.random.Generator, box: LineBox) -> LineBox:
    """A box that ends in the middle of its line."""
    u = np.array(box.along)
    share = rng.uniform(0.25, 0.6)
    side = rng.choice([-1.0, 1.0])
    c = np.array(box.centre) + side * share * u
    u = u * (1 - share)
    return LineBox((float(c[0]), float(c[1])), (float(u[0]), float(u[1])), box.down)


def _anywhere(rng: np.random.Generator, picture: NDArray[np.uint8]) -> LineBox:
    """A box somewhere, mostly where something is to be seen."""
    digit = float(np.exp(rng.uniform(np.log(6), np.log(40))))
    turn = rng.uniform(-np.pi, np.pi)
    c, s = float(np.cos(turn)), float(np.sin(turn))
    long = digit * rng.uniform(0.25, 1.8)
    size, half = picture.shape[0], max(3, int(digit))
    tries = rng.uniform(0, size, (int(rng.choice([1, 4, 8])), 2))
    spread = [
        float(picture[max(0, int(y) - half) : int(y) + half, max(0, int(x) - half) : int(x) + half]
              .std())
        for x, y in tries
    ]  # fmt: skip
    x, y = (float(v) for v in tries[int(np.argmax(spread))])
    return LineBox((x, y), (c * long, s * long), (-s * digit / 2, c * digit / 2))


def _apart(box: LineBox, scene: Scene) -> bool:
    """Whether a box lies well off every number."""
    quads = [n.quad for n in scene.numbers] + list(scene.unclear)
    reach = np.hypot(*box.along) + box.digit_px
    return all(
        np.linalg.norm(np.array(box.centre) - q.mean(0))
        > reach + np.linalg.norm(q[1] - q[0]) / 2 + box.digit_px
        for q in quads
    )


def _hidden(rng: np.random.Generator, rgb: NDArray[np.uint8], box: LineBox) -> NDArray[np.uint8]:
    """The picture with something lying over part of the line."""
    out = rgb.copy()
    c, u, v = (np.array(p) for p in (box.centre, box.along, box.down))
    at = c + rng.choice([-1, 1]) * rng.uniform(0.2, 0.8) * u
    half = max(0.24 * float(np.linalg.norm(u)), 0.3 * box.digit_px) * u / np.linalg.norm(u)
    corners = np.array([at - half - 2 * v, at + half - 2 * v, at + half + 2 * v, at - half + 2 * v])
    colour = tuple(int(p) for p in rng.uniform(0, 255, 3))
    cv2.fillPoly(out, [np.round(corners).astype(np.int32)], colour, cv2.LINE_AA)
    return out


@dataclass(frozen=True, slots=True)
class _Sample:
    """A line laid straight, how much of it shows the picture, what it says, and how it stands."""

    crop: NDArray[np.uint8]
    columns: int
    says: str
    state: int


def _of_number(rng: np.random.Generator, scene: Scene, number: Number) -> _Sample:
    """A number as read upright, on its head, cut off, covered or across."""
    box, rgb, state = box_of(number.quad), scene.rgb, UPRIGHT
    dice = rng.random()
    if dice < 0.42:
        box, state = box.turned(), TURNED
    elif dice > 0.84:
        state = NOTHING
        if dice < 0.91 and len(number.says) > 1:
            box = _cut_off(rng, box)
        elif dice < 0.97:
            rgb = _hidden(rng, rgb, box)
        else:
            turned = (-box.along[1], box.along[0]), (-box.down[1], box.down[0])
            box = LineBox(box.centre, *turned)
        box = _either_way(rng, box)
    return _Sample(*straightened(rgb, _shaken(rng, box)), number.says, state)


def _either_way(rng: np.random.Generator, box: LineBox) -> LineBox:
    """A box, or the same from its other end."""
    return box.turned() if rng.random() < 0.5 else box


def _heights(rng: np.random.Generator, low: float, high: float) -> tuple[float, float]:
    return SMALL_PX if rng.random() < 0.5 else (low, high)


def _samples(rng: np.random.Generator, world: World) -> Iterator[_Sample]:
    """Samples without end."""
    while True:
        heights = _heights(rng, 8.5, 52.0)
        scene = draw_scene(rng, world, size=208, panels=1, digit_px=heights, clutter=2)
        for number in scene.numbers:
            if len(number.says) > MOST_SIGNS:
                continue
            for _ in range(3):
                yield _of_number(rng, scene, number)
        for box in _no_displays(rng, scene, 0.35):
            yield _Sample(*straightened(scene.rgb, _shaken(rng, box)), "", NOTHING)


def _no_displays(rng: np.random.Generator, scene: Scene, often: float) -> list[LineBox]:
    """Boxes on no display: one on printed digits, and now and then one anywhere."""
    boxes = [box_of(quad) for quad in scene.printed[-1:]]
    boxes = [_either_way(rng, box) for box in boxes if 6 < box.digit_px < 60]
    if rng.random() < often:
        boxes.append(_anywhere(rng, scene.rgb))
    return [box for box in boxes if _apart(box, scene)]


def reader_block(rng: np.random.Generator, world: World, count: int) -> Block:
    """Lines laid straight, how many columns show the picture, what they say, how they stand."""
    crops = np.zeros((count, CROP_SIZE[1], CROP_SIZE[0], 3), np.uint8)
    columns = np.zeros(count, np.int64)
    says = np.zeros((count, MOST_SIGNS), np.int64)
    states = np.zeros(count, np.int64)
    for i, sample in zip(range(count), _samples(rng, world), strict=False):
        crops[i], columns[i], states[i] = sample.crop, sample.columns, sample.state
        signs = [1 + CHARACTERS.index(c) for c in sample.says]
        says[i, : len(signs)] = signs
    return {"crops": crops, "columns": columns, "says": says, "states": states}


def _guessed(rng: np.random.Generator, box: LineBox) -> LineBox:
    """About where a line is, as the finder says it or as a first fit left it."""
    if rng.random() < 0.3:
        box = box.turned()
    near = rng.random() < 0.4
    c, u, v = (np.array(p) for p in (box.centre, box.along, box.down))
    c = c + rng.normal(0, 0.1 if near else 0.3, 2) * box.digit_px
    turn = rng.normal(0, np.radians(4 if near else 12))
    if not near and rng.random() < 0.4:
        turn = rng.uniform(-1.1, 1.1)
    spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    u = spin @ u
    if not near or rng.random() < 0.3:  # the finder says nothing of how it leans
        v = np.array([-u[1], u[0]]) / np.linalg.norm(u) * np.linalg.norm(v)
    else:
        v = spin @ v + rng.normal(0, 0.05) * np.linalg.norm(v) * u / np.linalg.norm(u)
    v = v * np.exp(rng.normal(0, 0.08 if near else 0.35))
    return LineBox(*((float(p[0]), float(p[1])) for p in (c, u, v)))


def _guesses(
    rng: np.random.Generator, world: World
) -> Iterator[tuple[NDArray[np.uint8], NDArray[np.float64]]]:
    """Neighbourhoods without end, each with what is to be said of it."""
    while True:
        heights = _heights(rng, 7.0, 60.0)
        scene = draw_scene(rng, world, size=232, panels=1, digit_px=heights, clutter=2)
        for number in scene.numbers:
            if len(number.says) > MOST_SIGNS:
                continue
            box = box_of(number.quad)
            for _ in range(5):
                guess = _guessed(rng, box)
                turned = np.dot(guess.along, box.along) < 0
                picture, axes = around(scene.rgb, guess)
                said = told_of(box.turned() if turned else box, axes, guess.centre)
                yield picture, np.append(said, 1.0)
        for box in _no_displays(rng, scene, 1.0):
            for _ in range(2):
                yield around(scene.rgb, _guessed(rng, box))[0], np.zeros(7)


def fitter_block(rng: np.random.Generator, world: World, count: int) -> Block:
    """Neighbourhoods laid about straight, and the box in each: middle, along, down, whether one."""
    pictures = np.zeros((count, FIT_SIZE[1], FIT_SIZE[0], 3), np.uint8)
    boxes = np.zeros((count, 7), np.float32)
    for i, (picture, said) in zip(range(count), _guesses(rng, world), strict=False):
        pictures[i], boxes[i] = picture, said
    return {"pictures": pictures, "boxes": boxes}


MAKERS = {"finder": finder_block, "fitter": fitter_block, "reader": reader_block}


class Blocks(IterableDataset[Any]):  # type: ignore[misc, unused-ignore]
    """Blocks of samples without end, other ones in each process."""

    def __init__(self, what: str, world: World, count: int, seed: int) -> None:
        super().__init__()
        self.what, self.world, self.count, self.seed = what, world, count, seed

    def __iter__(self) -> Iterator[dict[str, torch.Tensor]]:
        """Draws as long as it is asked."""
        cv2.setNumThreads(1)
        worker = get_worker_info()
        rng = np.random.default_rng([self.seed, worker.id if worker else 0])
        make = MAKERS[self.what]
        while True:
            block = make(rng, self.world, self.count)
            yield {name: torch.from_numpy(values) for name, values in block.items()}
