"""One run: plan it, measure what is not done yet, write the tables and the record.

Beside ``study.parquet`` stand ``study.csv`` (the same table), ``study.run.json`` (how it
was made) and ``study.journal.jsonl`` (every row as it came: what a stopped run goes on
from, and what a later run with more photos adds to).
"""

from __future__ import annotations

import hashlib
import os
import platform
import time
import uuid
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path

from knee_angle.batch import outputs
from knee_angle.batch.jobs import Jobs, left_of, not_done, overlay_folder
from knee_angle.batch.journal import Journal
from knee_angle.batch.points import points_of_photos
from knee_angle.batch.pool import Workers, answers, cluster_workers, local_workers
from knee_angle.batch.review import write_review
from knee_angle.batch.sources import NAMED, Photos, find_photos, said_of
from knee_angle.batch.table import Known
from knee_angle.batch.work import Conditions, Json, identity_of
from knee_angle.errors import InvalidInput
from knee_angle.files.extras import needs
from knee_angle.files.tables import Table, read_table
from knee_angle.language import say, say_many
from knee_angle.report.contract import CSV_COLUMNS, as_flat
from knee_angle.settings import Settings

__all__ = ["BatchPlan", "Progress", "Summary", "cores", "run_batch"]

ENDINGS = (".parquet", ".csv", ".run.json", ".journal.jsonl")
"""Of the table twice, the record and the journal."""

Progress = Callable[[int, int], None]
"""Told how many photos are done, of how many, each time one more is."""


@dataclass(frozen=True, slots=True)
class BatchPlan:
    """What a run is asked to do.

    Parameters
    ----------
    source : str
        Folder, pattern, list file or fsspec address of the photos.
    out : Path
        The table, ``.parquet`` or ``.csv``; both are written.
    table : str or None
        CSV or Parquet with what is known about the photos, joined by name.
    partial_table : bool
        Whether photos without a row and rows without a photo are allowed.
    settings : Settings
        Tolerances and sizes.
    limit_megapixels : float
        Larger photos are refused.
    pose_model : Path or None
        A pose model bundle to use.
    overlay : Path or None
        Folder for pictures with points.
    points : Path or None
        Points placed by hand: a table, or a folder with a JSON file a photo.
    workers : int
        Measuring processes on this machine.
    scheduler : str or None
        Address of a Dask scheduler, whose workers measure instead.
    photo_seconds : float
        Longest time for one photo.
    resume, overwrite : bool
        What to do with an earlier run of the same name: go on with it, or begin again.
    retry_failed : bool
        Whether photos whose measuring failed (time, crash, storage) are tried again.
    """

    source: str
    out: Path
    table: str | None = None
    partial_table: bool = False
    settings: Settings = field(default_factory=Settings)
    limit_megapixels: float = 120.0
    pose_model: Path | None = None
    overlay: Path | None = None
    points: Path | None = None
    workers: int = 1
    scheduler: str | None = None
    photo_seconds: float = 120.0
    resume: bool = False
    overwrite: bool = False
    retry_failed: bool = False


@dataclass(frozen=True, slots=True, repr=False)
class Summary:
    """What a run did.

    Parameters
    ----------
    photos : int
        Rows of the table.
    counts : dict
        Rows by status.
    failures : tuple of (str, str, str)
        Photo, status and reason of the first rows without a number, `NAMED` at most.
    notes : tuple of str
        What a person should know, in sentences.
    left_out : str
        The source's entries that are not measured, counted and named; empty where none is.
    files : tuple of Path
        Tables and record.
    """

    photos: int
    counts: dict[str, int]
    failures: tuple[tuple[str, str, str], ...]
    notes: tuple[str, ...]
    left_out: str
    files: tuple[Path, ...]

    @property
    def failed(self) -> int:
        """Rows without a number."""
        return self.photos - self.counts.get("measured", 0)

    @property
    def rows(self) -> list[Json]:
        """The table's rows as they were written, one a photo in the order of the source."""
        from pyarrow import parquet

        rows: list[Json] = parquet.read_table(self.files[0]).to_pylist()
        return rows

    def __repr__(self) -> str:
        counts = ", ".join(f"{count} {status}" for status, count in self.counts.items())
        return f"<Summary of {self.photos} photos: {counts}; {self.files[0]}>"


def cores() -> int:
    """Cores that this program may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def run_batch(plan: BatchPlan, progress: Progress = lambda _done, _all: None) -> Summary:
    """Measure every photo of a source, and write one row each.

    Whatever stops it, what is done is kept: the same plan with ``resume`` goes on.

    Parameters
    ----------
    plan : BatchPlan
        What to do.
    progress : callable
        Told how many photos are done, of how many.

    Returns
    -------
    Summary

    Raises
    ------
    InvalidInput
        The plan cannot be carried out, or not to its end; the text says what to do.
    """
    started = time.time()
    places = _places(plan)
    photos = find_photos(plan.source)
    table = _table(plan)
    known = Known(table)
    notes = known.match(photos.files, partial=plan.partial_table)
    points = {} if plan.points is None else points_of_photos(plan.points, photos.files)
    jobs = Jobs(photos, known, points, overlay_folder(plan.overlay, plan.source, photos))
    conditions = Conditions(
        settings=plan.settings,
        limit_megapixels=plan.limit_megapixels,
        pose_model=None if plan.pose_model is None else str(plan.pose_model.absolute()),
        photo_seconds=plan.photo_seconds,
        identity=identity_of(plan.pose_model),
        run=uuid.uuid4().hex,
    )
    _check_way(plan, places)
    with Journal(places.journal, conditions.of_the_numbers(), fresh=plan.overwrite) as journal:
        left, said = left_of(jobs, journal, retry_failed=plan.retry_failed)
        notes += said
        done = len(jobs) - left
        if left:
            progress(done, len(jobs))
            with _workers(plan, conditions) as workers:
                for answer in answers(
                    workers, not_done(jobs, journal, retry_failed=plan.retry_failed)
                ):
                    journal.add(answer, jobs.of(answer.photo))
                    done += 1
                    progress(done, len(jobs))
        finished = _Finished(plan, photos, known, jobs, conditions, journal)
        return finished.written(places, notes, started=started, measured=left)


@dataclass(frozen=True, slots=True)
class _Places:
    """The files of a run, all beside each other."""

    parquet: Path
    csv: Path
    record: Path
    journal: Path


def _places(plan: BatchPlan) -> _Places:
    needs("pyarrow")
    if plan.out.suffix.lower() not in {".parquet", ".csv"}:
        raise InvalidInput(
            say(
                "--out must be a file on this machine that ends in .parquet or .csv, got {out}",
                out=plan.out,
            )
        )
    if not plan.out.parent.is_dir():
        raise InvalidInput(
            say(
                "the folder {parent} for the table is not there: make it first",
                parent=plan.out.parent,
            )
        )
    stem = plan.out.with_suffix("")
    places = _Places(*(stem.with_name(stem.name + end) for end in ENDINGS))
    if plan.table is not None and Path(plan.table).absolute() in {
        places.parquet.absolute(),
        places.csv.absolute(),
    }:
        raise InvalidInput(
            say("--out would overwrite the table {table}: name another file", table=plan.table)
        )
    return places


def _check_way(plan: BatchPlan, places: _Places) -> None:
    """Leave an earlier run alone, unless it is to go on or to be begun again."""
    if plan.overwrite:
        return
    earlier = [p for p in (places.parquet, places.csv, places.record, places.journal) if p.exists()]
    goes_on = plan.resume and places.journal in earlier
    if earlier and not goes_on:
        raise InvalidInput(
            say(
                "{earlier} is there already: --resume goes on with a run, --overwrite begins again",
                earlier=earlier[0],
            )
        )


def _table(plan: BatchPlan) -> Table | None:
    """What is known of the photos; displayed numbers are flexion from here on."""
    if plan.table is None:
        return None
    table = read_table(plan.table, needs=("photo",), counts=plan.settings.counts)
    both = [name for name in table.others.column_names if name in CSV_COLUMNS]
    if both:
        raise InvalidInput(
            say(
                "the table {table_name} has columns that the result has too ({both}): give "
                "them other names",
                table_name=table.name,
                both=", ".join(both),
            )
        )
    return table


def _workers(plan: BatchPlan, conditions: Conditions) -> AbstractContextManager[Workers]:
    if plan.scheduler is not None:
        return cluster_workers(plan.scheduler, conditions)
    return local_workers(plan.workers, conditions)


def _to_look_at(unclear: int, table: Path) -> str:
    """What to do with displays that were not clearly read."""
    review = table.with_suffix(".review.csv").name
    return say_many(
        "{count} display was not clearly read and not compared: fill in displayed_deg in {review}, "
        "then run again with --table {review} --partial-table --resume",
        "{count} displays were not clearly read and not compared: fill in displayed_deg in "
        "{review}, then run again with --table {review} --partial-table --resume",
        unclear,
        review=review,
    )


@dataclass(frozen=True, slots=True)
class _Finished:
    """Everything measured: what is left is to write it down."""

    plan: BatchPlan
    photos: Photos
    known: Known
    jobs: Jobs
    conditions: Conditions
    journal: Journal

    def written(
        self, places: _Places, notes: Sequence[str], *, started: float, measured: int
    ) -> Summary:
        more = self.known.joined
        outputs.write_parquet(places.parquet, self._rows(), more)
        outputs.write_csv(places.csv, self._rows(), more)
        unclear = write_review(
            places.parquet.with_suffix(""),
            ((job, self.journal.row(job.photo)) for job in self.jobs),
            self.plan.limit_megapixels,
        )
        if unclear:
            notes = [*notes, _to_look_at(unclear, places.csv)]
        counts = Counter(self.journal.done[photo].status for photo in self.photos.files)
        record = {
            **self._record(dict(sorted(counts.items()))),
            "outputs": {
                place.name: outputs.sha256_of(place) for place in (places.parquet, places.csv)
            },
            "this_run": self._times(started, measured),
        }
        outputs.write_record(places.record, record)
        failures = (
            (photo, done.status, done.reason or "")
            for photo in self.photos.files
            if (done := self.journal.done[photo]).status != "measured"
        )
        return Summary(
            photos=len(self.jobs),
            counts=dict(counts),
            failures=tuple(islice(failures, NAMED)),
            notes=tuple(notes),
            left_out=said_of(self.photos.left_out),
            files=(places.parquet, places.csv, places.record),
        )

    def _rows(self) -> Iterator[Json]:
        """Flat rows in the order of the source, with what was joined."""
        for job in self.jobs:
            row = as_flat(self.journal.row(job.photo))
            del row["seconds"]
            if job.displayed_deg is not None:  # a photo without a result has its number too
                row.update(displayed_deg=job.displayed_deg, displayed_source="given")
            yield {**row, **self.known.others(job.photo)}

    def _record(self, counts: Json) -> Json:
        """How the table was made: the same on every machine."""
        inputs = hashlib.sha256()
        troubles: Counter[str] = Counter()
        points = displayed = 0
        for job in self.jobs:
            done = self.journal.done[job.photo]
            inputs.update(f"{job.photo}\t{done.sha256}\t{job.displayed_deg}\n".encode())
            troubles.update([done.trouble] if done.trouble else [])
            points += job.points is not None
            displayed += job.displayed_deg is not None
        return {
            "program": "knee-angle batch",
            "record": 1,
            **self.conditions.of_the_numbers(),
            "photos": len(self.jobs),
            "other_files": len(self.photos.left_out),
            "left_out": [
                {"name": entry.name, "reason": entry.reason} for entry in self.photos.left_out
            ],
            "inputs_sha256": inputs.hexdigest(),
            "counts": counts,
            "failed": dict(sorted(troubles.items())),
            "joined_columns": self.known.joined.names,
            "points_by_hand": points,
            "displayed_numbers": displayed,
        }

    def _times(self, started: float, measured: int) -> Json:
        """What differs from run to run, apart from all the rest."""
        seconds = time.time() - started
        return {
            "started": datetime.fromtimestamp(started, UTC).isoformat(timespec="seconds"),
            "seconds": round(seconds, 1),
            "photos_measured": measured,
            "photos_per_second": round(measured / seconds, 2),
            "workers": "cluster" if self.plan.scheduler else self.plan.workers,
            "photo_seconds": self.plan.photo_seconds,
            "python": platform.python_version(),
        }
