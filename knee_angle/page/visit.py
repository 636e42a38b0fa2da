"""The visit that is open: in the visitor's session, and as a draft on the disk.

Every run of the page begins with `opened_visit`: what was typed and moved since is written
down, what came meanwhile (from another tab, or from a phone whose connection broke) is taken
over. A session that is new finds everything by the token in the page's address.
"""

from __future__ import annotations

import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

import streamlit as st

from knee_angle.errors import InvalidInput, KneeAngleError
from knee_angle.language import joined, say
from knee_angle.page import memory
from knee_angle.page.drafts import Draft, DraftsFolder, drafts_folder, merged, new_token
from knee_angle.page.editor import Edit
from knee_angle.page.found import found_from, found_text
from knee_angle.page.paper import FORM
from knee_angle.page.spoken import CHOSEN
from knee_angle.page.tray import Answered, Entry, Tray, shelf
from knee_angle.page.ward.here import session

__all__ = ["STAYS", "Visit", "account", "next_visit", "opened_visit", "the_visit", "trouble_of"]

ADDRESS = "visit"
"""What the token is called in the page's address."""
STAYS = ("counting", "tolerance", "tag", "bar-tag", "dot", CHOSEN, FORM)
"""Inputs that belong to the machine, the printed sheets or the visitor, not to one visit."""

ENDED = say(
    "That visit has ended: it was kept and closed, or nobody touched it for 24 hours. What was "
    "kept stands under People and Machines; here begins a new one."
)


@dataclass
class Visit:
    """One visit of the page.

    Parameters
    ----------
    token : str
        Names its draft.
    account : str
        Whose it is, where people sign in: another account does not see it.
    tray : Tray
        Its photos.
    draft : Draft or None
        What stands on the disk; None where nothing can be written there.
    trouble : str
        Why nothing can be written; empty where all is well.
    pending : dict or None
        The save that was begun: identifier, name of the answer, hashes of the photos.
    kept : dict or None
        The save that was done: the same, with the row of each photo, and when.
    new_codes : list of str
        Codes that nobody knew before this visit was kept.
    notice : str
        What has to be said once.
    before : dict
        Of each photo the rows that hold it already: identifier, and whose and when.
    remembered : dict
        Of each photo the answer that lies beside it on the disk.
    """

    token: str
    account: str = ""
    tray: Tray = field(default_factory=Tray)
    draft: Draft | None = None
    trouble: str = ""
    pending: dict[str, Any] | None = None
    kept: dict[str, Any] | None = None
    new_codes: list[str] = field(default_factory=list)
    notice: str = ""
    before: dict[str, tuple[tuple[str, str], ...]] = field(default_factory=dict)
    remembered: dict[str, Answered | None] = field(default_factory=dict)

    @property
    def ended(self) -> str:
        """What to say where its draft is no longer there."""
        return ENDED

    def inputs(self) -> dict[str, Any]:
        """What its inputs hold."""
        return memory.everything()

    def own(self, name: str) -> str:
        """An input's name for this visit, for no later one."""
        return f"{name}-{self.token[:8]}"

    def number_of(self, entry: Entry) -> str:
        """The input of a photo's displayed number."""
        return f"number-{entry.key}"

    def state(self) -> dict[str, Any]:
        """All that a draft holds, as JSON values."""
        return {
            "account": self.account,
            "inputs": self.inputs(),
            "photos": {sha: _photo_state(one) for sha, one in self.tray.entries.items()},
            "chosen": self.tray.chosen,
            "pending": self.pending,
            "kept": self.kept,
            "new_codes": self.new_codes,
        }

    def write_down(self) -> None:
        """Put the state on the disk, together with what others changed there."""
        if self.draft is None:
            return
        folder = drafts_folder()
        mine = self.state()
        try:
            with folder.alone(self.token):
                theirs = folder.find(self.token)
                if theirs is None:
                    self.notice, self.draft = self.ended, None
                    return
                both = merged(self.draft.state, mine, theirs.state)
                self.draft = folder.change(theirs, both)
        except FileNotFoundError:  # ended in another tab, or its time is over
            self.notice, self.draft = self.ended, None
            return
        except OSError as error:
            self.trouble = trouble_of(error)
            return
        self.trouble = ""
        if self.draft.state != mine:
            self.become(folder, self.draft.state)

    def become(self, folder: DraftsFolder, state: Mapping[str, Any]) -> None:
        """Become what the draft says."""
        memory.take_over(state.get("inputs") or {})
        photos: Mapping[str, Any] = state.get("photos") or {}
        for sha256 in [one for one in self.tray.entries if one not in photos]:
            self.tray.remove(self.tray.entries[sha256])
        for sha256, told in sorted(photos.items(), key=lambda item: item[1].get("order", 0)):
            self._take_photo(folder, sha256, told)
        if state.get("chosen") in self.tray.entries:
            self.tray.chosen = state["chosen"]
        self.pending, self.kept = state.get("pending"), state.get("kept")
        self.new_codes = list(state.get("new_codes") or ())

    def _take_photo(self, folder: DraftsFolder, sha256: str, told: Mapping[str, Any]) -> None:
        entry = self.tray.entries.get(sha256)
        if entry is None:
            entry = self._read(folder, sha256, order=int(told.get("order", 0)))
        if entry is None:
            return
        moved = {name: (float(x), float(y)) for name, (x, y) in (told.get("moved") or {}).items()}
        edit = Edit(moved, tuple(told.get("removed") or ()))
        dots = bool(told.get("dots"))
        if (edit, dots) != (entry.edit, entry.dots_used):
            entry.edit, entry.dots_used = edit, dots
            entry.editor_is_new()

    def _read(self, folder: DraftsFolder, sha256: str, *, order: int) -> Entry | None:
        """A photo of the draft, into the tray."""
        token = self.token

        def stored() -> bytes:
            found = folder.photo(token, sha256)
            if found is None:
                raise InvalidInput(
                    say("a photo of this visit is no longer on the disk: add it again")
                )
            return found

        try:
            content = folder.photo(token, sha256)
        except KneeAngleError as error:  # its key is not here
            self.tray.refused.append(str(error))
            return None
        if content is None:
            self.tray.refused.append(
                say("A photo of this visit is no longer on the disk: add it again")
            )
            return None
        before = found_from(folder.found(token, sha256) or "")
        if before is not None:
            shelf().know(sha256, before[0])
        entry = self.tray.add(content, say("The photo"), order=order, stored=stored)
        if entry is not None and before is not None:
            entry.answered = before[1]
            self.remembered[sha256] = entry.answered
        return entry

    def remember(self) -> None:
        """Write down what was found in each photo, where that is new."""
        if self.draft is None:
            return
        for sha256, entry in self.tray.entries.items():
            if sha256 in self.remembered and self.remembered[sha256] is entry.answered:
                continue
            with suppress(OSError):  # the disk is full: after a restart it is looked at again
                drafts_folder().put_found(self.token, sha256, found_text(entry))
            self.remembered[sha256] = entry.answered

    def take_arrived(self) -> bool:
        """Take photos that a phone sent while nobody looked; whether any came."""
        if self.draft is None:
            return False
        folder, came = drafts_folder(), False
        for sha256 in folder.photos(self.token):
            if sha256 not in self.tray.entries:
                if self._read(folder, sha256, order=time.time_ns()) is None:
                    folder.drop_photo(self.token, sha256)
                came = True
        if came:
            self.write_down()
        return came

    def add(self, content: bytes, name: str) -> None:
        """Take a photo that came through the page itself."""
        try:
            if self.draft is not None:
                folder = drafts_folder()
                sha256 = folder.put_photo(self.token, content)
                if sha256 not in self.tray.entries:
                    added = self._named(folder, sha256, name)
                    if added is None:
                        folder.drop_photo(self.token, sha256)
                    return
            self.tray.add(content, name, order=time.time_ns())
        except KneeAngleError as error:
            self.tray.refused.append(joined(": ", [name, str(error)]))
        except OSError as error:
            self.trouble = trouble_of(error)
            self.tray.add(content, name, order=time.time_ns())

    def _named(self, folder: DraftsFolder, sha256: str, name: str) -> Entry | None:
        token = self.token
        content = folder.photo(token, sha256) or b""
        return self.tray.add(
            content, name, order=time.time_ns(),
            stored=lambda: folder.photo(token, sha256) or b"",
        )  # fmt: skip

    def remove(self, entry: Entry) -> None:
        """Let go of a photo, here and on the disk."""
        self.tray.remove(entry)
        if self.draft is not None:
            drafts_folder().drop_photo(self.token, entry.sha256)
        self.write_down()

    def no_longer_kept(self, row_id: str) -> None:
        """A row was taken back: its visit is as before it was kept."""
        rows = () if self.kept is None else (self.kept["id"], *self.kept["rows"].values())
        if row_id in rows:
            self.kept = self.pending = None
            self.write_down()


def the_visit() -> Visit | None:
    """The visit of this session, where one is open."""
    found: Visit | None = st.session_state.get("visit")
    return found


def opened_visit() -> Visit:
    """The visit that the page's address names, else this session's, else a new one."""
    asked = st.query_params.get(ADDRESS, "")
    visit = the_visit()
    if visit is None or (asked and asked != visit.token):
        visit = _found(asked)
        _hold(visit)
    else:
        visit.write_down()
        if visit.notice == ENDED and visit.draft is None:
            visit = _hold(_begun(notice=ENDED))
    visit.take_arrived()
    if st.query_params.get(ADDRESS) != visit.token:
        st.query_params[ADDRESS] = visit.token
    return visit


def next_visit() -> Visit:
    """Close this visit and begin the next one: another patient, or another day."""
    visit = the_visit()
    if visit is not None and visit.draft is not None:
        drafts_folder().end(visit.token)
    return _hold(_begun())


def _hold(visit: Visit) -> Visit:
    if visit is not the_visit():
        memory.forget(all_but=STAYS)
    st.session_state["visit"], st.session_state["tray"] = visit, visit.tray
    if visit.draft is not None:
        visit.become(drafts_folder(), visit.draft.state)
    st.query_params[ADDRESS] = visit.token
    return visit


def _found(token: str) -> Visit:
    """The visit of a token; a new one where there is none."""
    try:
        draft = drafts_folder().find(token) if token else None
    except KneeAngleError:  # a store that cannot be named: beginning says so
        draft = None
    if draft is None or draft.state.get("account", "") != account():
        return _begun(notice=ENDED if token else "")
    return Visit(token, account(), draft=draft)


def account() -> str:
    """Who is signed in; empty on the local page."""
    found = session()
    return "" if found is None else found.account


def _begun(*, notice: str = "") -> Visit:
    visit = Visit(new_token(), account(), notice=notice)
    try:
        visit.draft = drafts_folder().begin(visit.token, {"account": visit.account})
    except OSError as error:
        visit.trouble = trouble_of(error)
    except KneeAngleError as error:
        visit.trouble = say(
            "This visit is not written to the disk, as the store has no place: {error}",
            error=error,
        )
    return visit


def trouble_of(error: OSError) -> str:
    """What to say where a draft cannot be written."""
    why = error.strerror or type(error).__name__
    return say(
        "This visit cannot be written to the disk ({why}): it is lost when this page is closed. "
        "Free some space, or keep it now.",
        why=why,
    )


def _photo_state(entry: Entry) -> dict[str, Any]:
    return {
        "order": entry.order,
        "moved": {name: list(at) for name, at in entry.edit.moved.items()},
        "removed": list(entry.edit.removed),
        **({"dots": True} if entry.dots_used else {}),
    }
