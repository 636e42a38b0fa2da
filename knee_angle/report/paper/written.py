"""A paper as a file, by the ending of its name."""

from __future__ import annotations

from pathlib import Path
from typing import Literal, cast

from knee_angle.errors import InvalidInput
from knee_angle.language import say
from knee_angle.report.paper.blocks import Paper
from knee_angle.report.paper.html import html_of
from knee_angle.report.paper.pdf import Size, pdf_of

__all__ = ["Ending", "content_of", "ending_of"]

Ending = Literal["pdf", "html"]


def ending_of(out: str | Path) -> Ending:
    """What a file's name says that it is.

    Raises
    ------
    InvalidInput
        It ends in neither ``.pdf`` nor ``.html``.
    """
    name = Path(out).name
    ending = Path(out).suffix.lower().removeprefix(".")
    if ending not in ("pdf", "html"):
        raise InvalidInput(
            say("a report must be named .pdf or .html, but got {name}: add one", name=name)
        )
    return cast("Ending", ending)


def content_of(paper: Paper, ending: Ending, *, size: Size = "a4", language: str = "en") -> bytes:
    """The paper as PDF of that size, or as HTML."""
    if ending == "html":
        return html_of(paper, language).encode()
    return pdf_of(paper, size, language)
