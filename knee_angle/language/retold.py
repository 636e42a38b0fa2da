"""Sentences of kept rows told again: what was kept in English finds its template and its values.

A row holds plain English text. `retold` makes a sentence of it that looks for its template only
when another language asks: first the text as a whole, then its parts where it was joined of some.
What no template gives (a code, a note) stays as it is, so a row of any age is told as far as
today's catalogue knows its words.
"""

from __future__ import annotations

import re
import string
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache, cached_property, lru_cache
from pathlib import Path
from typing import Any

from knee_angle.language.sentence import (
    Figure,
    Sentence,
    Voice,
    capital_start,
    joined,
    phrase,
    say,
    say_as,
    say_many,
    trimmed,
    without_stop,
)

__all__ = ["retold"]

LOCALE = Path(__file__).parent / "locale"
LEAST = 6
"""Signs that a template must have outside its places: fewer would fit anything."""
DEEPEST = 6
"""A sentence in a sentence in a sentence: further down text stays as it is."""
SENTENCES = re.compile(r"(?<=[.!?]) ")
LOOSE, CLOSE = (" · ", "; "), (": ", ", ", " and ", " or ")
"""What stands between parts that were joined. Sentences and what is loose may be known in part;
of a list, and of what stands inside a sentence, all must be: half of it would be worse than none.
"""
WORDS = re.compile(r"(?<!\w)[a-z]{2,}(?!\w)")
FIGURE = re.compile(r"[^\w.,]{0,3}\d+(,\d{3})*(\.\d+)?[^\w.,]{0,3}")
ALONE = "alone"
"""Of words with several texts, the one that stands by itself."""
NUMBER = r"[-+−±]?[\d.,]+(?:e[-+]?\d+)?"


class _Kept(Sentence):
    """English text whose template is looked for when it is told."""

    def told(self, voice: Voice) -> str:
        text = str.__str__(self)
        found = _found(text, DEEPEST)
        return text if found is None else found.told(voice)

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), (str.__str__(self),)


def retold(text: str) -> str:
    """Text of a kept row as a sentence that can be told in another language.

    Examples
    --------
    >>> from knee_angle.language import in_language, tell
    >>> with in_language("de"):
    ...     tell(retold("display 5.5° more")), tell(retold("P-017"))
    ('Anzeige 5,5° mehr', 'P-017')
    """
    return text if isinstance(text, Sentence) else _Kept(text)


class _Written(str):
    """A value that stands there already: no form changes it any more."""

    __slots__ = ()

    def __format__(self, spec: str) -> str:
        return str.__str__(self)


class _Value(Sentence):
    """What stood in a template's place: a number, a sentence, or a code."""

    depth: int

    def __new__(cls, text: str, depth: int) -> _Value:
        self = super().__new__(cls, text)
        self.depth = depth
        return self

    def __format__(self, spec: str) -> str:
        return str.__str__(self)

    def told(self, voice: Voice) -> str:
        text = str.__str__(self)
        if FIGURE.fullmatch(text):
            return _Written(Figure(text).told(voice))
        found = _found(text, self.depth)
        return _Written(text if found is None else found.told(voice))

    @property
    def known(self) -> bool:
        """Whether it is a number, a code, or words that have their text in other languages."""
        text = str.__str__(self)
        return _is_known(text, _found(text, self.depth) if WORDS.search(text) else None)


@dataclass(frozen=True)
class _Template:
    """An English template of the catalogue, and how a text of it looks."""

    english: str
    one: str
    many: str
    context: str

    @cached_property
    def parts(self) -> list[tuple[str, str | None, str]]:
        """Literal text, then the place behind it (name, form), as often as there are."""
        return [(text, name, form or "")
                for text, name, form, _ in string.Formatter().parse(self.english)]  # fmt: skip

    @cached_property
    def anchor(self) -> str:
        """The longest literal part, which a text must hold whatever its beginning and end."""
        texts = [text for text, _, _ in self.parts]
        texts[0], texts[-1] = texts[0][1:], texts[-1].rstrip(". ")
        return max(texts, key=len)

    @cached_property
    def literal(self) -> int:
        """How many signs stand outside its places."""
        return sum(len(text) for text, _, _ in self.parts)

    @cached_property
    def pattern(self) -> re.Pattern[str]:
        """Beginning in either case, with or without a stop at the end."""
        return re.compile("".join(self._shapes()), re.DOTALL)

    def _shapes(self) -> list[str]:
        shapes, seen = [], set[str]()
        for at, (text, name, form) in enumerate(self.parts):
            last = at == len(self.parts) - 1 and name is None
            literal = text.rstrip(". ") if last else text
            if at == 0 and literal[:1].isalpha():
                shapes.append(f"(?i:{literal[0]}){re.escape(literal[1:])}")
            else:
                shapes.append(re.escape(literal))
            if name is not None:
                what = NUMBER if form and form[-1] in "fgde" and "%" not in form else ".*?"
                if what == ".*?" and self.parts[at + 1 : at + 2] and not self.parts[at + 1][0]:
                    what = ".+"  # another place follows at once, most often an empty one
                shapes.append(f"(?P={name})" if name in seen else f"(?P<{name}>{what})")
                seen.add(name)
        return [*shapes, r"\.?"]

    def said(self, text: str, depth: int) -> Sentence | None:
        """The sentence that this text is; None where it is none of this template."""
        if self.anchor not in text:
            return None
        match = self.pattern.fullmatch(text)
        if match is None:
            return None
        forms = {name: form for _, name, form in self.parts if name is not None}
        values = {
            name: _value(found, forms[name], depth) for name, found in match.groupdict().items()
        }
        if any(isinstance(one, _Value) and not one.known for one in values.values()):
            return None  # half a sentence in another language is worse than none
        return _shaped(text, self._filled(values))

    def _filled(self, values: dict[str, Any]) -> str:
        if self.many:
            count = int(str(values.pop("count", 1)).replace(",", ""))
            return say_many(self.one, self.many, count, **values)
        return say_as(self.context, self.one, **values) if self.context else say(self.one, **values)


def _value(text: str, form: str, depth: int) -> Any:
    """A template's value; a day as such, as each language writes it in its own order."""
    if "%" in form:
        try:
            return datetime.strptime(text, form.replace("%-", "%"))
        except ValueError:
            pass
    return _Value(text, depth - 1)


def _shaped(text: str, said: str) -> Sentence:
    """With the beginning and the end that the text has."""
    sentence = trimmed(said)
    if text[:1] != sentence[:1]:
        lowered = text[:1] == sentence[:1].lower()
        sentence = phrase(sentence) if lowered else capital_start(sentence)
    if sentence.endswith(".") and not text.endswith("."):
        sentence = without_stop(sentence)
    elif text.endswith(".") and not sentence.endswith("."):
        sentence = joined("", [sentence, "."])
    assert isinstance(sentence, Sentence)  # noqa: S101  made by `say` and its kin
    return sentence


@lru_cache(maxsize=4096)
def _found(text: str, depth: int) -> Sentence | None:
    """The sentence of a text, as a whole or of its parts; None where nothing of it is known."""
    if depth <= 0 or len(text) < 2:
        return None
    return _whole(text, depth) or _of_sentences(text, depth) or _of_parts(text, depth)


@lru_cache(maxsize=4096)
def _whole(text: str, depth: int) -> Sentence | None:
    fitting = (one.said(text, depth) for one in _templates())
    return next((one for one in fitting if one is not None), None)


def _of_sentences(text: str, depth: int) -> Sentence | None:
    """Sentences one after the other, of which a template may hold several."""
    pieces = SENTENCES.split(text)
    found: list[Sentence | None] = []
    parts: list[str] = []
    while pieces and len(parts) + len(pieces) > 1:
        for many in range(len(pieces), 0, -1):
            part = " ".join(pieces[:many])
            one = _whole(part, depth) if many > 1 else _found(part, depth - 1)
            if one is not None or many == 1:
                break
        found.append(one)
        parts.append(part)
        pieces = pieces[many:]
    if depth < DEEPEST and not all(_is_known(*one) for one in zip(parts, found, strict=True)):
        return None
    return _put_together(" ", parts, found)


def _is_known(part: str, found: Sentence | None) -> bool:
    """Whether a part has its text, or needs none: a code, a number."""
    return found is not None or not WORDS.search(part)


def _of_parts(text: str, depth: int) -> Sentence | None:
    for between in (*LOOSE, *CLOSE):
        if between not in text:
            continue
        parts = text.split(between)
        found = [_found(part, depth - 1) for part in parts]
        whole = all(_is_known(*one) for one in zip(parts, found, strict=True))
        if whole or (between in LOOSE and depth == DEEPEST):
            mark = between if between.strip() in {"·", ";", ":", ","} else say(between)
            return _put_together(mark, parts, found)
    return None


def _put_together(
    between: str, parts: list[str], found: Sequence[Sentence | None]
) -> Sentence | None:
    """The parts that are known told, the others as they are; None where none is known."""
    if not any(one is not None for one in found):
        return None
    told = joined(between, [one or _Value(part, 0) for part, one in zip(parts, found, strict=True)])
    assert isinstance(told, Sentence)  # noqa: S101  made by `joined`
    return told


@cache
def _templates() -> list[_Template]:
    """Those that can be told from any text, the most literal first."""
    found: dict[_Template, None] = {}
    for code in sorted(one.name for one in LOCALE.iterdir() if one.is_dir()):
        for template in _english(LOCALE / code / "LC_MESSAGES" / "knee_angle.mo"):
            if template.literal >= LEAST or all(name is None for _, name, _ in template.parts):
                found[template] = None
    return sorted(found, key=lambda one: (-one.literal, one.context not in ("", ALONE)))


def _english(catalogue: Path) -> list[_Template]:
    """The English texts of a compiled catalogue (GNU gettext's .mo, little-endian)."""
    content = catalogue.read_bytes()
    count, table = struct.unpack_from("<2I", content, 8)
    found = []
    for at in range(count):
        length, begin = struct.unpack_from("<2I", content, table + 8 * at)
        context, _, text = content[begin : begin + length].decode().rpartition("\x04")
        one, _, many = text.partition("\0")
        if one and "!r}" not in one:
            found += [_Template(text, one, many, context) for text in (one, many) if text]
    return found
