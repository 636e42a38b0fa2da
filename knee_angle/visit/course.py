"""Following a person over days and a machine over checks: numbers only.

* A day's **flexion** is the angle of the setting furthest into flexion, its **extension**
  that of the setting furthest into extension, its **arc** their difference.
* Photos of one **setting** (named so, or with the same displayed number, or, where neither is
  known, angles that do not differ by more than their ±) are repeats: one angle, their mean.
  The largest of repeats is the one with the luckiest error. Their marks are mostly the same,
  so the mean's ± is that of one photo, or more where they scatter more.
* Which setting is furthest, the display says, as it knows nothing of a photo's error, and of
  two at the same number the later; an angle photographed without a number counts instead where
  it is proven to be further.
* Photos of one **visit** are not averaged: their joint estimate comes in as one angle a
  setting, with what the settings share (`store.following`).
* A photo whose end was not noted counts for flexion from 45 degrees on, else for extension.
* A **prescribed limit** is judged as everywhere (`angle.bounds`): *past* where the knee of a
  setting is proven to be, or the display or the machine's own setting is. Nothing here says
  that more motion is wanted.
* One **knee**: readings of both sides of one person are two courses.
* **Neutral-zero notation**: extension / 0 / flexion. A deficit of 10 and flexion 90 is
  0-10-90, hyperextension of 5 and flexion 140 is 5-0-140 (Gerhardt and Russe 1975, from
  memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta, tzinfo
from statistics import mean, stdev
from typing import Literal

from knee_angle.angle.bounds import LimitStanding, limit_standings
from knee_angle.assumptions import (
    COVERAGE,
    COVERAGE_ONE_SIDED,
    END_FROM_DEG,
)
from knee_angle.errors import InvalidInput
from knee_angle.language import say
from knee_angle.records import Side
from knee_angle.settings import Settings

__all__ = [
    "MARKS",
    "Arc",
    "Day",
    "Due",
    "End",
    "KeptAngle",
    "Mark",
    "PrescribedLimits",
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

APART = 3.0
"""Angles of unnamed photos further apart than so many ± are different settings (our own)."""


@dataclass(frozen=True, slots=True)
class Mark:
    """Flexion that something in daily life takes, with where that number comes from."""

    deg: float
    words: str
    source: str


_HANCOCK = "Hancock et al. 2018, J Exp Orthop 5:46"
MARKS: tuple[Mark, ...] = (
    Mark(67.0, say("walking"), _HANCOCK),
    Mark(83.0, say("up stairs"), _HANCOCK),
    Mark(90.0, say("down stairs"), _HANCOCK),
    Mark(93.0, say("rising from a chair"), _HANCOCK),
    Mark(110.0, say("most of daily life"), "Rowe et al. 2000, Gait Posture 12:143-155"),
)
"""For comparison only: what is aimed at, the prescription says."""


@dataclass(frozen=True, slots=True)
class KeptAngle:
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
    setting : str or None
        A word that the photos of one setting share, where that is known.
    photos : int
        How many photos stand behind it.
    side : {"left", "right"} or None
        The knee; None where all are of one.
    set_flexion_deg, set_extension_deg : float or None
        The limits that the machine itself was set to.
    shares : tuple of (str, float)
        Covariance with other angles of the same visit by their `id`, degrees squared: what
        two settings have in common cancels in their arc.
    """

    id: str
    at: datetime
    deg: float
    u_deg: float
    interval_deg: tuple[float, float]
    displayed_deg: float | None = None
    end: End | None = None
    setting: str | None = None
    photos: int = 1
    side: Side | None = None
    set_flexion_deg: float | None = None
    set_extension_deg: float | None = None
    shares: tuple[tuple[str, float], ...] = ()

    @property
    def counted_end(self) -> End:
        """The end noted, else by the angle."""
        return self.end or ("flexion" if self.deg >= END_FROM_DEG else "extension")


@dataclass(frozen=True, slots=True)
class PrescribedLimits:
    """Prescribed limits from a day on; None where none is prescribed."""

    from_day: date
    flexion_deg: float | None
    extension_deg: float | None


@dataclass(frozen=True, slots=True)
class Arc:
    """Flexion minus extension of one day.

    The u of two settings of one visit is that of their joint estimate, in which the errors
    that both share cancel. Of two visits it joins both readings' as if they were independent:
    marks that stayed on the skin in between share some error, so the true one is rather smaller.
    """

    deg: float
    u_deg: float

    @property
    def interval_deg(self) -> tuple[float, float]:
        """95 % interval, from its normal approximation."""
        half = COVERAGE * self.u_deg
        return self.deg - half, self.deg + half


@dataclass(frozen=True, slots=True)
class Day:
    """One day of one person.

    Parameters
    ----------
    day : date
        In the zone that was asked for.
    flexion, extension : KeptAngle or None
        The day's two ends, each the joint reading of its setting's photos; ``id`` is that of
        the newest.
    arc : Arc or None
        Where both ends were measured, flexion not below extension.
    displayed_arc_deg : float or None
        The display's, of the same two settings.
    limits : PrescribedLimits or None
        The prescription in force.
    past : tuple of LimitStanding
        Each prescribed limit that a setting of the day, or the machine, is past.
    readings : int
        How many photos of that day count.
    """

    day: date
    flexion: KeptAngle | None
    extension: KeptAngle | None
    arc: Arc | None
    displayed_arc_deg: float | None
    limits: PrescribedLimits | None
    past: tuple[LimitStanding, ...]
    readings: int

    @property
    def past_flexion(self) -> bool:
        """Whether the prescribed flexion was passed."""
        return any(one.which == "flexion" for one in self.past)

    @property
    def past_extension(self) -> bool:
        """Whether the prescribed extension was passed."""
        return any(one.which == "extension" for one in self.past)

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
    readings: Sequence[KeptAngle],
    limits: Sequence[PrescribedLimits],
    *,
    zone: tzinfo,
    side: Side | None = None,
) -> tuple[Day, ...]:
    """The days of one knee, the earliest first.

    Parameters
    ----------
    readings : sequence of KeptAngle
        In any order.
    limits : sequence of PrescribedLimits
        Of that knee, in the order in which they were entered; of two for the same day the later
        counts.
    zone : tzinfo
        Whose days: a reading at 23:30 UTC belongs to the next day further east.
    side : {"left", "right"}, optional
        The knee to follow, where the readings are of both.

    Raises
    ------
    InvalidInput
        Readings of both knees, and none was named.
    """
    if side is not None:
        readings = [reading for reading in readings if reading.side == side]
    elif len({reading.side for reading in readings}) > 1:
        raise InvalidInput(
            say(
                "a course is of one knee, but the readings are of the left and the right: "
                "name the side"
            )
        )
    days: dict[date, list[KeptAngle]] = {}
    for reading in sorted(readings, key=lambda r: r.at):
        days.setdefault(reading.at.astimezone(zone).date(), []).append(reading)
    return tuple(_day(day, found, limits_on(limits, day)) for day, found in sorted(days.items()))


def limits_on(limits: Sequence[PrescribedLimits], day: date) -> PrescribedLimits | None:
    """The limits in force on a day, or None before the first."""
    begun = [row for row in limits if row.from_day <= day]
    # max keeps the first of equals: reversed, that is the one entered last.
    return max(reversed(begun), key=lambda row: row.from_day, default=None)


def _day(day: date, readings: Sequence[KeptAngle], limits: PrescribedLimits | None) -> Day:
    bent = [r for r in readings if r.counted_end == "flexion"]
    straight = [r for r in readings if r.counted_end == "extension"]
    flexion, extension = _furthest(bent, sign=1), _furthest(straight, sign=-1)
    arc, displayed = None, None
    if flexion is not None and extension is not None and flexion.deg >= extension.deg:
        shared = dict(flexion.shares).get(extension.id, 0.0)
        variance = flexion.u_deg**2 + extension.u_deg**2 - 2.0 * shared
        arc = Arc(flexion.deg - extension.deg, math.sqrt(max(variance, 0.0)))
        if flexion.displayed_deg is not None and extension.displayed_deg is not None:
            displayed = flexion.displayed_deg - extension.displayed_deg
    return Day(
        day=day,
        flexion=flexion,
        extension=extension,
        arc=arc,
        displayed_arc_deg=displayed,
        limits=limits,
        past=() if limits is None else _past(readings, limits),
        readings=sum(reading.photos for reading in readings),
    )


def _past(readings: Sequence[KeptAngle], limits: PrescribedLimits) -> tuple[LimitStanding, ...]:
    """Each limit that was passed, with all that was past it.

    Judged by setting: the luckiest of several photos is none.
    """
    settings = Settings(
        limit_flexion_deg=limits.flexion_deg, limit_extension_deg=limits.extension_deg
    )
    found: dict[str, LimitStanding] = {}
    judged = [
        limit_standings(settings, knee_deg=joint.deg, u_deg=joint.u_deg)
        for joint in (_joint(group) for group in _settings_of(readings))
    ]
    judged += [
        limit_standings(
            settings,
            knee_deg=None,
            displayed_deg=reading.displayed_deg,
            set_flexion_deg=reading.set_flexion_deg,
            set_extension_deg=reading.set_extension_deg,
        )
        for reading in readings
    ]
    for standings in judged:
        for one in standings:
            if one.standing == "past":
                before = found.get(one.which, one)
                because = tuple(dict.fromkeys((*before.because, *one.because)))
                p_past = max(before.p_past, one.p_past)
                found[one.which] = replace(before, because=because, p_past=p_past)
    return tuple(found[which] for which in ("flexion", "extension") if which in found)


def _furthest(readings: Sequence[KeptAngle], *, sign: int) -> KeptAngle | None:
    """The joint reading of the setting furthest into flexion (sign 1) or extension (-1)."""
    joint = [_joint(group) for group in _settings_of(readings)]
    by_display = [r for r in joint if r.displayed_deg is not None]
    best = max(
        by_display,
        key=lambda r: (sign * (r.displayed_deg or 0.0), r.at, sign * r.deg),
        default=None,
    )
    for other in (r for r in joint if r.displayed_deg is None):
        guard = 0.0 if best is None else COVERAGE_ONE_SIDED * math.hypot(best.u_deg, other.u_deg)
        if best is None or sign * (other.deg - best.deg) > (
            guard if best.displayed_deg is not None else 0.0
        ):
            best = other
    return best


def _settings_of(readings: Sequence[KeptAngle]) -> list[list[KeptAngle]]:
    """Repeats together: by the setting's word, by the displayed number, else by the angle."""
    named: dict[str | float, list[KeptAngle]] = {}
    loose: list[KeptAngle] = []
    for reading in readings:
        key = reading.displayed_deg if reading.setting is None else reading.setting
        if key is None:
            loose.append(reading)
        else:
            named.setdefault(key, []).append(reading)
    groups: list[list[KeptAngle]] = []
    for reading in sorted(loose, key=lambda r: r.deg):
        last = groups[-1][-1] if groups else None
        near = last is not None and reading.deg - last.deg <= APART * math.hypot(
            last.u_deg, reading.u_deg
        )
        if near:
            groups[-1].append(reading)
        else:
            groups.append([reading])
    return [*named.values(), *groups]


def _joint(repeats: Sequence[KeptAngle]) -> KeptAngle:
    """One reading of repeats: their mean, with the ± of one or what they scatter by."""
    if len(repeats) == 1:
        return repeats[0]
    newest = max(repeats, key=lambda r: r.at)
    deg = mean(r.deg for r in repeats)
    u = math.sqrt(mean(r.u_deg**2 for r in repeats))
    widened = max(1.0, stdev(r.deg for r in repeats) / u)
    low = mean(r.deg - r.interval_deg[0] for r in repeats) * widened
    high = mean(r.interval_deg[1] - r.deg for r in repeats) * widened
    return replace(
        newest,
        deg=deg,
        u_deg=u * widened,
        interval_deg=(deg - low, deg + high),
        photos=sum(r.photos for r in repeats),
        shares=(),
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
            say(
                "flexion must not lie below extension, but got {flexion_deg:g} and "
                "{extension_deg:g}: were they exchanged?",
                flexion_deg=flexion_deg,
                extension_deg=extension_deg,
            )
        )
    if extension > 0:
        return f"0-{extension}-{flexion}"
    if flexion < 0:
        return f"{-extension}-{-flexion}-0"
    return f"{-extension}-0-{flexion}"


def standing(reading: KeptAngle, deg: float) -> Standing:
    """Whether an angle was reached, proven at 95 % either way (1.65 u, as every verdict)."""
    guard = COVERAGE_ONE_SIDED * reading.u_deg
    if reading.deg - guard >= deg:
        return "reached"
    return "not_reached" if reading.deg + guard < deg else "cannot_tell"


def marks_of(reading: KeptAngle) -> tuple[tuple[Mark, Standing], ...]:
    """Every functional mark, and whether the reading proves that it was reached."""
    return tuple((mark, standing(reading, mark.deg)) for mark in MARKS)


EVERY_DAYS = 180
"""Days between two checks where a machine's card says nothing: half a year (common
practice for measuring equipment; each site's to change)."""
MIDDLE_DEG = 60.0
"""Where a machine's checks are compared over time: mid-range, which chance moves least."""


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
        raise InvalidInput(
            say("every_days must be at least 1, but got {every_days}", every_days=every_days)
        )
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
