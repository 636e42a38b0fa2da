"""A line's box, fitted: from about where a line is to its edges, by the third network.

The finder says where the middle of a line is, not how long it is or which way it runs. The
fitter sees the neighbourhood at about one size of digits and says where the line's edges are; what
it says is looked at again, nearer, until it stays.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from knee_angle.photo.display.rectify import LineBox, smaller_part

__all__ = ["FIT_DIGIT_PX", "FIT_SIZE", "around", "fitted", "normal", "told_of"]

Floats = NDArray[np.float64]
Rgb = NDArray[np.uint8]

FIT_SIZE = (128, 80)
"""Width and height of what the fitter takes, pixels."""
FIT_DIGIT_PX = 18.0
"""Height of a digit in it, as far as it is known."""
LEAST_SPREAD = 6.0
"""Grey levels: less contrast than this is not stretched any further."""


def around(picture: Rgb, box: LineBox) -> tuple[Rgb, Floats]:
    """The neighbourhood of a line laid straight, and the map from it to the picture.

    Parameters
    ----------
    picture : ndarray of uint8, shape (H, W, 3)
        The photo.
    box : LineBox
        About where the line is; of its length nothing is used.

    Returns
    -------
    ndarray of uint8, shape (80, 128, 3)
        Its middle is the box's middle.
    ndarray, shape (2, 2)
        Columns: one pixel to the right and one down, in pixels of the photo.
    """
    width, height = FIT_SIZE
    u, v = np.array(box.along), np.array(box.down)
    step = max(box.digit_px, 1e-3) / FIT_DIGIT_PX
    axes = np.stack([u / max(float(np.hypot(*u)), 1e-6) * step, 2 * v / FIT_DIGIT_PX], 1)
    middle = np.array(box.centre)
    reach = np.abs(axes) @ np.array([width / 2, height / 2]) + 2
    part, shift, factor = smaller_part(picture, middle, reach, step)
    # pixel centres: half a pixel in on either side
    start = (middle - axes @ np.array([width / 2 - 0.5, height / 2 - 0.5]) - shift) / factor - 0.5
    back = np.column_stack([axes / factor, start])
    seen = cv2.warpAffine(
        part, back, FIT_SIZE, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    return np.asarray(seen, np.uint8), axes


def normal(seen: Sequence[Rgb]) -> NDArray[np.float32]:
    """Neighbourhoods as the fitter takes them: (B, 3, 80, 128), each with mean 0 and spread 1."""
    batch = np.empty((len(seen), 3, *seen[0].shape[:2]), np.float32)
    for k, one in enumerate(seen):
        means, spreads = cv2.meanStdDev(one)
        mean = float(means.mean())
        spread = float(np.sqrt((spreads**2 + (means - mean) ** 2).mean()))
        batch[k] = one.transpose(2, 0, 1)
        batch[k] -= mean
        batch[k] /= max(spread, LEAST_SPREAD)
    return batch


def told_of(box: LineBox, axes: Floats, middle: tuple[float, float]) -> Floats:
    """A box as the fitter says it, shape (6,): middle, way along, way down, heights of a digit."""
    back = np.linalg.inv(axes) / FIT_DIGIT_PX
    centre = back @ (np.array(box.centre) - np.array(middle))
    return np.concatenate([centre, back @ np.array(box.along), back @ np.array(box.down)])


def fitted(answers: Floats, axes: Sequence[Floats], boxes: Sequence[LineBox]) -> list[LineBox]:
    """The boxes that the fitter's answers, shape (B, 6 or more), say; pixels of the photo."""
    out = []
    for answer, axis, box in zip(answers, axes, boxes, strict=True):
        ways = axis @ (np.asarray(answer[:6], float).reshape(3, 2).T * FIT_DIGIT_PX)
        centre = np.array(box.centre) + ways[:, 0]
        out.append(LineBox(*((float(x), float(y)) for x, y in (centre, ways[:, 1], ways[:, 2]))))
    return out
