"""Displays that a person has to look at: a list to fill in, with a picture of each.

``NAME.review.csv`` has a row for each photo whose number was seen but not clearly read, and
``NAME.review/`` its picture. Whoever looks writes the number into ``displayed_deg`` (as it
stands on the display; rows may be left empty) and gives the list to the next run:
``knee-angle batch ... --table NAME.review.csv --partial-table --resume``, or to ``measure``
as ``--table``. Only photos whose number changed are measured again. What was filled in
stays on the list, so that it can be filled in bit by bit.
"""

from __future__ import annotations

import codecs
import shutil
from collections.abc import Iterable, Iterator, Mapping
from contextlib import ExitStack
from pathlib import Path, PurePosixPath
from types import MappingProxyType
from typing import Any

from knee_angle.batch.sources import StorageTrouble, read_bytes
from knee_angle.batch.work import Job
from knee_angle.errors import InvalidInput, UnreadablePhoto
from knee_angle.files import whole_file, write_whole
from knee_angle.files.tables import read_table
from knee_angle.photo.display.seen import picture_of_numbers
from knee_angle.photo.reading import read_photo
from knee_angle.records.shown import NumberSeen
from knee_angle.report.columns import Column
from knee_angle.report.contract import csv_lines

__all__ = ["COLUMNS", "UNCLEAR", "write_review"]

_COLUMNS = (
    Column("photo", "text", None, "name of the photo", ()),
    Column(
        "displayed_deg", "number", "degrees",
        "to be filled in: the number on the display, as the machine counts", (),
    ),
    Column("seems_to_say", "text", None, "numbers that were seen in the photo; · is a letter", ()),
    Column(
        "probability_read", "number", None,
        "probability that the display's number was read rightly", (),
    ),
    Column("why", "text", None, "why the number was not used", ()),
    Column("picture", "text", None, "picture of the numbers, beside this list", ()),
)  # fmt: skip
COLUMNS: Mapping[str, Column] = MappingProxyType({one.name: one for one in _COLUMNS})
UNCLEAR = ("unsure", "undecided")


def write_review(stem: Path, rows: Iterable[tuple[Job, Any]], limit_megapixels: float) -> int:
    """Writes list and pictures beside a run's table; how many photos lack their number.

    Parameters
    ----------
    stem : Path
        The table without its ending.
    rows : iterable of (Job, JSON object)
        Every photo with its result.
    limit_megapixels : float
        Larger photos are refused.

    Raises
    ------
    InvalidInput
        A list or picture that cannot be written.
    """
    target, folder = (
        stem.with_name(f"{stem.name}.review.csv"),
        stem.with_name(f"{stem.name}.review"),
    )
    count = lacking = 0
    try:
        filled = _filled(target)
        shutil.rmtree(folder, ignore_errors=True)
        with ExitStack() as stack:
            for job, row in rows:
                display, given = row.get("display"), job.displayed_deg is not None
                if not display or display["state"] not in UNCLEAR:
                    continue
                if given and job.photo not in filled:
                    continue
                if not count:
                    file = codecs.getwriter("utf-8")(stack.enter_context(whole_file(target)))
                    file.write(csv_lines([], tuple(COLUMNS), header=True))
                count, lacking = count + 1, lacking + (not given)
                name = f"{count:05d}_{PurePosixPath(job.photo).stem}.jpg"
                picture = _picture(job, display["numbers"], limit_megapixels)
                if picture is not None:
                    folder.mkdir(exist_ok=True)
                    write_whole(folder / name, picture)
                shown = display["numbers"][: 1 if display["state"] == "unsure" else None]
                line = dict(zip(COLUMNS, (
                    job.photo, filled.get(job.photo, ""), " or ".join(_texts(shown)),
                    display["probability"], display["reason"],
                    f"{folder.name}/{name}" if picture is not None else "",
                ), strict=True))  # fmt: skip
                file.write(csv_lines([line], tuple(COLUMNS), header=False))
        if not count:
            target.unlink(missing_ok=True)
    except OSError as error:
        raise InvalidInput(
            f"{target} cannot be written ({error.strerror}): make room, then go on with --resume"
        ) from None
    return lacking


def _filled(target: Path) -> dict[str, str]:
    """What was written into a list of before, as it stands on the displays.

    A list that cannot be read is kept under another name: somebody has worked on it.
    """
    if not target.exists():
        return {}
    try:
        numbers = read_table(target, needs=("photo", "displayed_deg")).displayed_deg
    except InvalidInput:
        target.replace(target.with_suffix(".before.csv"))
        return {}
    return {photo: f"{number:g}" for photo, number in numbers.items()}


def _texts(numbers: Iterable[Any]) -> Iterator[str]:
    """What each number seems to say; a letter is shown as a dot."""
    return (one["text"].replace("a", "·") for one in numbers)


def _picture(job: Job, numbers: Iterable[Any], limit_megapixels: float) -> bytes | None:
    """The picture of the numbers; None where the photo cannot be read any more."""
    try:
        photo = read_photo(read_bytes(job, limit_megapixels), limit_megapixels=limit_megapixels)
    except (UnreadablePhoto, StorageTrouble):
        return None
    seen = [
        NumberSeen(
            number=one["number"], kind=one["kind"], text=one["text"],
            probability=one["probability"], digit_px=one["digit_px"],
            quad=tuple((x, y) for x, y in one["box"]),
        )
        for one in numbers
    ]  # fmt: skip
    return picture_of_numbers(photo, seen)
