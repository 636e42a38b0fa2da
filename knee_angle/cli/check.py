"""``knee-angle check``: several photos of one machine, or a plan for them."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeAlias

import typer

from knee_angle.cli.app import app, for_programs
from knee_angle.cli.kept import checks_holding, say_held_before, say_kept
from knee_angle.cli.options import (
    DisplayedTable,
    Format,
    KeepPictures,
    Output,
    pictures_need_keeping,
    positive,
)
from knee_angle.cli.photos import read_displayed_table, shown
from knee_angle.cli.settings import MEASURING, refused, takes_settings
from knee_angle.cli.store import Where, check_machine_code, opened_store
from knee_angle.errors import InvalidInput, KneeAngleError, StoreError
from knee_angle.language import say, tell
from knee_angle.settings import Settings

if TYPE_CHECKING:
    from knee_angle.machine.check import Checked
    from knee_angle.records import CropJpeg, NotMeasured, Outcome

    Answer: TypeAlias = Checked | NotMeasured

__all__ = ["check"]


class BarsBy(StrEnum):
    """What shows the bars in the photos of a check."""

    POINTS = "points"
    TAGS = "tags"


USUAL_U_DEG = {BarsBy.POINTS: 1.0, BarsBy.TAGS: 1.5}
"""Wanted u where none is given; tags share 1.04 (`bars.tags_shared_u_deg`)."""


@app.command()
@takes_settings(*MEASURING)
def check(
    photos: Annotated[
        list[Path],
        typer.Argument(
            help="Photos of one machine at several settings; or the word plan.", show_default=False
        ),
    ],
    displayed_table: DisplayedTable = None,
    empty: Annotated[
        bool, typer.Option("--empty", help="No leg in it: tags or three dots show the bars.")
    ] = False,
    wanted_u: Annotated[
        float | None,
        typer.Option(
            help="With plan: wanted u, degrees; left out, 1 by points, and 1.5 by tags, of "
            "which all photos share more.",
            show_default=False,
        ),
    ] = None,
    photo_u: Annotated[float, typer.Option(help="With plan: u of one photo's bars.")] = 0.9,
    low: Annotated[float, typer.Option(help="With plan: lowest setting, degrees.")] = 10.0,
    high: Annotated[float, typer.Option(help="With plan: highest setting, degrees.")] = 90.0,
    bars: Annotated[BarsBy, typer.Option(help="With plan: what shows the bars.")] = BarsBy.POINTS,
    output: Output = Format.TEXT,
    keep: Annotated[
        bool, typer.Option("--keep", help="Keep the check: `report machine` makes its certificate.")
    ] = False,
    keep_pictures: KeepPictures = False,
    machine: Annotated[str | None, typer.Option(help="With --keep: the machine's code.")] = None,
    store: Where = None,
    *,
    settings: Settings,
) -> None:
    """Check one machine by several photos; "check plan" says how many, at which angles."""
    _keeping_fits(keep=keep, pictures=keep_pictures, machine=machine)
    if photos == [Path("plan")]:
        if output is not Format.TEXT:
            raise InvalidInput(
                say("check plan prints text, but got {output}: leave --format out", output=output)
            )
        plan = _plan(settings, bars, wanted_u=wanted_u, photo_u=photo_u, low=low, high=high)
        print(tell(plan))
        return
    _each_once(photos)
    if keep:
        check_machine_code(machine, store)
    from knee_angle.records import NotMeasured

    paths = _paths(photos)
    result, outcomes = _checked(paths, displayed_table, settings, empty=empty)
    _print(result, outcomes, settings, output)
    if keep and machine is not None:
        _keep(
            result, outcomes, paths=paths, settings=settings, machine=machine,
            pictures=keep_pictures, where=store,
        )  # fmt: skip
    left = isinstance(result, NotMeasured) or bool(result.left_out)
    raise typer.Exit(int(left))


def _checked(
    paths: Mapping[str, Path], table: Path | None, settings: Settings, *, empty: bool
) -> tuple[Answer, dict[str, Outcome]]:
    """The answer, and each photo's outcome."""
    from knee_angle.landmarks.standard import opened_detectors
    from knee_angle.machine.check import check_machine
    from knee_angle.pipeline import measure_apart

    numbers = read_displayed_table(table, list(paths.values()), settings.counts)
    with opened_detectors() as detectors:
        outcomes = measure_apart(
            paths,
            {name: numbers.get(photo.name) for name, photo in paths.items()},
            settings=settings,
            detectors=detectors,
            empty=empty,
        )
    return check_machine(outcomes, settings), outcomes


def _print(
    result: Answer, outcomes: Mapping[str, Outcome], settings: Settings, output: Format
) -> None:
    from knee_angle import __version__
    from knee_angle.report.check_words import check_text
    from knee_angle.report.contract import check_as_json

    if output is Format.JSON:
        row = check_as_json(result, version=__version__, alarms=result.alarms, outcomes=outcomes)
        print(json.dumps(for_programs(row), allow_nan=False))
    else:
        print(check_text(result, settings, alarms=result.alarms))


def _keeping_fits(*, keep: bool, pictures: bool, machine: str | None) -> None:
    """Refuse what cannot be kept before a photo is measured."""
    pictures_need_keeping(keep=keep, pictures=pictures)
    if keep and machine is None:
        raise InvalidInput(
            say("--keep needs the machine's code, but none came: add --machine CODE")
        )


def _keep(
    result: Answer,
    outcomes: Mapping[str, Outcome],
    *,
    paths: Mapping[str, Path],
    settings: Settings,
    machine: str,
    pictures: bool,
    where: str | None,
) -> None:
    """Keep the check; tried once more as a whole where the store failed.

    Raises
    ------
    StoreError
        Nothing was kept, and why.
    """
    from knee_angle.records import NotMeasured
    from knee_angle.store import new_id

    if isinstance(result, NotMeasured):
        raise StoreError(say("the check was not kept: it gave no answer"))
    hashes, crops = _of_photos(outcomes, paths, pictures=pictures)
    row, trouble = new_id(), ""
    for _ in range(2):
        try:
            with opened_store(where, create=True) as store:
                before = checks_holding(store, hashes.values(), machine)
                store.save_check(
                    result, machine=machine, outcomes=outcomes, settings=settings,
                    photo_sha256=hashes, row_id=row, pictures=crops,
                )  # fmt: skip
        except KneeAngleError as error:
            trouble = str(error)
        else:
            say_kept([row], where, paper=f"machine --machine {machine}")
            say_held_before([one for one in before if one != row])
            return
    raise StoreError(say("the check was not kept: {trouble}", trouble=trouble))


def _of_photos(
    outcomes: Mapping[str, Outcome], paths: Mapping[str, Path], *, pictures: bool
) -> tuple[dict[str, str], dict[str, CropJpeg]]:
    """Each readable photo's hash; where asked for, the crops of those that show leg or bars."""
    from knee_angle.machine.empty import shown_in
    from knee_angle.photo.crop import crop_jpeg
    from knee_angle.photo.reading import read_photo

    hashes, crops = {}, {}
    for name, one in outcomes.items():
        try:
            photo = read_photo(paths[name])
        except KneeAngleError:
            continue  # the check says that it could not be read
        hashes[name] = photo.sha256
        if pictures and (shows := shown_in(one)) is not None:
            crops[name] = crop_jpeg(photo, shows)
    return hashes, crops


def _each_once(photos: Sequence[Path]) -> None:
    twice = sorted({str(photo) for photo in photos if photos.count(photo) > 1})
    if twice:
        raise InvalidInput(
            say(
                "each photo must be named once, but got {twice} again: a check needs a photo of "
                "its own for each setting",
                twice=", ".join(twice),
            )
        )


def _paths(photos: Sequence[Path]) -> dict[str, Path]:
    """The photos by what each is called: its file name, and its folder too where two share that."""
    short = [shown(photo) for photo in photos]
    return {
        str(photo) if short.count(name) > 1 else name: photo
        for photo, name in zip(photos, short, strict=True)
    }


def _plan(
    settings: Settings,
    by: BarsBy,
    *,
    wanted_u: float | None,
    photo_u: float,
    low: float,
    high: float,
) -> str:
    """How many photos at which settings, in words."""
    from knee_angle.angle import words
    from knee_angle.angle.bars import tags_shared_u_deg
    from knee_angle.angle.verdict import u_display_deg
    from knee_angle.assumptions import U_POINTS_DEG
    from knee_angle.machine.check_plan import plan_check
    from knee_angle.report.check_words import WITHIN_LIMITS

    refused("limit_extension_deg", low, option="--low")
    refused("limit_flexion_deg", high, option="--high")
    if low > high:
        raise InvalidInput(
            say("--low must not be above --high, but got {low:g} and {high:g}", low=low, high=high)
        )
    if wanted_u is None:
        wanted_u = USUAL_U_DEG[by]
    plan = plan_check(
        wanted_u_deg=positive("--wanted-u", wanted_u),
        u_photo_deg=positive("--photo-u", photo_u),
        u_display_deg=u_display_deg(settings),
        low_deg=low,
        high_deg=high,
        common_u_deg=tags_shared_u_deg() if by is BarsBy.TAGS else U_POINTS_DEG,
        step_deg=settings.display_resolution_deg,
    )
    shared = say("the tags are stuck") if by is BarsBy.TAGS else say("the points lie")
    angles = ", ".join(f"{angle:g}°" for angle in plan.angles_deg)
    return say(
        "{photos} photos at {angles} reach u = {u_deg:.2f}° over {low:g}° to "
        "{high:g}° (offset {u_offset_deg:.2f}°, gain {u_gain:.4f}).\nOf it "
        "{floor_deg:.2f}° is how {shared} on the bars: all photos share it, and "
        "more photos do not lower it.\n{within_limits}\n{caution}",
        photos=plan.photos, angles=angles, u_deg=plan.u_deg, low=low, high=high,
        u_offset_deg=plan.u_offset_deg, u_gain=plan.u_gain, floor_deg=plan.floor_deg,
        shared=shared, within_limits=WITHIN_LIMITS, caution=words.CAUTION,
    )  # fmt: skip
