"""Who is signed in, for the pages: asked anew for every act, so that an end is an end."""

from __future__ import annotations

from contextvars import ContextVar
from dataclasses import dataclass
from html import escape

import streamlit as st
from streamlit.runtime.scriptrunner import get_script_run_ctx

from knee_angle.language import say, tell
from knee_angle.store import Store
from knee_angle.store.access.guarded import guarded, with_trail
from knee_angle.store.access.roles import MAY, ROLE_WORDS, Act, NotAllowed, refused
from knee_angle.store.access.sessions import Session
from knee_angle.store.access.signing_in import Access
from knee_angle.store.access.ward import Ward

__all__ = [
    "HEADER",
    "Running",
    "account_line",
    "ask",
    "asking",
    "begin",
    "for_session",
    "may",
    "now_serving",
    "session",
    "set_asking",
]

HEADER = "x-knee-angle-session"
"""The gate writes it into each request that it lets pass, over whatever the browser sent."""
ENDED = say("This session has ended: sign in again. What was kept is kept.")


@dataclass(frozen=True, slots=True)
class Running:
    """The ward that this process serves."""

    ward: Ward
    access: Access


_running: list[Running] = []


def now_serving(running: Running | None) -> None:
    """From now on the pages ask who is signed in (None: the local page, for nobody's role)."""
    _running[:] = [] if running is None else [running]


_asking: ContextVar[str] = ContextVar("knee_angle_session_asking", default="")


def set_asking(session_id: str) -> None:
    """From here on this request, or this web socket's messages, are that session's."""
    _asking.set(session_id)


def asking() -> str:
    """Identifier of the session that asks: by a request, or by the run of a page.

    Empty where nobody signs in. It is a name, no permission: that is `session`.
    """
    if get_script_run_ctx(suppress_warning=True) is None:
        return _asking.get()
    return st.context.headers.get(HEADER, "")


def session() -> Session | None:
    """The session that asks; None on the local page, where nobody signs in.

    Raises
    ------
    NotAllowed
        The ward's page, and the session has ended.
    """
    if not _running:
        return None
    found = _running[0].access.sessions.by_id(st.context.headers.get(HEADER, ""))
    if found is None:
        raise NotAllowed(ENDED)
    return found


def may(act: Act) -> bool:
    """Whether whoever asks may do that."""
    found = session()
    return found is None or act in MAY[found.role]


def ask(act: Act) -> None:
    """Go on only where whoever asks may do that; a refusal stands in the audit trail.

    Raises
    ------
    NotAllowed
        The role may not, or the session has ended.
    """
    found = session()
    if found is not None and act not in MAY[found.role]:
        with_trail(guarded(_running[0].access.store, found), "refused", act)
        raise refused(found.role, act)


def for_session(store: Store) -> Store:
    """The store as whoever asks may use it.

    Raises
    ------
    NotAllowed
        The session has ended.
    """
    found = session()
    return store if found is None else guarded(store, found)


def begin() -> None:
    """Before a page is drawn: what another account left in this browser's tab is let go.

    A tab that lost its session connects again by itself, with whatever account is signed in
    by then; the same account goes on where it was.

    Raises
    ------
    NotAllowed
        The session has ended.
    """
    found = session()
    if found is None:
        return
    if st.session_state.get(WHOSE, found.account) != found.account:
        st.session_state.clear()
    st.session_state[WHOSE] = found.account


WHOSE = "signed-in-as"


def account_line() -> None:
    """Who is signed in, and the way to phones and out; nothing on the local page."""
    found = session()
    if found is not None:
        st.html(
            f'<p class="account">{escape(found.account)} ({tell(ROLE_WORDS[found.role])}) · '
            f'<a href="/ward/devices" target="_self">{tell("Account and phones")}</a></p>'
        )
