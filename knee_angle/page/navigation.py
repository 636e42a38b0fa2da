"""The page's frame: which pages there are, and the links between them.

To add a page: write `knee_angle/page/NAME.py` with a function that draws it, and give it
one line in `_pages`. The first page is the one that opens.
"""

from __future__ import annotations

import gc
import os
from functools import cache
from typing import TYPE_CHECKING

import streamlit as st

from knee_angle.language import tell
from knee_angle.page import bedside, how_to, machines, people, rate
from knee_angle.page.spoken import begin_language, language_choice
from knee_angle.page.style import style
from knee_angle.page.ward.here import account_line, ask, begin
from knee_angle.store.access.roles import Act, NotAllowed

if TYPE_CHECKING:
    from streamlit.navigation.page import StreamlitPage

__all__ = ["show"]


def show() -> None:
    """Draw the page that the address names, as Streamlit asks for it."""
    _keep_loaded()
    begin_language()
    st.set_page_config(page_title=tell("Knee angle"), layout="centered")
    st.html(style())
    pages = _pages()
    chosen = st.navigation(pages, position="hidden")
    st.session_state["pages"] = {page.url_path: page for page in pages}  # for links between them
    # Our own row instead of Streamlit's menu: at the bottom of a phone, under the thumb.
    # One page alone leads nowhere else.
    if len(pages) > 1:
        with st.container(key="navigation", horizontal=True, gap="small"):
            for page in pages:
                st.page_link(page, label=page.title)
    try:
        begin()
        _drawn(chosen)
        # Beneath a refusal too: whoever landed there finds the way out.
        account_line()
        language_choice()
    except NotAllowed as no:  # the session has ended
        st.error(tell(str(no)))


@cache
def _keep_loaded() -> None:
    """What is loaded by now stays: Streamlit has all objects looked through after each run.

    Those that are never freed alone took a tenth of a second, in which nobody else is answered.
    """
    gc.collect()
    gc.freeze()


def _drawn(page: StreamlitPage) -> None:
    """The page, where the role may see it; else who may."""
    try:
        ask(ACTS[page.url_path])
        page.run()
    except NotAllowed as no:
        st.error(tell(str(no)))


ACTS: dict[str, Act] = {
    "": "measure",
    "people": "see patients",
    "machines": "see machines",
    "photograph": "see machines",
}
"""What a role must be allowed for each page, where people sign in."""


def _pages() -> list[StreamlitPage]:
    """All pages, in the order of their links; a rater study has its own and no other."""
    if os.environ.get(rate.FOLDER):
        return [st.Page(rate.show, title=tell("Place the points"), url_path="rate", default=True)]
    return [
        st.Page(bedside.show, title=tell("Measure"), url_path="measure", default=True),
        st.Page(people.show, title=tell("People"), url_path="people"),
        st.Page(machines.show, title=tell("Machines"), url_path="machines"),
        st.Page(how_to.show, title=tell("Photograph"), url_path="photograph"),
    ]
