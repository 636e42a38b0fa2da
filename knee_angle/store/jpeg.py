"""Refusing a JPEG that carries anything but the picture.

The blocks are walked here, not by the picture library: that one lists the blocks it knows, and
reads past bytes between two blocks, where a name can stand as well.
"""

from __future__ import annotations

from knee_angle.errors import InvalidInput
from knee_angle.language import say

__all__ = ["refuse_metadata"]

START, SCAN = 0xD8, 0xDA
PICTURE_ONLY = {0xE0, 0xC0, 0xC1, 0xC2, 0xC4, 0xDB, 0xDD}
"""JFIF header, frame, Huffman and quantisation tables, restart interval (ITU-T T.81);
every other segment before the scan can hold a place, a name or a thumbnail."""


def refuse_metadata(jpeg: bytes) -> None:
    """Raise where a picture is no JPEG or holds EXIF, comments or other blocks.

    Raises
    ------
    InvalidInput
        With the marker that was found.
    """
    if jpeg[:2] != bytes((0xFF, START)):
        raise InvalidInput(say("a kept photo must be a JPEG: make it with knee_angle.photo.crop"))
    at = 2
    while at + 4 <= len(jpeg):
        marker = jpeg[at + 1]
        if jpeg[at] != 0xFF:
            break
        if marker == SCAN:
            return
        if marker not in PICTURE_ONLY:
            raise InvalidInput(
                say(
                    "a kept photo must hold the picture alone, but this one has the block "
                    "FF{marker:02X}: make it with knee_angle.photo.crop",
                    marker=marker,
                )
            )
        at += 2 + int.from_bytes(jpeg[at + 2 : at + 4], "big")
    raise InvalidInput(say("a kept photo must be a whole JPEG, but this one ends in its header"))
