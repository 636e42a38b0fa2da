"""When a photo was taken, by its own EXIF entry: read once, and nothing else with it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, tzinfo

from knee_angle.photo.told import Told

__all__ = ["taken_at"]

AHEAD = timedelta(minutes=10)
"""A phone's clock may be ahead of ours; one that says more is wrong (our own)."""
EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)
"""A clock that says less was never set (our own)."""


def taken_at(told: Told, *, zone: tzinfo, now: datetime) -> datetime | None:
    """The moment of the photo in UTC; None where it says none or one that cannot be.

    Parameters
    ----------
    told : Told
        What the photo's file says.
    zone : tzinfo
        Whose clock it is where the photo names no offset.
    now : datetime
        With its zone: a photo is not from the future.
    """
    try:
        moment = datetime.strptime(told.taken, "%Y:%m:%d %H:%M:%S").replace(tzinfo=zone)
        if told.taken_offset:
            clock = told.taken + told.taken_offset
            moment = datetime.strptime(clock, "%Y:%m:%d %H:%M:%S%z")
        found = moment.astimezone(UTC)
    except (ValueError, OverflowError):
        return None
    return found if EARLIEST < found < now + AHEAD else None
