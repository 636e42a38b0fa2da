"""Ratings that came about elsewhere: a table of points with rater and repeat, and the photos."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from knee_angle.batch.points import point_columns, points_of_row
from knee_angle.batch.rating.folder import Rating, StudyPhoto
from knee_angle.errors import InvalidInput
from knee_angle.files.tables import named, read_table
from knee_angle.language import say
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
        A photo that is not there, a rater that is no code, points that are missing.
    """
    rows = read_table(table, needs=("photo", "rater"), repeats=True)
    columns = point_columns(rows)
    names = tuple(dict.fromkeys(rows.photos))
    if gone := [name for name in names if not (photos / name).is_file()]:
        raise InvalidInput(
            say(
                "{photos} has no photo {names}: name the folder they are in",
                photos=photos,
                names=named(gone),
            )
        )
    numbers = {name: number for number, name in enumerate(names, start=1)}
    known = tuple(StudyPhoto(name, str((photos / name).absolute()), "") for name in names)
    repeats = rows.numbers("repeat") if rows.has("repeat") else None
    seen: dict[tuple[str, str], int] = {}
    rated = []
    for row, (photo, rater) in enumerate(zip(rows.photos, rows.labels("rater"), strict=True)):
        code = checked_code(rater or "", what="rater")
        points = points_of_row(rows, columns, row) or {}
        if missing := [name for name in LEG_POINTS if name not in points]:
            raise InvalidInput(
                say(
                    "{table}: {where}: {names} is missing",
                    table=table.name,
                    where=rows.where[row],
                    names=", ".join(missing),
                )
            )
        seen[code, photo] = seen.get((code, photo), 0) + 1
        repeat = seen[code, photo] if repeats is None else int(repeats[row])
        rated.append(
            Rating(
                code, row + 1, numbers[photo], repeat, points.get("photo_sha256", ""),
                {str(name): points[name] for name in LEG_POINTS}, "", 0.0,
            )
        )  # fmt: skip
    return TableStudy(known, tuple(rated))
