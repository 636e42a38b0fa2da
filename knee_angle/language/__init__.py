"""What people read, in their language: English in the code, other languages from one catalogue.

* `sentence`: a sentence as it travels through results and errors: English text that remembers
  its template and its numbers, so that it can be told in another language later;
* `catalogue`: the languages, the one in which this visitor or call is told, and `tell`;
* `retold`: sentences of rows that hold plain English, found again in the catalogue;
* `components`: the texts in the page's own scripts and their HTML.

`locale/de/LC_MESSAGES/knee_angle.po` holds the German ones; `python tests/catalogue.py` takes
new sentences into it and compiles it. How to add a sentence stands in DEVELOPERS.md.
"""

from __future__ import annotations

from knee_angle.language.catalogue import (
    ENGLISH,
    LANGUAGES,
    Language,
    asked_for,
    current,
    in_language,
    language_of,
    set_language,
    tell,
    tell_all,
    usual_language,
)
from knee_angle.language.retold import retold
from knee_angle.language.sentence import (
    Figure,
    Sentence,
    capital,
    capital_start,
    figure,
    joined,
    phrase,
    say,
    say_as,
    say_many,
    without_stop,
)

__all__ = [
    "ENGLISH",
    "LANGUAGES",
    "Figure",
    "Language",
    "Sentence",
    "asked_for",
    "capital",
    "capital_start",
    "current",
    "figure",
    "in_language",
    "joined",
    "language_of",
    "phrase",
    "retold",
    "say",
    "say_as",
    "say_many",
    "set_language",
    "tell",
    "tell_all",
    "usual_language",
    "without_stop",
]
