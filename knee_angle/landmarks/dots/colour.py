"""Colours as one sees them: one pigment under different light, and its patches in a picture."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = [
    "CLOSE_PIGMENT2",
    "NEAR_PIGMENT2",
    "PAINT2",
    "SAME_PIGMENT2",
    "Box",
    "Paint",
    "colour_distance2",
    "lab_of",
    "patches_of_colour",
    "pigment_mask",
    "places_in",
    "rgb_of",
    "spots_of_colour",
]

Floats = NDArray[np.float64]
Rgb = NDArray[np.uint8]
Ints = NDArray[np.intp]
Box = tuple[int, int, int, int]

MOST_PATCHES = 100
"""Of one known pigment, the largest: a cloth has many, and larger ones than six dots (with 40, two
of 217 photos that had failed lost them so; our own)."""

CRESCENT, LARGEST = (0.35, 0.7), 1.3
"""Share of its enclosing circle that a disc shows whose rest glares or is hidden, and the
largest such circle in radii of a whole dot (our own)."""

# Colour of one pigment in one photo: hue stays, lightness and chroma follow the light.
HUE_SPREAD = (3.0, 0.06)
CHROMA_SPREAD = (5.0, 0.20)
LIGHTNESS_SPREAD = 14.0
SAME_PIGMENT2 = 9.0
"""Three spreads: one pigment."""
NEAR_PIGMENT2, CLOSE_PIGMENT2 = 4.0, 1.0
"""Two spreads from a known dot; and one, where a dot lies on something of about its colour (dots
of one photo differ by 0.1 to 1 from each other, and by 2.7 and more from what lay around 17 of
20 dots that were lost; set there)."""
LIGHTNESS_REACH = 6.0
"""How much a pixel may be darker or lighter than every known dot, for each spread."""
CHROMA_AXIS = np.arange(0, 256, 2) - 127.5
"""CIE a* or b* of each other of its 8-bit values."""
SPARSE = 0.2
"""Up to this share of pixels of a pigment's lightness, their colours alone are looked up."""
PAINT2 = 4.0
"""Two spreads: one paint, or one skin, round two dots."""
SPOT_SIZES, SPOT_INNER, SPOT_OUTER = (0.6, 1.1), 0.5, 1.2
"""Radii of spots that are looked for, in those of a dot; and the widths by which a spot and what
lies around it are seen, in its own (our own)."""
LEAST_SPOT, MOST_SPOTS = 0.06, 12
"""By how much a spot must be nearer to the pigment than what lies around it (0 to 1), and how many
are followed up (our own)."""


def lab_of(rgb: Floats) -> Floats:
    """CIE L*a*b* of sRGB colours.

    Parameters
    ----------
    rgb : ndarray, shape (n, 3)
        0 to 255.

    Returns
    -------
    ndarray, shape (n, 3)
    """
    if len(rgb) == 0:
        return np.zeros((0, 3))
    unit = np.asarray(rgb[None] / 255.0, dtype=np.float32)
    lab = cv2.cvtColor(unit, cv2.COLOR_RGB2Lab)
    return np.asarray(lab[0], dtype=np.float64)


def rgb_of(lab: Floats) -> Floats:
    """The sRGB colour, 0 to 255, shape (3,), of one in CIE L*a*b*."""
    rgb = cv2.cvtColor(np.asarray(lab[None, None], dtype=np.float32), cv2.COLOR_Lab2RGB)
    return np.asarray(255.0 * rgb[0, 0], dtype=np.float64)


def colour_distance2(one: Floats, other: Floats) -> Floats:
    """How unlike two colours are as one pigment under different light, squared spreads.

    Parameters
    ----------
    one, other : ndarray, shape (..., 3)
        CIE L*a*b*.
    """
    chroma_one = np.hypot(one[..., 1], one[..., 2])
    chroma_other = np.hypot(other[..., 1], other[..., 2])
    mean = np.sqrt(chroma_one * chroma_other)
    square = (one[..., 1] - other[..., 1]) ** 2 + (one[..., 2] - other[..., 2]) ** 2
    hue2 = np.maximum(square - (chroma_one - chroma_other) ** 2, 0.0)
    chroma2 = (chroma_one - chroma_other) ** 2
    light2 = (one[..., 0] - other[..., 0]) ** 2
    return np.asarray(
        hue2 / (HUE_SPREAD[0] + HUE_SPREAD[1] * mean) ** 2
        + chroma2 / (CHROMA_SPREAD[0] + CHROMA_SPREAD[1] * mean) ** 2
        + light2 / LIGHTNESS_SPREAD**2
    )


@dataclass(frozen=True, slots=True)
class Paint:
    """A picture's colours in a box, laid out for looking for pigments.

    Parameters
    ----------
    box : (int, int, int, int)
        Left, top, right, bottom.
    lightness : ndarray of uint8, shape (height, width)
        CIE L*, 255 for 100.
    chroma : ndarray of uint16, shape (height, width)
        CIE a* and b* in 8 bits each, a* the lower ones.
    """

    box: Box
    lightness: Rgb
    chroma: NDArray[np.uint16]

    @classmethod
    def of(cls, picture: Rgb, box: Box | None = None) -> Paint:
        """Of a box in an RGB picture, or of all of it."""
        box = (0, 0, picture.shape[1], picture.shape[0]) if box is None else box
        left, top, right, bottom = box
        lab = cv2.cvtColor(picture[top:bottom, left:right], cv2.COLOR_RGB2LAB)
        lightness, a, b = cv2.split(lab)
        both = np.asarray(cv2.merge([a, b]), dtype=np.uint8)
        return cls(box, np.asarray(lightness, dtype=np.uint8), both.view("<u2")[..., 0])

    def covers(self, box: Box) -> bool:
        """Whether another box lies in this one."""
        (left, top, right, bottom), (x0, y0, x1, y1) = self.box, box
        return left <= x0 and top <= y0 and x1 <= right and y1 <= bottom


def patches_of_colour(
    paint: Paint, members: Floats, radius: float, box: Box, near2: float = NEAR_PIGMENT2
) -> tuple[Floats, Floats]:
    """Patches of one known pigment, also those of which little is seen.

    Parameters
    ----------
    paint : Paint
        Of a box around ``box``.
    members : ndarray, shape (k, 3)
        Colours of some dots of the pigment, CIE L*a*b*.
    radius : float
        Radius of a whole dot, px.
    box : (int, int, int, int)
        Where to look: left, top, right, bottom.
    near2 : float
        How unlike the pigment a colour may be (`colour_distance2`).

    Returns
    -------
    xy : ndarray, shape (n, 2)
        Centroids, px.
    radius : ndarray, shape (n,)
        Radius of the disc of the same area, px.
    """
    left, top, _, _ = box
    mask = pigment_mask(paint, members, box, near2)
    disc = np.pi * radius**2
    labels, which, (x, y, wide, high), area, centroids = _parts(mask, 0.07 * disc, 2.0 * disc)
    order = np.nonzero(np.maximum(wide, high) < 3.0 * radius)[0]
    order = order[np.argsort(-area[order], kind="stable")][:MOST_PATCHES]
    xy, size = centroids[order], radius * np.sqrt(area[order] / disc)
    for k, one in enumerate(order):
        there = slice(y[one], y[one] + high[one]), slice(x[one], x[one] + wide[one])
        part = (labels[there] == which[one]).astype(np.uint8)
        middle, around = cv2.minEnclosingCircle(cv2.findNonZero(part))
        around += 0.5
        # A crescent or a ring: the glare, or what hides the rest, is part of the disc.
        if CRESCENT[0] < (size[k] / around) ** 2 < CRESCENT[1] and around < LARGEST * radius:
            xy[k], size[k] = np.add(middle, (x[one], y[one])), around
    return xy + np.array([left + 0.5, top + 0.5]), size


def spots_of_colour(
    paint: Paint, pigment: Floats, radius: float, box: Box
) -> tuple[Floats, Floats]:
    """Round spots nearer to a pigment than what lies around them, the clearest first.

    Dots that lie on something of about their own colour, or touch it: no patch by itself.

    Parameters
    ----------
    paint : Paint
        Of a box around ``box``.
    pigment : ndarray, shape (k, 3)
        Its colours, CIE L*a*b*.
    radius : float
        Radius of a whole dot, px.
    box : (int, int, int, int)
        Where to look: left, top, right, bottom.

    Returns
    -------
    xy : ndarray, shape (n, 2)
        Middles, px.
    radius : ndarray, shape (n,)
        About how large each is, px.
    """
    near = _nearness(paint, pigment, box)
    spots: list[tuple[float, float, float, float]] = []
    for size in radius * np.array(SPOT_SIZES):
        inner, outer = (
            cv2.GaussianBlur(near, (0, 0), share * size) for share in (SPOT_INNER, SPOT_OUTER)
        )
        clear = inner - outer
        reach = 2 * round(size) + 1
        most = cv2.dilate(clear, np.ones((reach, reach), np.uint8))
        y, x = np.nonzero((clear == most) & (clear > LEAST_SPOT))
        spots += zip(clear[y, x], x + 0.5, y + 0.5, np.full(len(x), size), strict=True)
    spots.sort(reverse=True)
    kept: list[tuple[float, float, float, float]] = []
    for spot in spots:
        if len(kept) < MOST_SPOTS and all(
            np.hypot(spot[1] - x, spot[2] - y) > max(spot[3], size) for _, x, y, size in kept
        ):
            kept.append(spot)
    row = np.array(kept, dtype=np.float64).reshape(-1, 4)
    return row[:, 1:3] + np.array(box[:2]), row[:, 3]


def _nearness(paint: Paint, pigment: Floats, box: Box) -> NDArray[np.float32]:
    """How near each pixel of a box is to a pigment, 1 to 0."""
    (left, top, right, bottom), (x0, y0, _, _) = box, paint.box
    here = slice(top - y0, bottom - y0), slice(left - x0, right - x0)
    lightness = paint.lightness[here].astype(np.float32) / np.float32(2.55)
    grid = np.full((len(CHROMA_AXIS), len(CHROMA_AXIS), 3), 50.0)
    grid[..., 1], grid[..., 2] = CHROMA_AXIS, CHROMA_AXIS[:, None]
    near = np.zeros(lightness.shape, dtype=np.float32)
    for light, a, b in pigment:
        chroma2 = colour_distance2(grid, np.array([50.0, a, b])).astype(np.float32)
        table = chroma2.repeat(2, axis=0).repeat(2, axis=1).ravel()
        far2 = table.take(paint.chroma[here], mode="clip")
        far2 += ((lightness - np.float32(light)) / np.float32(LIGHTNESS_SPREAD)) ** 2
        np.maximum(near, np.exp(np.float32(-0.5) * far2), out=near)
    return near


def _parts(
    mask: NDArray[np.bool_], least: float, most: float
) -> tuple[NDArray[np.int32], Ints, tuple[Ints, Ints, Ints, Ints], Ints, Floats]:
    """Connected parts of a sparse mask with an area between the two, px.

    Returns the labelled picture, and of each part its label, its box (left, top, width, height),
    area and centroid. OpenCV's own statistics go through all the pixels that are none.
    """
    count, labels = cv2.connectedComponents(mask.view(np.uint8), connectivity=4)
    x, y = places_in(mask)
    label = labels[y, x]
    area = np.bincount(label, minlength=count)
    wanted = (area > least) & (area < most)
    wanted[0] = False
    chosen = wanted[label]
    x, y, label = x[chosen], y[chosen], label[chosen]
    order = np.argsort(label, kind="stable")
    x, y = x[order], y[order]
    which = np.nonzero(wanted)[0]
    area = area[which]
    first = np.cumsum(area) - area
    if len(which) == 0:
        return labels, which, (which, which, which, which), area, np.zeros((0, 2))
    ends = [how.reduceat(of, first) for of in (x, y) for how in (np.minimum, np.maximum)]
    left, right, top, low = ends
    centroids = np.stack([np.add.reduceat(of, first) / area for of in (x, y)], axis=1)
    return labels, which, (left, top, right - left + 1, low - top + 1), area, centroids


def places_in(mask: NDArray[np.bool_]) -> Ints:
    """Columns and rows of a mask's pixels, (2, n), row by row."""
    places = cv2.findNonZero(mask.view(np.uint8))  # numpy's own takes thirty times as long
    if places is None:
        return np.zeros((2, 0), dtype=np.intp)
    return np.ascontiguousarray(places.reshape(-1, 2).T, dtype=np.intp)


def pigment_mask(
    paint: Paint, members: Floats, box: Box, near2: float = NEAR_PIGMENT2
) -> NDArray[np.bool_]:
    """Which pixels in a box have a pigment's colour, by its ``members`` (k, 3), CIE L*a*b*."""
    (left, top, right, bottom), (x0, y0, _, _) = box, paint.box
    here = slice(top - y0, bottom - y0), slice(left - x0, right - x0)
    reach = LIGHTNESS_REACH * np.sqrt(near2)
    low = np.clip((np.min(members[:, 0]) - reach) * 2.55, 0, 255)
    high = np.clip((np.max(members[:, 0]) + reach) * 2.55, 0, 255)
    light = cv2.inRange(paint.lightness[here], np.array([low]), np.array([high])).view(np.bool_)
    table, chroma = _chroma_table(members, near2), paint.chroma[here]
    if np.count_nonzero(light) > SPARSE * light.size:
        return np.asarray(light & table.take(chroma, mode="clip"))
    mask = np.zeros(light.shape, dtype=bool)
    mask[light] = table.take(chroma[light], mode="clip")
    return mask


def _chroma_table(members: Floats, near2: float = NEAR_PIGMENT2) -> NDArray[np.bool_]:
    """For each 8-bit a + 256 b, whether it is nearer than chance to one of the members."""
    reach, axis = near2**0.5, CHROMA_AXIS
    _, a, b = members.T
    # No colour further off than so can be near: the spreads grow with the chroma.
    root = np.sqrt(np.hypot(a, b))
    step = reach * CHROMA_SPREAD[1] * root
    other = (step + np.sqrt(step**2 + 4.0 * (root**2 + reach * CHROMA_SPREAD[0]))) / 2.0
    spreads = (reach * (base + by * root * other) for base, by in (CHROMA_SPREAD, HUE_SPREAD))
    far = np.hypot(*spreads)
    (x0, x1), (y0, y1) = (
        np.searchsorted(axis, [(middle - far).min(), (middle + far).max()]) for middle in (a, b)
    )
    grid = np.full((y1 - y0, x1 - x0, 3), 50.0)
    grid[..., 1], grid[..., 2] = axis[x0:x1], axis[y0:y1, None]
    alike = np.column_stack([np.full(len(members), 50.0), a, b])[:, None, None]
    near = np.zeros((len(axis), len(axis)), dtype=bool)
    near[y0:y1, x0:x1] = (colour_distance2(grid, alike) < near2).any(axis=0)
    return np.asarray(near.repeat(2, axis=0).repeat(2, axis=1).ravel())
