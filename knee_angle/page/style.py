"""How the pages look: one style sheet for all, read from the package."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from knee_angle.language import say, tell

__all__ = ["style"]

SAID = (
    say("Choose"),
    say("Measuring again …"),
    say(
        "The computer that measures does not answer. What you did stands on its disk: this page "
        "goes on by itself as soon as it answers, or load it again."
    ),
    say(
        "This page has a fault that this input shows. What was kept is kept, and this visit stands "
        "on the disk: load the page again, and please report it."
    ),
)
"""What the style sheet itself says, as it stands there."""


@cache
def _sheet() -> str:
    return Path(__file__).with_name("style.css").read_text(encoding="utf-8")


def style() -> str:
    """The style sheet in the language that is spoken here, as HTML."""
    sheet = _sheet()
    for text in SAID:
        sheet = sheet.replace(f'content: "{text}"', f'content: "{tell(text)}"')
    return f"<style>{sheet}</style>"
