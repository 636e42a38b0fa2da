"""Options that several commands share and that are no settings, and their checks."""

from __future__ import annotations

import math
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from knee_angle.errors import InvalidInput
from knee_angle.language import say

__all__ = [
    "TABLE",
    "DisplayedTable",
    "Format",
    "KeepPictures",
    "Megapixels",
    "Output",
    "OverlayFolder",
    "Person",
    "PoseModel",
    "pictures_need_keeping",
    "positive",
]


class Format(StrEnum):
    """How results are printed."""

    TEXT = "text"
    JSON = "json"


TABLE = ("--table", "--displayed-table")
"""One name for a table of displayed numbers in every command, and the older one of some."""
DisplayedTable = Annotated[
    Path | None, typer.Option(*TABLE, help="CSV with the columns photo, displayed_deg.")
]
KeepPictures = Annotated[
    bool,
    typer.Option(
        "--keep-pictures", help="With --keep: the pictures too, cut to the leg, without metadata."
    ),
]
Megapixels = Annotated[float, typer.Option(help="Refuse larger photos.")]
Output = Annotated[Format, typer.Option("--format", help="How to print.")]
OverlayFolder = Annotated[Path | None, typer.Option(help="Folder for pictures with points.")]
Person = Annotated[
    str | None,
    typer.Option("--person", help="The patient's code: what is prescribed for the knee is used."),
]
PoseModel = Annotated[Path | None, typer.Option(help="Pose model bundle to use.")]


def pictures_need_keeping(*, keep: bool, pictures: bool) -> None:
    """Refuse pictures of what is not kept, before a photo is read."""
    if pictures and not keep:
        raise InvalidInput(say("--keep-pictures needs --keep: give both, or neither"))


def positive(option: str, value: float) -> float:
    """The value, where it is finite and above 0."""
    if math.isfinite(value) and value > 0:
        return value
    raise InvalidInput(
        say("{option} must be above 0, but got {value:g}", option=option, value=value)
    )
