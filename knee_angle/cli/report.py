"""``knee-angle report``: what is kept, as paper to file (PDF) or as one page (HTML)."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from knee_angle.cli.app import app
from knee_angle.cli.store import Where, opened_store
from knee_angle.errors import InvalidInput
from knee_angle.files import write_whole

if TYPE_CHECKING:
    from knee_angle.papers import Paper

__all__ = ["report_app"]

report_app = typer.Typer(
    help="Papers of what is kept, as PDF or HTML, without photo or model.", no_args_is_help=True
)
app.add_typer(report_app, name="report")


class Size(StrEnum):
    """Paper sizes."""

    A4 = "a4"
    LETTER = "letter"


Out = Annotated[Path, typer.Argument(help="File to write: .pdf or .html.", show_default=False)]
Sized = Annotated[Size, typer.Option("--paper", help="Paper size of a PDF.")]
Note = Annotated[str, typer.Option("--note", help="A line to print on it; it is not kept.")]
Row = Annotated[
    str | None, typer.Option("--row", help="The kept row, or how it begins; else the newest.")
]


@report_app.command("visit")
def report_visit(
    out: Out,
    person: Annotated[str | None, typer.Option(help="The patient's code.")] = None,
    row: Row = None,
    paper: Sized = Size.A4,
    note: Note = "",
    store: Where = None,
) -> None:
    """One visit on one page: knee and display at both ends, what is proven, what to check."""
    from knee_angle import papers

    _named(out)
    with opened_store(store) as opened:
        made = papers.of_visit(opened, person=person, row=row, note=note)
        _write(out, made, paper)
        opened.note("report", f"visit {person or ''} {row or ''}")


def _named(out: Path) -> None:
    """Refuse a name that says no kind, before anything is made.

    Raises
    ------
    InvalidInput
        It ends in neither.
    """
    if out.suffix.lower() not in (".pdf", ".html"):
        raise InvalidInput(f"a report must be named .pdf or .html, but got {out.name}: add one")


def _write(out: Path, made: Paper, size: Size) -> None:
    from knee_angle.report.paper.html import html_of
    from knee_angle.report.paper.pdf import pdf_of

    pdf = out.suffix.lower() == ".pdf"
    content = pdf_of(made, size.value) if pdf else html_of(made).encode()
    try:
        write_whole(out, content)
    except OSError as error:
        raise InvalidInput(
            f"{out} cannot be written ({error.strerror}): name another file"
        ) from None
    print(f"{out}: {made.title}")
