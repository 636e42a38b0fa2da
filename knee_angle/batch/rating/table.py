"""Ratings that came about elsewhere: a table of points with rater and repeat, and the photos.

Everything that is wrong with the table is told at once, line by line, before anything is measured.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

from knee_angle.batch.points import point_columns, points_of_row
from knee_angle.batch.rating.covers import photo_at
from knee_angle.batch.rating.folder import Rating, StudyPhoto
from knee_angle.errors import InvalidInput, KneeAngleError
from knee_angle.files.tables import SHOWN, Table, named, read_table
from knee_angle.landmarks.manual import manual_landmarks
from knee_angle.language import joined, say
from knee_angle.photo.reading import Photo, read_photo
from knee_angle.records import LEG_POINTS
from knee_angle.records.code import checked_code

__all__ = ["TableStudy", "study_of_table"]


@dataclass(frozen=True, slots=True)
class TableStudy:
    """The ratings of a table, with the photos that they are of."""

    photos: tuple[StudyPhoto, ...]
    rated: tuple[Rating, ...]

    def ratings(self) -> tuple[Rating, ...]:
        """Every rating, in the table's order."""
        return self.rated

    def open_photo(self, number: int) -> Photo:
        """A photo, by its number from 1."""
        one = self.photos[number - 1]
        return read_photo(Path(one.path), name=one.name)


def study_of_table(table: Path, photos: Path) -> TableStudy:
    """The ratings of a table.

    Parameters
    ----------
    table : Path
        Columns ``photo``, ``rater``, ``hip_x_px``, ``hip_y_px`` and so on for knee and ankle;
        ``repeat`` where there is one, else a rater's rows are counted.
    photos : Path
        The folder in which the photos are, by the names in the table.

    Raises
    ------
    InvalidInput
        Photos that are not there, and all that is wrong with the rows.
    """
    rows = read_table(table, needs=("photo", "rater"), repeats=True)
    names = tuple(dict.fromkeys(rows.photos))
    if gone := [name for name in names if not (photos / name).is_file()]:
        raise InvalidInput(
            say(
                "{photos} has no photo {names}: name the folder they are in",
                photos=photos,
                names=named(gone),
            )
        )
    known = tuple(StudyPhoto(name, str((photos / name).absolute()), "") for name in names)
    reader = _Reader(rows, known)
    rated = [reader.rating(row) for row in range(len(rows))]
    problems = [one for one in rated if isinstance(one, str)]
    if problems:
        more = len(problems) - SHOWN
        said = [*problems[:SHOWN], *([say("and {count} more", count=more)] if more > 0 else [])]
        raise InvalidInput(joined(": ", [table.name, joined("; ", said)]))
    return TableStudy(known, tuple(one for one in rated if isinstance(one, Rating)))


class _Reader:
    """The rows of a table as ratings, each against its photo's size and what came before."""

    def __init__(self, rows: Table, photos: tuple[StudyPhoto, ...]) -> None:
        self.rows, self.columns = rows, point_columns(rows)
        self.numbers = {one.name: number for number, one in enumerate(photos, start=1)}
        self.paths = {one.name: Path(one.path) for one in photos}
        self.raters = rows.labels("rater")
        self.repeats = rows.numbers("repeat") if rows.has("repeat") else None
        self.sizes: dict[str, tuple[int, int, str]] = {}
        self.seen: dict[tuple[str, str], list[int]] = {}

    def rating(self, row: int) -> Rating | str:
        """The rating of a row, or what is wrong with it."""
        try:
            return self._rating(row)
        except KneeAngleError as error:
            return joined(": ", [self.rows.where[row], str(error)])

    def _rating(self, row: int) -> Rating:
        photo = self.rows.photos[row]
        code = checked_code(self.raters[row] or "", what="rater")
        points = points_of_row(self.rows, self.columns, row) or {}
        if missing := [name for name in LEG_POINTS if name not in points]:
            raise InvalidInput(say("{names} is missing", names=", ".join(missing)))
        width, height, sha256 = self._photo(photo)
        told = {name: points[name] for name in points if name not in ("rater", "side")}
        manual_landmarks(told, width_px=width, height_px=height, photo_sha256=sha256, photo=photo)
        only = {str(name): points[name] for name in LEG_POINTS}
        repeat = self._repeat(code, photo, row)
        return Rating(code, row + 1, self.numbers[photo], repeat, sha256, only, "", 0.0)

    def _photo(self, name: str) -> tuple[int, int, str]:
        """Width, height and hash of a photo; each is opened once."""
        if name not in self.sizes:
            photo = photo_at(self.paths[name])
            self.sizes[name] = photo.width, photo.height, photo.sha256
        return self.sizes[name]

    def _repeat(self, code: str, photo: str, row: int) -> int:
        """The row's repeat; without a column the rater's rows of the photo are counted."""
        before = self.seen.setdefault((code, photo), [])
        given = len(before) + 1.0 if self.repeats is None else float(self.repeats[row])
        if not (given >= 1 and given.is_integer()):
            raise InvalidInput(
                say(
                    "repeat must be a whole number, 1 or more, but got {got}",
                    got=say("none") if math.isnan(given) else f"{given:g}",
                )
            )
        if given in before:
            raise InvalidInput(
                say(
                    "{rater} has rated {photo} with repeat {repeat:g} before: give each rating "
                    "its own",
                    rater=code,
                    photo=photo,
                    repeat=given,
                )
            )
        before.append(int(given))
        return int(given)
