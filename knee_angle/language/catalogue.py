"""The languages, which one is spoken here, and telling a sentence in it.

The language is a context variable: a script run of the page, a request or a command sets its
own, and none reaches another visitor's.
"""

from __future__ import annotations

import gettext
import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from knee_angle.language.sentence import Sentence, joined, say

__all__ = [
    "DOMAIN",
    "ENGLISH",
    "LANGUAGES",
    "LOCALE",
    "Language",
    "asked_for",
    "current",
    "in_language",
    "language_of",
    "set_language",
    "tell",
    "tell_all",
    "usual_language",
]

DOMAIN = "knee_angle"
VARIABLE = "KNEE_ANGLE_LANGUAGE"
LOCALE = Path(__file__).parent / "locale"


@dataclass(frozen=True, slots=True)
class Language:
    """A language that people can choose.

    Parameters
    ----------
    code : str
        As in ``--language`` and in a browser's Accept-Language.
    name : str
        What it calls itself.
    decimal, group : str
        Its signs in numbers; the tests hold them against the CLDR.
    lowers : bool
        Whether a sentence inside another one loses its capital (in German a noun keeps it).
    """

    code: str
    name: str
    decimal: str = "."
    group: str = ","
    lowers: bool = True

    def template(self, one: str, many: str, count: int | None, context: str) -> str:
        """The template in this language; the English one where the catalogue lacks it."""
        found = _translations(self.code)
        if count is not None:
            return found.ngettext(one, many, count)
        return found.pgettext(context, one) if context else found.gettext(one) if one else one

    def figures(self, text: str) -> str:
        """A number that is written in the English way, with this language's signs."""
        return text.translate({ord("."): self.decimal, ord(","): self.group})


ENGLISH = Language("en", "English")
LANGUAGES: dict[str, Language] = {
    "en": ENGLISH,
    "de": Language("de", "Deutsch", decimal=",", group=".", lowers=False),
}
"""By code; a further one is a line here and a catalogue."""

_chosen: ContextVar[Language] = ContextVar("knee_angle_language", default=ENGLISH)


@cache
def _translations(code: str) -> gettext.NullTranslations:
    return gettext.translation(DOMAIN, LOCALE, languages=[code])


def current() -> Language:
    """The language that is spoken here."""
    return _chosen.get()


def set_language(code: str) -> None:
    """Speak that language from here on, in this context: this run, request or command."""
    _chosen.set(LANGUAGES[code])


@contextmanager
def in_language(code: str) -> Iterator[None]:
    """Speak that language for a while."""
    before = _chosen.set(LANGUAGES[code])
    try:
        yield
    finally:
        _chosen.reset(before)


def tell(sentence: str, /, **values: Any) -> str:
    """A sentence as it is shown: in the language that is spoken here.

    Parameters
    ----------
    sentence : str
        A `Sentence` from anywhere; or a template written out in the call, as for `say`. Text
        that the catalogue lacks (a code, a file's name) comes back as it is.
    **values
        What stands in the template's places.

    Examples
    --------
    >>> with in_language("de"):
    ...     tell("{part:.1f} mm", part=2.5)
    '2,5 mm'
    """
    said = sentence if isinstance(sentence, Sentence) else say(sentence, **values)
    language = current()
    if language is ENGLISH or not isinstance(said, Sentence):
        return str.__str__(said)
    return said.told(language)


def tell_all(value: Any) -> Any:
    """Every sentence in JSON values told; names of fields and plain text stay as they are."""
    if isinstance(value, Sentence):
        return tell(value)
    if isinstance(value, Mapping):
        return {name: tell_all(one) for name, one in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [tell_all(one) for one in value]
    return value


def language_of(accept: str) -> str | None:
    """The best of our languages for a browser's Accept-Language; None where it wants none.

    Examples
    --------
    >>> language_of("de-AT,de;q=0.9,en;q=0.7"), language_of("fr;q=0.9, en;q=0.5"), language_of("fr")
    ('de', 'en', None)
    """
    wanted: list[tuple[float, int, str]] = []
    for at, part in enumerate(accept.split(",")):
        tag, _, more = part.strip().partition(";")
        quality = more.strip().removeprefix("q=").strip() or "1"
        try:
            weight = float(quality)
        except ValueError:
            continue
        code = tag.partition("-")[0].lower()
        if code in LANGUAGES and weight > 0:
            wanted.append((-weight, at, code))
    return min(wanted)[2] if wanted else None


def usual_language() -> str:
    """The one of ``KNEE_ANGLE_LANGUAGE``, for whoever asks for none; else English."""
    code = os.environ.get(VARIABLE, "").strip().lower()
    return code if code in LANGUAGES else ENGLISH.code


def asked_for(code: str) -> str | None:
    """What is wrong with a language that was asked for; None where it is one of ours."""
    if code in LANGUAGES:
        return None
    known = joined(say(" or "), LANGUAGES)
    return say("the language must be {known}, but got {code!r}", known=known, code=code)
