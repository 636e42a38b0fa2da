"""The texts of the page's own scripts, their HTML, and drawings.

In HTML every text and every label is a sentence; in a script what stands in ``tell("...")``.
The browser gets those of its component with the component's data and puts them in: `words_for`.
"""

from __future__ import annotations

import json
import re
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

from knee_angle.language.catalogue import tell

__all__ = ["texts_of", "words_for"]

LABELS = ("aria-label", "alt", "placeholder", "title")
IN_SCRIPT = re.compile(r'\btell\(\s*("(?:[^"\\]|\\.)*")')


class _Texts(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:  # noqa: ARG002
        self.found += [value for name, value in attrs if name in LABELS and value]

    def handle_data(self, data: str) -> None:
        self.found.append(data.strip())


@cache
def texts_of(folder: Path) -> tuple[str, ...]:
    """English texts of the HTML, drawings and scripts in a folder, each once."""
    found: list[str] = []
    for path in sorted([*folder.glob("*.html"), *folder.glob("*.svg")]):
        reader = _Texts()
        reader.feed(path.read_text(encoding="utf-8"))
        found += reader.found
    for path in sorted(folder.glob("*.js")):
        found += map(json.loads, IN_SCRIPT.findall(path.read_text(encoding="utf-8")))
    return tuple(dict.fromkeys(text for text in found if re.search(r"[A-Za-z]{2}", text)))


def words_for(folder: Path) -> dict[str, str]:
    """Each text of a component as it is told here: English first, what is shown second."""
    return {text: tell(text) for text in texts_of(folder)}
