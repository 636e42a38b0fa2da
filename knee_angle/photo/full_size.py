"""A photo at full size, decoded only as far as somebody looks.

A phone's JPEG keeps its colours at half the width and height (4:2:0). Reading one therefore
decodes it at half size, where all colours are; a full-size part then needs its brightness alone,
which takes less than half of the time and a third of the memory. Such a part differs from the
whole picture's in rounding, by 2 of 255 in a photo; by more only along hard edges of colours at
the end of the range (drawn discs of pure red and blue at quality 90: one pixel in a thousand by
more than 4).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from PIL import Image, JpegImagePlugin

from knee_angle.errors import UnreadablePhoto
from knee_angle.photo.bare import damaged
from knee_angle.photo.colours import Rgb
from knee_angle.photo.memory import OUT_OF_MEMORY

__all__ = ["FullSize", "half_of", "halves", "upright"]

_TURNS: dict[int, tuple[int | None, int | None]] = {
    2: (None, 1),
    3: (cv2.ROTATE_180, None),
    4: (None, 0),
    5: (cv2.ROTATE_90_CLOCKWISE, 1),
    6: (cv2.ROTATE_90_CLOCKWISE, None),
    7: (cv2.ROTATE_90_COUNTERCLOCKWISE, 1),
    8: (cv2.ROTATE_90_COUNTERCLOCKWISE, None),
}
"""EXIF orientation to (cv2 rotation, cv2 flip after it) that makes it upright."""
_HALF_RGB = cv2.IMREAD_REDUCED_GRAYSCALE_2 | cv2.IMREAD_COLOR_RGB
_QUARTER_COLOURS = 2
"""Pillow's number for 4:2:0."""


@dataclass(eq=False)
class FullSize:
    """The photo at full size: its pixels, or the bare JPEG that they come from.

    ``half`` is the same upright and at half size, where its colours are no finer.
    """

    rgb: Rgb | None
    jpeg: bytes = b""
    orientation: int = 1
    half: Rgb | None = None
    _light: Rgb | None = None

    def pixels(self) -> Rgb:
        """Upright RGB, decoded once; the compressed picture is dropped then."""
        if self.rgb is None:
            self.rgb = upright(_decoded(self.jpeg, cv2.IMREAD_COLOR_RGB), self.orientation)
            self.jpeg, self.half, self._light = b"", None, None
        return self.rgb

    def part(self, left: int, top: int, right: int, bottom: int) -> Rgb:
        """Some columns and rows of it, read-only; both are in the photo and the part not empty."""
        if self.rgb is not None or self.half is None:
            return self.pixels()[top:bottom, left:right]
        if self._light is None:
            self._light = upright(_decoded(self.jpeg, cv2.IMREAD_GRAYSCALE), self.orientation)
        # A pixel more of the colours on each side: between two neighbours they are blended, as
        # decoders do.
        x, y = max(left // 2 - 1, 0), max(top // 2 - 1, 0)
        colours = self.half[y : (bottom + 1) // 2 + 1, x : (right + 1) // 2 + 1]
        coarse = cv2.cvtColor(colours, cv2.COLOR_RGB2YCrCb)
        fine = cv2.resize(coarse, None, fx=2.0, fy=2.0, interpolation=cv2.INTER_LINEAR)
        part = fine[top - 2 * y : bottom - 2 * y, left - 2 * x : right - 2 * x]
        part[..., 0] = self._light[top:bottom, left:right]
        rgb = np.asarray(cv2.cvtColor(part, cv2.COLOR_YCrCb2RGB), dtype=np.uint8)
        rgb.setflags(write=False)
        return rgb


def halves(image: Image.Image) -> bool:
    """Whether a JPEG's colours are all there at half its size, and a second pass is cheap.

    Of an odd width or height half is no whole number; a progressive one is decoded in many passes.
    """
    even = image.size[0] % 2 == 0 and image.size[1] % 2 == 0
    ids = tuple(layer[0] for layer in getattr(image, "layer", ()))
    as_rgb = image.info.get("adobe_transform", 1) != 1 or ids == tuple(b"RGB")
    if image.mode != "RGB" or not even or as_rgb or "progressive" in image.info:
        return False
    return JpegImagePlugin.get_sampling(image) == _QUARTER_COLOURS


def half_of(jpeg: bytes, orientation: int) -> Rgb:
    """Upright RGB at half the width and height."""
    return upright(_decoded(jpeg, _HALF_RGB), orientation)


def _decoded(jpeg: bytes, how: int) -> Rgb:
    try:
        pixels = np.frombuffer(jpeg, dtype=np.uint8)
        flat = cv2.imdecode(pixels, how | cv2.IMREAD_IGNORE_ORIENTATION)
    except (cv2.error, MemoryError):
        raise UnreadablePhoto(OUT_OF_MEMORY) from None
    if flat is None:
        raise damaged("JPEG")
    return np.asarray(flat, dtype=np.uint8)


def upright(flat: Rgb, orientation: int) -> Rgb:
    """Turned as EXIF says; read-only and contiguous."""
    rotation, flip = _TURNS.get(orientation, (None, None))
    turned = flat if rotation is None else np.asarray(cv2.rotate(flat, rotation), dtype=np.uint8)
    if flip is not None:
        turned = np.asarray(cv2.flip(turned, flip), dtype=np.uint8)
    turned = np.ascontiguousarray(turned)
    turned.setflags(write=False)
    return turned
