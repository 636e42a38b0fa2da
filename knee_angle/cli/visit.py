"""``knee-angle visit``: all photos of one leg in one machine, judged together."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from knee_angle.angle import words
from knee_angle.cli.app import app, for_programs
from knee_angle.cli.kept import rows_holding, say_held_before, say_kept
from knee_angle.cli.options import (
    TABLE,
    Format,
    KeepPictures,
    Megapixels,
    Output,
    OverlayFolder,
    Person,
    PoseModel,
    pictures_need_keeping,
    positive,
)
from knee_angle.cli.photos import measured, read_displayed_table, shown
from knee_angle.cli.settings import MEASURING, takes_settings
from knee_angle.cli.store import (
    Where,
    check_machine_code,
    limits_not_known,
    opened_store,
    with_prescription,
)
from knee_angle.cli.streams import Printed
from knee_angle.errors import InvalidInput, KneeAngleError, StoreError
from knee_angle.language import joined, say, say_many, tell
from knee_angle.settings import Counting, Settings

if TYPE_CHECKING:
    from knee_angle.machine.answer import VisitAnswer
    from knee_angle.machine.prescribed import LegSettings
    from knee_angle.pipeline import Shot
    from knee_angle.records import CropJpeg, NotMeasured, Outcome, Side, Unreadable
    from knee_angle.store import PhotoToKeep

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
        typer.Option(
            *TABLE,
            help="CSV with the columns photo, displayed_deg and, where known, setting; where the "
            "machine was adjusted in between, adjusted: before, after, or how often.",
        ),
    ] = None,
    pose_model: PoseModel = None,
    overlay: OverlayFolder = None,
    limit_megapixels: Megapixels = 120.0,
    output: Output = Format.TEXT,
    keep: Annotated[
        bool, typer.Option("--keep", help="Keep the photos' joint answer, and each photo's own.")
    ] = False,
    keep_pictures: KeepPictures = False,
    person: Person = None,
    machine: Annotated[str | None, typer.Option(help="With --keep: the machine's code.")] = None,
    store: Where = None,
) -> None:
    """Judge all photos of one leg in one machine together: both ends, repeats, on the way.

    To keep it: `store person CODE`, `store machine CODE`, then `visit --keep`, then `report visit`.
    """
    pictures_need_keeping(keep=keep, pictures=keep_pictures)
    shots = _shots(photos, table, settings.counts)
    legs, unknown = with_prescription(settings, person, store)
    if keep:
        check_machine_code(machine, store)
    crops: dict[Path, CropJpeg] = {}
    outcomes = measured(
        photos,
        displayed={photo: shot.displayed_deg for photo, shot in zip(photos, shots, strict=True)},
        manual=None,
        settings=settings,
        pose_model=pose_model,
        overlay=overlay,
        limit_megapixels=positive("--limit-megapixels", limit_megapixels),
        legs=None if person is None else legs,
        crops=crops if keep_pictures else None,
    )
    found = [(shot, outcome) for shot, (_, outcome) in zip(shots, outcomes, strict=True)]
    answer, told = _judged(found, legs), (limits_not_known(person, unknown),) if unknown else ()
    printed = Printed(goes_on=keep)
    status = _answered(answer, found, legs, told, output, printed)
    problems = [unknown] if unknown else []
    if keep and (
        not_kept := _kept(answer, _with_findings(found), settings, person, machine, store, crops)
    ):
        problems.append(not_kept)
    if problems:
        raise StoreError(joined("; ", problems))
    printed.finish()
    raise typer.Exit(status)


def _judged(found: Sequence[tuple[Shot, Outcome]], legs: LegSettings) -> VisitAnswer | NotMeasured:
    """All photos together, by the limits of the knee that they show."""
    from knee_angle.pipeline import answer_of_visit

    sides = _sides(found)
    return answer_of_visit(found, legs.of(sides[0] if sides else "left"))


def _sides(found: Sequence[tuple[Shot, Outcome]]) -> list[Side]:
    from knee_angle.records import Measurement

    return [outcome.side for _, outcome in found if isinstance(outcome, Measurement)]


def _answered(
    answer: VisitAnswer | NotMeasured,
    found: Sequence[tuple[Shot, Outcome]],
    legs: LegSettings,
    unknown: tuple[str, ...],
    output: Format,
    printed: Printed,
) -> int:
    """Print the visit's answer, what is asked and alarmed first; the exit status."""
    from knee_angle import __version__
    from knee_angle.machine.answer import VisitAnswer
    from knee_angle.machine.prescribed import which_knee
    from knee_angle.records import Measurement
    from knee_angle.report.visit_contract import visit_as_json
    from knee_angle.report.visit_words import visit_text

    asked = [words for side in _sides(found)[:1] for words in which_knee(side, legs.only)]
    # What was not measured may still show a display past a limit.
    unseen = [
        say("{alarm} ({name})", alarm=alarm, name=shot.name)
        for shot, outcome in found
        if not isinstance(outcome, Measurement)
        for alarm in outcome.alarms
    ]
    alarms = [*unknown, *asked, *unseen]
    if output is Format.JSON:
        each = [(shot.name, outcome) for shot, outcome in found]
        row = visit_as_json(answer, version=__version__, outcomes=each)
        row["alarms"] = [*alarms, *row.get("alarms", [])]
        printed.show(json.dumps(for_programs(row), allow_nan=False))
    else:
        printed.show("".join(f"!! {tell(alarm)}\n" for alarm in alarms), end="")
        if isinstance(answer, VisitAnswer):
            care = f"{tell(words.NERVE_BLOCK)}\n{tell(words.CAUTION)}"
            printed.show(f"{visit_text(answer)}\n{care}")
        else:
            refused = [(shot.name, one) for shot, one in found if not isinstance(one, Measurement)]
            printed.show("".join(f"{_why(name, one)}\n" for name, one in refused), end="")
            printed.show(
                tell(
                    "Not measured: {reason}.\nNext: {advice}.\n{caution}",
                    reason=answer.reason,
                    advice=answer.advice,
                    caution=words.CAUTION,
                )
            )
    whole = isinstance(answer, VisitAnswer) and not answer.estimate.left_out
    return int(not whole)


def _why(name: str, outcome: NotMeasured | Unreadable) -> str:
    """A line on why a photo shows no knee, and what to do."""
    said = [outcome.reason, getattr(outcome, "advice", "")]
    reason = joined("; ", [word for word in said if word])
    return tell("  left out: {name}: {reason}", name=name, reason=reason)


def _kept(
    answer: VisitAnswer | NotMeasured,
    found: Sequence[tuple[Shot, Outcome]],
    settings: Settings,
    person: str | None,
    machine: str | None,
    where: str | None,
    crops: Mapping[Path, CropJpeg],
) -> str:
    """Keep every photo that was measured, and their joint answer; what was not kept and why.

    A setting is kept by its number in the visit: a word that was typed can be a name. All of
    it is kept at once, so after a failure it is tried once more as a whole.
    """
    from knee_angle.machine.answer import VisitAnswer
    from knee_angle.store import new_id

    visit, photos = new_id(), _to_keep(found, crops)
    if not photos:
        _say_what_was_kept(answer, found)
        return ""
    joint = answer if isinstance(answer, VisitAnswer) else None
    trouble = ""
    for _ in range(2):
        try:
            with opened_store(where, create=True) as store:
                before = rows_holding(store, _hashes(photos), person)
                kept = store.save_visit(
                    joint, photos, visit_id=visit, settings=settings, person=person,
                    machine=machine,
                )  # fmt: skip
        except KneeAngleError as error:
            trouble = str(error)
        else:
            rows = [one.id for one in kept.measurements] if kept.visit is None else [visit]
            _say_what_was_kept(answer, found)
            say_kept(rows, where)
            say_held_before([row for row in before if row != visit])
            return ""
    names = ", ".join(one.name for one in photos)
    return say(
        "{n_photos} of {n_photos} measurements were not kept ({names}): {trouble}",
        n_photos=len(photos),
        names=names,
        trouble=trouble,
    )


def _to_keep(
    found: Sequence[tuple[Shot, Outcome]], crops: Mapping[Path, CropJpeg]
) -> list[PhotoToKeep]:
    """Every photo that was measured, with the number of its setting in the visit."""
    from knee_angle.records import Measurement
    from knee_angle.store import PhotoToKeep, SetUp

    named = list(dict.fromkeys(shot.setting for shot, _ in found if _is_named(shot)))
    pictures = {shown(photo): crop for photo, crop in crops.items()}
    return [
        PhotoToKeep(
            shot.name,
            outcome,
            SetUp(
                setting=str(named.index(shot.setting) + 1) if _is_named(shot) else None,
                adjusted=shot.adjusted,
            ),
            picture=pictures.get(shot.name),
        )
        for shot, outcome in found
        if isinstance(outcome, Measurement)
    ]


def _hashes(photos: Sequence[PhotoToKeep]) -> list[str]:
    return [one.measurement.photo_sha256 or "" for one in photos]


def _say_what_was_kept(
    answer: VisitAnswer | NotMeasured, found: Sequence[tuple[Shot, Outcome]]
) -> None:
    """Where there is no joint answer, what was kept without it: never silently less than asked."""
    from knee_angle.machine.answer import VisitAnswer

    if isinstance(answer, VisitAnswer):
        return
    said = say("nothing was kept: no photo was measured")
    if count := len(_sides(found)):
        said = say_many(
            "kept without a joint answer, for there is none: {count} photo, with its own answer",
            "kept without a joint answer, for there is none: {count} photos, each with its own "
            "answer alone",
            count,
        )
    print(f"knee-angle: {tell(said)}", file=sys.stderr)


def _with_findings(found: Sequence[tuple[Shot, Outcome]]) -> list[tuple[Shot, Outcome]]:
    """Each photo with the finding that it has alone: a kept photo can be looked at alone."""
    from knee_angle.pipeline import judged_alone
    from knee_angle.records import Measurement

    return [
        (shot, judged_alone(one)[0] if isinstance(one, Measurement) else one) for shot, one in found
    ]


def _is_named(shot: Shot) -> bool:
    """Whether the table named the setting; else its number or the photo's own name stands there."""
    own = shot.name if shot.displayed_deg is None else f"{shot.displayed_deg:g}"
    return shot.setting != own


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
            say(
                "each photo of a visit needs a name of its own, but {twice} came more than "
                "once: give it once, or rename one",
                twice=", ".join(twice),
            )
        )
    displayed = read_displayed_table(table, photos, counts)
    settings, adjusted = _settings(table, counts), _adjusted(table, counts)
    shots = []
    for photo, name in zip(photos, names, strict=True):
        number, named = displayed.get(photo.name), settings.get(photo.name)
        if number is None and named is not None:
            # The machine was paused there: its number, where it was read once, is that of all.
            read = {
                displayed.get(other)
                for other, word in settings.items()
                if word == named and adjusted.get(other) == adjusted.get(photo.name)
            }
            number = next(iter(read - {None})) if len(read - {None}) == 1 else None
        own = name if number is None else f"{number:g}"
        shots.append(Shot(name, named or own, number, adjusted.get(photo.name, 0)))
    times = sorted({shot.adjusted for shot in shots})
    return [replace(shot, adjusted=times.index(shot.adjusted)) for shot in shots]


def _settings(table: Path | None, counts: Counting) -> dict[str, str]:
    """The settings that the table names."""
    if table is None:
        return {}
    from knee_angle.files.tables import read_table

    read = read_table(table, needs=("photo", "displayed_deg"), counts=counts)
    if not read.has("setting"):
        return {}
    named = zip(read.photos, read.labels("setting"), strict=True)
    return {name: setting for name, setting in named if setting is not None}


ADJUSTED = {"": 0, "no": 0, "before": 0, "yes": 1, "after": 1}
"""Words in the column ``adjusted``; a whole number says how often."""


def _adjusted(table: Path | None, counts: Counting) -> dict[str, int]:
    """How often the machine had been adjusted before each photo, as the table says.

    Raises
    ------
    InvalidInput
        Anything else in that column.
    """
    if table is None:
        return {}
    from knee_angle.files.tables import read_table

    read = read_table(table, needs=("photo", "displayed_deg"), counts=counts)
    if not read.has("adjusted"):
        return {}
    found = {}
    for name, said in zip(read.photos, read.labels("adjusted"), strict=True):
        word = (said or "").lower()
        if word not in ADJUSTED and not (word.isdecimal() and len(word) == 1):
            raise InvalidInput(
                say(
                    "the table {table_name}: adjusted of {name} must be before, after or how "
                    "often the machine was adjusted by then (0 to 9), but got {said!r}",
                    table_name=table.name,
                    name=name,
                    said=said,
                )
            )
        found[name] = ADJUSTED[word] if word in ADJUSTED else int(word)
    return found
