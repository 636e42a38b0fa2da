"""A line of digits cut from a photo and laid straight, as the recogniser takes it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["CROP_SIZE", "LineBox", "box_of", "normalised", "smaller_part", "straightened"]

Floats = NDArray[np.float64]
Rgb = NDArray[np.uint8]

CROP_SIZE = (176, 40)
"""Width and height of what the recogniser takes, pixels."""
DIGIT_PX = 26.0
"""Height of a digit in it."""
BESIDE = 0.55
"""How far beside the line the picture is kept, in heights of a digit: signs cut off show."""
LEAST_SPREAD = 6.0
"""Grey levels: less contrast than this is not stretched any further."""


@dataclass(frozen=True, slots=True)
class LineBox:
    """A line of digits in a picture: a parallelogram, pixels of that picture.

    Parameters
    ----------
    centre : (float, float)
        Its middle.
    along : (float, float)
        From the middle to the right edge, in reading direction.
    down : (float, float)
        From the middle to the lower edge.
    """

    centre: tuple[float, float]
    along: tuple[float, float]
    down: tuple[float, float]

    @property
    def digit_px(self) -> float:
        """How high its digits are."""
        return 2 * float(np.hypot(*self.down))

    @property
    def quad(self) -> tuple[tuple[float, float], ...]:
        """Corners in reading order from the top left, clockwise."""
        c, u, v = (np.array(p) for p in (self.centre, self.along, self.down))
        corners = (c - u - v, c + u - v, c + u + v, c - u + v)
        return tuple((float(x), float(y)) for x, y in corners)

    def turned(self) -> LineBox:
        """The same line read from the other end."""
        return LineBox(
            self.centre, (-self.along[0], -self.along[1]), (-self.down[0], -self.down[1])
        )


def box_of(quad: Floats) -> LineBox:
    """The parallelogram nearest to four corners in reading order, shape (4, 2)."""
    along = (quad[1] + quad[2] - quad[0] - quad[3]) / 4
    down = (quad[2] + quad[3] - quad[0] - quad[1]) / 4
    centre = quad.mean(0)
    return LineBox(
        (float(centre[0]), float(centre[1])),
        (float(along[0]), float(along[1])),
        (float(down[0]), float(down[1])),
    )


def straightened(picture: Rgb, box: LineBox) -> tuple[Rgb, int]:
    """The line laid straight, and how many columns of it are the line's.

    Parameters
    ----------
    picture : ndarray of uint8, shape (H, W, 3)
        The photo.
    box : LineBox
        The line, pixels of the photo.

    Returns
    -------
    ndarray of uint8, shape (40, 176, 3)
        Digits `DIGIT_PX` high; what lies beyond the line is grey.
    int
        Columns from the left that show the picture.
    """
    width, height = CROP_SIZE
    digit = max(box.digit_px, 1e-3)
    along = max(float(np.hypot(*box.along)), 1e-3)
    whole = (2 * along + 2 * BESIDE * digit) * DIGIT_PX / digit
    columns = int(min(width, np.ceil(whole - 1e-6)))
    c, u, v = (np.array(p) for p in (box.centre, box.along, box.down))
    per_x = u / along * (2 * along + 2 * BESIDE * digit) / columns
    per_y = 2 * v / DIGIT_PX
    reach = 1.9 * (np.abs(u) + np.abs(v)) + 1.2 * box.digit_px + 4
    part, shift, factor = smaller_part(picture, c, reach, digit / DIGIT_PX)
    origin = (c - per_x * columns / 2 - per_y * height / 2 - shift) / factor
    # pixel centres: half a pixel in on either side
    per_x, per_y = per_x / factor, per_y / factor
    start = origin + per_x / 2 + per_y / 2 - 0.5
    back = np.array([[per_x[0], per_y[0], start[0]], [per_x[1], per_y[1], start[1]]])
    crop = cv2.warpAffine(
        part, back, (columns, height), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    out = np.full((height, width, 3), 127, np.uint8)
    out[:, :columns] = crop
    return out, columns


def smaller_part(
    picture: Rgb, middle: Floats, reach: Floats, scale: float
) -> tuple[Rgb, Floats, int]:
    """The part of a picture within reach of a place, where it begins, and by what it is smaller.

    Parameters
    ----------
    picture : ndarray of uint8, shape (H, W, 3)
        The picture.
    middle, reach : ndarray, shape (2,)
        x and y of the place, and how far to either side; pixels.
    scale : float
        Pixels of the picture to one that is wanted; from 2.8 on it is made smaller by a whole
        factor.
    """
    low = np.maximum(np.floor(middle - reach), 0).astype(int)
    size = np.array([picture.shape[1], picture.shape[0]])
    high = np.minimum(np.ceil(middle + reach), size).astype(int)
    low = np.minimum(low, size - 1)
    high = np.maximum(high, low + 1)
    part = picture[low[1] : high[1], low[0] : high[0]]
    factor = max(1, int(scale / 1.4))
    if factor > 1:
        small = (max(1, part.shape[1] // factor), max(1, part.shape[0] // factor))
        part = part[: small[1] * factor, : small[0] * factor]
        part = np.asarray(cv2.resize(part, small, interpolation=cv2.INTER_AREA), np.uint8)
    return part, low.astype(float), factor


def normalised(crop: Rgb, columns: int) -> NDArray[np.float32]:
    """A crop as the recogniser takes it: (3, 40, 176), mean 0 and spread 1 over the line."""
    shown = crop[:, :columns].astype(np.float32)
    mean, spread = shown.mean(), max(float(shown.std()), LEAST_SPREAD)
    out = np.zeros(crop.shape, np.float32)
    out[:, :columns] = (shown - mean) / spread
    return np.ascontiguousarray(out.transpose(2, 0, 1))
