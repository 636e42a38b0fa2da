"""Paint along the line from a bar's dot to the hinge's: a bar is of one paint from end to end.

A line from a dot on skin or cloth to the hinge leaves what the dot lies on. How much more often
bars show what is seen than other lines do, natural logarithm; fitted by logistic regression on
660 lines of 110 rendered pictures, true bars against lines between dots of leg and machine.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from knee_angle.landmarks.dots.candidates import Candidates
from knee_angle.landmarks.dots.colour import PAINT2, colour_distance2, lab_of

__all__ = ["MOST_ALONG", "along_bars"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Rgb = NDArray[np.uint8]

SAMPLES, FIRST = 24, 4
FROM_RADII, TO_RADII = 1.7, 2.2
"""The line begins outside the bar's dot and ends before the hinge's cap."""
SHORTEST = 0.1
BLUR_PX, MARGIN_PX = 1.0, 6
"""Noise is blurred away, only about the lines: a blur reaches 3 px."""
SHARE_WEIGHT, FIRST_WEIGHT, LEVEL = 3.6, 1.5, -4.0
"""Of the share of the line in its commonest paint, of the same beside the dot, and the level
between bars and other lines."""
MOST_ALONG = max(SHARE_WEIGHT + FIRST_WEIGHT + LEVEL, 0.0)
"""Most that `along_bars` says of a line."""


def along_bars(picture: Rgb, found: Candidates, bars: Ints, hinges: Ints) -> Floats:
    """Log odds that lines from ``bars`` to ``hinges`` (n,) are bars; 0 where either is -1.

    Parameters
    ----------
    picture : ndarray of uint8, shape (height, width, 3)
        RGB.
    found : Candidates
    bars, hinges : ndarray of int, shape (n,)
    """
    odds = np.zeros(len(bars))
    whole = (bars >= 0) & (hinges >= 0)
    pairs, back = np.unique(np.stack([bars, hinges])[:, whole], axis=1, return_inverse=True)
    if pairs.size == 0:
        return odds
    start, end = found.xy[pairs[0]], found.xy[pairs[1]]
    length = np.maximum(np.linalg.norm(end - start, axis=1), 1e-9)
    first = FROM_RADII * found.radius[pairs[0]] / length
    last = 1.0 - TO_RADII * found.radius[pairs[1]] / length
    share = first[:, None] + np.linspace(0.0, 1.0, SAMPLES) * (last - first)[:, None]
    at = (start[:, None] + share[..., None] * (end - start)[:, None] - 0.5).astype(np.float32)
    low = np.maximum(at.min(axis=(0, 1)).astype(int) - MARGIN_PX, 0)
    high = np.maximum(at.max(axis=(0, 1)).astype(int) + MARGIN_PX, low + 1)
    soft = cv2.GaussianBlur(picture[low[1] : high[1], low[0] : high[0]], (0, 0), BLUR_PX)
    there = at - low.astype(np.float32)
    rgb = cv2.remap(soft, there[..., 0], there[..., 1], cv2.INTER_LINEAR)
    lab = lab_of(rgb.reshape(-1, 3).astype(np.float64)).reshape(*at.shape[:2], 3)
    alike = colour_distance2(lab[:, :, None], lab[:, None]) < PAINT2
    commonest = alike.sum(axis=2).argmax(axis=1)
    same = alike[np.arange(len(alike)), commonest]
    value = SHARE_WEIGHT * same.mean(axis=1) + FIRST_WEIGHT * same[:, :FIRST].mean(axis=1) + LEVEL
    value = np.where(last - first > SHORTEST, value, 0.0)
    odds[whole] = value[back.ravel()]
    return odds
