"""Which language this visitor's page speaks: chosen at its foot, else as the browser asks.

Each run of the page is a thread of its own, so what is set here is nobody else's.
"""

from __future__ import annotations

import streamlit as st

from knee_angle.errors import KneeAngleError
from knee_angle.language import LANGUAGES, current, language_of, set_language, usual_language
from knee_angle.page import memory
from knee_angle.page.drafts import drafts_folder

__all__ = ["CHOSEN", "begin_language", "date_form", "language_choice"]

CHOSEN = "language"
"""The input that remembers a choice; the visit's draft holds it too."""
SHOWN = "language-choice"
DATE_FORMS = {"de": "DD.MM.YYYY"}


def begin_language() -> None:
    """Speak this visitor's language in this run."""
    chosen = memory.recall(CHOSEN) or _of_the_draft()
    accept = st.context.headers.get("Accept-Language", "")
    for code in (chosen, language_of(accept), usual_language()):
        if code in LANGUAGES:
            set_language(code)
            return


def _of_the_draft() -> str | None:
    """What was chosen in the visit that this session is about to find again."""
    token = st.query_params.get("visit", "")
    if not token or "visit" in st.session_state:
        return None
    try:
        draft = drafts_folder().find(token)
    except (KneeAngleError, OSError):  # the visit itself will say so
        return None
    code = None if draft is None else (draft.state.get("inputs") or {}).get(CHOSEN)
    return code if isinstance(code, str) else None


def language_choice() -> None:
    """The languages, each by its own name."""
    codes = list(LANGUAGES)
    with st.container(key="language"):
        st.radio(
            "Language · Sprache",
            codes,
            index=codes.index(current().code),
            format_func=lambda code: LANGUAGES[code].name,
            key=SHOWN,
            on_change=_choose,
            horizontal=True,
        )


def _choose() -> None:
    memory.put(CHOSEN, st.session_state[SHOWN])


def date_form() -> str:
    """How a day is typed in this language, for Streamlit."""
    return DATE_FORMS.get(current().code, "YYYY/MM/DD")
