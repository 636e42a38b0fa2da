"""What a picture takes to decode: too many pixels or too much memory are refused before it.

And whether the next photo uses the memory of the one before.
"""

from __future__ import annotations

import ctypes
import sys

from PIL import Image

from knee_angle.errors import UnreadablePhoto
from knee_angle.language import say
from knee_angle.photo.kinds import Kind

__all__ = [
    "OUT_OF_MEMORY",
    "check_memory",
    "check_size",
    "decoded_bytes_per_pixel",
    "keep_freed_memory",
]

OUT_OF_MEMORY = say("the photo does not fit in this computer's memory: make a smaller copy.")
MOST_BYTES, MOST_BYTES_MEGAPIXELS = 900e6, 120.0
"""A photo takes at most so much memory while it is decoded, our own choice: a computer with
2 GB can do it. Whoever allows more than 120 megapixels allows more memory in proportion."""
WEBP_BYTES, WEBP_WHOLE_BYTES = 3.3, 5.3
"""What the decoder takes for a pixel beside its RGB: with loss, and without loss or with
transparency (seen at 24 megapixels: 3.1, and 4.8 to 5.1)."""
HEIC_BYTES, HEIC_FULL_COLOUR_BYTES, HEIC_MORE_BYTES = 4.4, 6.2, 1.0
"""The same of a HEIC: colours at half the width and height, as phones do, and at more (seen 4.3
and 6.1); more for transparency (0.8) or more than 8 bits (0.3)."""
KEPT_BYTES, OWN_BYTES = 64 << 20, 32 << 20
"""How much freed memory is kept for the next photo, and from which size on a block is never kept: a
photo of 12 megapixels takes 27 MB, one of 24 takes 48 (our own)."""
_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD = -1, -3
"""Numbers of glibc's ``mallopt``."""


def check_size(size: tuple[int, int] | None, limit_megapixels: float) -> None:
    """Refuse a picture without pixels or with too many, before decoding it."""
    if size is None:
        return
    width, height = size
    if width < 1 or height < 1:
        raise UnreadablePhoto(
            say(
                "the photo must have pixels, but its header says {width} x {height}: copy "
                "it again from the phone.",
                width=width,
                height=height,
            )
        )
    if width * height > limit_megapixels * 1e6:
        raise UnreadablePhoto(
            say(
                "the photo must have at most {limit_megapixels:g} megapixels, but its "
                "header says {megapixels:.1f} ({width} x {height}): make a smaller copy, or "
                "raise the megapixel limit if it is real.",
                limit_megapixels=limit_megapixels,
                megapixels=width * height / 1e6,
                width=width,
                height=height,
            )
        )


def check_memory(image: Image.Image, kind: Kind, data: bytes, *, limit_megapixels: float) -> None:
    """Refuse a picture whose file, decoded pixels and RGB pixels take too much together."""
    pixels = image.size[0] * image.size[1]
    needed = len(data) + int(pixels * (decoded_bytes_per_pixel(image, kind, data) + 3))
    limit = MOST_BYTES * max(1.0, limit_megapixels / MOST_BYTES_MEGAPIXELS)
    if needed > limit:
        raise UnreadablePhoto(
            say(
                "the photo must need at most {limit_mb:.0f} MB of memory to be decoded, but "
                "its {kind} data ({width} x {height}) need about {needed_mb:.0f}: save or "
                "export it as JPEG, make a smaller copy, or raise the megapixel limit.",
                limit_mb=limit / 1e6,
                kind=kind,
                width=image.size[0],
                height=image.size[1],
                needed_mb=needed / 1e6,
            )
        )


def decoded_bytes_per_pixel(image: Image.Image, kind: Kind, data: bytes) -> float:
    """What decoding takes for a pixel, beside its three bytes of RGB.

    Pillow takes four bytes for three and four channels and for deep values.
    """
    if kind == "WebP":
        whole = image.mode == "RGBA" or b"VP8L" in data
        return WEBP_WHOLE_BYTES if whole else WEBP_BYTES
    if kind == "HEIC":
        deep = int(image.info.get("bit_depth", 8)) > 8
        more = int(image.mode == "RGBA") + int(deep)
        usual = image.info.get("chroma") == 420
        return (HEIC_BYTES if usual else HEIC_FULL_COLOUR_BYTES) + more * HEIC_MORE_BYTES
    if image.mode.startswith("I;16"):
        return 2
    return 1 if image.mode in ("1", "L", "P") else 4


def keep_freed_memory() -> None:
    """Have the next photo use the memory that the last one gave back.

    Left alone, glibc hands it to the system after most photos, and each of its pages is made
    anew for the next: 6 to 17 of the 130 ms of processor time of a photo with dots. Other C
    libraries are left as they are.
    """
    if not sys.platform.startswith("linux"):
        return
    set_option = getattr(ctypes.CDLL(None), "mallopt", None)
    if set_option is not None:
        set_option(_M_MMAP_THRESHOLD, OWN_BYTES)
        set_option(_M_TRIM_THRESHOLD, KEPT_BYTES)
