"""Where lines of digits may be: windows of displays, the likeliest by the finder's map first."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from knee_angle.photo.display.networks import Networks
from knee_angle.photo.display.rectify import LineBox
from knee_angle.photo.display.windows import lines_in, windows_of
from knee_angle.photo.reading import Photo

__all__ = ["FoundLine", "find_lines", "lines_near", "over"]

Floats = NDArray[np.float64]
Rgb = NDArray[np.uint8]

SEARCH_PX = 1024
"""Longest side of the picture that is searched."""
LEAST_ODDS = -3.5
"""Logarithm of the odds, somewhere in a window, from which its lines are read (our own: the map
ranks, the reader decides)."""
MOST_WINDOWS = 10
"""So many windows are looked into, the likeliest first."""
MOST_LINES = 14
"""So many lines are read."""
STRIDE, STEPS = 4, 32


@dataclass(frozen=True, slots=True)
class FoundLine:
    """A line, the logarithm of the odds of its window, and that window's corners.

    Pixels of the photo.
    """

    box: LineBox
    odds: float
    window: tuple[tuple[float, float], ...] = ()


def find_lines(photo: Photo, networks: Networks) -> list[FoundLine]:
    """Lines that may be digits, those of the likeliest window first.

    Parameters
    ----------
    photo : Photo
        The photo; its full size is asked for only in windows.
    networks : Networks
        The finder is used.
    """
    small = _smaller(photo.small)
    scale = photo.width / small.shape[1]
    odds = _odds(small, networks)
    windows = [(_odds_in(odds, quad), quad * scale) for quad in windows_of(small)]
    likely = sorted((w for w in windows if w[0] > LEAST_ODDS), key=lambda w: -w[0])
    return _lines(photo, likely[:MOST_WINDOWS])


def lines_near(photo: Photo, box: LineBox) -> list[FoundLine]:
    """Lines of windows around a place, without asking the finder."""
    reach = 2.5 * float(np.hypot(*box.along)) + 3 * box.digit_px
    x, y = box.centre
    part, (left, top) = photo.window(
        int(x - reach), int(y - reach), int(x + reach) + 1, int(y + reach) + 1
    )
    if min(part.shape[:2]) < 16:
        return []
    return _lines(photo, [(0.0, quad + (left, top)) for quad in windows_of(part)])


def _smaller(picture: Rgb) -> Rgb:
    """The picture at the size that is searched."""
    scale = SEARCH_PX / max(picture.shape[:2])
    if scale >= 1:
        return picture
    size = (round(picture.shape[1] * scale), round(picture.shape[0] * scale))
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.uint8)


def _odds(small: Rgb, networks: Networks) -> Floats:
    """The finder's map: logarithm of the odds that a line of digits has its middle there."""
    h, w = small.shape[:2]
    padded = cv2.copyMakeBorder(
        small, 0, -h % STEPS, 0, -w % STEPS, cv2.BORDER_CONSTANT, value=(127, 127, 127)
    )
    return np.asarray(networks.found(np.asarray(padded, np.uint8))[0], float)


def _odds_in(odds: Floats, quad: Floats) -> float:
    """The largest odds inside a window."""
    cells = quad / STRIDE - 0.5
    low = np.maximum(np.floor(cells.min(0)).astype(int), 0)
    high = np.ceil(cells.max(0)).astype(int) + 1
    part = odds[low[1] : high[1], low[0] : high[0]]
    if part.size == 0:
        return -np.inf
    inside = np.zeros(part.shape, np.uint8)
    cv2.fillPoly(inside, [np.round(cells - low).astype(np.int32)], 1)
    return float(part[inside > 0].max(initial=-np.inf))


def _lines(photo: Photo, windows: Iterable[tuple[float, Floats]]) -> list[FoundLine]:
    """The lines of windows, each once."""
    found: list[FoundLine] = []
    for odds, quad in windows:
        for box in lines_in(photo.full(), quad):
            if not any(_same(box, other.box) for other in found):
                corners = tuple((float(x), float(y)) for x, y in quad)
                found.append(FoundLine(box, odds, corners))
            if len(found) == MOST_LINES:
                return found
    return found


def _same(one: LineBox, other: LineBox) -> bool:
    """Whether two boxes cut out the same, be it from the other end."""
    near = 0.12 * one.digit_px
    if np.hypot(*(np.array(one.centre) - other.centre)) > near:
        return False
    pairs: Sequence[tuple[tuple[float, float], tuple[float, float]]] = (
        (one.along, other.along), (one.down, other.down),
    )  # fmt: skip
    return all(
        min(np.hypot(*(np.array(a) - b)), np.hypot(*(np.array(a) + b))) < near for a, b in pairs
    )


def over(one: LineBox, other: LineBox) -> bool:
    """Whether the middle of one lies in the other, or the other way round."""

    def inside(point: tuple[float, float], box: LineBox) -> bool:
        axes = np.array([box.along, box.down]).T
        at = np.linalg.solve(axes, np.array(point) - np.array(box.centre))
        return bool((np.abs(at) < 1.0).all())

    return inside(one.centre, other) or inside(other.centre, one)
