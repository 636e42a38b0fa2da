"""What raters must not see: the numbers on displays that are found, else what a table names.

A number is covered with a digit's height of room around it, so that a digit that was not read
with it is covered too. What a person's table says of a photo stands instead of what was found
in it; a row without numbers says that nothing is to be covered there.
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType

import numpy as np

from knee_angle.errors import InvalidInput, KneeAngleError
from knee_angle.files import naming, write_whole
from knee_angle.files.tables import read_table
from knee_angle.language import joined, say
from knee_angle.photo.covered import Box, covered
from knee_angle.photo.reading import Photo, read_photo
from knee_angle.report.columns import Column
from knee_angle.report.contract import csv_lines

__all__ = ["COLUMNS", "Covers", "found_covers", "read_covers", "write_as_seen", "write_covers"]

SIDES = ("left_px", "top_px", "right_px", "bottom_px")
_COLUMNS = (
    Column("photo", "text", None, "name of the photo; a row for each box", ()),
    *(
        Column(
            side, "number", "pixels",
            f"{side.removesuffix('_px')} edge of a box that raters see grey; empty: nothing is "
            "covered in the photo", (),
        )
        for side in SIDES
    ),
)  # fmt: skip
COLUMNS: Mapping[str, Column] = MappingProxyType({one.name: one for one in _COLUMNS})
"""Columns of the table of covers."""
PLAIN = 0.3
"""A number less probable than this is texture (our own; displays of the samples: 0.39 and up)."""
AROUND = 1.2
"""Room around a number, in heights of its digits (our own)."""
QUALITY = 84


@dataclass(frozen=True, slots=True)
class Covers:
    """Boxes of each photo by its name, and in which photos they were found by software.

    A photo that is named by neither has nothing covered, and nobody said that this is right.
    """

    boxes: Mapping[str, Sequence[Box]] = field(default_factory=dict)
    found: frozenset[str] = frozenset()


def found_covers(
    photos: Sequence[Path],
    told: Mapping[str, Sequence[Box]],
    *,
    progress: Callable[[int, int], None] = lambda _done, _all: None,
) -> Covers:
    """What is covered in each photo: as told, else the numbers on displays that are found.

    Parameters
    ----------
    photos : sequence of Path
    told : Mapping of photo name to boxes
        As `read_covers` gives them.
    progress : callable
        Told how many photos are done, of how many.

    Raises
    ------
    InvalidInput
        A photo that cannot be read.
    """
    boxes = dict(told)
    looked = [path for path in photos if path.name not in told]
    for done, path in enumerate(looked, start=1):
        boxes[path.name] = numbers_in(photo_at(path))
        progress(done, len(looked))
    return Covers(boxes, frozenset(path.name for path in looked))


def photo_at(path: Path) -> Photo:
    """A photo of many: what is wrong with it is told with its name."""
    try:
        return read_photo(path)
    except KneeAngleError as error:
        raise InvalidInput(joined(": ", [path.name, str(error)])) from None


def numbers_in(photo: Photo) -> list[Box]:
    """A box around each number that may stand on a display."""
    from knee_angle.photo.display.find import find_lines
    from knee_angle.photo.display.networks import networks
    from knee_angle.photo.display.seen import read_places

    nets = networks()
    found = []
    for number in read_places(photo, find_lines(photo, nets), nets):
        if number.probability < PLAIN:
            continue
        corners = np.array(number.quad)
        room = AROUND * number.digit_px
        left, top = (corners.min(axis=0) - room).tolist()
        right, bottom = (corners.max(axis=0) + room).tolist()
        found.append((
            max(math.floor(left), 0), max(math.floor(top), 0),
            min(math.ceil(right), photo.width), min(math.ceil(bottom), photo.height),
        ))  # fmt: skip
    return found


def read_covers(path: Path) -> dict[str, list[Box]]:
    """What is to be covered, from a table: photo, left_px, top_px, right_px, bottom_px.

    Returns
    -------
    dict of photo name to boxes
        Empty for a photo whose row has no number: nothing is to be covered there.

    Raises
    ------
    InvalidInput
        A column or number that is missing.
    """
    table = read_table(path, needs=("photo", *SIDES), repeats=True)
    left, top, right, bottom = (table.numbers(name).tolist() for name in SIDES)
    found: dict[str, list[Box]] = {}
    for photo, *box in zip(table.photos, left, top, right, bottom, strict=True):
        mine = found.setdefault(photo, [])
        if all(math.isnan(side) for side in box):
            continue
        if any(math.isnan(side) for side in box):
            raise InvalidInput(
                say(
                    "{table}: each cover of {photo} needs four numbers, or none where nothing is "
                    "to be covered",
                    table=path.name,
                    photo=photo,
                )
            )
        mine.append((box[0], box[1], box[2], box[3]))
    return found


def write_covers(target: Path, photos: Sequence[str], boxes: Mapping[str, Sequence[Box]]) -> None:
    """What is covered, in the shape that `read_covers` takes: to correct, and begin anew with.

    Raises
    ------
    InvalidInput
        The file cannot be written.
    """
    rows: list[dict[str, object]] = []
    for name in photos:
        sides = [dict(zip(SIDES, box, strict=True)) for box in boxes.get(name, ())]
        rows += [{"photo": name, **one} for one in sides or [{}]]
    with naming(target):
        write_whole(target, csv_lines(rows, tuple(COLUMNS), header=True))


def write_as_seen(folder: Path, photos: Sequence[Path], boxes: Mapping[str, Sequence[Box]]) -> None:
    """Each photo as raters will see it, in a new folder: for a person to look at.

    Raises
    ------
    InvalidInput
        The folder cannot be written.
    """
    with naming(folder):
        folder.mkdir(mode=0o700)
        for number, path in enumerate(photos, start=1):
            picture = io.BytesIO()
            seen = covered(photo_at(path), boxes.get(path.name, ()))
            seen.save(picture, "JPEG", quality=QUALITY)
            write_whole(folder / f"{number:03d}_{path.stem}.jpg", picture.getvalue())
