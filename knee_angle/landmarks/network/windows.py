"""Squares of the photo that the network looks through."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from knee_angle.photo.reading import Photo

__all__ = ["KNOWN_LEG_WINDOW", "WINDOW_STEP", "Window", "cut", "whole_photo", "window_near"]

Floats = NDArray[np.float64]
Rgb = NDArray[np.uint8]

KNOWN_LEG_WINDOW = 1.6
"""Side of the window around a known hip, knee and ankle, in sizes of their box: the foot
and a margin come in."""

WINDOWS_PER_DOUBLING = 4
WINDOW_STEP = 1 / 12
"""The windows that there are around known legs: sides 2^(1/4) apart, centres a twelfth of the
side. A point moved a little falls into the same one; what the network was trained on strays
further around its legs than the half steps."""


@dataclass(frozen=True)
class Window:
    """A square of the photo: centre and side in full px; perhaps turned and mirrored."""

    centre: Floats
    side: float
    turn_deg: float = 0.0
    mirrored: bool = False

    @property
    def matrix(self) -> Floats:
        """From directions in the window (x right, y down) to the photo's, shape (2, 2)."""
        t = math.radians(self.turn_deg)
        c, s, m = math.cos(t), math.sin(t), -1.0 if self.mirrored else 1.0
        return np.array([[c * m, -s], [s * m, c]])


def window_near(leg: Floats) -> Window:
    """The window around a known leg (3, 2), px, that is nearest to it on the coarse grid."""
    low, high = leg.min(axis=0), leg.max(axis=0)
    wanted = max(KNOWN_LEG_WINDOW * float((high - low).max()), 48.0)
    steps = round(math.log2(wanted) * WINDOWS_PER_DOUBLING)
    side = 2.0 ** (steps / WINDOWS_PER_DOUBLING)
    step = side * WINDOW_STEP
    return Window(np.round((low + high) / 2 / step) * step, side)


def whole_photo(photo: Photo, turn_deg: float = 0.0) -> Window:
    """The window that shows the whole photo."""
    centre = np.array([photo.width / 2, photo.height / 2])
    return Window(centre, max(photo.width, photo.height) * 1.02, turn_deg)


def cut(photo: Photo, window: Window, size: int) -> Rgb:
    """The window's pixels, (size, size, 3); black outside the photo."""
    scale = np.array([photo.scale_x, photo.scale_y])
    half = window.side * (0.5 if window.turn_deg % 90 == 0 else 0.75) + 2 * scale.max()
    if window.side / float(scale.mean()) >= size or scale.max() <= 1.0:
        low = np.maximum((window.centre - half) / scale, 0).astype(int)
        high = np.maximum(np.ceil((window.centre + half) / scale), 0).astype(int)
        source, offset = photo.small[low[1] : high[1], low[0] : high[0]], low * scale
    else:
        (x0, y0), (x1, y1) = (window.centre - half).astype(int), (window.centre + half).astype(int)
        source, at = photo.window(int(x0), int(y0), int(x1), int(y1))
        offset, scale = np.array(at, dtype=float), np.ones(2)
    if source.size == 0:
        return np.zeros((size, size, 3), dtype=np.uint8)
    while window.side / float(scale.mean()) / size > 2:  # average: a warp would skip pixels
        height, width = (max(n - n % 2, 1) for n in source.shape[:2])
        half_size = (max(width // 2, 1), max(height // 2, 1))
        source = cv2.resize(source[:height, :width], half_size, interpolation=cv2.INTER_AREA)
        scale = scale * 2.0
    # Pixel indices count from centres: index = position - 1/2.
    matrix = window.matrix * window.side / size / scale[:, None]
    corner = (window.centre - offset) / scale - matrix @ np.array([size / 2, size / 2])
    shift = corner + matrix @ np.array([0.5, 0.5]) - 0.5
    affine = np.c_[matrix, shift]
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(source, affine, (size, size), flags=flags), dtype=np.uint8)
