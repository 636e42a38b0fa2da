"""What kind of picture a file's content is, and the size that its header tells."""

from __future__ import annotations

import struct
from typing import Literal

from knee_angle.errors import UnreadablePhoto
from knee_angle.language import say

__all__ = ["ENDINGS", "Kind", "header_size", "kind_of"]

Kind = Literal["JPEG", "PNG", "WebP", "TIFF", "GIF", "HEIC"]
ENDINGS = (
    ".jpg", ".jpeg", ".png", ".webp", ".tif", ".tiff", ".heic", ".heif", ".gif",
)  # fmt: skip
"""What a photo's file may be called where files are looked for or offered; its content counts."""
HEIF_BRANDS = frozenset(
    (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"hevm", b"hevs", b"mif1", b"msf1")
)


def kind_of(data: bytes) -> Kind:
    """What kind of picture the content is, whatever the file is called."""
    if not data:
        raise UnreadablePhoto(
            say(
                "the photo must hold a picture, but the file is empty: copy it again from "
                "the phone."
            )
        )
    head = data[:16]
    brand = head[8:12] if head[4:8] == b"ftyp" else b""
    if head.startswith(b"\xff\xd8"):
        return "JPEG"
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if head.startswith(b"RIFF") and head[8:12] == b"WEBP":
        return "WebP"
    if head.startswith((b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")):
        return "TIFF"
    if head.startswith((b"GIF87a", b"GIF89a")):
        return "GIF"
    if brand in HEIF_BRANDS:
        return "HEIC"
    raise UnreadablePhoto(
        say(
            "the photo must be a JPEG, PNG, WebP, TIFF, HEIC or GIF picture, but its "
            "content is {other_kind}: save or export it as JPEG.",
            other_kind=_other_kind(data, brand),
        )
    )


def _other_kind(data: bytes, brand: bytes) -> str:
    """What the content seems to be, for the message."""
    if brand:
        return say("an AVIF picture") if brand in (b"avif", b"avis") else say("a video")
    for magic, what in (
        (b"%PDF", say("a PDF")),
        (b"BM", say("a BMP picture")),
        (b"PK\3\4", say("a ZIP file")),
    ):
        if data.startswith(magic):
            return what
    try:
        text = data[:512].decode("utf-8")
    except UnicodeDecodeError:
        return say("something else")
    return say("something else") if "\0" in text else say("plain text")


def header_size(data: bytes, kind: Kind) -> tuple[int, int] | None:
    """Size as stored, where the decoder would reserve memory or need more than a header."""
    if kind == "PNG":
        return struct.unpack(">II", data[16:24])
    if kind == "GIF":
        return struct.unpack("<HH", data[6:10])
    if kind != "WebP":
        return None
    chunk = data[12:16]
    if chunk == b"VP8X":
        wide, high = data[24:27], data[27:30]
        return int.from_bytes(wide, "little") + 1, int.from_bytes(high, "little") + 1
    if chunk == b"VP8L":
        bits = int.from_bytes(data[21:25], "little")
        return (bits & 0x3FFF) + 1, (bits >> 14 & 0x3FFF) + 1
    wide, high = struct.unpack("<HH", data[26:30])
    return wide & 0x3FFF, high & 0x3FFF
