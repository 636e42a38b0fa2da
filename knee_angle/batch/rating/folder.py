"""A rater study on the disk: a folder for its owner alone, with the plan and every rating.

``study.json`` is written once and never changed: plan, photos and each rater's order, so that no
other version draws another one. ``ratings.jsonl`` gets a line for each rating, on the disk before
the next photo is shown; a torn last line (the power went) is left out, and that photo is asked
for again. ``covers.csv`` and ``as_seen`` are for a person to look at. Photos stay where they are
and are known by their hash.
"""

from __future__ import annotations

import fcntl
import json
import os
import shutil
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from knee_angle.angle.words import POINT_WORDS
from knee_angle.batch.rating.covers import Covers, photo_at, write_as_seen, write_covers
from knee_angle.batch.rating.plan import RatingPlan, Turn, turns_of, turns_of_before
from knee_angle.errors import InvalidInput
from knee_angle.files import naming, reading, write_whole
from knee_angle.files.tables import named
from knee_angle.landmarks.manual import manual_landmarks
from knee_angle.language import joined, say
from knee_angle.photo.covered import Box
from knee_angle.photo.reading import Photo, read_photo
from knee_angle.records import LEG_POINTS
from knee_angle.records.code import checked_code
from knee_angle.store.codec import from_json

__all__ = ["Rating", "RatingStudy", "StudyPhoto", "begin_study", "open_study"]

PLAN, RATINGS, LOCK = "study.json", "ratings.jsonl", "lock"
COVERS, AS_SEEN = "covers.csv", "as_seen"
KIND = "knee_angle rater study"
_WRITING = threading.Lock()
MALFORMED = (
    ValueError, KeyError, TypeError, AttributeError, ArithmeticError, RecursionError, ExceptionGroup
)  # fmt: skip
"""What a file gives that somebody changed."""

Points = Mapping[str, Mapping[str, float]]


@dataclass(frozen=True, slots=True)
class StudyPhoto:
    """A photo of the study: its name in tables, where it lies, its hash, and what is covered.

    ``covers`` are (left, top, right, bottom) in pixels of the upright photo: the machine's
    display and whatever else a blind rater must not see; ``found`` where software found them
    and nobody's table named this photo.
    """

    name: str
    path: str
    sha256: str
    covers: tuple[Box, ...] = ()
    found: bool = False


@dataclass(frozen=True, slots=True)
class Rating:
    """Hip, knee and ankle of one photo as one rater placed them once.

    Parameters
    ----------
    rater : str
        Code.
    place : int
        Which of the rater's turns, from 1.
    photo, repeat : int
        Which photo of the study, and which time this rater saw it, both from 1.
    photo_sha256 : str
    points : Mapping of name to {"x", "y"}
        Pixels of the upright photo.
    placed_at : str
        ISO 8601, UTC.
    seconds : float
        From the photo's being shown to its being kept.
    """

    rater: str
    place: int
    photo: int
    repeat: int
    photo_sha256: str
    points: Points
    placed_at: str
    seconds: float


@dataclass(frozen=True, slots=True)
class RatingStudy:
    """An open study."""

    folder: Path
    plan: RatingPlan
    photos: tuple[StudyPhoto, ...]
    orders: Mapping[str, tuple[Turn, ...]]
    """Each rater's turns."""

    @property
    def covered(self) -> int:
        """How many photos have something covered."""
        return sum(bool(one.covers) for one in self.photos)

    @property
    def bare(self) -> tuple[str, ...]:
        """Photos in which nothing was found to cover, and of which nobody said that it is right."""
        return tuple(one.name for one in self.photos if one.found and not one.covers)

    @property
    def found(self) -> int:
        """In how many photos what is covered was found by software."""
        return sum(one.found and bool(one.covers) for one in self.photos)

    @property
    def between(self) -> int | None:
        """How many other photos came between a photo and its repeat, at least; None without any."""
        fewest = None
        for turns in self.orders.values():
            seen: dict[int, int] = {}
            for place, turn in enumerate(turns):
                if turn.photo in seen:
                    gap = place - seen[turn.photo] - 1
                    fewest = gap if fewest is None else min(fewest, gap)
                seen[turn.photo] = place
        return fewest

    def turns(self, rater: str) -> tuple[Turn, ...]:
        """A rater's turns in their order.

        Raises
        ------
        InvalidInput
            The study has no such rater.
        """
        if rater not in self.orders:
            turns_of(self.plan, rater)  # says so
        return self.orders[rater]

    def ratings(self) -> tuple[Rating, ...]:
        """Every rating, in the order in which they came.

        Raises
        ------
        InvalidInput
            A line in the middle cannot be read: somebody changed the file.
        """
        path = self.folder / RATINGS
        if not path.exists():
            return ()
        with reading(str(path)):
            lines = path.read_text(encoding="utf-8").split("\n")
        found = []
        for number, line in enumerate(lines[:-1], start=1):  # what follows the last \n is torn
            try:
                found.append(from_json(json.loads(line), Rating))
            except MALFORMED:
                raise InvalidInput(
                    say(
                        "line {number} of {path} is no rating: it was changed by hand; restore it",
                        number=number,
                        path=path,
                    )
                ) from None
        return tuple(found)

    def next_turn(self, rater: str) -> tuple[int, Turn] | None:
        """A rater's next turn with its place, from 1; None where all are done."""
        turns = self.turns(rater)
        done = sum(rating.rater == rater for rating in self.ratings())
        return None if done >= len(turns) else (done + 1, turns[done])

    def open_photo(self, number: int) -> Photo:
        """A photo of the study, by its number.

        Raises
        ------
        InvalidInput
            It is gone, or another one than when the study began.
        """
        one = self.photos[number - 1]
        photo = read_photo(Path(one.path), name=f"photo {number}")
        if photo.sha256 != one.sha256:
            raise InvalidInput(
                say(  # by its number: a rater may read this
                    "photo {number} is another one than when the study began: put back the one "
                    "with the hash {sha256}..., which study.json names",
                    number=number,
                    sha256=one.sha256[:12],
                )
            )
        return photo

    def keep(
        self, rater: str, place: int, points: Points, *, photo: Photo, seconds: float
    ) -> Rating:
        """Keep one rating for good; when this returns it is on the disk.

        Raises
        ------
        InvalidInput
            Not this rater's next turn (it was kept before, in another window), points that are
            missing or outside the photo.
        """
        missing = [name for name in LEG_POINTS if name not in points]
        if missing:
            raise InvalidInput(
                say(
                    "points are missing: {names}: place them first",
                    names=joined(", ", [POINT_WORDS[name] for name in missing]),
                )
            )
        only: dict[str, dict[str, float]] = {str(name): dict(points[name]) for name in LEG_POINTS}
        manual_landmarks(only, width_px=photo.width, height_px=photo.height)
        with self._alone():
            after = self.next_turn(rater)
            if after is None or after[0] != place:
                raise InvalidInput(
                    say(
                        "turn {place} of {rater} was kept before: go on with the photo that is "
                        "next",
                        place=place,
                        rater=rater,
                    )
                )
            turn = after[1]
            rating = Rating(
                rater, place, turn.photo, turn.repeat, photo.sha256, only,
                datetime.now(UTC).isoformat(timespec="seconds"), round(seconds, 1),
            )  # fmt: skip
            _append(self.folder / RATINGS, json.dumps(asdict(rating), allow_nan=False))
        return rating

    @contextmanager
    def _alone(self) -> Iterator[None]:
        """Nobody else writes meanwhile, in this server or in another one of the same study."""
        where = self.folder / LOCK
        try:
            file = os.fdopen(os.open(where, os.O_RDWR | os.O_CREAT, 0o600), "rb")
        except OSError as error:
            raise InvalidInput(_not_kept(where, error)) from None
        with file, _WRITING:
            fcntl.flock(file, fcntl.LOCK_EX)
            yield


def _not_kept(path: Path, error: OSError) -> str:
    return say(
        "the rating was not kept: {path} cannot be written ({why})",
        path=path.name,
        why=error.strerror,
    )


def _append(path: Path, line: str) -> None:
    """A whole line, on the disk; what a torn one left behind is cut off first."""
    opened = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        with os.fdopen(opened, "r+b") as file:
            content = file.read()
            file.seek(content.rfind(b"\n") + 1)
            file.truncate()
            file.write(line.encode() + b"\n")
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise InvalidInput(_not_kept(path, error)) from None


def begin_study(
    folder: Path,
    photos: Sequence[Path],
    *,
    raters: Sequence[str],
    repeats: int,
    seed: int,
    covers: Covers | None = None,
) -> RatingStudy:
    """Begin a study in a new folder.

    Parameters
    ----------
    folder : Path
        Made anew, for its owner alone.
    photos : sequence of Path
        Each a photo that can be read; no two alike.
    raters : sequence of str
        Codes.
    repeats, seed : int
        See `RatingPlan`.
    covers : Covers, optional
        What raters must not see, such as the machine's display.

    Raises
    ------
    InvalidInput
        Anything that cannot be meant; nothing is left behind.
    """
    codes = tuple(checked_code(one, what="rater") for one in raters)
    plan = RatingPlan(len(photos), codes, repeats, seed)
    covers = covers or Covers()
    known = tuple(_study_photo(path, covers) for path in photos)
    if surplus := sorted(set(covers.boxes) - {one.name for one in known}):
        raise InvalidInput(
            say("covers of photos that are not in the study: {names}", names=named(surplus))
        )
    twice = {one.sha256 for one in known}
    if len(twice) < len(known) or len({one.name for one in known}) < len(known):
        raise InvalidInput(
            say("each photo must be named once, by a name of its own: leave out copies")
        )
    study = RatingStudy(folder, plan, known, {code: turns_of(plan, code) for code in codes})
    made = {
        "kind": KIND,
        "plan": asdict(plan),
        "photos": [asdict(one) for one in known],
        "orders": {
            code: [[turn.photo, turn.repeat] for turn in turns]
            for code, turns in study.orders.items()
        },
        "began": datetime.now(UTC).isoformat(timespec="seconds"),
    }
    _write(study, photos, covers, json.dumps(made, indent=1))
    return study


def _write(study: RatingStudy, photos: Sequence[Path], covers: Covers, plan: str) -> None:
    """The folder, its plan last: without that it is no study."""
    folder = study.folder
    try:
        folder.mkdir(mode=0o700)
    except OSError as error:
        raise InvalidInput(
            say(
                "{folder} cannot be made ({why}): name a new folder",
                folder=folder,
                why=error.strerror,
            )
        ) from None
    try:
        write_covers(folder / COVERS, [one.name for one in study.photos], covers.boxes)
        write_as_seen(folder / AS_SEEN, photos, covers.boxes)
        with naming(folder / PLAN):
            write_whole(folder / PLAN, plan)
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise


def _study_photo(path: Path, covers: Covers) -> StudyPhoto:
    photo = photo_at(path)
    mine = tuple(covers.boxes.get(path.name, ()))
    for left, top, right, bottom in mine:
        across = left < right and right > 0 and left < photo.width
        if not (across and top < bottom and bottom > 0 and top < photo.height):
            raise InvalidInput(
                say(
                    "a cover of {photo} must lie in it, left before right and top before bottom, "
                    "but got {box}",
                    photo=path.name,
                    box=f"{left:g}, {top:g}, {right:g}, {bottom:g}",
                )
            )
    found = path.name in covers.found or path.name not in covers.boxes
    return StudyPhoto(path.name, str(path.absolute()), photo.sha256, mine, found)


def _photo_of(one: Mapping[str, Any]) -> StudyPhoto:
    covers = tuple(tuple(map(float, box)) for box in one.get("covers", ()))
    # Of before displays were looked for: covers were told, and nobody spoke of other photos.
    return from_json({"found": not covers, **one, "covers": covers}, StudyPhoto)


def _orders(plan: RatingPlan, written: Any) -> dict[str, tuple[Turn, ...]]:
    """Each rater's turns as they were written down; ValueError where some are missing."""
    if written is None:
        return {rater: turns_of_before(plan, rater) for rater in plan.raters}
    orders = {r: tuple(Turn(int(p), int(k)) for p, k in written[r]) for r in plan.raters}
    every = {Turn(p, k) for p in range(1, plan.photos + 1) for k in range(1, plan.repeats + 1)}
    if any(len(turns) != len(every) or set(turns) != every for turns in orders.values()):
        raise ValueError
    return orders


def open_study(folder: Path) -> RatingStudy:
    """A study that was begun.

    Raises
    ------
    InvalidInput
        No study is there.
    """
    path = folder / PLAN
    try:
        made = json.loads(path.read_text(encoding="utf-8"))
        if made["kind"] != KIND:
            raise ValueError
        plan = from_json(made["plan"], RatingPlan)
        photos = tuple(_photo_of(one) for one in made["photos"])
        return RatingStudy(folder, plan, photos, _orders(plan, made.get("orders")))
    except (OSError, *MALFORMED):
        raise InvalidInput(
            say("no rater study is in {folder}: begin one with rating begin", folder=folder)
        ) from None
