"""A photo without what a blind rater must not see: boxes in it are grey."""

from __future__ import annotations

import math
from collections.abc import Sequence

from PIL import Image

from knee_angle.photo.reading import Photo

__all__ = ["Box", "covered"]

GREY = (128, 128, 128)
Box = tuple[float, float, float, float]
"""(left, top, right, bottom), pixels of the full-size upright photo."""


def covered(photo: Photo, boxes: Sequence[Box]) -> Image.Image:
    """The reduced photo with the boxes grey, in the pixels themselves: nothing lies beneath."""
    small = Image.fromarray(photo.small)
    scale = small.width / photo.width
    for box in boxes:
        left, top, right, bottom = (side * scale for side in box)
        small.paste(GREY, (math.floor(left), math.floor(top), math.ceil(right), math.ceil(bottom)))
    return small
