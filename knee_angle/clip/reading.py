"""Displayed numbers of a clip: those read in its pictures, and what is said of them."""

from __future__ import annotations

import numpy as np

from knee_angle.clip import said
from knee_angle.clip.following import Followed, NumberReader
from knee_angle.clip.numbers import Readings
from knee_angle.machine.cause import display_alarms
from knee_angle.photo.display.film import DisplayReader
from knee_angle.settings import Settings

__all__ = [
    "alarms_of_display",
    "alarms_of_either",
    "numbers_read",
    "reader_by",
    "told_of_reading",
]


def reader_by(settings: Settings) -> NumberReader | None:
    """What reads the display, unless that is switched off."""
    return DisplayReader(settings) if settings.read_display else None


def numbers_read(followed: Followed) -> Readings:
    """What a reader read in the pictures."""
    known = [(s.seconds, s.displayed) for s in followed.samples if s.displayed is not None]
    return Readings(
        np.array([seconds for seconds, _ in known]),
        np.array([one.deg for _, one in known]),
        np.array([one.probability or 0.0 for _, one in known]),
    )


def told_of_reading(
    shown: Readings, read: Readings, misread: int, *, asked: bool
) -> tuple[str, ...]:
    """What to say of numbers that were read: of none, of odd ones, against those written down."""
    if shown.source == "given":
        other, compared = shown.other_than(read)
        return (said.other_than_read(other, compared),) if other else ()
    told = [said.NOTHING_READ] if asked and not len(read.seconds) else []
    return (*told, said.misread(misread, misread + len(read.seconds))) if misread else (*told,)


def alarms_of_display(shown: Readings, settings: Settings) -> tuple[str, ...]:
    """Prescribed limits that a displayed number lies past, at any time."""
    if len(shown.displayed_deg) == 0:
        return ()
    ends = (float(shown.displayed_deg.max()), float(shown.displayed_deg.min()))
    return tuple(dict.fromkeys(alarm for end in ends for alarm in display_alarms(end, settings)))


def alarms_of_either(shown: Readings, knees: tuple[Settings, Settings]) -> tuple[str, ...]:
    """Alarms of the displayed numbers by the limits of either knee."""
    return tuple(dict.fromkeys(told for one in knees for told in alarms_of_display(shown, one)))
