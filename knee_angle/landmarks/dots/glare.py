"""Dots from which a light glares: painted over in their own colour, so that they are whole again.

A flash or a lamp mirrors in a sticker as a white spot; what is left of the dot is a crescent, a
ring or two pieces, whose outlines are not the dot's. Where white touches a known pigment and both
together fill a disc of a dot's size, the white is taken for glare. White beside a dot (a sheet,
a strap) is larger than a dot or fills no disc with it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from knee_angle.landmarks.dots.colour import (
    CLOSE_PIGMENT2,
    NEAR_PIGMENT2,
    Box,
    Paint,
    pigment_mask,
    places_in,
    rgb_of,
)

__all__ = ["without_glare"]

Floats = NDArray[np.float64]
Rgb = NDArray[np.uint8]
Bools = NDArray[np.bool_]
Part = tuple[slice, slice]

MIXED_FROM, OFF_RGB = (0.55, 0.3), 28.0
"""From which share of white on a pixel is glare (the more first; the less where JPEG has blurred
a wide edge), and how far from that mixture (our own)."""
ACROSS, SQUARES = 4.0, 64.0
"""Steps a unit to which a colour's distance from the mixtures is rounded, and what its square is
divided by: `OFF_RGB` fits into 8 bits either way."""
LEAST_PX, LEAST_LEFT = 3, 0.12
"""Pixels of a spot of glare at least, and least share of pigment in the disc (our own)."""
GAP, LEAST_GAP_PX = 0.5, 2
"""Between full glare and the pigment lies a mixture of both, so wide in radii of the spot."""
FILLED_ELLIPSE, ROUND = 0.85, 0.4
"""The same of an ellipse, for a dot seen obliquely, and how round that must be (our own)."""
FILLED, LARGEST = 0.68, 1.35
"""How much of its circle a disc fills, and its largest radius in those of the largest dot; light
spills a little over a dot's edge (our own)."""


def without_glare(
    picture: Rgb, paint: Paint, members: Floats, radius: float, box: Box, *, close: bool = False
) -> tuple[Rgb, Floats]:
    """The picture with its glaring dots of one pigment whole.

    Parameters
    ----------
    picture : ndarray of uint8, shape (height, width, 3)
        RGB.
    paint : Paint
        Its colours.
    members : ndarray, shape (k, 3)
        Colours of whole dots of the pigment, CIE L*a*b*.
    radius : float
        Of the largest dot, px.
    box : (int, int, int, int)
        Where to look: left, top, right, bottom.
    close : bool
        Look once more for dots on what has about their colour.

    Returns
    -------
    picture : ndarray of uint8
        The same one where no dot glares.
    discs : ndarray, shape (n, 3)
        Centre x, y and radius, px, of each dot that was painted over.
    """
    left, top, right, bottom = box
    window, rgb = picture[top:bottom, left:right], rgb_of(np.median(members, axis=0))
    share = _whiteness(window, rgb)
    discs: list[tuple[float, float, float]] = []
    healed = picture
    # Most spots of a dull pigment's "glare" are far from it (a square is dilated the fastest).
    gap = np.ones((2 * max(LEAST_GAP_PX, round(GAP * radius)) + 1,) * 2, np.uint8)
    for near2 in (NEAR_PIGMENT2, CLOSE_PIGMENT2) if close else (NEAR_PIGMENT2,):
        pigment = pigment_mask(paint, members, box, near2)
        near = cv2.dilate(pigment.view(np.uint8), gap).view(np.bool_)
        for least in MIXED_FROM:
            glare = (share >= math.ceil(255.0 * least)) & ~pigment
            for there, whole, disc in _glaring(glare, near, pigment, radius):
                x, y = left + there[1].start + disc[0], top + there[0].start + disc[1]
                if any(np.hypot(x - other[0], y - other[1]) < other[2] for other in discs):
                    continue
                healed = picture.copy() if healed is picture else healed
                healed[top:bottom, left:right][there][whole & ~pigment[there]] = rgb
                discs.append((x, y, disc[2]))
    return healed, np.array(discs).reshape(-1, 3)


def _glaring(
    glare: Bools, near: Bools, pigment: Bools, radius: float
) -> Iterator[tuple[Part, Bools, tuple[float, float, float]]]:
    """Each disc that a spot of glare makes with pigment: where to look, its pixels, itself."""
    columns, rows = places_in(near & glare)
    if len(columns) == 0:
        return
    # Without OpenCV's statistics, which take four times as long as the parts: few touch pigment.
    count, labels = cv2.connectedComponentsWithAlgorithm(
        glare.view(np.uint8), 8, cv2.CV_32S, cv2.CCL_GRANA
    )
    pixel = np.full(count, -1)
    pixel[labels[rows, columns]] = np.arange(len(rows))  # any one of each part
    far = int(2.0 * radius) + 1
    for which in np.nonzero(pixel >= 0)[0]:
        # A spot that is smaller than a dot lies whole so far around any of its pixels.
        about = _around((columns[pixel[which]], rows[pixel[which]], 1, 1), far, glare.shape)
        spot = (labels[about] == which).view(np.uint8)
        x, y, wide, high = cv2.boundingRect(spot)
        area = cv2.countNonZero(spot)
        if area < LEAST_PX or max(wide, high) >= 2.0 * radius:
            continue
        box = about[1].start + x, about[0].start + y, wide, high
        gap = max(LEAST_GAP_PX, round(GAP * float(np.sqrt(area / np.pi))))
        close = _around(box, gap, glare.shape)
        grown = cv2.dilate((labels[close] == which).view(np.uint8), _round(gap)).view(np.bool_)
        if not (grown & pigment[close]).any():
            continue
        there = _around(box, far, glare.shape)
        disc = _disc(labels[there] == which, pigment[there], gap, LARGEST * radius)
        if disc is not None:
            yield there, disc[0], disc[1:]


def _around(box: Box, by: int, shape: tuple[int, ...]) -> Part:
    """What lies in a box (left, top, width, height), or by so much beside it, of a picture."""
    x, y, wide, high = box
    return (
        slice(max(y - by, 0), min(y + high + by, shape[0])),
        slice(max(x - by, 0), min(x + wide + by, shape[1])),
    )


def _disc(
    spot: Bools, pigment: Bools, gap: int, most: float
) -> tuple[Bools, float, float, float] | None:
    """Pixels, centre and radius of the disc that a spot of glare makes with the pigment by it.

    None where they make no disc of at most that radius. Coordinates are the part's.
    """
    kernel = _round(gap)
    left_over = _touched(spot, pigment, kernel, 2.0 * most)
    in_rest = np.count_nonzero(left_over)
    if in_rest == 0 or in_rest < LEAST_LEFT * (np.count_nonzero(spot) + in_rest):
        return None  # the whole disc is no smaller than both
    whole = _closed(spot | left_over, kernel)
    area = np.count_nonzero(whole)
    places = cv2.findNonZero(whole.view(np.uint8))
    (x, y), reach = cv2.minEnclosingCircle(places)
    reach += 0.5
    if in_rest < LEAST_LEFT * area or reach > most:
        return None
    if area <= FILLED * np.pi * reach**2:
        _, (long, wide), _ = cv2.minAreaRect(places)  # between centres of pixels
        ellipse = 0.25 * np.pi * (long + 1.0) * (wide + 1.0)
        thin = min(long, wide) + 1.0 <= ROUND * (max(long, wide) + 1.0)
        if thin or area <= FILLED_ELLIPSE * ellipse:
            return None
    return whole, x + 0.5, y + 0.5, reach


def _touched(spot: Bools, pigment: Bools, kernel: Rgb, most: float) -> Bools:
    """Parts of the pigment, less than ``most`` long, that a spot touches once it is grown."""
    grown = cv2.dilate(spot.view(np.uint8), kernel).view(np.bool_)
    _, labels = cv2.connectedComponents(pigment.view(np.uint8), connectivity=4)
    touched = np.zeros(spot.shape, dtype=bool)
    for which in np.unique(labels[grown & pigment]):
        part = labels == which
        if max(cv2.boundingRect(part.view(np.uint8))[2:]) < most:
            touched |= part
    return touched


def _closed(mask: Bools, kernel: Rgb) -> Bools:
    """A mask with its gaps closed; no pixel of that lies outside its box."""
    gap = len(kernel) // 2
    x, y, wide, high = cv2.boundingRect(mask.view(np.uint8))
    box = slice(y, y + high), slice(x, x + wide)
    room = cv2.copyMakeBorder(mask[box].view(np.uint8), *(gap,) * 4, cv2.BORDER_CONSTANT)
    whole = np.zeros(mask.shape, dtype=bool)
    whole[box] = cv2.morphologyEx(room, cv2.MORPH_CLOSE, kernel)[gap:-gap, gap:-gap]
    return whole


@cache
def _round(reach: int) -> Rgb:
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1,) * 2)
    return np.asarray(kernel, dtype=np.uint8)


def _whiteness(window: Rgb, rgb: Floats) -> Rgb:
    """How much white there is in each pixel that is a mixture of it with a pigment, 255 for all.

    Their colours are turned on to the line from the pigment to white (0 to 255) and two axes
    across it, to a quarter of a step.
    """
    white = 255.0 - rgb
    if not white.any():
        return np.zeros(window.shape[:2], dtype=np.uint8)
    turn = np.linalg.svd(white[None])[2]
    turn[0] *= 255.0 / float(turn[0] @ white)
    turn[1:] *= ACROSS
    shift = np.array([0.0, 128.0, 128.0]) - turn @ rgb
    share, *across = cv2.split(cv2.transform(window, np.column_stack([turn, shift])))
    steps = [cv2.absdiff(one, np.array([128.0])) for one in across]
    far2 = cv2.add(*(cv2.multiply(one, one, scale=1.0 / SQUARES) for one in steps))
    near = cv2.inRange(far2, 0.0, np.floor((ACROSS * OFF_RGB) ** 2 / SQUARES))
    return np.asarray(cv2.bitwise_and(near, share), dtype=np.uint8)
