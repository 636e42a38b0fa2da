"""Following a person over days and a machine over checks: numbers only.

* A day's **flexion** is the largest angle measured at the flexion end of the range, its
  **extension** the smallest at the extension end, its **arc** their difference.
* A photo whose end was not noted counts for flexion from 45 degrees on, else for extension.
* A **prescribed limit** is judged as everywhere: *past* where the 95 % interval reaches
  beyond it. Nothing here says that more motion is wanted.
* **Neutral-zero notation**: extension / 0 / flexion. A deficit of 10 and flexion 90 is
  0-10-90, hyperextension of 5 and flexion 140 is 5-0-140 (Gerhardt and Russe 1975, from
  memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import Literal

from knee_angle.angle.verdict import COVERAGE_ONE_SIDED
from knee_angle.assumptions import (
    END_FROM_DEG,
)
from knee_angle.errors import InvalidInput

__all__ = [
    "MARKS",
    "Arc",
    "Day",
    "Due",
    "End",
    "Limits",
    "Mark",
    "Reading",
    "Standing",
    "difference_at",
    "due",
    "follow_days",
    "limits_on",
    "marks_of",
    "neutral_zero",
    "standing",
]

End = Literal["flexion", "extension"]
Standing = Literal["reached", "not_reached", "cannot_tell"]


@dataclass(frozen=True, slots=True)
class Mark:
    """Flexion that something in daily life takes, with where that number comes from."""

    deg: float
    words: str
    source: str


_HANCOCK = "Hancock et al. 2018, J Exp Orthop 5:46"
MARKS: tuple[Mark, ...] = (
    Mark(67.0, "walking", _HANCOCK),
    Mark(83.0, "up stairs", _HANCOCK),
    Mark(90.0, "down stairs", _HANCOCK),
    Mark(93.0, "rising from a chair", _HANCOCK),
    Mark(110.0, "most of daily life", "Rowe et al. 2000, Gait Posture 12:143-155"),
)
"""For comparison only: what is aimed at, the prescription says."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One measured angle of a person, as it was kept.

    Parameters
    ----------
    id : str
        The kept row.
    at : datetime
        When, timezone-aware.
    deg, u_deg, interval_deg
        The knee, its standard uncertainty and 95 % interval.
    displayed_deg : float or None
        The machine's number.
    end : {"flexion", "extension"} or None
        At which end of the range, where that was noted.
    """

    id: str
    at: datetime
    deg: float
    u_deg: float
    interval_deg: tuple[float, float]
    displayed_deg: float | None = None
    end: End | None = None

    @property
    def counted_end(self) -> End:
        """The end noted, else by the angle."""
        return self.end or ("flexion" if self.deg >= END_FROM_DEG else "extension")


@dataclass(frozen=True, slots=True)
class Limits:
    """Prescribed limits from a day on; None where none is prescribed."""

    from_day: date
    flexion_deg: float | None
    extension_deg: float | None


@dataclass(frozen=True, slots=True)
class Arc:
    """Flexion minus extension of one day.

    The u joins both readings' as if they were independent: marks that stayed on the
    skin in between share some error, so the true one is rather smaller.
    """

    deg: float
    u_deg: float

    @property
    def interval_deg(self) -> tuple[float, float]:
        """95 % interval, from its normal approximation."""
        return self.deg - 1.96 * self.u_deg, self.deg + 1.96 * self.u_deg


@dataclass(frozen=True, slots=True)
class Day:
    """One day of one person.

    Parameters
    ----------
    day : date
        In the zone that was asked for.
    flexion, extension : Reading or None
        The readings that the day's two ends come from.
    arc : Arc or None
        Where both ends were measured, flexion not below extension.
    displayed_arc_deg : float or None
        The display's, of the same two photos.
    limits : Limits or None
        The prescription in force.
    past_flexion, past_extension : bool
        Whether any reading's interval reaches past the prescribed limit.
    readings : int
        How many photos of that day count.
    """

    day: date
    flexion: Reading | None
    extension: Reading | None
    arc: Arc | None
    displayed_arc_deg: float | None
    limits: Limits | None
    past_flexion: bool
    past_extension: bool
    readings: int

    @property
    def exchanged(self) -> bool:
        """Whether flexion lies below extension: the ends were noted the wrong way round."""
        if self.flexion is None or self.extension is None:
            return False
        return self.flexion.deg < self.extension.deg

    @property
    def neutral_zero(self) -> str | None:
        """The day in neutral-zero notation, where `arc` is given."""
        if self.flexion is None or self.extension is None or self.exchanged:
            return None
        return neutral_zero(flexion_deg=self.flexion.deg, extension_deg=self.extension.deg)


def follow_days(
    readings: Sequence[Reading], limits: Sequence[Limits], *, zone: tzinfo
) -> tuple[Day, ...]:
    """A person's days, the earliest first.

    Parameters
    ----------
    readings : sequence of Reading
        In any order.
    limits : sequence of Limits
        In the order in which they were entered; of two for the same day the later counts.
    zone : tzinfo
        Whose days: a reading at 23:30 UTC belongs to the next day further east.
    """
    days: dict[date, list[Reading]] = {}
    for reading in sorted(readings, key=lambda r: r.at):
        days.setdefault(reading.at.astimezone(zone).date(), []).append(reading)
    return tuple(_day(day, found, limits_on(limits, day)) for day, found in sorted(days.items()))


def limits_on(limits: Sequence[Limits], day: date) -> Limits | None:
    """The limits in force on a day, or None before the first."""
    begun = [row for row in limits if row.from_day <= day]
    # max keeps the first of equals: reversed, that is the one entered last.
    return max(reversed(begun), key=lambda row: row.from_day, default=None)


def _day(day: date, readings: Sequence[Reading], limits: Limits | None) -> Day:
    bent = [r for r in readings if r.counted_end == "flexion"]
    straight = [r for r in readings if r.counted_end == "extension"]
    flexion = max(bent, key=lambda r: r.deg, default=None)
    extension = min(straight, key=lambda r: r.deg, default=None)
    arc, displayed = None, None
    if flexion is not None and extension is not None and flexion.deg >= extension.deg:
        arc = Arc(flexion.deg - extension.deg, math.hypot(flexion.u_deg, extension.u_deg))
        if flexion.displayed_deg is not None and extension.displayed_deg is not None:
            displayed = flexion.displayed_deg - extension.displayed_deg
    top = None if limits is None else limits.flexion_deg
    bottom = None if limits is None else limits.extension_deg
    return Day(
        day=day,
        flexion=flexion,
        extension=extension,
        arc=arc,
        displayed_arc_deg=displayed,
        limits=limits,
        past_flexion=top is not None and any(r.interval_deg[1] > top for r in readings),
        past_extension=bottom is not None and any(r.interval_deg[0] < bottom for r in readings),
        readings=len(readings),
    )


def neutral_zero(*, flexion_deg: float, extension_deg: float) -> str:
    """Neutral-zero notation of a range of motion, whole degrees.

    Parameters
    ----------
    flexion_deg, extension_deg : float
        Both as flexion: an extension of 10 is a deficit of 10, one of -5 is
        hyperextension.

    Raises
    ------
    InvalidInput
        Flexion below extension.

    Examples
    --------
    >>> neutral_zero(flexion_deg=90, extension_deg=10)
    '0-10-90'
    >>> neutral_zero(flexion_deg=140, extension_deg=-5)
    '5-0-140'
    """
    flexion, extension = round(flexion_deg), round(extension_deg)
    if flexion < extension:
        raise InvalidInput(
            f"flexion must not lie below extension, but got {flexion_deg:g} and {extension_deg:g}: "
            "were they exchanged?"
        )
    if extension > 0:
        return f"0-{extension}-{flexion}"
    if flexion < 0:
        return f"{-extension}-{-flexion}-0"
    return f"{-extension}-0-{flexion}"


def standing(reading: Reading, deg: float) -> Standing:
    """Whether an angle was reached, proven at 95 % either way (1.65 u, as every verdict)."""
    guard = COVERAGE_ONE_SIDED * reading.u_deg
    if reading.deg - guard >= deg:
        return "reached"
    return "not_reached" if reading.deg + guard < deg else "cannot_tell"


def marks_of(reading: Reading) -> tuple[tuple[Mark, Standing], ...]:
    """Every functional mark, and whether the reading proves that it was reached."""
    return tuple((mark, standing(reading, mark.deg)) for mark in MARKS)


@dataclass(frozen=True, slots=True)
class Due:
    """When a machine is to be checked next.

    ``days_left`` is negative where that day has passed, None (with ``on``) where the
    machine was never checked.
    """

    on: date | None
    days_left: int | None

    @property
    def now(self) -> bool:
        """Whether it is due today or was before."""
        return self.days_left is None or self.days_left <= 0


def due(last_at: datetime | None, *, every_days: int, today: date, zone: tzinfo = UTC) -> Due:
    """The next check of a machine, by its last and a site's interval."""
    if every_days < 1:
        raise InvalidInput(f"every_days must be at least 1, but got {every_days}")
    if last_at is None:
        return Due(None, None)
    on = last_at.astimezone(zone).date() + timedelta(days=every_days)
    return Due(on, (on - today).days)


def difference_at(
    displayed_deg: float, *, offset_deg: float, gain: float, cov: tuple[float, float, float]
) -> tuple[float, float]:
    """Displayed minus true angle where the true angle is `displayed_deg`, and its u.

    Parameters
    ----------
    displayed_deg : float
        Where on the range, degrees.
    offset_deg, gain : float
        The line of a check, displayed = offset + gain x.
    cov : (float, float, float)
        Its covariance as (offset offset, offset gain, gain gain).

    Returns
    -------
    (float, float)
        Difference and standard uncertainty. Offset and gain of one check lean on each
        other; the difference in the middle of the range is what changes least by chance.
    """
    aa, ab, bb = cov
    x = displayed_deg
    u = math.sqrt(max(aa + 2 * x * ab + x**2 * bb, 0.0))
    return offset_deg + (gain - 1.0) * x, u
