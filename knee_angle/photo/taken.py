"""When a photo was taken, by its own EXIF entry: read once, and nothing else with it."""

from __future__ import annotations

import io
from datetime import UTC, datetime, timedelta, tzinfo

from PIL import Image

__all__ = ["taken_at"]

EXIF_IFD = 0x8769
TAKEN, TAKEN_OFFSET = 0x9003, 0x9011
"""DateTimeOriginal and OffsetTimeOriginal (CIPA DC-008, Exif 2.31)."""
AHEAD = timedelta(minutes=10)
"""A phone's clock may be ahead of ours; a photo from later than that has a wrong clock."""


def taken_at(content: bytes, *, zone: tzinfo, now: datetime) -> datetime | None:
    """The moment of the photo in UTC; None where it says none or one that cannot be.

    Parameters
    ----------
    content : bytes
        The photo's file.
    zone : tzinfo
        Whose clock it is where the photo names no offset.
    now : datetime
        With its zone: a photo is not from the future.
    """
    try:
        with Image.open(io.BytesIO(content)) as image:
            entries = image.getexif().get_ifd(EXIF_IFD)
        text = str(entries.get(TAKEN, "")).strip("\x00 ")
        moment = datetime.strptime(text, "%Y:%m:%d %H:%M:%S")
        offset = str(entries.get(TAKEN_OFFSET, "")).strip("\x00 ")
        if offset:
            aware = datetime.strptime(text + offset, "%Y:%m:%d %H:%M:%S%z")
        else:
            aware = moment.replace(tzinfo=zone)
        found = aware.astimezone(UTC)
    except (OSError, ValueError, TypeError, SyntaxError, OverflowError):
        return None
    return found if datetime(2000, 1, 1, tzinfo=UTC) < found < now + AHEAD else None
