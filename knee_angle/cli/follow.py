"""``knee-angle follow``: a patient's course over days, printed."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated

import typer

from knee_angle.cli.app import app, for_programs
from knee_angle.cli.options import Format, Output
from knee_angle.cli.store import Knee, Where, opened_store

if TYPE_CHECKING:
    from knee_angle.records import Side

__all__ = ["follow"]


@app.command()
def follow(
    person: Annotated[
        str, typer.Argument(metavar="CODE", help="The patient's code.", show_default=False)
    ],
    side: Annotated[Knee | None, typer.Option(help="That knee alone.")] = None,
    output: Output = Format.TEXT,
    store: Where = None,
) -> None:
    """Print a patient's kept visits over days: trend, both ends, arc and limits, by side."""
    from knee_angle import __version__
    from knee_angle.report.course_words import course_as_json, course_text
    from knee_angle.store.following import course_of

    knee: Side | None = None if side is None else side.value
    with opened_store(store) as opened:
        code, knees = course_of(opened, person, side=knee)
    if output is Format.JSON:
        row = course_as_json(code, knees, version=__version__)
        print(json.dumps(for_programs(row), allow_nan=False))
    else:
        print(course_text(code, knees))
