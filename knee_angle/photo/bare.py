"""A JPEG's picture alone: no EXIF, place, thumbnail, comment or trailer."""

from __future__ import annotations

import re
import struct

from knee_angle.errors import UnreadablePhoto
from knee_angle.language import say

__all__ = ["bare_jpeg", "damaged"]


def damaged(kind: str) -> UnreadablePhoto:
    """What to say of a picture that is not all there."""
    return UnreadablePhoto(
        say(
            "the photo must be complete, but its {kind} data are cut off or damaged: "
            "copy it again from the phone.",
            kind=kind,
        )
    )


MOST_SCANS = 40
"""A progressive picture has about ten; each is a pass over all its pixels (our own)."""
_SCAN_END = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")
_EOI, _SOS, _DHT, _DQT, _DRI = 0xD9, 0xDA, 0xC4, 0xDB, 0xDD
_APP0, _APP14 = 0xE0, 0xEE
_FRAMES = frozenset(range(0xC0, 0xD0)) - {_DHT, 0xC8, 0xCC}
_KEPT = _FRAMES | {_DHT, _DQT, _DRI, _SOS, _APP0, _APP14, 0xCC, 0xDC}
"""What decoding needs: tables, frame, scans, and the two blocks that tell the colours."""


def bare_jpeg(data: bytes) -> bytes:
    """The first picture in the file alone: no EXIF, thumbnail, comment or trailer.

    Also the check that the picture is all there: decoders fill the rest of a file
    that stops early, or has a stray marker in its data, with grey.
    """
    kept, at, scans = [data[:2]], 2, 0
    while True:
        while data[at : at + 2] == b"\xff\xff":
            at += 1
        marker = data[at + 1]
        if data[at] != 0xFF:
            raise damaged("JPEG")
        if marker == _EOI:
            kept.append(data[at : at + 2])
            return b"".join(kept)
        end = at + 2 + struct.unpack(">H", data[at + 2 : at + 4])[0]
        if marker == _SOS:
            scans += 1
            if scans > MOST_SCANS:
                raise UnreadablePhoto(
                    say(
                        "the photo's JPEG must have at most {most} scans, but has more: save or "
                        "export it anew as JPEG.",
                        most=MOST_SCANS,
                    )
                )
            found = _SCAN_END.search(data, end)
            if found is None:
                raise damaged("JPEG")
            end = found.start()
        if marker in _KEPT:
            kept.append(data[at:end])
        at = end
