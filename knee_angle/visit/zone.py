"""The zone of this machine: its days are the ward's days."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, tzinfo

__all__ = ["LocalZone"]


class LocalZone(tzinfo):
    """The zone of this machine with its summer time: its days are the ward's days.

    What `datetime.astimezone` names is today's offset, which would put an hour of last
    summer's readings on another day.
    """

    def utcoffset(self, moment: datetime | None) -> timedelta | None:
        """The offset that was in force at that local time."""
        return None if moment is None else moment.replace(tzinfo=None).astimezone().utcoffset()

    def dst(self, moment: datetime | None) -> None:
        """Not told apart from the offset."""

    def tzname(self, moment: datetime | None) -> str | None:
        """The zone's name at that local time."""
        return None if moment is None else moment.replace(tzinfo=None).astimezone().tzname()

    def fromutc(self, moment: datetime) -> datetime:
        """The local time of a moment in UTC."""
        local = moment.replace(tzinfo=UTC).astimezone()
        clock = local.replace(tzinfo=None)
        # The hour that comes twice in autumn: fold says the second time.
        second = clock.astimezone().utcoffset() != local.utcoffset()
        return clock.replace(tzinfo=self, fold=int(second))
