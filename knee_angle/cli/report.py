"""``knee-angle report``: what is kept, as paper to file (PDF) or as one page (HTML)."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from knee_angle.cli.app import Commands, app
from knee_angle.cli.store import Knee, Where, opened_store
from knee_angle.language import tell

if TYPE_CHECKING:
    from knee_angle.records import Side
    from knee_angle.store import Store
    from knee_angle.store.papers import Paper

__all__ = ["report_app"]

report_app = typer.Typer(
    cls=Commands,
    help="Papers of what is kept, as PDF or HTML, without photo or model.",
    no_args_is_help=True,
)
app.add_typer(report_app, name="report")


class Size(StrEnum):
    """Paper sizes."""

    A4 = "a4"
    LETTER = "letter"


Out = Annotated[
    Path,
    typer.Argument(
        help="File to write: .pdf or .html; one of that name is replaced.", show_default=False
    ),
]
Sized = Annotated[Size, typer.Option("--paper", help="Paper size of a PDF.")]
Note = Annotated[str, typer.Option("--note", help="A line to print on it; it is not kept.")]
Row = Annotated[
    str | None, typer.Option("--row", help="The kept row, or how it begins; else the newest.")
]
Pictures = Annotated[
    bool, typer.Option("--pictures/--no-pictures", help="Show photos that were kept.")
]


@report_app.command("visit")
def report_visit(
    out: Out,
    person: Annotated[str | None, typer.Option(help="The patient's code.")] = None,
    row: Row = None,
    pictures: Pictures = True,
    paper: Sized = Size.A4,
    note: Note = "",
    store: Where = None,
) -> None:
    """One visit on one page: knee and display at both ends, what is proven, what to check."""
    from knee_angle.store import papers

    _named(out)
    with opened_store(store) as opened:
        made = papers.of_visit(opened, person=person, row=row, pictures=pictures, note=note)
        _write(opened, out, made, paper, about=f"visit {person or ''} {row or ''}")


@report_app.command("course")
def report_course(
    out: Out,
    person: Annotated[str, typer.Option(help="The patient's code.")],
    side: Annotated[Knee | None, typer.Option(help="That knee alone.")] = None,
    paper: Sized = Size.A4,
    note: Note = "",
    store: Where = None,
) -> None:
    """A patient's course over days, by side: chart, table, neutral-zero notation."""
    from knee_angle.store import papers

    _named(out)
    with opened_store(store) as opened:
        knee: Side | None = None if side is None else side.value
        made = papers.of_course(opened, person, side=knee, note=note)
        _write(opened, out, made, paper, about=f"course {person}")


@report_app.command("machine")
def report_machine(
    out: Out,
    machine: Annotated[str, typer.Option(help="The machine's code.")],
    row: Row = None,
    pictures: Pictures = True,
    paper: Sized = Size.A4,
    note: Note = "",
    store: Where = None,
) -> None:
    """The certificate of a machine check: verdict, rule, settings, ±, inputs, signatures."""
    from knee_angle.store import papers

    _named(out)
    with opened_store(store) as opened:
        made = papers.of_machine(opened, machine, row=row, pictures=pictures, note=note)
        _write(opened, out, made, paper, about=f"machine {machine} {row or ''}")


@report_app.command("fleet")
def report_fleet(out: Out, paper: Sized = Size.A4, note: Note = "", store: Where = None) -> None:
    """All machines: the last verdict of each, and what is due."""
    from knee_angle.store import papers

    _named(out)
    with opened_store(store) as opened:
        _write(opened, out, papers.of_fleet(opened, note=note), paper, about="fleet")


def _write(store: Store, out: Path, made: Paper, size: Size, *, about: str) -> None:
    """The file, and its line; that one was replaced is said."""
    from knee_angle.store.reports import hand_over

    was_there = out.is_file()
    hand_over(store, made, out, about=about, size=size.value)
    told = f"{out}: {tell(made.title)}"
    print(tell("{told} (in place of the file before)", told=told) if was_there else told)


def _named(out: Path) -> None:
    """Refuse a name that says no kind, before anything is made."""
    from knee_angle.report.paper.written import ending_of

    ending_of(out)
