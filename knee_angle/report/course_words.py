"""A person's course over days as text and as JSON; the paper of it stands in `paper.course`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from knee_angle.angle import words
from knee_angle.language import figure, joined, say, say_many, tell
from knee_angle.records import Side
from knee_angle.visit.course import Day, End, KeptAngle
from knee_angle.visit.trend import Trend, trend

__all__ = ["ENDS", "PAST_WORDS", "Knee", "course_as_json", "course_text", "past_text", "trend_text"]

Json = dict[str, Any]

ENDS: tuple[End, ...] = ("flexion", "extension")
HEADS = say("  day         flexion (95 %)    extension (95 %)  arc         display    photos")
PAST_WORDS = {
    "knee": say("the knee is (proven)"),
    "display": say("the display says so"),
    "setting": say("the machine is set so"),
}
_TRENDS: dict[End, str] = {
    "flexion": say("Flexion changes by {deg}° a day ({low} to {high}, 95 %), over {days} days."),
    "extension": say(
        "Extension changes by {deg}° a day ({low} to {high}, 95 %; less is straighter), over "
        "{days} days."
    ),
}
_NO_TREND: dict[End, str] = {
    "flexion": say("Flexion: no trend, fewer than 3 days."),
    "extension": say("Extension: no trend, fewer than 3 days."),
}


@dataclass(frozen=True, slots=True)
class Knee:
    """One knee's days, the earliest first."""

    side: Side
    days: tuple[Day, ...]


def course_text(person: str, knees: Sequence[Knee]) -> str:
    """Each knee: what was past a limit on the newest day, the trends, then every day.

    As it is printed: in the language that is spoken here.
    """
    blocks = []
    for knee in knees:
        lines = [
            tell(joined(", ", [say("Patient {code}", code=person), words.KNEE_HEADS[knee.side]]))
        ]
        lines += [f"{day.day.isoformat()}: {tell(past_text(day))}" for day in knee.days if day.past]
        lines += [tell(trend_text(knee.days, end)) for end in ENDS]
        lines += [tell(HEADS), *(_row(day) for day in knee.days)]
        blocks.append("\n".join(lines))
    return "\n\n".join(blocks)


def past_text(day: Day) -> str:
    """The limits that were passed on a day, and what to do."""
    told = [
        say(
            "{which} past {limit_deg:g}°: {because}.",
            which={"flexion": say("Flexion"), "extension": say("Extension")}[one.which],
            limit_deg=one.limit_deg,
            because=joined(", ", [PAST_WORDS[what] for what in one.because]),
        )
        for one in day.past
    ]
    return joined(" ", [*told, say("Stop the machine and follow the prescription.")])


def trend_text(days: Sequence[Day], end: End) -> str:
    """Degrees a day at one end with their interval, or why there are none."""
    found = trend(days, end=end)
    if found is None:
        return _NO_TREND[end]
    deg, low, high = (_signed(one) for one in (found.per_day_deg, *found.interval_deg))
    return _TRENDS[end].format(deg=deg, low=low, high=high, days=found.days)


def course_as_json(person: str, knees: Sequence[Knee], *, version: str) -> Json:
    """A course, ready for `json.dumps`; degrees of flexion, the earliest day first."""
    return {"person": person, "knees": [_knee(knee) for knee in knees], "version": version}


def _knee(knee: Knee) -> Json:
    return {
        "side": knee.side,
        "trend": {end: _trend(trend(knee.days, end=end)) for end in ENDS},
        "days": [_day(day) for day in knee.days],
    }


def _trend(found: Trend | None) -> Json | None:
    if found is None:
        return None
    return {
        "per_day_deg": round(found.per_day_deg, 3),
        "u_deg": round(found.u_deg, 3),
        "interval_deg": [round(one, 3) for one in found.interval_deg],
        "days": found.days,
    }


def _day(day: Day) -> Json:
    limits = day.limits
    arc = day.arc
    return {
        "day": day.day.isoformat(),
        "flexion": _reading(day.flexion),
        "extension": _reading(day.extension),
        "arc": None if arc is None else {"deg": round(arc.deg, 3), "u_deg": round(arc.u_deg, 3)},
        "displayed_arc_deg": day.displayed_arc_deg,
        "neutral_zero": day.neutral_zero,
        "ends_exchanged": day.exchanged,
        "limit_flexion_deg": None if limits is None else limits.flexion_deg,
        "limit_extension_deg": None if limits is None else limits.extension_deg,
        "past": [
            {"which": one.which, "limit_deg": one.limit_deg, "because": list(one.because)}
            for one in day.past
        ],
        "photos": day.readings,
    }


def _reading(one: KeptAngle | None) -> Json | None:
    if one is None:
        return None
    return {
        "deg": round(one.deg, 3),
        "u_deg": round(one.u_deg, 3),
        "interval_deg": [round(end, 3) for end in one.interval_deg],
        "displayed_deg": one.displayed_deg,
        "photos": one.photos,
    }


def _row(day: Day) -> str:
    """A day of the table."""
    shown = [
        "–" if one is None or one.displayed_deg is None else tell(figure(f"{one.displayed_deg:g}°"))
        for one in (day.flexion, day.extension)
    ]
    ends = [
        "–" if one is None else _short(one.deg, one.u_deg) for one in (day.flexion, day.extension)
    ]
    arc = "–" if day.arc is None else _short(day.arc.deg, day.arc.u_deg)
    photos = tell(say_many("{count} photo", "{count} photos", day.readings))
    cells = (day.day.isoformat(), *ends, arc, " / ".join(shown), photos)
    widths = (10, 16, 16, 10, 9, 0)
    return "  " + "  ".join(f"{c:<{w}}" for c, w in zip(cells, widths, strict=True)).rstrip()


def _short(deg: float, u_deg: float) -> str:
    """Whole degrees and ± 95 %, with a true minus."""
    return tell(figure(f"{round(deg):d}° ± {words.plus_minus(u_deg):.0f}".replace("-", "\u2212")))


def _signed(deg: float) -> str:
    return figure(f"{deg:+.1f}".replace("-", "\u2212"))
