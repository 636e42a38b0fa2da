"""A machine check that is under way: its photos and numbers, with a draft as a visit has one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import streamlit as st

from knee_angle.errors import InvalidInput, KneeAngleError
from knee_angle.language import say
from knee_angle.page import memory
from knee_angle.page.drafts import drafts_folder, new_token
from knee_angle.page.tray import Entry
from knee_angle.page.visit import STAYS, Visit, account, trouble_of
from knee_angle.store import Store

__all__ = ["Check", "checked_machine", "opened_check"]

ADDRESS = "check"
"""What the token is called in the page's address."""
ENDED = say(
    "That check has ended: it was kept, or nobody touched it for 24 hours. Here begins a new one."
)
KEPT = say("The connection broke while this check was kept: it was kept, once and whole.")
NOT_KEPT = say(
    "The saving broke off and nothing was kept. Nothing here is lost: keep this check again."
)


@dataclass
class Check(Visit):
    """One check of one machine; written down from its first photo on.

    Parameters
    ----------
    machine : str
        Its code.
    """

    machine: str = ""

    @property
    def ended(self) -> str:
        """What to say where its draft is no longer there."""
        return ENDED

    def own(self, name: str) -> str:
        """An input's name for this check, for no later one."""
        return f"{memory.CHECK}{self.machine}-{self.token[:8]}-{name}"

    def inputs(self) -> dict[str, Any]:
        """Its own inputs, and those of the display and the printed sheets."""
        shared = {name: v for name, v in memory.everything().items() if name in STAYS}
        return {**memory.everything(check=self.own("")), **shared}

    def number_of(self, entry: Entry) -> str:
        """The input of a photo's displayed number."""
        return self.own(entry.key)

    def state(self) -> dict[str, Any]:
        """All that its draft holds, as JSON values."""
        return {**super().state(), "machine": self.machine}

    def begin(self) -> None:
        """Write it down from now on."""
        if self.draft is not None:
            return
        state = {"account": self.account, "machine": self.machine}
        try:
            self.draft = drafts_folder().begin(self.token, state)
        except OSError as error:
            self.trouble = trouble_of(error)
        except KneeAngleError as error:
            self.trouble = str(error)

    def end(self) -> None:
        """Let go of it and its photos: kept, or no longer wanted."""
        if self.draft is not None:
            drafts_folder().end(self.token)
        st.session_state.pop(_name(self.machine), None)
        st.query_params.pop(ADDRESS, None)

    def recovered(self, store: Store) -> str:
        """What became of a save that broke off; empty where none did."""
        if self.pending is None:
            return ""
        try:
            store.check(self.pending["id"])
        except InvalidInput:
            self.pending = None
            self.write_down()
            return NOT_KEPT
        self.end()
        return KEPT


def opened_check(machine: str) -> Check:
    """The check of a machine that this session has, else the one in the address, else a new one."""
    check: Check | None = st.session_state.get(_name(machine))
    if check is None:
        check = _found(machine)
        if check.draft is not None:
            check.become(drafts_folder(), check.draft.state)
    elif check.draft is not None:
        check.write_down()
        check = _unless_ended(check)
    st.session_state[_name(machine)] = check
    check.take_arrived()
    if check.draft is not None:
        st.query_params[ADDRESS] = check.token
        st.query_params["machine"] = machine
    else:
        st.query_params.pop(ADDRESS, None)
    return check


def _unless_ended(check: Check) -> Check:
    """The same check; where it was ended in another tab a new one that says so."""
    if check.draft is not None:
        return check
    return Check(new_token(), account(), notice=check.notice, machine=check.machine)


def checked_machine() -> str:
    """The machine whose check the address names; empty where it names none."""
    token = st.query_params.get(ADDRESS, "")
    draft = drafts_folder().find(token) if token else None
    return "" if draft is None else str(draft.state.get("machine", ""))


def _name(machine: str) -> str:
    return f"check-open-{machine}"


def _found(machine: str) -> Check:
    token = st.query_params.get(ADDRESS, "")
    draft = drafts_folder().find(token) if token else None
    if draft is None or draft.state.get("account", "") != account():
        return Check(new_token(), account(), notice=ENDED if token else "", machine=machine)
    if draft.state.get("machine") != machine:
        return Check(new_token(), account(), machine=machine)
    return Check(token, account(), draft=draft, machine=machine)
