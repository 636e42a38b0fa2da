"""What all papers share: the foot, codes, and how moments and days are written (ISO 8601)."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime

from knee_angle.angle import words
from knee_angle.language import figure, say
from knee_angle.records import Verdict
from knee_angle.report.paper.blocks import Banner

__all__ = [
    "BANNER_HEADS",
    "FOOT",
    "MARK_WORDS",
    "PAGE",
    "VERDICT_HEADS",
    "code_words",
    "deg",
    "due_in_head",
    "due_words",
    "gone",
    "moment",
    "photo_words",
    "spread",
    "whole",
    "without_verdict",
]

FOOT = words.CAUTION
PAGE = say("Page {page} of {pages}", page="{page}", pages="{pages}")
MARK_WORDS = {
    "walking": say("walking"),
    "up stairs": say("up stairs"),
    "down stairs": say("down stairs"),
    "rising from a chair": say("rising from a chair"),
    "most of daily life": say("most of daily life"),
}
"""The words of `visit.course.MARKS`."""
VERDICT_HEADS: dict[Verdict, str] = {
    "within": say("Display agrees"),
    "outside": say("Display does not agree"),
    "undecided": say("Cannot tell"),
}
BANNER_HEADS: dict[Verdict, str] = {
    **VERDICT_HEADS,
    "undecided": say("Cannot tell whether the display agrees"),
}
"""The same where no head of a column says of what."""


def gone(what: str) -> Banner:
    """The first thing on the paper of a row that was withdrawn or corrected."""
    return Banner(
        what,
        say("It was withdrawn or corrected after it was kept: do not use these figures."),
        "outside",
        "triangle",
    )


def without_verdict(banner: Banner) -> Banner:
    """A banner of a row that does not count: its words without colour and shape."""
    return replace(banner, tone="plain", shape="")


def code_words(code: str | None) -> str:
    """A code, or a dash where there is none."""
    return code or "–"


def photo_words(name: str) -> str:
    """A kept photo's name, which is its number; any other as it is."""
    word, _, number = name.partition(" ")
    if word == "photo" and number.isdigit():
        return say("photo {number}", number=number)
    return name


def deg(value: float, *, sign: bool = False) -> str:
    """An angle in tenths."""
    return figure(words.degrees(value, sign=sign))


def whole(value: float) -> str:
    """An angle in whole degrees, with a true minus."""
    return figure(f"{round(value):d}°".replace("-", "\u2212"))


def spread(u: float) -> str:
    """The 95 % ± of a standard uncertainty, degrees."""
    return figure(f"±\u00a0{words.plus_minus(u):.1f}°")


def moment(at: datetime) -> str:
    """Day, time and distance from UTC.

    Examples
    --------
    >>> from datetime import UTC
    >>> moment(datetime(2026, 3, 4, 9, 5, tzinfo=UTC))
    '2026-03-04 09:05 UTC'
    """
    offset = at.strftime("%z")
    zone = "" if offset in ("", "+0000") else f"{offset[:3]}:{offset[3:]}"
    return f"{at:%Y-%m-%d %H:%M} UTC{zone}"


def due_in_head(day: date | None) -> list[str]:
    """When a machine's next check is due, for a subtitle; nothing without a day."""
    return [] if day is None else [say("next check due {day}", day=day.isoformat())]


def due_words(day: date | None, *, every_days: int, failed: bool) -> str:
    """When the next check is due; of what failed first after it was put right."""
    due = "–" if day is None else day.isoformat()
    if not failed:
        return say("{day} (every {days} days)", day=due, days=every_days)
    return say(
        "again after it was put right, before it is used, as local protocol says; ordinary "
        "interval: {day} (every {days} days)",
        day=due,
        days=every_days,
    )
