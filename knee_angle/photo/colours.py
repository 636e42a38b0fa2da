"""Pictures of any bit depth and colour kind as 8-bit RGB, a part at a time."""

from __future__ import annotations

import math
from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

__all__ = ["Rgb", "on_white", "parts", "rgb8"]

Rgb = NDArray[np.uint8]
TIFF_BITS = 258
PIXELS_AT_ONCE = 500_000
"""So many are converted at a time: a picture in another form is never there as a whole."""


def parts(wide: int, high: int, *, multiple_of: int = 1) -> Iterator[slice]:
    """Rows from top to bottom, about a million pixels at a time."""
    step = max(1, PIXELS_AT_ONCE // (wide * multiple_of)) * multiple_of
    for top in range(0, high, step):
        yield slice(top, min(top + step, high))


def rgb8(image: Image.Image) -> Rgb:
    """8-bit RGB of any mode, shape (h, w, 3)."""
    deep = image.mode.startswith(("I", "F"))
    ends = _ends(image) if deep else (0.0, 0.0)
    wide, high = image.size
    flat = np.empty((high, wide, 3), dtype=np.uint8)
    for rows in parts(wide, high):
        part = image.crop((0, rows.start, wide, rows.stop))
        flat[rows] = _grey8(part, *ends)[:, :, None] if deep else _rgb8_part(part)
    return flat


def on_white(bgr: NDArray[np.uint8]) -> Rgb:
    """8-bit RGB of what OpenCV decodes: three channels turned in place, or four laid on white."""
    if bgr.shape[2] == 3:
        return np.asarray(cv2.cvtColor(bgr, cv2.COLOR_BGR2RGB, dst=bgr), dtype=np.uint8)
    flat = np.empty((*bgr.shape[:2], 3), dtype=np.uint8)
    for rows in parts(bgr.shape[1], bgr.shape[0]):
        rgba = cv2.cvtColor(bgr[rows], cv2.COLOR_BGRA2RGBA)
        flat[rows] = _rgb8_part(Image.fromarray(rgba))
    return flat


def _rgb8_part(image: Image.Image) -> Rgb:
    """8-bit RGB of a part with 8-bit channels or a palette."""
    if image.has_transparency_data:
        picture = image.convert("RGBA")
        white = Image.new("RGBA", picture.size, "white")
        image = Image.alpha_composite(white, picture)
    return np.asarray(image if image.mode == "RGB" else image.convert("RGB"))


def _sample_bits(image: Image.Image) -> int | None:
    """Bits of a whole-number grey where they are known, None where the values must tell."""
    if not image.mode.startswith("I;16"):
        return None
    tags = getattr(image, "tag_v2", None)
    bits = tags.get(TIFF_BITS, 16) if tags is not None else 16
    return int(bits[0] if isinstance(bits, tuple) else bits)


def _ends(image: Image.Image) -> tuple[float, float]:
    """Black and white of deep greys: by their bit depth, else by the range of the values.

    Values up to 1 are shares of white (the custom for floating point), up to 255 or
    65535 are 8 or 16 bits; anything else is stretched between its ends.
    """
    bits = _sample_bits(image)
    if bits is not None:
        return 0.0, float(2**bits - 1)
    wide, high = image.size
    low, top = math.inf, -math.inf
    for rows in parts(wide, high):
        values = _finite(image.crop((0, rows.start, wide, rows.stop)))
        low, top = min(low, float(values.min())), max(top, float(values.max()))
    if low < 0 or top > 65535:
        return low, top
    tops = (1.0, 255.0, 65535.0) if image.mode.startswith("F") else (255.0, 65535.0)
    return 0.0, next(white for white in tops if top <= white)


def _finite(image: Image.Image) -> NDArray[np.float32]:
    return np.nan_to_num(np.asarray(image, dtype=np.float32), posinf=0.0, neginf=0.0)


def _grey8(image: Image.Image, black: float, white: float) -> NDArray[np.uint8]:
    """A part of deep greys as 8 bits."""
    scaled = (_finite(image) - black) * (255.0 / max(white - black, 1e-30))
    return np.asarray(np.clip(np.rint(scaled), 0, 255), dtype=np.uint8)
