"""A person's course over days: chart with intervals, table, neutral-zero notation, by side."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from knee_angle.angle import words
from knee_angle.language import figure, joined, say, say_many
from knee_angle.report.course_words import ENDS, Knee, past_text, trend_text
from knee_angle.report.paper.blocks import Banner, Block, Cell, Heading, Paper, Picture, Row, Table
from knee_angle.report.paper.blocks import Words as Text
from knee_angle.report.paper.charts import course_chart
from knee_angle.report.paper.common import FOOT, MARK_WORDS, PAGE, deg, moment, whole
from knee_angle.visit.course import MARKS, Day, KeptAngle, Standing, marks_of

__all__ = ["course_paper"]

STANDING_WORDS: dict[Standing, str] = {
    "reached": say("reached"),
    "not_reached": say("not reached"),
    "cannot_tell": say("cannot tell"),
}


def course_paper(person: str, knees: Sequence[Knee], *, made_at: datetime, note: str = "") -> Paper:
    """The paper of a person's course.

    Parameters
    ----------
    person : str
        A code.
    knees : sequence of Knee
        Those that were measured; at least one.
    made_at : datetime
        In the zone that is to be printed.
    note : str
        A line for this paper alone.
    """
    days = [day.day for knee in knees for day in knee.days]
    about = joined(
        " · ",
        [
            say("Patient {code}", code=person),
            joined(", ", [words.KNEE_WORDS[knee.side] for knee in knees]),
            say("{first} to {last}", first=min(days).isoformat(), last=max(days).isoformat()),
            say("made {when}", when=moment(made_at)),
        ],
    )
    first = None if len(knees) == 1 else knees[0]
    blocks = [block for knee in knees for block in _knee(knee, first=first)]
    if note:
        blocks += [Heading(say("Note")), Text(note)]
    return Paper(say("Course of the knee"), about, tuple(blocks), FOOT, PAGE)


def _knee(knee: Knee, *, first: Knee | None) -> list[Block]:
    """One knee; of two, each under its head and on pages of its own."""
    blocks: list[Block] = []
    if first is not None:
        blocks.append(Heading(words.KNEE_HEADS[knee.side], new_page=knee is not first))
    newest = knee.days[-1]
    blocks += [_alarm(newest)] if newest.past else []
    blocks += [_newest(newest)]
    if newest.exchanged:
        blocks.append(
            Text(
                say(
                    "Flexion lies below extension: was the end of the range noted the wrong way "
                    "round? Take that measurement back and keep it again."
                )
            )
        )
    blocks.append(
        Picture(
            course_chart(knee.days, MARKS),
            say("Flexion and extension over days; the table below holds the numbers."),
            say(
                "Dotted lines are what daily life takes, for comparison only: what is aimed at, "
                "the prescription says."
            ),
        )
    )
    blocks.append(Text(joined(" ", [trend_text(knee.days, end) for end in ENDS])))
    blocks += [Heading(say("Days")), _table(knee.days)]
    flexed = next((day for day in reversed(knee.days) if day.flexion is not None), None)
    if flexed is not None and flexed.flexion is not None:
        blocks += [Heading(say("What daily life takes")), _marks(flexed.flexion)]
    return blocks


def _alarm(day: Day) -> Banner:
    """A limit that was passed on the newest day."""
    head = say("PAST THE PRESCRIBED LIMIT on {day}", day=day.day.isoformat())
    return Banner(head, past_text(day), "past", "octagon")


def _newest(day: Day) -> Table:
    """The newest day, large."""
    arc = Cell("–", large=True)
    if day.arc is not None:
        arc = Cell(figure(f"{day.arc.deg:.0f}°"), _half(day.arc.u_deg), large=True)
    return Table(
        head=(
            say("Newest day"),
            say("Flexion ± (95 %)"),
            say("Extension ± (95 %)"),
            say("Arc ± (95 %)"),
            say("Neutral-zero"),
        ),
        rows=(
            (
                Cell(day.day.isoformat(), strong=True),
                _large(day.flexion),
                _large(day.extension),
                arc,
                Cell(day.neutral_zero or "–", large=True),
            ),
        ),
        align="lrrrr",
        widths=(1.0, 1.3, 1.3, 1.3, 1.3),
        caption=_prescribed(day),
    )


def _prescribed(day: Day) -> str:
    """The limits in force on a day."""
    limits = day.limits
    if limits is None or (limits.flexion_deg, limits.extension_deg) == (None, None):
        return say("No limits were prescribed for that day.")
    ends: list[str] = []
    if limits.extension_deg is not None:
        ends.append(say("extension {limit}", limit=words.from_straight(limits.extension_deg)))
    if limits.flexion_deg is not None:
        ends.append(say("flexion {limit_deg:g}°", limit_deg=limits.flexion_deg))
    return say(
        "Prescribed: {ends} (from {day})", ends=joined(", ", ends), day=limits.from_day.isoformat()
    )


def _large(reading: KeptAngle | None) -> Cell:
    if reading is None:
        return Cell("–", large=True)
    return Cell(whole(reading.deg), _half(reading.u_deg), large=True)


def _half(u_deg: float) -> str:
    return figure(f"±\u00a0{words.plus_minus(u_deg):.0f}°")


def _table(days: Sequence[Day]) -> Table:
    """Every day, the newest first."""
    return Table(
        head=(
            say("Day"),
            say("Flexion"),
            say("Extension"),
            say("Arc"),
            say("Display, both ends"),
            say("Prescribed"),
            say("Neutral-zero"),
            say("Photos"),
        ),
        rows=tuple(_row(day) for day in reversed(days)),
        align="lrrrrrrr",
        widths=(1.2, 1.5, 1.5, 1.2, 1.4, 1.2, 1.3, 0.8),
        caption=say(
            "Degrees, ± 95 %, the newest day first. Display and prescribed: flexion / extension. "
            "Neutral-zero: extension, zero, flexion. A day that was past a limit says so."
        ),
    )


def _row(day: Day) -> Row:
    limits = day.limits
    prescribed = (None, None) if limits is None else (limits.flexion_deg, limits.extension_deg)
    shown = [None if one is None else one.displayed_deg for one in (day.flexion, day.extension)]
    return (
        day.day.isoformat(),
        _cell(day.flexion, past=day.past_flexion),
        _cell(day.extension, past=day.past_extension),
        "–" if day.arc is None else _short(day.arc.deg, day.arc.u_deg),
        _both(shown),
        _both(prescribed),
        day.neutral_zero or "–",
        figure(f"{day.readings}"),
    )


def _cell(reading: KeptAngle | None, *, past: bool) -> Cell:
    told = "–" if reading is None else _short(reading.deg, reading.u_deg)
    if not past:
        return Cell(told)
    return Cell(told, say("PAST"), strong=True, tone="past")


def _short(value: float, u_deg: float) -> str:
    return figure(f"{round(value):d} ± {words.plus_minus(u_deg):.0f}".replace("-", "\u2212"))


def _both(ends: Sequence[float | None]) -> str:
    told = ("–" if end is None else f"{end:g}".replace("-", "\u2212") for end in ends)
    return figure(" / ".join(told))


def _marks(reading: KeptAngle) -> Table:
    """Each functional mark against the newest flexion."""
    rows = tuple(
        (MARK_WORDS[mark.words], deg(mark.deg), STANDING_WORDS[standing], mark.source)
        for mark, standing in marks_of(reading)
    )
    return Table(
        head=(say("Activity"), say("Takes"), say("Proven (95 %)"), say("Source")),
        rows=rows,
        align="lrll",
        widths=(1.4, 0.7, 1.0, 2.4),
        caption=joined(
            " ",
            [
                say("Against the flexion of {day}.", day=f"{reading.at:%Y-%m-%d}"),
                say("For comparison only, no goals."),
                say_many("{count} photo.", "{count} photos.", reading.photos),
            ],
        ),
    )
