"""The photos of one visit, with what was seen in each and what was changed by hand.

A photo's pixels are held while it is worked with and read again from the visit's draft when
they are asked for later: what stays is what was seen in it.
"""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from threading import Lock
from typing import Any

import streamlit as st

from knee_angle.landmarks.base import Detector
from knee_angle.landmarks.dots.unused import usable_dots, use_dots
from knee_angle.landmarks.empty_machine import look_at_empty
from knee_angle.landmarks.standard import shared_detectors
from knee_angle.language import joined, say
from knee_angle.machine.cause import with_display_alarms
from knee_angle.page.editor import Edit, edit_of
from knee_angle.photo.gate import lens_through
from knee_angle.photo.reading import Photo, read_photo
from knee_angle.photo.taken import taken_at
from knee_angle.pipeline import SeenPhoto, look, measure, safely
from knee_angle.records import (
    LEG_POINTS,
    Landmarks,
    Measurement,
    NotMeasured,
    Unreadable,
    UnusedDot,
)
from knee_angle.settings import Settings
from knee_angle.visit.zone import LocalZone

__all__ = ["MOST", "Answered", "Entry", "Looked", "Tray", "shelf"]

MOST = 12
"""Photos of a visit."""
HELD = 6
"""Photos whose pixels are in memory, of all visits together; each at most about 60 MB."""
SEEN = 120
"""Photos of which it is remembered what was seen: a few kB each."""

Outcome = Measurement | NotMeasured
Answered = tuple[str, Outcome]
"""An answer with the name of all that went into it."""


@dataclass(frozen=True)
class Looked:
    """What is known of a photo once it was looked at."""

    width: int
    height: int
    seen: SeenPhoto
    taken_at: datetime | None


class Shelf:
    """Photos by their hash, for all visits: few with their pixels, many as they were seen."""

    def __init__(self) -> None:
        self._photos: OrderedDict[str, Photo] = OrderedDict()
        self._looked: OrderedDict[str, Looked] = OrderedDict()
        self._lock = Lock()

    def photo(self, sha256: str, read: Callable[[], Photo]) -> Photo:
        """The photo, read again where it is no longer held."""
        with self._lock:
            found = self._photos.get(sha256)
        if found is None:
            found = read()
        self.hold(found)
        return found

    def hold(self, photo: Photo) -> None:
        """Keep a photo's pixels; the ones not used for longest go."""
        with self._lock:
            self._photos[photo.sha256] = photo
            self._photos.move_to_end(photo.sha256)
            while len(self._photos) > HELD:
                self._photos.popitem(last=False)

    def know(self, sha256: str, looked: Looked) -> None:
        """Take what was seen in a photo before."""
        with self._lock:
            self._looked.setdefault(sha256, looked)

    def looked(self, photo: Photo) -> Looked:
        """What is seen in a photo, looked for once."""
        with self._lock:
            found = self._looked.get(photo.sha256)
        if found is None:
            seen = look(photo, detectors=detectors())
            when = taken_at(photo.told, zone=LocalZone(), now=datetime.now(UTC))
            found = Looked(photo.width, photo.height, seen, when)
        with self._lock:
            self._looked[photo.sha256] = found
            self._looked.move_to_end(photo.sha256)
            while len(self._looked) > SEEN:
                self._looked.popitem(last=False)
        return found


@dataclass
class Entry:
    """One photo of a visit.

    Parameters
    ----------
    sha256 : str
        The photo.
    looked : Looked
        Its size, what the detectors saw, when it was taken.
    read : callable
        Reads the photo again.
    edit : Edit
        What a hand changed since.
    seed : Edit
        What the editor was given when it was last put on the page.
    turn : int
        How often that was.
    order : int
        Photos stand in the order in which they came.
    dots_used : bool
        Whether dots that were seen and not used are used, as a person said.
    answered
        The last answer of the photo alone, with the name of all that went into it.
    """

    sha256: str
    looked: Looked
    read: Callable[[], Photo]
    edit: Edit = field(default_factory=Edit)
    seed: Edit = field(default_factory=Edit)
    turn: int = 0
    order: int = 0
    dots_used: bool = False
    answered: Answered | None = None

    @property
    def photo(self) -> Photo:
        """The photo with its pixels."""
        return shelf().photo(self.sha256, self.read)

    @property
    def seen(self) -> SeenPhoto:
        """What the detectors saw."""
        return self.looked.seen

    @property
    def key(self) -> str:
        """The photo's own part of every input's name."""
        return self.sha256[:12]

    @property
    def revision(self) -> str:
        """Names the points that the editor was given."""
        return f"{self.key}-{self.turn}"

    @property
    def found(self) -> Landmarks | None:
        """The automatic points, with dots that a person put to use."""
        seen = self.seen.landmarks
        found = use_dots(seen) if self.dots_used else seen
        return None if isinstance(found, NotMeasured) else found

    @property
    def unused_dots(self) -> tuple[UnusedDot, ...]:
        """Dots that were seen and are not used."""
        seen = self.seen.landmarks
        return (use_dots(seen) if self.dots_used else seen).unused_dots

    def lacks_points(self, *, tag_mm: float) -> bool:
        """Whether hip, knee or ankle is what an answer lacks: no tap mends a picture.

        Parameters
        ----------
        tag_mm : float
            Edge of a tag of the strip, mm.
        """
        have = {*(() if self.found is None else self.found.points), *self.edit.moved}
        lens = lens_through(self.photo, self.seen.tags, tag_mm=tag_mm)
        return not isinstance(lens, NotMeasured) and not set(LEG_POINTS) <= have

    @property
    def usable_dots(self) -> tuple[UnusedDot, ...]:
        """Dots that were seen and not used, and of which it is known what each most likely is."""
        return usable_dots(self.seen.landmarks)

    def use_dots(self, used: bool) -> None:
        """Put those dots to use, or no longer; the editor shows it."""
        self.dots_used = used
        self.editor_is_new()

    def editor_is_new(self) -> None:
        """The editor is put on the page again: it starts from the points as they are."""
        self.seed = self.edit
        self.turn += 1

    def take(self, value: Any) -> None:
        """What the editor sent."""
        edit = edit_of(
            value,
            revision=self.revision,
            width_px=self.looked.width,
            height_px=self.looked.height,
        )
        if edit is not None:
            self.edit = edit

    def measured(self, *, displayed_deg: float | None, settings: Settings) -> Outcome:
        """The answer for the points as they are; measured once while all of it stays.

        Raises
        ------
        KneeAngleError
            A number that cannot be.
        """
        edit = (sorted(self.edit.moved.items()), self.edit.removed, self.dots_used)
        asked = _name_of((edit, displayed_deg, settings))
        if self.answered is None or self.answered[0] != asked:
            self.answered = asked, self._measured(displayed_deg, settings)
        return self.answered[1]

    def as_empty(self, *, displayed_deg: float | None, settings: Settings) -> Outcome:
        """The bars alone, where a person said that no leg is in the machine."""
        asked = _name_of(("empty", displayed_deg, settings))
        if self.answered is None or self.answered[0] != asked:
            seen = safely(lambda: look_at_empty(self.photo, settings, displayed_deg=displayed_deg))
            found = with_display_alarms(seen, displayed_deg, settings)
            self.answered = asked, _as_outcome(found)
        return self.answered[1]

    def _measured(self, displayed_deg: float | None, settings: Settings) -> Outcome:
        seen = self.seen
        if self.found is not None:
            seen = SeenPhoto(seen.tags, self.edit.applied(self.found))
        moved = self.edit.manual()
        answer = measure(
            self.photo,
            displayed_deg=displayed_deg,
            manual={**moved, "photo_sha256": self.sha256} if moved else None,
            settings=settings,
            detectors=detectors(),
            seen=seen,
            judge=False,
        )
        return _as_outcome(answer)


def _name_of(asked: object) -> str:
    """Names what went into an answer; the same after the server was started anew."""
    return hashlib.sha256(repr(asked).encode()).hexdigest()[:32]


def _as_outcome(found: Measurement | NotMeasured | Unreadable) -> Outcome:
    if isinstance(found, Unreadable):
        again = say("copy the photo again from the phone")
        return NotMeasured(found.reason, again, alarms=found.alarms)
    return found


@dataclass
class Tray:
    """All photos of a visit, in the order in which they came.

    Parameters
    ----------
    entries : dict of hash to Entry
    chosen : str or None
        The photo that is shown.
    refused : list of str
        What could not be taken, in words.
    """

    entries: dict[str, Entry] = field(default_factory=dict)
    chosen: str | None = None
    refused: list[str] = field(default_factory=list)

    def add(
        self,
        content: bytes,
        name: str,
        *,
        order: int = 0,
        stored: Callable[[], bytes] | None = None,
    ) -> Entry | None:
        """Read a photo, look at it, and choose it; what cannot be taken is told.

        Parameters
        ----------
        content : bytes
            The photo's file.
        name : str
            What it is called where it is refused.
        order : int
            Where it stands among the others.
        stored : callable, optional
            Gives the file again; by default it is held.
        """
        read = safely(lambda: self._looked_at(content, name, stored))
        if isinstance(read, NotMeasured):
            self.refused.append(joined(": ", [name, read.reason, read.advice]))
        elif isinstance(read, Unreadable):
            self.refused.append(joined(": ", [name, read.reason]))
        elif read is None:
            self.refused.append(
                say(
                    "{name}: not taken, {most} photos are here already. Remove one first.",
                    name=name,
                    most=MOST,
                )
            )
        elif read.sha256 in self.entries:
            self.refused.append(
                say(
                    "{name}: it is the same picture as photo {number}, which counts once.",
                    name=name,
                    number=self.number(read),
                )
            )
            self.chosen = read.sha256
        else:
            read.order = order
            self.entries[read.sha256] = read
            self.chosen = read.sha256
            return read
        return None

    def _looked_at(
        self, content: bytes, name: str, stored: Callable[[], bytes] | None
    ) -> Entry | None:
        """The photo with what is seen in it, as it was where it is here; None: no room."""
        photo = read_photo(content, name=str.__str__(name))
        if photo.sha256 in self.entries:
            return self.entries[photo.sha256]
        if len(self.entries) >= MOST:
            return None
        shelf().hold(photo)
        again = stored or (lambda: content)
        return Entry(
            photo.sha256,
            shelf().looked(photo),
            lambda: read_photo(again(), name=str.__str__(name)),
        )

    def number(self, entry: Entry) -> int:
        """Which photo of the visit it is, from 1."""
        return list(self.entries).index(entry.sha256) + 1

    def current(self) -> Entry | None:
        """The photo that is shown."""
        return None if self.chosen is None else self.entries.get(self.chosen)

    def remove(self, entry: Entry) -> None:
        """Let go of a photo."""
        del self.entries[entry.sha256]
        if self.chosen == entry.sha256:
            self.chosen = next(reversed(self.entries), None)


@st.cache_resource(show_spinner=False)
def shelf() -> Shelf:
    """The photos that the server holds."""
    return Shelf()


@st.cache_resource(show_spinner=False)
def detectors() -> tuple[Detector, ...]:
    """Detectors stay open while the server runs."""
    return shared_detectors()
