"""``knee-angle check``: several photos of one machine, or a plan for them."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated

import typer

from knee_angle import __version__, words
from knee_angle.cli.app import app
from knee_angle.cli.options import DisplayedTable, Format, Output, positive
from knee_angle.cli.photos import measured, read_displayed_table, shown
from knee_angle.cli.settings import MEASURING, refused, takes_settings
from knee_angle.errors import InvalidInput
from knee_angle.records import NotMeasured, Outcome
from knee_angle.report import contract
from knee_angle.settings import Settings

__all__ = ["check"]


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
    wanted_u: Annotated[float, typer.Option(help="With plan: wanted u, degrees.")] = 1.0,
    photo_u: Annotated[float, typer.Option(help="With plan: u of one photo's frame.")] = 0.9,
    low: Annotated[float, typer.Option(help="With plan: lowest setting, degrees.")] = 10.0,
    high: Annotated[float, typer.Option(help="With plan: highest setting, degrees.")] = 90.0,
    output: Output = Format.TEXT,
    *,
    settings: Settings,
) -> None:
    """Check one machine by several photos; "check plan" says how many, at which angles."""
    if photos == [Path("plan")]:
        if output is not Format.TEXT:
            raise InvalidInput(f"check plan prints text, but got {output}: leave --format out")
        print(_plan(settings, wanted_u=wanted_u, photo_u=photo_u, low=low, high=high))
        return
    if output is Format.CSV:
        raise InvalidInput("check prints text or json, but got csv: use --format json")
    twice = sorted({str(photo) for photo in photos if photos.count(photo) > 1})
    if twice:
        raise InvalidInput(
            f"each photo must be named once, but got {', '.join(twice)} again: a check needs a "
            "photo of its own for each setting"
        )
    from knee_angle.machine.check import check_machine
    from knee_angle.report.check_words import check_alarms, check_text

    table = read_displayed_table(displayed_table, photos)
    names, copies = _named(photos), _copies(photos, table)
    found = measured(
        [photo for photo in photos if photo not in copies],
        displayed={photo: table.get(photo.name) for photo in photos},
        manual=None,
        settings=settings,
        pose_model=None,
        overlay=None,
        limit_megapixels=120.0,
    )
    outcomes: dict[str, Outcome] = {names[photo]: outcome for photo, outcome in found}
    outcomes |= {
        names[copy]: NotMeasured(
            f"it is the same file as {names[first]}, which counts once",
            "photograph each setting anew",
        )
        for copy, first in copies.items()
    }
    result, alarms = check_machine(outcomes, settings), check_alarms(outcomes)
    if output is Format.JSON:
        row = contract.check_as_json(result, version=__version__, alarms=alarms)
        print(json.dumps(row, allow_nan=False))
    else:
        print(check_text(result, settings, alarms=alarms))
    left = isinstance(result, NotMeasured) or bool(result.left_out)
    raise typer.Exit(int(left))


def _named(photos: Sequence[Path]) -> dict[Path, str]:
    """What each photo is called: its file name, and its folder too where two share that."""
    short = [shown(photo) for photo in photos]
    return {
        photo: str(photo) if short.count(name) > 1 else name
        for photo, name in zip(photos, short, strict=True)
    }


def _copies(photos: Sequence[Path], table: Mapping[str, float | None]) -> dict[Path, Path]:
    """Photos that are byte for byte another one, each with the one that counts.

    Raises
    ------
    InvalidInput
        One picture with two displayed numbers.
    """
    firsts: dict[str, Path] = {}
    copies = {}
    for photo in sorted(photos, key=lambda photo: table.get(photo.name) is None):
        try:
            with photo.open("rb") as file:
                digest = hashlib.file_digest(file, "sha256").hexdigest()
        except OSError:
            continue  # told as unreadable when it is its turn
        first = firsts.setdefault(digest, photo)
        if first == photo:
            continue
        copies[photo] = first
        numbers = (table.get(first.name), table.get(photo.name))
        if None not in numbers and numbers[0] != numbers[1]:
            raise InvalidInput(
                f"{first.name} and {photo.name} are the same file, but the table gives "
                f"{numbers[0]:g} and {numbers[1]:g}: name the photo of each setting"
            )
    return copies


def _plan(settings: Settings, *, wanted_u: float, photo_u: float, low: float, high: float) -> str:
    """How many photos at which settings, in words."""
    from knee_angle.angle.verdict import u_display_deg
    from knee_angle.assumptions import U_POINTS_DEG
    from knee_angle.machine.calibration import plan_check
    from knee_angle.report.check_words import WITHIN_LIMITS

    refused("limit_extension_deg", low, option="--low")
    refused("limit_flexion_deg", high, option="--high")
    if low > high:
        raise InvalidInput(f"--low must not be above --high, but got {low:g} and {high:g}")
    plan = plan_check(
        wanted_u_deg=positive("--wanted-u", wanted_u),
        u_photo_deg=positive("--photo-u", photo_u),
        u_display_deg=u_display_deg(settings),
        low_deg=low,
        high_deg=high,
        common_u_deg=U_POINTS_DEG,
    )
    angles = ", ".join(f"{angle:g}°" for angle in plan.angles_deg)
    return (
        f"{plan.photos} photos at {angles} reach u = {plan.u_deg:.2f}° over {low:g}° to {high:g}° "
        f"(offset {plan.u_offset_deg:.2f}°, gain {plan.u_gain:.4f}).\n"
        f"{WITHIN_LIMITS}\n{words.CAUTION}"
    )
