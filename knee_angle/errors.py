"""What can go wrong, as one small tree.

::

    KneeAngleError
    ├── InvalidInput        a value, file or option that the call cannot use
    │   └── NoStoreYet      no store is at the place named, and none may be made there
    ├── UnreadablePhoto     a photo that cannot be opened, decoded or is too large
    ├── UnreadableClip      a clip that cannot be opened, decoded or is too long or large
    ├── MissingModel        a model bundle that has to be fetched by hand first
    └── StoreError          the store of kept measurements cannot do what was asked

Each message names the thing, the rule, what came and the next step, on one line.
A photo that *can* be read but not measured is no error: it is a
:class:`knee_angle.records.NotMeasured`.
"""

from __future__ import annotations

import re

__all__ = [
    "INTERRUPTED",
    "InvalidInput",
    "KeyLacking",
    "KneeAngleError",
    "MissingModel",
    "NoStoreYet",
    "StoreError",
    "UnreadableClip",
    "UnreadablePhoto",
    "one_line",
]

INTERRUPTED = 130
"""Exit status after Ctrl+C: 128 and the signal's number, as shells count."""


_BREAKS = re.compile("[\0-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")
"""Controls, ends of lines and paragraphs, turns of direction, halves of a pair."""


class KneeAngleError(Exception):
    """Anything this package raises on purpose; its text is one line for a person."""

    def __str__(self) -> str:
        # A name from outside (a file's, a column's, a setting's) may hold a line's end.
        text = super().__str__()
        return _BREAKS.sub(lambda sign: one_line(sign[0]), text) if _BREAKS.search(text) else text


class InvalidInput(KneeAngleError, ValueError):
    """A value, file or option that the call cannot use."""


class NoStoreYet(InvalidInput):
    """No store is at the place named: a new one, or a mistyped path.

    Attributes
    ----------
    place : str
        Where it was looked for.
    """

    def __init__(self, text: str, *, place: str) -> None:
        super().__init__(text)
        self.place = place


class UnreadablePhoto(KneeAngleError):
    """A photo that is missing, empty, broken, too large or not a picture.

    Attributes
    ----------
    reason : str
        One line for a person, without the photo's path.
    """

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


class UnreadableClip(KneeAngleError):
    """A clip that is missing, empty, torn, too long or large, or no film that is read.

    Its text is one line for a person, without the clip's path.
    """


class MissingModel(KneeAngleError):
    """A model bundle that is not on this machine; the text says how to get it."""


class StoreError(KneeAngleError):
    """The store is full, locked, damaged, newer than this software or not reachable.

    The text says whether anything was kept and what to do next.
    """


class KeyLacking(StoreError):
    """The key of encrypted pictures is not here, or it is another one's."""


def one_line(name: str) -> str:
    r"""A name from outside for a message: what cannot be printed as its code point.

    >>> one_line("two\nlines.jpg")
    'two\\nlines.jpg'
    """
    return "".join(
        sign if sign.isprintable() else sign.encode("unicode_escape").decode() for sign in name
    )
