"""The photos of one visit, with what was seen in each and what was changed by hand."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import streamlit as st

from knee_angle.landmarks.base import Detector
from knee_angle.landmarks.standard import shared_detectors
from knee_angle.machine.answer import VisitAnswer
from knee_angle.page.editor import Edit, edit_of
from knee_angle.photo.reading import Photo, read_photo
from knee_angle.pipeline import SeenPhoto, judged_alone, look, measure, safely
from knee_angle.records import Finding, Landmarks, Measurement, NotMeasured, Unreadable
from knee_angle.settings import Settings
from knee_angle.store import KeptMeasurement

__all__ = ["MOST", "Entry", "Tray", "the_tray"]

MOST = 12
"""Photos at a time: each is held in memory, decoded."""


@dataclass
class Entry:
    """One photo on the page.

    Parameters
    ----------
    photo : Photo
        Read once.
    seen : SeenPhoto
        What the detectors saw, looked for once.
    edit : Edit
        What a hand changed since.
    seed : Edit
        What the editor was given when it was last put on the page.
    turn : int
        How often that was.
    batch : int
        Counts the uploads: photos that came together show one person in one machine.
    kept, kept_as
        The row that holds it, and what went into that row.
    pending
        What is being kept, with its row's identifier: a second tap keeps no second row.
    new_codes
        Codes that nobody knew before this photo was kept.
    answered
        The last finding and answer of the photo alone, with all that went into them.
    """

    photo: Photo
    seen: SeenPhoto
    edit: Edit = field(default_factory=Edit)
    seed: Edit = field(default_factory=Edit)
    turn: int = 0
    batch: int = 0
    kept: KeptMeasurement | None = None
    kept_as: object = None
    pending: tuple[object, str] | None = None
    new_codes: set[str] = field(default_factory=set)
    answered: tuple[object, Finding | None, VisitAnswer | NotMeasured] | None = None

    def own(self, name: str) -> str:
        """An input's name for this photo and those that came with it, for no later one."""
        return f"{name}-{self.batch}"

    @property
    def key(self) -> str:
        """The photo's own part of every input's name."""
        return self.photo.sha256[:12]

    @property
    def revision(self) -> str:
        """Names the points that the editor was given."""
        return f"{self.key}-{self.turn}"

    @property
    def found(self) -> Landmarks | None:
        """The automatic points."""
        return None if isinstance(self.seen.landmarks, NotMeasured) else self.seen.landmarks

    def editor_is_new(self) -> None:
        """The editor is put on the page again: it starts from the points as they are."""
        self.seed = self.edit
        self.turn += 1

    def take(self, value: Any) -> None:
        """What the editor sent."""
        edit = edit_of(
            value,
            revision=self.revision,
            width_px=self.photo.width,
            height_px=self.photo.height,
        )
        if edit is not None:
            self.edit = edit

    def measured(
        self, *, displayed_deg: float | None, settings: Settings
    ) -> Measurement | NotMeasured:
        """The answer for the points as they are.

        Raises
        ------
        KneeAngleError
            A number that cannot be.
        """
        seen = self.seen
        if self.found is not None:
            seen = SeenPhoto(seen.tags, self.edit.applied(self.found))
        moved = self.edit.manual()
        answer = measure(
            self.photo,
            displayed_deg=displayed_deg,
            manual={**moved, "photo_sha256": self.photo.sha256} if moved else None,
            settings=settings,
            detectors=_detectors(),
            seen=seen,
            judge=False,
        )
        if isinstance(answer, Unreadable):
            return NotMeasured(
                answer.reason, "copy the photo again from the phone", alarms=answer.alarms
            )
        return answer

    def judged(self, result: Measurement, fingerprint: str) -> Measurement:
        """The photo with its finding; judged once while all that goes into it stays."""
        of = (fingerprint, result.settings)
        if self.answered is None or self.answered[0] != of:
            told, alone = judged_alone(result)
            self.answered = of, told.finding, alone
        return replace(result, finding=self.answered[1])

    @property
    def alone(self) -> VisitAnswer | NotMeasured:
        """The photo as a visit of its own, as it was `judged` last."""
        assert self.answered is not None  # noqa: S101  a card is made of a judged photo
        return self.answered[2]


@dataclass
class Tray:
    """All photos of a visit, in the order in which they came."""

    entries: dict[str, Entry] = field(default_factory=dict)
    chosen: str | None = None
    refused: list[str] = field(default_factory=list)

    def add(self, content: bytes, name: str, *, batch: int) -> None:
        """Read a photo, look at it, and choose it; a photo that cannot be read is told."""
        read = safely(lambda: self._looked_at(content, name, batch=batch))
        if isinstance(read, Entry):
            self.entries[read.photo.sha256] = read
            self.chosen = read.photo.sha256
        elif isinstance(read, NotMeasured):
            self.refused.append(f"{name}: {read.reason}: {read.advice}")
        elif isinstance(read, Unreadable):
            self.refused.append(f"{name}: {read.reason}")
        else:
            self.refused.append(
                f"{name}: not taken, {MOST} photos are here already. Remove one first."
            )

    def _looked_at(self, content: bytes, name: str, *, batch: int) -> Entry | None:
        """The photo with what is seen in it, as it was where it is here; None: no room."""
        photo = read_photo(content, name=name)
        if photo.sha256 in self.entries:
            return self.entries[photo.sha256]
        if len(self.entries) >= MOST:
            return None
        return Entry(photo, look(photo, detectors=_detectors()), batch=batch)

    def current(self) -> Entry | None:
        """The photo that is shown."""
        return None if self.chosen is None else self.entries.get(self.chosen)

    def no_longer_kept(self, row_id: str) -> None:
        """A row was taken back: its photo is as before it was kept."""
        for entry in self.entries.values():
            if entry.kept is not None and entry.kept.id == row_id:
                entry.kept = entry.kept_as = entry.pending = None

    def remove(self, entry: Entry) -> None:
        """Let go of a photo."""
        del self.entries[entry.photo.sha256]
        self.chosen = next(iter(self.entries), None)


def the_tray() -> Tray:
    """The tray of this visit."""
    tray: Tray = st.session_state.setdefault("tray", Tray())
    return tray


@st.cache_resource(show_spinner="Getting ready ...")
def _detectors() -> tuple[Detector, ...]:
    """Detectors stay open while the server runs."""
    return shared_detectors()
