"""A sentence for people: English text that can still be told in another language.

To programs it is a `str` like any other, in English: what is printed as JSON, kept, compared or
written to a table does not depend on the reader. `catalogue.tell` tells it where it is shown.
What is cut, joined with ``+`` or put into an f-string is plain text again and stays English:
compose with `say`, `joined`, `phrase` and `capital` instead.
"""

from __future__ import annotations

import string
from collections.abc import Iterable, Mapping, Sequence
from numbers import Number
from typing import Any, Protocol

__all__ = [
    "Figure",
    "Sentence",
    "Voice",
    "capital",
    "capital_start",
    "figure",
    "joined",
    "phrase",
    "say",
    "say_as",
    "say_many",
    "trimmed",
    "without_stop",
]


class Voice(Protocol):
    """A language as sentences need it."""

    @property
    def lowers(self) -> bool:
        """Whether a sentence inside another one loses its capital."""

    def template(self, one: str, many: str, count: int | None, context: str) -> str:
        """The template in that language."""

    def figures(self, text: str) -> str:
        """A number that is written in the English way, with that language's signs."""


class Sentence(str):
    """English text that remembers what it was made of: made by `say` and its kin."""

    def told(self, voice: Voice) -> str:
        """The text in another language."""
        raise NotImplementedError

    def __str__(self) -> str:
        """Itself: `str(error)` keeps what can be told."""
        return self


class _Said(Sentence):
    """A template with its values."""

    one: str
    many: str
    number: int | None
    context: str
    values: Mapping[str, Any]

    def __new__(
        cls, one: str, many: str, count: int | None, context: str, values: Mapping[str, Any]
    ) -> _Said:
        template = one if count in (None, 1) else many
        self = super().__new__(cls, template.format_map(values) if values else template)
        self.one, self.many, self.number = one, many, count
        self.context, self.values = context, values
        return self

    def format(self, *_: object, **values: object) -> Sentence:
        """The template of a constant with its values."""
        return _Said(self.one, self.many, self.number, self.context, values)

    def told(self, voice: Voice) -> str:
        template = voice.template(self.one, self.many, self.number, self.context)
        return _Filling(voice).vformat(template, (), self.values) if self.values else template

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), (self.one, self.many, self.number, self.context, dict(self.values))


class _Filling(string.Formatter):
    """Puts values into a template of another language: numbers with its signs, sentences told."""

    def __init__(self, voice: Voice) -> None:
        self.voice = voice

    def format_field(self, value: Any, format_spec: str) -> str:
        if isinstance(value, BaseException):
            value = str(value)
        if isinstance(value, Sentence):
            return format(value.told(self.voice), format_spec)
        text = format(value, format_spec)
        return self.voice.figures(text) if isinstance(value, Number) else text

    def convert_field(self, value: Any, conversion: Any) -> Any:
        if isinstance(value, Sentence) and conversion:
            value = value.told(self.voice)
        return super().convert_field(value, conversion)


class Figure(Sentence):
    """A number already written, in the English way."""

    def told(self, voice: Voice) -> str:
        """The number with that language's signs."""
        return voice.figures(str.__str__(self))

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), (str.__str__(self),)


class _Joined(Sentence):
    """Parts with something between them."""

    between: str
    parts: Sequence[str]

    def __new__(cls, between: str, parts: Iterable[str]) -> _Joined:
        held = tuple(parts)
        self = super().__new__(cls, str.join(between, held))
        self.between, self.parts = between, held
        return self

    def told(self, voice: Voice) -> str:
        return _told(self.between, voice).join(_told(part, voice) for part in self.parts)

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), (self.between, self.parts)


class _Shaped(Sentence):
    """A sentence as part of another one, or a part as a sentence."""

    shape: str
    inner: str

    def __new__(cls, shape: str, inner: str) -> _Shaped:
        self = super().__new__(cls, _SHAPES[shape](inner, True))
        self.shape, self.inner = shape, inner
        return self

    def told(self, voice: Voice) -> str:
        return _SHAPES[self.shape](_told(self.inner, voice), voice.lowers)

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), (self.shape, self.inner)


def _told(part: str, voice: Voice) -> str:
    return part.told(voice) if isinstance(part, Sentence) else part


def _as_phrase(text: str, lowers: bool) -> str:
    text = text.rstrip(" .")
    return text if text[:2].isupper() or not lowers else text[:1].lower() + text[1:]


def _as_capital(text: str, lowers: bool) -> str:  # noqa: ARG001  one signature for all
    return f"{text[:1].upper()}{text[1:].rstrip('.')}."


def _as_start(text: str, lowers: bool) -> str:  # noqa: ARG001  one signature for all
    return f"{text[:1].upper()}{text[1:]}"


def _as_stopless(text: str, lowers: bool) -> str:  # noqa: ARG001  one signature for all
    return text.rstrip(".")


def _as_trimmed(text: str, lowers: bool) -> str:  # noqa: ARG001  one signature for all
    return text.strip()


_SHAPES = {
    "phrase": _as_phrase,
    "capital": _as_capital,
    "start": _as_start,
    "stopless": _as_stopless,
    "trimmed": _as_trimmed,
}


def say(template: str, /, **values: Any) -> str:
    """A sentence.

    Parameters
    ----------
    template : str
        English, with named places: ``"at most {bound_deg:.0f}° apart"``. Written out in the
        call, so that the catalogue finds it.
    **values
        What stands in its places. Sentences among them are told with it, numbers get the
        language's decimal sign, dates its order (by the translation's own format).

    Examples
    --------
    >>> say("at most {bound_deg:.1f}° apart", bound_deg=7.25)
    'at most 7.2° apart'
    """
    return _Said(template, "", None, "", values)


def say_many(one: str, many: str, count: int, /, **values: Any) -> str:
    """A sentence that counts: ``count`` stands in ``{count}``, and chooses the form.

    Examples
    --------
    >>> say_many("{count} photo", "{count} photos", 2)
    '2 photos'
    """
    return _Said(one, many, count, "", {"count": count, **values})


def say_as(context: str, template: str, /, **values: Any) -> str:
    """A sentence whose English words need two translations; ``context`` tells them apart.

    Examples
    --------
    >>> say_as("a knee", "left")
    'left'
    """
    return _Said(template, "", None, context, values)


def figure(text: str) -> str:
    """A number that is already written in the English way: only its signs change.

    Examples
    --------
    >>> figure("\u22122.5°")
    '−2.5°'
    """
    return Figure(text)


def joined(between: str, parts: Iterable[str]) -> str:
    """Sentences one after the other, with something between them.

    Examples
    --------
    >>> joined(", ", [say("knee"), say("bars")])
    'knee, bars'
    """
    return _Joined(between, parts)


def phrase(text: str) -> str:
    """A reason or advice as part of a sentence: no capital at its start, no stop at its end.

    Examples
    --------
    >>> phrase("Step back."), phrase("PNG is damaged")
    ('step back', 'PNG is damaged')
    """
    return _Shaped("phrase", text)


def capital(text: str) -> str:
    """A reason or advice as a sentence of its own: with a capital and one stop.

    Examples
    --------
    >>> capital("step back")
    'Step back.'
    """
    return _Shaped("capital", text)


def capital_start(text: str) -> str:
    """The text with a capital.

    Examples
    --------
    >>> capital_start(say("knee"))
    'Knee'
    """
    return _Shaped("start", text)


def without_stop(text: str) -> str:
    """The text without the stop at its end.

    Examples
    --------
    >>> without_stop(say("Step back."))
    'Step back'
    """
    return _Shaped("stopless", text)


def trimmed(text: str) -> str:
    """The text without spaces around it.

    Examples
    --------
    >>> trimmed(say("Step back. "))
    'Step back.'
    """
    return _Shaped("trimmed", text) if text != text.strip() else text
