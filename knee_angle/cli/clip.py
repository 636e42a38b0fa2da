"""``knee-angle clip``: a film of one cycle, measured over its whole range."""

from __future__ import annotations

import json
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from knee_angle.angle import words
from knee_angle.cli.app import app, for_programs
from knee_angle.cli.options import (
    TABLE,
    Format,
    KeepPictures,
    Output,
    Person,
    pictures_need_keeping,
)
from knee_angle.cli.photos import shown
from knee_angle.cli.settings import FILMING, takes_settings
from knee_angle.cli.store import (
    Where,
    check_machine_code,
    limits_not_known,
    opened_store,
    with_prescription,
)
from knee_angle.cli.streams import Printed
from knee_angle.errors import INTERRUPTED, InvalidInput, KneeAngleError, StoreError, UnreadableClip
from knee_angle.files import naming, write_whole
from knee_angle.language import say, tell
from knee_angle.settings import Counting, Settings

if TYPE_CHECKING:
    from knee_angle.clip.answer import ClipOutcome
    from knee_angle.clip.measure import Readings

__all__ = ["clip"]

TOLD_EVERY_S = 0.5
KINDS = {"chart": (".svg",), "frames": (".parquet", ".csv")}


@app.command()
@takes_settings(*FILMING)
def clip(
    film: Annotated[
        Path, typer.Argument(help="A film of one or two cycles: MP4, MOV or WebM.", metavar="FILE")
    ],
    settings: Settings,
    displayed_table: Annotated[
        Path | None, typer.Option(*TABLE, help="CSV with the columns seconds, displayed_deg.")
    ] = None,
    focal_35mm: Annotated[
        float | None,
        typer.Option("--focal-35mm", help="The camera's focal length as of 35 mm film, known."),
    ] = None,
    chart: Annotated[
        Path | None, typer.Option(help="Plots: angle against time, display against knee (.svg).")
    ] = None,
    frames: Annotated[
        Path | None, typer.Option(help="Table with a row for each picture (.parquet, .csv).")
    ] = None,
    output: Output = Format.TEXT,
    keep: Annotated[
        bool, typer.Option("--keep", help="Keep both ends and some pictures between as a visit.")
    ] = False,
    keep_pictures: KeepPictures = False,
    person: Person = None,
    machine: Annotated[str | None, typer.Option(help="With --keep: the machine's code.")] = None,
    store: Where = None,
) -> None:
    """Film one cycle: knee, bars and display against time, both ends, arc, gain and lag."""
    _check_call(chart, frames, keep=keep, keep_pictures=keep_pictures)
    legs, unknown = with_prescription(settings, person, store)
    if keep:
        check_machine_code(machine, store)
    readings = None
    if displayed_table is not None:
        readings = read_clip_table(displayed_table, settings.counts)
    answer = _measured(film, settings=settings, legs=legs, readings=readings, f35_mm=focal_35mm)
    asked = [limits_not_known(person, unknown)] if unknown and person else []
    printed = Printed(goes_on=True)
    _print(answer, asked, output, shown(film), printed)
    problems = [unknown] if unknown else []
    if keep and (lost := _kept(answer, film, settings, person, machine, store, keep_pictures)):
        problems.append(lost)
    elif keep:
        _say_nothing_kept(answer)
    try:
        _write(answer, chart, frames)
    except InvalidInput as error:
        problems.append(str(error))
    if problems:
        raise StoreError("; ".join(problems))
    printed.finish()
    raise typer.Exit(_status(answer))


def _check_call(
    chart: Path | None, frames: Path | None, *, keep: bool, keep_pictures: bool
) -> None:
    """Refuse what cannot be done before the film is read."""
    for name, path in (("chart", chart), ("frames", frames)):
        _check_kind(name, path)
    pictures_need_keeping(keep=keep, pictures=keep_pictures)


def _measured(film: Path, **given: Any) -> ClipOutcome:
    """The film measured, with its progress shown; Ctrl+C ends it there."""
    from knee_angle.clip.measure import measure_clip
    from knee_angle.landmarks.standard import opened_detectors

    with opened_detectors() as detectors, _stoppable() as stopping, _Progress() as progress:
        try:
            return measure_clip(
                film, detectors=detectors, name=shown(film), progress=progress.told,
                stop=stopping, **given,
            )  # fmt: skip
        except UnreadableClip as error:
            raise UnreadableClip(say("{name}: {why}", name=shown(film), why=error)) from error


def read_clip_table(path: Path, counts: Counting) -> Readings:
    """Displayed numbers by their seconds, as flexion; every problem of the file in one message.

    Raises
    ------
    InvalidInput
        A table that is none, or numbers that cannot be.
    """
    import numpy as np

    from knee_angle.clip.measure import Readings
    from knee_angle.files.tables import read_table

    table = read_table(path, needs=("seconds", "displayed_deg"), counts=counts)
    seconds, displayed = table.numbers("seconds"), table.numbers("displayed_deg")
    if (without := np.flatnonzero(np.isnan(seconds))).size:
        raise InvalidInput(
            say(
                "the table {name}: {where}: names no time: give the seconds after the clip's "
                "first picture",
                name=table.name,
                where=table.where[int(without[0])],
            )
        )
    if (seconds < 0.0).any():
        raise InvalidInput(
            say(
                "the table {name}: seconds must be 0 or more, but got {value:g}: they count from "
                "the clip's first picture",
                name=table.name,
                value=float(seconds.min()),
            )
        )
    known = ~np.isnan(displayed)
    return Readings(seconds[known], displayed[known])


def _check_kind(name: str, path: Path | None) -> None:
    if path is not None and path.suffix.lower() not in KINDS[name]:
        raise InvalidInput(
            say(
                "--{name} must end in {kinds}, but got {path}",
                name=name,
                kinds=" or ".join(KINDS[name]),
                path=str(path),
            )
        )


def _print(
    answer: ClipOutcome, asked: list[str], output: Format, name: str, printed: Printed
) -> None:
    from knee_angle import __version__
    from knee_angle.records import NotMeasured
    from knee_angle.report.clip_contract import clip_as_json
    from knee_angle.report.clip_words import clip_text

    if output is Format.JSON:
        row = clip_as_json(answer, clip=name, version=__version__)
        row["alarms"] = [*asked, *row["alarms"]]
        printed.show(json.dumps(for_programs(row), allow_nan=False))
        return
    for alarm in (*asked, *answer.alarms):
        printed.show(f"!! {tell(alarm)}")
    printed.show(name)
    if isinstance(answer, NotMeasured):
        told = say("Not measured: {reason}.", reason=words.phrase(answer.reason))
        advice = say("Next: {advice}.", advice=words.phrase(answer.advice))
        printed.show(f"{tell(told)}\n{tell(advice)}")
    else:
        for line in clip_text(answer):
            printed.show(tell(line))
    printed.show(f"{tell(words.NERVE_BLOCK)}\n{tell(words.CAUTION)}")


def _write(answer: ClipOutcome, chart: Path | None, frames: Path | None) -> None:
    """Plots and table, where they were asked for and something was measured."""
    from knee_angle.records import NotMeasured

    if isinstance(answer, NotMeasured):
        return
    if chart is not None:
        from knee_angle.report.clip_plots import clip_svg

        _write_file(chart, clip_svg(answer).encode())
    if frames is not None:
        from knee_angle.report.clip_contract import frames_table

        _write_file(frames, frames_table(answer, suffix=frames.suffix.lower()))


def _say_nothing_kept(answer: ClipOutcome) -> None:
    """A film without an answer is not kept: that is said."""
    from knee_angle.records import NotMeasured

    if isinstance(answer, NotMeasured):
        print(tell("knee-angle: nothing was kept: the film gave no answer"), file=sys.stderr)


def _kept(
    answer: ClipOutcome,
    film: Path,
    settings: Settings,
    person: str | None,
    machine: str | None,
    where: str | None,
    pictures: bool,
) -> str:
    """Keep the chosen pictures and their joint answer as a visit; what was not kept and why.

    The film itself is not kept. All of it is kept at once, so it is tried once more as a whole.
    """
    from knee_angle.clip.measure import crops_of
    from knee_angle.records import NotMeasured
    from knee_angle.store import PhotoToKeep, SetUp, new_id

    if isinstance(answer, NotMeasured):
        return ""
    crops = crops_of(film, answer) if pictures else {}
    visit = new_id()
    photos = [
        PhotoToKeep(
            one.measurement.photo,
            one.measurement,
            SetUp(end=one.end, setting=one.setting),
            picture=crops.get(one.number),
        )
        for one in answer.chosen
    ]
    trouble = ""
    for _ in range(2):
        try:
            with opened_store(where, create=True) as store:
                store.save_visit(
                    answer.visit, photos, visit_id=visit, settings=settings, person=person,
                    machine=machine,
                )  # fmt: skip
        except KneeAngleError as error:
            trouble = str(error)
        else:
            return ""
    return say("the clip was not kept: {trouble}", trouble=trouble)


def _write_file(path: Path, content: bytes) -> None:
    with naming(path):
        write_whole(path, content)


def _status(answer: ClipOutcome) -> int:
    from knee_angle.records import NotMeasured

    if isinstance(answer, NotMeasured):
        return 1
    return INTERRUPTED if answer.stopped else int(answer.torn is not None)


@contextmanager
def _stoppable() -> Iterator[Any]:
    """Ctrl+C once ends the film there, and what was seen so far is the answer; twice stops."""
    asked: list[bool] = []

    def stop(_signal: int, _frame: Any) -> None:
        if asked:
            raise KeyboardInterrupt
        asked.append(True)

    before = signal.signal(signal.SIGINT, stop)
    try:
        yield lambda: bool(asked)
    finally:
        signal.signal(signal.SIGINT, before)


class _Progress:
    """How far the film is, on a terminal: one line that is written over."""

    def __init__(self) -> None:
        self._shown = sys.stderr is not None and sys.stderr.isatty()
        self._next, self._wide = time.monotonic() + TOLD_EVERY_S, 0

    def __enter__(self) -> _Progress:
        return self

    def __exit__(self, *_: object) -> None:
        if self._wide:
            print("\r" + " " * self._wide + "\r", end="", file=sys.stderr, flush=True)

    def told(self, done_s: float, all_s: float | None) -> None:
        """So much of it is done."""
        if not self._shown or time.monotonic() < self._next:
            return
        self._next = time.monotonic() + TOLD_EVERY_S
        of = "" if all_s is None else say(" of {all_s:.0f}", all_s=all_s)
        line = say("{done_s:.0f}{of} s of the clip; Ctrl+C ends it there", done_s=done_s, of=of)
        self._wide = max(self._wide, len(line))
        print(f"\r{line:<{self._wide}}", end="", file=sys.stderr, flush=True)
