"""A kept picture as pixels; one that was damaged, or is no kept picture, is told in words."""

from __future__ import annotations

from io import BytesIO

from PIL import Image

from knee_angle.errors import StoreError
from knee_angle.language import say

__all__ = ["opened_picture"]

MOST_MEGAPIXELS = 40.0
"""Kept pictures have at most 1,600 px a side (`photo.crop`); larger ones are none of ours."""


def opened_picture(jpeg: bytes) -> Image.Image:
    """The picture with its pixels.

    Raises
    ------
    StoreError
        It cannot be read.
    """
    try:
        picture = Image.open(BytesIO(jpeg), formats=["JPEG"])
        width, height = picture.size
        if width * height > MOST_MEGAPIXELS * 1e6:
            raise ValueError(f"{width} x {height}")
        picture.load()
    except Exception as error:  # noqa: BLE001  decoders raise whatever comes to them
        raise StoreError(
            say(
                "a kept picture cannot be read ({why}): it was damaged; bring back the last "
                "backup by `knee-angle store restore BACKUP`",
                why=type(error).__name__ if isinstance(error, OSError) else error,
            )
        ) from None
    return picture
