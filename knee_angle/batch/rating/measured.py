"""Ratings as angles: each photo is looked at once, and measured with every rater's points."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import Any

from knee_angle import __version__, pipeline
from knee_angle.batch.outputs import write_csv, write_parquet, write_record
from knee_angle.batch.rating.folder import Rating, RatingStudy
from knee_angle.batch.rating.table import TableStudy
from knee_angle.batch.work import identity_of, to_plain
from knee_angle.errors import InvalidInput
from knee_angle.files import naming
from knee_angle.files.extras import needs
from knee_angle.landmarks.base import Detector
from knee_angle.language import say
from knee_angle.report.columns import Column
from knee_angle.report.contract import as_flat, as_json
from knee_angle.report.schemas import schema_of
from knee_angle.settings import Settings

__all__ = ["RATED", "check_out", "rated_rows", "write_rated"]

Row = dict[str, Any]

_RATED = (
    Column("repeat", "count", None, "which of the rater's ratings of this photo, from 1", ()),
    Column("place", "count", None, "place of the rating in the rater's own order, from 1", ()),
    Column("placed_at", "text", None, "when the points were confirmed, ISO 8601, UTC", ()),
    Column("rating_seconds", "number", "seconds", "time that placing the points took", ()),
)
RATED: Mapping[str, Column] = MappingProxyType({one.name: one for one in _RATED})
"""Columns of a rating, beside those of its measurement (which holds `rater` and `photo`)."""


def rated_rows(
    study: RatingStudy | TableStudy,
    *,
    detectors: Sequence[Detector],
    settings: Settings,
    progress: Callable[[int, int], None] = lambda _done, _all: None,
) -> Iterator[Row]:
    """A flat row for each rating, by photo, rater and repeat; failures too, with the reason.

    Parameters
    ----------
    study : RatingStudy or TableStudy
    detectors : sequence of Detector
        For what no rater placed: tags, the camera's direction, the machine's points.
    settings : Settings
        Sizes and tolerances.
    progress : callable
        Told how many photos are done, of how many.
    """
    of_photo: dict[int, list[Rating]] = {}
    for rating in study.ratings():
        of_photo.setdefault(rating.photo, []).append(rating)
    for done, (number, ratings) in enumerate(sorted(of_photo.items()), start=1):
        photo = study.open_photo(number)
        seen = pipeline.look(photo, detectors=detectors)
        for one in sorted(ratings, key=lambda r: (r.rater, r.repeat)):
            points = {**one.points, "photo_sha256": one.photo_sha256, "rater": one.rater}
            outcome = pipeline.measure_photo(
                photo, detectors=detectors, settings=settings, manual=points, seen=seen
            )
            name = study.photos[number - 1].name
            flat = as_flat(as_json(name, outcome, version=__version__))
            told = {"repeat": one.repeat, "place": one.place, "placed_at": one.placed_at}
            yield {**flat, "rater": one.rater, **told, "rating_seconds": one.seconds}
        progress(done, len(of_photo))


def check_out(out: Path) -> None:
    """Whether the table can be written there: asked before anything is measured.

    Raises
    ------
    InvalidInput
        Another ending, or no such folder.
    """
    needs("pyarrow")
    if out.suffix not in (".csv", ".parquet"):
        raise InvalidInput(say("--out must end in .csv or .parquet, but got {name}", name=out.name))
    if not out.parent.is_dir():
        raise InvalidInput(
            say("the folder {parent} for the table is not there: make it first", parent=out.parent)
        )


def write_rated(target: Path, rows: Sequence[Row], *, settings: Settings, planned: int) -> None:
    """The table as CSV or Parquet, by the file's ending; beside it how it was made (.run.json).

    Raises
    ------
    InvalidInput
        A file cannot be written.
    """
    more = schema_of(RATED.values(), about={})
    record = {
        "program": "knee-angle rating measure",
        "record": 1,
        "settings": to_plain(settings),
        "versions": identity_of(None),
        "planned": planned,
        "ratings": len(rows),
        "counts": dict(sorted(Counter(row["status"] for row in rows).items())),
    }
    with naming(target):
        (write_csv if target.suffix == ".csv" else write_parquet)(target, rows, more)
        write_record(target.with_suffix(".run.json"), record)
