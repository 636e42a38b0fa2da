"""The fleet: every machine with its last verdict, and what is due."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from knee_angle.angle import words
from knee_angle.language import capital, figure, joined, say, say_many
from knee_angle.records import FindingKind, Verdict
from knee_angle.report.paper.blocks import Banner, Block, Cell, Paper, Row, Table
from knee_angle.report.paper.blocks import Words as Text
from knee_angle.report.paper.common import FOOT, PAGE, VERDICT_HEADS, deg, moment, spread
from knee_angle.visit.course import Due

__all__ = ["Checked", "FleetRow", "fleet_paper"]

MOST_NAMED = 12
"""So many machines that are due are named before the table, which has them all."""
SOON_DAYS = 30


@dataclass(frozen=True, slots=True)
class Checked:
    """The last check of a machine that stands."""

    on: date
    verdict: Verdict
    finding: FindingKind
    bars_seen: bool
    largest_deg: float
    largest_u_deg: float
    tolerance_deg: float
    changed: bool
    """Whether a rule of its control chart fired at this check."""


@dataclass(frozen=True, slots=True)
class FleetRow:
    """One machine; never checked without `last`."""

    machine: str
    last: Checked | None
    due: Due
    every_days: int


def fleet_paper(rows: Sequence[FleetRow], *, made_at: datetime, note: str = "") -> Paper:
    """The paper of all machines: what is due first.

    Parameters
    ----------
    rows : sequence of FleetRow
        At least one.
    made_at : datetime
        In the zone that is to be printed.
    note : str
        A line for this paper alone.
    """
    order = sorted(rows, key=lambda row: (row.due.on or date.min, row.machine))
    soon = sum(1 for row in rows if not row.due.now and (row.due.days_left or 0) <= SOON_DAYS)
    blocks: list[Block] = [_first(order), _counts(order, soon=soon), _table(order)]
    if note:
        blocks.append(Text(note, lead=say("Note")))
    count = say_many("{count} machine", "{count} machines", len(rows))
    about = joined(" · ", [count, say("made {when}", when=moment(made_at))])
    return Paper(say("Machines: last checks and what is due"), about, tuple(blocks), FOOT, PAGE)


def _first(rows: Sequence[FleetRow]) -> Banner:
    """How many are due, and which have a display that is proven wrong."""
    due = [row.machine for row in rows if row.due.now]
    wrong = [row.machine for row in rows if row.last is not None and row.last.verdict == "outside"]
    told = []
    if due:
        named, more = ", ".join(due[:MOST_NAMED]), len(due) - MOST_NAMED
        told.append(
            say("Check now: {machines} and {more} more, below.", machines=named, more=more)
            if more > 0
            else say("Check now: {machines}.", machines=named)
        )
    if wrong:
        told.append(
            say("Display proven wrong at the last check: {machines}.", machines=", ".join(wrong))
        )
    if not told:
        return Banner(
            say("No check is due"), say("No display was proven wrong."), "within", "circle"
        )
    head = say_many("{count} machine is due", "{count} machines are due", len(due))
    return Banner(
        head if due else say("No check is due"),
        joined(" ", told),
        "outside" if wrong else "undecided",
        "triangle" if wrong else "bar",
    )


def _counts(rows: Sequence[FleetRow], *, soon: int) -> Table:
    """How many machines stand how."""
    verdicts = [row.last.verdict for row in rows if row.last is not None]
    count = (
        sum(1 for row in rows if row.due.now),
        soon,
        *(verdicts.count(one) for one in ("within", "outside", "undecided")),
        len(rows) - len(verdicts),
    )
    return Table(
        head=(
            say("Due now"),
            say("Within {days} days", days=SOON_DAYS),
            VERDICT_HEADS["within"],
            VERDICT_HEADS["outside"],
            VERDICT_HEADS["undecided"],
            say("Never checked"),
        ),
        rows=(tuple(Cell(figure(f"{one}"), strong=True) for one in count),),
        align="llllll",
        widths=(1.0,) * 6,
    )


def _table(rows: Sequence[FleetRow]) -> Table:
    return Table(
        head=(
            say("Machine"),
            say("Next check"),
            say("Last check"),
            say("Verdict"),
            say("Largest difference"),
            say("Against"),
            say("Finding"),
        ),
        rows=tuple(_row(row) for row in rows),
        align="lllllll",
        widths=(0.75, 1.85, 1.0, 1.45, 1.55, 0.75, 2.25),
        caption=say("What is due soonest stands first. ± 95 %; each against its own tolerance."),
    )


def _row(row: FleetRow) -> Row:
    day = None if row.due.on is None else row.due.on.isoformat()
    when = Cell(
        _due_words(row.due) if day is None else day,
        "" if day is None else _due_words(row.due),
        strong=row.due.now,
        tone="past" if row.due.now else "plain",
    )
    last = row.last
    if last is None:
        return (Cell(row.machine, strong=True), when, Cell(say("never checked"), across=5))
    found = words.check_finding(last.finding, display=last.verdict, by_bars=last.bars_seen)
    finding = capital(found)
    if last.changed:
        finding = joined(" ", [finding, say("A sign that the machine has changed.")])
    return (
        Cell(row.machine, strong=True),
        when,
        last.on.isoformat(),
        Cell(VERDICT_HEADS[last.verdict], strong=True, tone=last.verdict),
        say(
            "{value} {spread} of {tolerance_deg:g}°",
            value=deg(last.largest_deg, sign=True),
            spread=spread(last.largest_u_deg),
            tolerance_deg=last.tolerance_deg,
        ),
        say("bars") if last.bars_seen else say("knee"),
        finding,
    )


def _due_words(due: Due) -> str:
    """How far off a check is."""
    if due.days_left is None:
        return say("first check due")
    if due.days_left < 0:
        return say_many("overdue by {count} day", "overdue by {count} days", -due.days_left)
    if due.days_left == 0:
        return say("due today")
    return say_many("in {count} day", "in {count} days", due.days_left)
