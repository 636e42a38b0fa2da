"""Papers of what is kept, handed over as PDF or HTML: made only when they are asked for."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

from knee_angle.language import current, in_language, say, tell
from knee_angle.page import memory
from knee_angle.report.paper.blocks import Paper
from knee_angle.report.paper.pdf import Size
from knee_angle.report.paper.written import Ending, content_of
from knee_angle.store import Store

__all__ = ["FORM", "paper_button", "paper_choice"]

FORMS: dict[str, tuple[Ending, Size, str]] = {
    "a4": ("pdf", "a4", "PDF, A4"),
    "letter": ("pdf", "letter", "PDF, US Letter"),
    "html": ("html", "a4", "HTML"),
}
"""What a paper is handed over as: ending, size, words (the same in every language)."""
FORM = "paper-form"
"""Name of the input."""
MIME: dict[Ending, str] = {"pdf": "application/pdf", "html": "text/html"}


def paper_choice() -> None:
    """What the papers that follow are handed over as; chosen once, it stays."""
    memory.choice(
        say("Papers as"), FORM, {form: told for form, (_, _, told) in FORMS.items()},
        horizontal=True,
    )  # fmt: skip


def paper_button(
    label: str, made: Callable[[], Paper], *, store: Store, about: str, name: str
) -> None:
    """A button that hands over a paper in the language of this visitor, in the chosen form.

    Parameters
    ----------
    label : str
        A sentence.
    made : callable
        Gives the paper.
    store : Store
        In whose trail it stands that the paper was made.
    about : str
        Of what it is, for the trail.
    name : str
        Of the file, without its ending.
    """
    language = current().code
    ending, size, _ = FORMS[memory.recall(FORM, "a4")]

    def content() -> bytes:
        with in_language(language):
            paper = made()
        store.note_paper(about)
        return content_of(paper, ending, size=size, language=language)

    st.download_button(
        tell(label),
        data=content,
        file_name=f"{name}.{ending}",
        mime=MIME[ending],
        icon=":material/description:",
        on_click="ignore",
        width="stretch",
        key=f"paper-{name}",
    )
