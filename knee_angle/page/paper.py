"""Papers of what is kept, handed over as PDF: made only when they are asked for."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

from knee_angle.language import current, in_language, tell
from knee_angle.report.paper.blocks import Paper
from knee_angle.report.paper.pdf import pdf_of
from knee_angle.store import Store

__all__ = ["paper_button"]


def paper_button(
    label: str, made: Callable[[], Paper], *, store: Store, about: str, name: str
) -> None:
    """A button that hands over a paper in the language of this visitor.

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

    def content() -> bytes:
        with in_language(language):
            paper = made()
        store.note_paper(about)
        return pdf_of(paper, language=language)

    st.download_button(
        tell(label),
        data=content,
        file_name=f"{name}.pdf",
        mime="application/pdf",
        icon=":material/picture_as_pdf:",
        on_click="ignore",
        width="stretch",
        key=f"paper-{name}",
    )
