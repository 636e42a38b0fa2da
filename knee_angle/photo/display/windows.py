"""Windows of displays: four-sided patches, and the lines of digits in them.

A display's window has an edge all round and signs of another brightness or colour inside. That
gives what the finder's map does not: the line's direction, length and height.
"""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from knee_angle.photo.display.rectify import LineBox, box_of

__all__ = ["lines_in", "windows_of"]

Floats = NDArray[np.float64]
Rgb = NDArray[np.uint8]
Mask = NDArray[np.uint8]

LEAST_PX, LARGEST = 9.0, 0.3
"""Shorter side of a window, px of the picture searched; largest share of the picture."""
FULL = 0.8
"""A patch fills at least so much of the four-sided figure around it."""
HEIGHT = 72
"""Height of a window laid straight."""
EDGE = 0.04
"""So much of it is left out on each side; what touches the rest's edge is its frame."""


def windows_of(picture: Rgb) -> list[Floats]:
    """Four-sided patches of a picture, shape (4, 2) each, in order around them; pixels.

    Parameters
    ----------
    picture : ndarray of uint8, shape (H, W, 3)
        RGB.
    """
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
    found: list[Floats] = []
    for mask in _masks(np.asarray(grey, np.uint8)):
        outlines, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)
        for outline in outlines:
            quad = _four_sided(outline, picture.shape[0] * picture.shape[1])
            if quad is not None and not any(_same(quad, other) for other in found):
                found.append(quad)
    return found


def _masks(grey: Mask) -> Iterator[Mask]:
    """The picture in black and white, several ways: what is one patch differs with the light."""
    smooth = cv2.GaussianBlur(grey, (0, 0), 0.8)
    for size, off in ((15, 4), (45, 6)):
        dark = cv2.adaptiveThreshold(
            smooth, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, size, off
        )
        yield np.asarray(dark, np.uint8)
        light = cv2.adaptiveThreshold(
            smooth, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY, size, -off
        )
        yield np.asarray(light, np.uint8)
    edges = cv2.Canny(smooth, 30, 80)
    yield np.asarray(cv2.dilate(edges, np.ones((3, 3), np.uint8)), np.uint8)


def _four_sided(outline: NDArray[np.int32], pixels: int) -> Floats | None:
    """The four corners of a patch that has four; None of any other."""
    (_, _), (w, h), _ = cv2.minAreaRect(outline)
    short, long = min(w, h), max(w, h)
    if short < LEAST_PX or long > 7 * short or w * h > LARGEST * pixels:
        return None
    hull = cv2.convexHull(outline)
    area = cv2.contourArea(hull)
    if area < FULL * w * h and cv2.contourArea(outline) < 0.5 * area:
        return None
    length = cv2.arcLength(hull, closed=True)
    for share in (0.03, 0.05, 0.08):
        corners = cv2.approxPolyDP(hull, share * length, closed=True)
        if len(corners) == 4 and cv2.contourArea(corners) > FULL * area:
            return np.asarray(corners[:, 0], float) + 0.5
    if area > FULL * w * h:
        return np.asarray(cv2.boxPoints(cv2.minAreaRect(hull)), float) + 0.5
    return None


def _same(one: Floats, other: Floats) -> bool:
    """Whether two patches are one, seen twice."""
    size = np.ptp(one, 0).max()
    if np.abs(one.mean(0) - other.mean(0)).max() > 0.06 * size:
        return False
    return bool(abs(np.ptp(other, 0).max() - size) < 0.1 * size)


def lines_in(picture: Rgb, quad: Floats) -> list[LineBox]:
    """Lines of signs in a window, along its longer side and, where it is squarish, across.

    Parameters
    ----------
    picture : ndarray of uint8, shape (H, W, 3)
        The picture that the window lies in.
    quad : ndarray, shape (4, 2)
        The window, corners in order around it; pixels of the picture.
    """
    turned = quad if cv2.contourArea(quad.astype(np.float32), True) >= 0 else quad[::-1]
    first = float(np.linalg.norm(turned[1] - turned[0]) + np.linalg.norm(turned[2] - turned[3]))
    second = float(np.linalg.norm(turned[2] - turned[1]) + np.linalg.norm(turned[3] - turned[0]))
    ways = [(turned, first / second), (np.roll(turned, -1, 0), second / first)]
    return [
        line
        for corners, aspect in ways
        if aspect >= 0.75
        for line in _lines(picture, corners, aspect)
    ]


def _lines(picture: Rgb, corners: Floats, aspect: float) -> Iterator[LineBox]:
    """Lines along the window's first side."""
    width = round(HEIGHT * min(aspect, 7.0))
    ends = np.array([(0, 0), (width, 0), (width, HEIGHT), (0, HEIGHT)], np.float32)
    there = cv2.getPerspectiveTransform(ends, corners.astype(np.float32))
    flat = cv2.warpPerspective(
        picture, there, (width, HEIGHT), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    for left, top, right, bottom in _runs(_signs(np.asarray(flat, np.uint8))):
        box = np.array([(left, top), (right, top), (right, bottom), (left, bottom)], float)
        quad = cv2.perspectiveTransform(box[None], there)[0]
        yield box_of(np.asarray(quad, float))


def _signs(flat: Rgb) -> Mask:
    """Where a window laid straight differs from its ground, without what touches its frame."""
    edge = max(2, round(EDGE * HEIGHT))
    inner = flat[edge:-edge, edge:-edge].astype(np.float32)
    ground = np.median(inner.reshape(-1, 3), 0)
    apart = cv2.GaussianBlur(np.abs(inner - ground).max(2), (0, 0), 1.0)
    level, _ = cv2.threshold(
        np.clip(apart, 0, 255).astype(np.uint8), 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU
    )
    mask = (apart > max(float(level), 6.0)).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    h, w = mask.shape
    for i in range(1, count):
        x, y, bw, bh, area = stats[i]
        touches = x == 0 or y == 0 or x + bw == w or y + bh == h
        if touches or area < 0.0004 * h * w:
            mask[labels == i] = 0
    out = np.zeros(flat.shape[:2], np.uint8)
    out[edge:-edge, edge:-edge] = mask
    return out


def _runs(mask: Mask) -> Iterator[tuple[float, float, float, float]]:
    """Left, top, right, bottom of each line of signs."""
    full = mask.sum(1) > 1
    edges = np.flatnonzero(np.diff(np.concatenate([[0], full.astype(int), [0]])))
    for top, bottom in zip(edges[::2], edges[1::2], strict=True):
        columns = np.flatnonzero(mask[top:bottom].any(0))
        if bottom - top < 0.16 * HEIGHT or not len(columns):
            continue
        left, right = float(columns[0]), float(columns[-1] + 1)
        if right - left > 0.12 * (bottom - top):
            yield left, float(top), right, float(bottom)
