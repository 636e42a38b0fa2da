"""``knee-angle visit``: all photos of one leg in one machine, judged together."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from knee_angle import __version__, words
from knee_angle.cli.app import app
from knee_angle.cli.options import Format
from knee_angle.cli.photos import measured, read_displayed_table, shown
from knee_angle.cli.settings import MEASURING, takes_settings
from knee_angle.errors import InvalidInput
from knee_angle.settings import Counting, Settings

if TYPE_CHECKING:
    from knee_angle.pipeline import Shot

__all__ = ["visit"]


@app.command()
@takes_settings(*MEASURING)
def visit(
    photos: Annotated[
        list[Path],
        typer.Argument(help="Photos of one leg in one machine, at one visit.", show_default=False),
    ],
    settings: Settings,
    table: Annotated[
        Path | None,
        typer.Option(help="CSV with the columns photo, displayed_deg and, where known, setting."),
    ] = None,
    pose_model: Annotated[Path | None, typer.Option(help="Pose model bundle to use.")] = None,
    overlay: Annotated[Path | None, typer.Option(help="Folder for pictures with points.")] = None,
    limit_megapixels: Annotated[
        float, typer.Option(help="Refuse larger photos.", min=0.01)
    ] = 120.0,
    output: Annotated[Format, typer.Option("--format", help="How to print.")] = Format.TEXT,
) -> None:
    """Judge all photos of one leg in one machine together: both ends, repeats, on the way."""
    if output is Format.CSV:
        raise InvalidInput("visit prints text or json, but got csv: use --format json")
    from knee_angle.machine.answer import VisitAnswer
    from knee_angle.pipeline import answer_of_visit
    from knee_angle.report.visit_contract import visit_as_json
    from knee_angle.report.visit_words import visit_text

    shots = _shots(photos, table, settings.counts)
    outcomes = measured(
        photos,
        displayed={photo: shot.displayed_deg for photo, shot in zip(photos, shots, strict=True)},
        manual=None,
        settings=settings,
        pose_model=pose_model,
        overlay=overlay,
        limit_megapixels=limit_megapixels,
    )
    found = [(shot, outcome) for shot, (_, outcome) in zip(shots, outcomes, strict=True)]
    answer = answer_of_visit(found, settings)
    if output is Format.JSON:
        print(json.dumps(visit_as_json(answer, version=__version__), allow_nan=False))
    elif isinstance(answer, VisitAnswer):
        print(f"{visit_text(answer)}\n{words.CAUTION}")
    else:
        print(f"Not measured: {answer.reason}.\nNext: {answer.advice}.\n{words.CAUTION}")
    whole = isinstance(answer, VisitAnswer) and not answer.estimate.left_out
    raise typer.Exit(int(not whole))


def _shots(photos: Sequence[Path], table: Path | None, counts: Counting) -> list[Shot]:
    """Each photo with its setting: the table's, else photos of one displayed number share one.

    Raises
    ------
    InvalidInput
        A photo twice, or a table that does not fit the photos.
    """
    from knee_angle.pipeline import Shot

    names = [shown(photo) for photo in photos]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise InvalidInput(
            f"each photo of a visit needs a name of its own, but {', '.join(twice)} came more than "
            "once: give it once, or rename one"
        )
    displayed = read_displayed_table(table, photos, counts)
    settings = _settings(table, counts)
    shots = []
    for photo, name in zip(photos, names, strict=True):
        number = displayed.get(photo.name)
        own = name if number is None else f"{number:g}"
        shots.append(Shot(name, settings.get(photo.name) or own, number))
    return shots


def _settings(table: Path | None, counts: Counting) -> dict[str, str]:
    """The settings that the table names."""
    if table is None:
        return {}
    from knee_angle.tables import read_table

    read = read_table(table, needs=("photo", "displayed_deg"), counts=counts)
    if not read.has("setting"):
        return {}
    named = zip(read.photos, read.labels("setting"), strict=True)
    return {name: setting for name, setting in named if setting is not None}
