"""Places that differ in colour from their surroundings in nearly all directions.

No list of hues: black, white and any pigment count alike. An edge or a line fails, because
along it there are two directions without a difference.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Proposals", "propose"]

Floats = NDArray[np.float64]
Rgb = NDArray[np.uint8]
Grey = NDArray[np.uint8]

WORKING_SIDE_PX = 1100
"""A picture with a longer side is halved first: a 10 mm dot in a photo of a whole bed
(2 m across 1600 px) is still 4 px wide then."""
LEVELS = 4
"""Halvings searched; two reaches each cover diameters of 3 to 40 working pixels."""
REACHES_PX = (3, 4)
"""Distance of the surroundings looked at, in pixels of the level."""
REACH_PER_RADIUS = 1.8
"""The surroundings begin outside the dot, and inside the width of a machine's bar."""
DIFFERENCE = 20
"""Colour difference (sum of three channels of 255) beyond the local unevenness. JPEG
noise of a phone gives about 6."""
UNEVENNESS = 2.0
"""How many times the unevenness of the centre is taken off: more suppresses edges."""
MOST_PROPOSALS, TILES = 600, 6
"""So many are kept, so that a page full of texture costs no more than a bed. Where there are
more, each of 6 x 6 parts of the picture in turn gives its strongest: a lively curtain leaves
room for the dots on a plain leg (our own)."""


@dataclass(frozen=True, slots=True)
class Proposals:
    """Places worth a closer look.

    Parameters
    ----------
    xy : ndarray, shape (n, 2)
        Position, px.
    radius : ndarray, shape (n,)
        Rough radius, px.
    strength : ndarray, shape (n,)
        Colour difference to the surroundings, 0-255.
    """

    xy: Floats
    radius: Floats
    strength: Floats


def propose(picture: Rgb) -> Proposals:
    """Places that differ from their surroundings in nearly every direction.

    Parameters
    ----------
    picture : ndarray of uint8, shape (height, width, 3)
        RGB.

    Returns
    -------
    Proposals
        The strongest first.
    """
    height, width = picture.shape[:2]
    level = picture
    if max(height, width) > WORKING_SIDE_PX:
        level = _halved(picture)
    rows: list[Floats] = []
    for _ in range(LEVELS):
        if min(level.shape[:2]) < 24:  # nothing left to have surroundings in
            break
        scale = np.array([width / level.shape[1], height / level.shape[0]])
        rows.extend(_level_proposals(level, reach, scale) for reach in REACHES_PX)
        level = _halved(level)
    table = np.concatenate(rows) if rows else np.zeros((0, 4))
    table = table[np.argsort(-table[:, 3], kind="stable")]
    if len(table) > MOST_PROPOSALS:
        table = table[_from_every_tile(table[:, :2] / [width, height])]
    return Proposals(xy=table[:, :2], radius=table[:, 2], strength=table[:, 3])


def _from_every_tile(share: Floats) -> NDArray[np.intp]:
    """`MOST_PROPOSALS` rows, taken in turn from each part of the picture; in their old order.

    ``share`` (n, 2) is where they lie, in widths and heights; the strongest comes first.
    """
    column, row = np.clip((share * TILES).astype(int), 0, TILES - 1).T
    tile = row * TILES + column
    by_tile = np.argsort(tile, kind="stable")
    first = np.searchsorted(tile[by_tile], tile[by_tile])
    turn = np.empty(len(tile), dtype=int)
    turn[by_tile] = np.arange(len(tile)) - first
    return np.sort(np.argsort(turn, kind="stable")[:MOST_PROPOSALS])


def _halved(picture: Rgb) -> Rgb:
    size = (max(picture.shape[1] // 2, 1), max(picture.shape[0] // 2, 1))
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _level_proposals(level: Rgb, reach: int, scale: Floats) -> Floats:
    """Rows of x, y, radius, strength in pixels of the whole picture."""
    sigma = reach / 4.0
    # Further out its weights are 0 in 8 bits; OpenCV's own choice reaches there in vain.
    side = 2 * math.ceil(2.5 * sigma) + 1
    planes = cv2.split(cv2.GaussianBlur(level, (side, side), sigma))
    outside = _second_least_difference(planes, reach, reach)
    uneven = _largest_step(planes, reach)
    stands_out = cv2.subtract(outside, cv2.multiply(uneven, UNEVENNESS))
    highest = cv2.dilate(stands_out, np.ones((5, 5), np.uint8))
    peaks = cv2.bitwise_and(
        cv2.compare(stands_out, highest, cv2.CMP_EQ), cv2.inRange(stands_out, DIFFERENCE, 255)
    )
    places = cv2.findNonZero(peaks)
    x, y = np.zeros((2, 0), int) if places is None else places.reshape(-1, 2).T
    rows = np.empty((len(x), 4))
    rows[:, 0] = (x + reach + 0.5) * scale[0]
    rows[:, 1] = (y + reach + 0.5) * scale[1]
    rows[:, 2] = reach / REACH_PER_RADIUS * scale.mean()
    rows[:, 3] = stands_out[y, x]
    return rows


def _steps(planes: Sequence[Grey], dx: int, dy: int, room: Grey) -> Grey:
    """Difference of every pixel to the one ``dx`` right of and ``dy`` below it, all channels.

    Saturates at 255. Its corner is the left pixel of the first pair (``dx`` may be negative).
    ``room`` (2, height, width) is written to, its first half with the answer: new memory for
    each step would take longer than the step.
    """
    height, width = planes[0].shape
    left, right = max(-dx, 0), width - max(dx, 0)
    total, one = room[:, : height - dy, : right - left]
    for k, plane in enumerate(planes):
        here, there = plane[: height - dy, left:right], plane[dy:, left + dx : right + dx]
        cv2.absdiff(here, there, one if k else total)
        if k:
            cv2.add(total, one, total)
    return np.asarray(total)


def _second_least_difference(planes: Sequence[Grey], reach: int, margin: int) -> Grey:
    """Difference to 8 points around, the second least of them.

    Not the least: one neighbour of the same colour (another dot) is allowed, an edge
    through the place, which has two, is not.
    """
    diagonal = round(reach * np.sqrt(0.5))
    half_around = [(reach, 0), (0, reach), (diagonal, diagonal), (-diagonal, diagonal)]
    height, width = planes[0].shape
    room = np.empty((2, height, width), dtype=np.uint8)
    least = np.full((height - 2 * margin, width - 2 * margin), 255, dtype=np.uint8)
    second, larger = least.copy(), least.copy()
    for dx, dy in half_around:
        # The difference of two pixels serves both: one looks there, the other back.
        steps = _steps(planes, dx, dy, room)
        for back in (False, True):
            y, x = margin - back * dy, margin - max(-dx, 0) - back * dx
            step = steps[y : y + height - 2 * margin, x : x + width - 2 * margin]
            cv2.min(second, cv2.max(least, step, larger), second)
            cv2.min(least, step, least)
    return second


def _largest_step(planes: Sequence[Grey], margin: int) -> Grey:
    """Difference to the nearest neighbours, the largest of four."""
    height, width = planes[0].shape
    room = np.empty((4, height, width), dtype=np.uint8)
    across, down = _steps(planes, 1, 0, room[:2]), _steps(planes, 0, 1, room[2:])
    m, right, low = margin, width - margin, height - margin
    most = cv2.max(across[m:low, m:right], across[m:low, m - 1 : right - 1])
    for other in (down[m:low, m:right], down[m - 1 : low - 1, m:right]):
        cv2.max(most, other, most)
    return np.asarray(most, dtype=np.uint8)
