"""What there is to do for each photo, and what of it a journal has done already."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Literal

from knee_angle.batch.journal import Journal
from knee_angle.batch.points import points_mark
from knee_angle.batch.sources import PhotoFile, Photos
from knee_angle.batch.table import Known
from knee_angle.batch.work import Job, Json
from knee_angle.errors import InvalidInput
from knee_angle.files.on_disk import OnDisk
from knee_angle.language import say, say_many

__all__ = ["Jobs", "left_of", "not_done", "overlay_folder"]

Standing = Literal["new", "changed", "again", "done"]
"""All but the last are to be measured; "again": its measuring failed, not the photo."""


@dataclass(frozen=True, slots=True)
class Jobs:
    """Every photo with what is known of it, put together each time it is asked for."""

    photos: Photos
    known: Known
    points: Mapping[str, Json]
    overlays: Path | None

    def __len__(self) -> int:
        return len(self.photos.files)

    def __iter__(self) -> Iterator[Job]:
        return (self._of_file(file) for _, file in self.photos.files.pairs())

    def of(self, photo: str) -> str:
        """What a row belongs to: another file, displayed number or points need another row."""
        file = self.photos.files[photo]
        mark = points_mark(self.points.get(photo))
        displayed = self.known.displayed_deg(photo)
        return f"{file.size_bytes} {file.stamp} {displayed}{mark and f' {mark}'}"

    def _of_file(self, file: PhotoFile) -> Job:
        return Job(
            photo=file.name,
            address=file.address,
            size_bytes=file.size_bytes,
            displayed_deg=self.known.displayed_deg(file.name),
            overlay=None if self.overlays is None else _overlay(self.overlays, file.name),
            points=self.points.get(file.name),
        )


def _overlay(folder: Path, photo: str) -> str:
    """Where a photo's picture goes."""
    parts = [part for part in PurePosixPath(photo).with_suffix("").parts if part != ".."]
    return str(folder / f"{'_'.join(parts)}_overlay.jpg")


def overlay_folder(overlay: Path | None, source: str, photos: Photos) -> Path | None:
    """The folder for pictures, made; two photos never share one.

    Raises
    ------
    InvalidInput
        It lies among the photos, cannot be made, or two photos would share a picture.
    """
    if overlay is None:
        return None
    folder = overlay.absolute()
    within = Path(source).is_dir() and folder.is_relative_to(Path(source).absolute())
    if within or any(Path(file.address).parent == folder for _, file in photos.files.pairs()):
        raise InvalidInput(say("--overlay must not lie in the folder of the photos: name another"))
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InvalidInput(
            say(
                "the folder {overlay} for pictures cannot be made ({error}): name another",
                overlay=overlay,
                error=error.strerror,
            )
        ) from None
    whose = OnDisk[str](str, str)
    for name in photos.files:
        place = _overlay(folder, name)
        if place in whose:
            raise InvalidInput(
                say(
                    "{twice} would share one picture: rename one, or leave out --overlay",
                    twice=f"{whose[place]} and {name}",
                )
            )
        whose[place] = name
    return folder


def _standing(job: Job, jobs: Jobs, journal: Journal, *, retry_failed: bool) -> Standing:
    """How a photo stands to the journal."""
    done = journal.done.get(job.photo)
    if done is None:
        return "new"
    if done.of != jobs.of(job.photo):
        return "changed"
    if done.trouble is not None and retry_failed:
        return "again"
    return "new" if _lacks_overlay(done.status, job) else "done"


def not_done(jobs: Jobs, journal: Journal, *, retry_failed: bool) -> Iterator[Job]:
    """The jobs that are left, each looked up when it is its turn."""
    for job in jobs:
        if _standing(job, jobs, journal, retry_failed=retry_failed) != "done":
            yield job


def left_of(jobs: Jobs, journal: Journal, *, retry_failed: bool) -> tuple[int, list[str]]:
    """How many jobs are not done, and what to say about the earlier run."""
    standing = Counter(_standing(job, jobs, journal, retry_failed=retry_failed) for job in jobs)
    notes = []
    if journal.done:
        done = standing["done"]
        notes.append(
            say_many("{count} photo was done before", "{count} photos were done before", done)
        )
    if changed := standing["changed"]:
        notes.append(
            say_many(
                "{count} photo or its displayed number changed and is measured again",
                "{count} photos or their displayed numbers changed and are measured again",
                changed,
            )
        )
    if again := standing["again"]:
        notes.append(
            say_many(
                "{count} photo whose measuring failed is tried again",
                "{count} photos whose measuring failed are tried again",
                again,
            )
        )
    gone = sum(1 for photo in journal.done if photo not in jobs.photos.files)
    if gone:
        notes.append(
            say_many(
                "{count} photo of the earlier run is not in the source and is left out",
                "{count} photos of the earlier run are not in the source and are left out",
                gone,
            )
        )
    if journal.torn_lines:
        notes.append(
            say(
                "{torn_lines} damaged lines of the journal were dropped",
                torn_lines=journal.torn_lines,
            )
        )
    return len(jobs) - standing["done"], notes


def _lacks_overlay(status: str, job: Job) -> bool:
    return status == "measured" and job.overlay is not None and not Path(job.overlay).exists()
