"""Where lines of digits are: the finder's likeliest places, each fitted to the line's edges."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from knee_angle.photo.display.fit import around, fitted, normal
from knee_angle.photo.display.networks import Networks
from knee_angle.photo.display.rectify import LineBox
from knee_angle.photo.reading import Photo

__all__ = ["FoundLine", "find_lines", "lines_near", "over"]

Floats = NDArray[np.float64]
Rgb = NDArray[np.uint8]

SEARCH_PX = 800
"""Longest side of the picture that is searched, where it has to be made smaller..."""
AS_IT_IS_PX = 1000
"""... which a picture up to this size has not; by whole factors, the others are slow."""
LEAST_ODDS = -4.0
"""Logarithm of the odds at a place of the finder's map from which it is fitted (our own: the map
ranks, the fitter and the reader decide)."""
MOST_PLACES = 20
"""So many places are fitted once, the likeliest first: a number of few or thin signs stands far
down in the finder's order."""
MOST_AGAIN = 6
"""So many of them are looked at nearer, the likeliest by finder and fitter together."""
LEAST_FIT = 0.0
"""Logarithm of the fitter's odds from which a line is read (our own)."""
LEAST_FIRST = 1.0
"""The same at the first look, from which a place is looked at again."""
LEAST_PX = 4.0
"""Digits lower than this are none."""
FOUND_ODDS = 0.5
"""What the finder says of a display that is plain to see (our own)."""
MORE_FITS = 2
"""So many times what the fitter said is looked at again."""
STRIDE, STEPS = 4, 32
APART = 5
"""Cells of the map within which there is one place."""
NEARLY_LEVEL = 0.3
"""Sine of a direction up to which the fitter finds the same line as from level."""
START_PX = 16.0
"""Height of a digit where the finder says 0."""


@dataclass(frozen=True, slots=True)
class FoundLine:
    """A line, pixels of the photo.

    Parameters
    ----------
    box : LineBox
        Its edges.
    odds : float
        Logarithm of the odds that it is one, finder and fitter together: the order of lines.
    there : float
        Probability that it is one, by the fitter alone, which has looked at it nearest.
    """

    box: LineBox
    odds: float
    there: float = 1.0


def find_lines(photo: Photo, networks: Networks) -> list[FoundLine]:
    """Lines that may be digits, the likeliest first.

    Parameters
    ----------
    photo : Photo
        The photo; its full size is asked for only around the places.
    networks : Networks
        Finder and fitter are used.
    """
    small, factor = _smaller(photo.small)
    return _fit(photo, _places(small, networks, factor * photo.scale_x), networks)


def lines_near(photo: Photo, box: LineBox, networks: Networks) -> list[FoundLine]:
    """The line at about a place where one was before, without asking the finder."""
    return _fit(photo, [(FOUND_ODDS, (box,))], networks)


def _smaller(picture: Rgb) -> tuple[Rgb, int]:
    """The picture at about the size that is searched, and by what it is smaller."""
    longest = max(picture.shape[:2])
    factor = 1 if longest <= AS_IT_IS_PX else -(-longest // SEARCH_PX)
    if factor == 1:
        return picture, 1
    size = (max(1, picture.shape[1] // factor), max(1, picture.shape[0] // factor))
    whole = picture[: size[1] * factor, : size[0] * factor]
    return np.asarray(cv2.resize(whole, size, interpolation=cv2.INTER_AREA), np.uint8), factor


def _places(
    small: Rgb, networks: Networks, scale: float
) -> list[tuple[float, tuple[LineBox, ...]]]:
    """The finder's likeliest places: their odds, and the line as it may run there.

    The finder tells a line's middle well, its direction less so: the line is tried along that and,
    where that is another one, level.
    """
    h, w = small.shape[:2]
    padded = cv2.copyMakeBorder(
        small, 0, -h % STEPS, 0, -w % STEPS, cv2.BORDER_CONSTANT, value=(127, 127, 127)
    )
    told = networks.found(np.asarray(padded, np.uint8))
    odds = told[0].astype(np.float32)
    top = (cv2.dilate(odds, np.ones((APART, APART), np.uint8)) == odds) & (odds > LEAST_ODDS)
    rows, columns = np.nonzero(top)
    order = np.argsort(-odds[rows, columns], kind="stable")[:MOST_PLACES]
    places = []
    for y, x in zip(rows[order], columns[order], strict=True):
        digit = START_PX * 2.0 ** float(np.clip(told[1, y, x], -2, 4))
        middle = (np.array([x, y]) + 0.5) * STRIDE + told[2:4, y, x] * digit
        way = told[4:6, y, x] / max(float(np.hypot(*told[4:6, y, x])), 1e-6)
        ways = (way,) if abs(way[1]) < NEARLY_LEVEL else (way, (1.0, 0.0))
        tries = tuple(_level(middle * scale, one, digit * scale) for one in ways)
        places.append((float(odds[y, x]), tries))
    return places


def _level(middle: Floats, way: Sequence[float] | Floats, digit: float) -> LineBox:
    """A box of one digit along a direction."""
    x, y = float(way[0]), float(way[1])
    half = digit / 2
    centre = (float(middle[0]), float(middle[1]))
    return LineBox(centre, (x * half, y * half), (-y * half, x * half))


def _fit(
    photo: Photo, places: Sequence[tuple[float, Sequence[LineBox]]], networks: Networks
) -> list[FoundLine]:
    """The lines at places, each once, the likeliest first."""
    if not places:
        return []
    picture = photo.full()
    tries = [box for _, boxes in places for box in boxes]
    owner = [i for i, (_, boxes) in enumerate(places) for _ in boxes]
    boxes, odds = _once(picture, tries, networks)
    best = [
        max((k for k in range(len(owner)) if owner[k] == i), key=lambda k: odds[k])
        for i in range(len(places))
    ]
    kept = [i for i, k in enumerate(best) if odds[k] > LEAST_FIRST]
    kept = sorted(kept, key=lambda i: places[i][0] + odds[best[i]], reverse=True)[:MOST_AGAIN]
    if not kept:
        return []
    boxes = [boxes[best[i]] for i in kept]
    for _ in range(MORE_FITS):
        boxes, odds = _once(picture, boxes, networks)
    lines = [
        FoundLine(box, float(fit) + places[i][0], 1 / (1 + float(np.exp(-fit))))
        for box, fit, i in zip(boxes, odds, kept, strict=True)
        if fit > LEAST_FIT and box.digit_px > LEAST_PX
    ]
    found: list[FoundLine] = []
    for line in sorted(lines, key=lambda one: -one.odds):
        if not any(_same(line.box, other.box) for other in found):
            found.append(line)
    return found


def _once(
    picture: Rgb, boxes: Sequence[LineBox], networks: Networks
) -> tuple[list[LineBox], Floats]:
    """Boxes fitted once more, and the logarithm of the odds of each."""
    seen = [around(picture, box) for box in boxes]
    answers = networks.fit(normal([one for one, _ in seen]))
    return fitted(answers, [axes for _, axes in seen], boxes), answers[:, 6]


def _same(one: LineBox, other: LineBox) -> bool:
    """Whether two boxes cut out the same, be it from the other end."""
    near = 0.3 * min(one.digit_px, other.digit_px)
    if np.hypot(*(np.array(one.centre) - other.centre)) > near:
        return False
    pairs = ((one.along, other.along), (one.down, other.down))
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
