"""``knee-angle sheet``: what is printed and stuck on."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from knee_angle.cli.app import Commands, app
from knee_angle.cli.settings import printed
from knee_angle.files import naming, write_whole
from knee_angle.language import tell
from knee_angle.settings import Settings

__all__ = ["sheet_app"]

sheet_app = typer.Typer(
    cls=Commands, help="Printed sheets, to scale, as PDF.", no_args_is_help=True
)
app.add_typer(sheet_app, name="sheet")


class Paper(StrEnum):
    """Paper sizes of the sheets."""

    A4 = "a4"
    LETTER = "letter"


@sheet_app.command("tags")
def sheet_tags(
    out: Annotated[Path, typer.Argument(help="PDF to write.")],
    paper: Annotated[Paper, typer.Option(help="Paper size.")] = Paper.A4,
    tag_mm: Annotated[float, printed("tag_mm", "--tag-mm")] = Settings().tag_mm,
    first_id: Annotated[int, typer.Option(help="Number of the first tag.")] = 0,
) -> None:
    """A strip of tags to fix on the machine, parallel to its bars."""
    from knee_angle.report.sheets import tag_sheet

    _write(out, tag_sheet(paper.value, tag_mm=tag_mm, first_id=first_id))


@sheet_app.command("bars")
def sheet_bars(
    out: Annotated[Path, typer.Argument(help="PDF to write.")],
    paper: Annotated[Paper, typer.Option(help="Paper size.")] = Paper.A4,
    tag_mm: Annotated[float, printed("bar_tag_mm", "--tag-mm")] = Settings().bar_tag_mm,
) -> None:
    """Two tags, one for each bar of the machine: its angle from a photo without dots on it."""
    from knee_angle.report.sheets import bar_sheet

    _write(out, bar_sheet(paper.value, tag_mm=tag_mm))


@sheet_app.command("dots")
def sheet_dots(
    out: Annotated[Path, typer.Argument(help="PDF to write.")],
    paper: Annotated[Paper, typer.Option(help="Paper size.")] = Paper.A4,
    dot_mm: Annotated[float, printed("dot_mm", "--dot-mm")] = 16.0,
    colour: Annotated[str, typer.Option(help="Colour of the dots.")] = "green",
) -> None:
    """Dots for hip, knee, ankle and the machine, for adhesive paper."""
    from knee_angle.report.sheets import dot_sheet

    _write(out, dot_sheet(paper.value, dot_mm=dot_mm, colour=colour))


@sheet_app.command("codes")
def sheet_codes(
    out: Annotated[Path, typer.Argument(help="PDF to write.")],
    codes: Annotated[list[str], typer.Argument(help="Such as M-03 M-04.", show_default=False)],
    paper: Annotated[Paper, typer.Option(help="Paper size.")] = Paper.A4,
    patient: Annotated[
        bool, typer.Option("--patient", help="They are of patients, not of machines.")
    ] = False,
) -> None:
    """Cards with the codes of machines or patients, to be scanned on the page."""
    from knee_angle.report.code_sheet import code_sheet
    from knee_angle.store import checked_code

    what = "person" if patient else "machine"
    checked = [checked_code(code, what=what) for code in codes]
    _write(out, code_sheet(checked, whose="patient" if patient else "machine", paper=paper.value))


def _write(out: Path, content: bytes) -> None:
    with naming(out):
        write_whole(out, content)
    print(tell("{out}: print at 100 %, then check the 100 mm rule with a ruler", out=out))
