"""``knee-angle check``: several photos of one machine, or a plan for them."""

from __future__ import annotations

import json
from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from knee_angle.cli.app import app, for_programs
from knee_angle.cli.options import DisplayedTable, Format, Output, positive
from knee_angle.cli.photos import read_displayed_table, shown
from knee_angle.cli.settings import MEASURING, refused, takes_settings
from knee_angle.errors import InvalidInput
from knee_angle.language import say, tell
from knee_angle.settings import Settings

__all__ = ["check"]


class BarsBy(StrEnum):
    """What shows the bars in the photos of a check."""

    POINTS = "points"
    TAGS = "tags"


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
    wanted_u: Annotated[float, typer.Option(help="With plan: wanted u, degrees.")] = 1.0,
    photo_u: Annotated[float, typer.Option(help="With plan: u of one photo's bars.")] = 0.9,
    low: Annotated[float, typer.Option(help="With plan: lowest setting, degrees.")] = 10.0,
    high: Annotated[float, typer.Option(help="With plan: highest setting, degrees.")] = 90.0,
    bars: Annotated[BarsBy, typer.Option(help="With plan: what shows the bars.")] = BarsBy.POINTS,
    output: Output = Format.TEXT,
    *,
    settings: Settings,
) -> None:
    """Check one machine by several photos; "check plan" says how many, at which angles."""
    if photos == [Path("plan")]:
        if output is not Format.TEXT:
            raise InvalidInput(
                say("check plan prints text, but got {output}: leave --format out", output=output)
            )
        plan = _plan(settings, bars, wanted_u=wanted_u, photo_u=photo_u, low=low, high=high)
        print(tell(plan))
        return
    if output is Format.CSV:
        raise InvalidInput(say("check prints text or json, but got csv: use --format json"))
    _each_once(photos)
    from knee_angle import __version__
    from knee_angle.landmarks.standard import opened_detectors
    from knee_angle.machine.check import check_machine
    from knee_angle.pipeline import measure_apart
    from knee_angle.records import NotMeasured
    from knee_angle.report.check_words import check_text
    from knee_angle.report.contract import check_as_json

    table = read_displayed_table(displayed_table, photos, settings.counts)
    names = _named(photos)
    with opened_detectors() as detectors:
        outcomes = measure_apart(
            {name: photo for photo, name in names.items()},
            {name: table.get(photo.name) for photo, name in names.items()},
            settings=settings,
            detectors=detectors,
            empty=empty,
        )
    result = check_machine(outcomes, settings)
    if output is Format.JSON:
        row = check_as_json(result, version=__version__, alarms=result.alarms)
        print(json.dumps(for_programs(row), allow_nan=False))
    else:
        print(check_text(result, settings, alarms=result.alarms))
    left = isinstance(result, NotMeasured) or bool(result.left_out)
    raise typer.Exit(int(left))


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


def _named(photos: Sequence[Path]) -> dict[Path, str]:
    """What each photo is called: its file name, and its folder too where two share that."""
    short = [shown(photo) for photo in photos]
    return {
        photo: str(photo) if short.count(name) > 1 else name
        for photo, name in zip(photos, short, strict=True)
    }


def _plan(
    settings: Settings, by: BarsBy, *, wanted_u: float, photo_u: float, low: float, high: float
) -> str:
    """How many photos at which settings, in words."""
    from knee_angle import words
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
