"""``knee-angle measure``: one photo after the other, for a person or for a program."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from knee_angle.cli.app import app, for_programs
from knee_angle.cli.options import (
    DisplayedTable,
    KeepPictures,
    Megapixels,
    OverlayFolder,
    Person,
    PoseModel,
    pictures_need_keeping,
    positive,
)
from knee_angle.cli.photos import measured, read_displayed_table, shown
from knee_angle.cli.settings import MEASURING, takes_settings
from knee_angle.cli.store import (
    Keeper,
    Where,
    check_machine_code,
    limits_not_known,
    with_prescription,
)
from knee_angle.cli.streams import Printed
from knee_angle.errors import InvalidInput, KneeAngleError, StoreError
from knee_angle.language import joined, say, tell
from knee_angle.settings import Settings

if TYPE_CHECKING:
    from knee_angle.records import Outcome

__all__ = ["measure"]


class PhotosFormat(StrEnum):
    """How photos are printed: these alone are rows of a table."""

    TEXT = "text"
    JSON = "json"
    CSV = "csv"


PhotosOutput = Annotated[PhotosFormat, typer.Option("--format", help="How to print.")]


@app.command()
@takes_settings(*MEASURING)
def measure(
    photos: Annotated[
        list[Path], typer.Argument(help="Photos of one leg each.", show_default=False)
    ],
    displayed: Annotated[
        float | None,
        typer.Option(help="The machine's number as --counts says; a row of the table goes first."),
    ] = None,
    displayed_table: DisplayedTable = None,
    landmarks: Annotated[
        Path | None, typer.Option(help="JSON with points placed by hand (one photo).")
    ] = None,
    rater: Annotated[
        str | None, typer.Option(help="With --landmarks: code of who placed them, such as R1.")
    ] = None,
    pose_model: PoseModel = None,
    overlay: OverlayFolder = None,
    limit_megapixels: Megapixels = 120.0,
    output: PhotosOutput = PhotosFormat.TEXT,
    keep: Annotated[bool, typer.Option("--keep", help="Keep the measurements.")] = False,
    keep_pictures: KeepPictures = False,
    person: Person = None,
    machine: Annotated[str | None, typer.Option(help="With --keep: the machine's code.")] = None,
    store: Where = None,
    *,
    settings: Settings,
) -> None:
    """Measure the knee in photos, and compare it with the machine's display."""
    pictures_need_keeping(keep=keep, pictures=keep_pictures)
    if landmarks is not None and len(photos) > 1:
        raise InvalidInput(
            say(
                "--landmarks belongs to one photo, but got {n_photos}: call once per photo",
                n_photos=len(photos),
            )
        )
    legs, unknown = with_prescription(settings, person, store)
    table = read_displayed_table(displayed_table, photos, settings.counts)
    displayed_deg = _flexion(displayed, settings)
    _say_shared(displayed, [photo for photo in photos if photo.name not in table], photos)
    if keep:
        check_machine_code(machine, store)
    keeper = Keeper(settings, person, machine, store) if keep else None
    crops = keeper.crops if keeper is not None and keep_pictures else None
    outcomes = measured(
        photos,
        displayed={photo: table.get(photo.name, displayed_deg) for photo in photos},
        manual=_manual(landmarks, rater),
        settings=settings,
        pose_model=pose_model,
        overlay=overlay,
        limit_megapixels=positive("--limit-megapixels", limit_megapixels),
        legs=None if person is None else legs,
        crops=crops,
    )
    raise typer.Exit(_answered(_warned(outcomes, person, unknown), output, keeper, unknown))


def _flexion(displayed: float | None, settings: Settings) -> float | None:
    """The typed number as degrees of flexion; one that cannot be is refused before any photo."""
    from knee_angle.records.displayed import checked

    return None if displayed is None else checked(displayed, settings.counts).deg


def _say_shared(displayed: float | None, using: Sequence[Path], photos: Sequence[Path]) -> None:
    """One number for several photos may be meant (one setting, several photos) or a slip."""
    uses, given = len(set(using)), len(set(photos))
    if displayed is None or uses < 2:
        return
    for_which = (
        say("all {given} photos", given=given)
        if uses == given
        else say("{uses} of {given} photos", uses=uses, given=given)
    )
    print(
        tell(
            "knee-angle: the displayed number {displayed:g} is used for {for_which}: "
            "where each has its own, give --table",
            displayed=displayed,
            for_which=for_which,
        ),
        file=sys.stderr,
    )


def _manual(path: Path | None, rater: str | None) -> Mapping[str, Any] | None:
    """The points by hand, with who placed them."""
    from knee_angle.landmarks.manual import read_manual

    if path is None:
        if rater is not None:
            raise InvalidInput(
                say("--rater says who placed the points of --landmarks: name their file too")
            )
        return None
    points = read_manual(path)
    told = points.get("rater")
    if rater is None or told is None:
        return points if rater is None else {**points, "rater": rater}
    if str(told).upper() != rater.upper():
        raise InvalidInput(
            say(
                "{path} says that {told} placed the points, --rater says {rater}: correct one",
                path=path.name,
                told=repr(told),
                rater=rater,
            )
        )
    return points


def _warned(
    outcomes: Iterator[tuple[Path, Outcome]], person: str | None, unknown: str
) -> Iterator[tuple[Path, Outcome]]:
    """Say with each photo that a person's limits could not be read, where that is so."""
    alarm = limits_not_known(person, unknown)
    for photo, outcome in outcomes:
        more = (alarm,) if unknown else ()
        yield photo, replace(outcome, alarms=(*more, *outcome.alarms))


def _answered(
    outcomes: Iterator[tuple[Path, Outcome]],
    output: PhotosFormat,
    keeper: Keeper | None,
    unknown: str,
) -> int:
    """Print and then keep each result; the exit status.

    Raises
    ------
    KneeAngleError
        After the last photo: what could not be read, drawn or kept.
    OSError
        After the last photo that is kept: what could not be printed.
    """
    problems, status = [unknown] if unknown else [], 0
    printed = Printed(goes_on=keeper is not None)
    try:
        status = _print(outcomes, output, keeper, printed)
    except KneeAngleError as error:
        problems.append(str(error))
        if keeper is None and not unknown:
            raise
    if keeper is not None and (not_kept := keeper.finish()):
        problems.append(not_kept)
    if problems:
        raise StoreError(joined("; ", problems))
    printed.finish()
    return status


def _print(
    outcomes: Iterator[tuple[Path, Outcome]],
    output: PhotosFormat,
    keeper: Keeper | None,
    printed: Printed,
) -> int:
    """Print and keep results one by one; 1 where any photo has no number, else 0."""
    from knee_angle import __version__
    from knee_angle.angle import words
    from knee_angle.pipeline import judged_alone
    from knee_angle.records import Measurement
    from knee_angle.report import contract
    from knee_angle.report.answer_text import answer_text

    failed = False
    for number, (photo, outcome) in enumerate(outcomes):
        judged, alone = outcome, None
        if isinstance(outcome, Measurement):
            judged, alone = judged_alone(outcome)
        failed |= alone is None
        row = contract.as_json(photo.name, judged, version=__version__)
        match output:
            case PhotosFormat.JSON:
                printed.show(json.dumps(for_programs(row), allow_nan=False))
            case PhotosFormat.CSV:
                printed.show(contract.as_csv([row], header=number == 0), end="")
            case PhotosFormat.TEXT:
                printed.show(answer_text(shown(photo), judged, alone))
        if keeper is not None:
            keeper.keep(photo, judged)
    if output is PhotosFormat.TEXT:
        printed.show(f"{tell(words.NERVE_BLOCK)}\n{tell(words.CAUTION)}")
    return int(failed)
