"""A line of a display as characters, and what it says as a number.

The recogniser answers in `CHARACTERS`: every letter and rarer sign is ``a``; beside them it says
in which of `STATES` the line is. `NOTHING` stands among texts for a line that shows no number.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

__all__ = ["CHARACTERS", "NOTHING", "SEGMENT_NEIGHBOURS", "STATES", "Kind", "Said", "said"]

NOTHING = "N"
CHARACTERS = "0123456789-.°:a"
"""In the order of the recogniser's classes, after the blank."""
STATES = ("upright", "turned", "nothing")
"""How a line may stand, in the recogniser's order: as it is read, on its head, or not as a whole
number of a display at all."""

Kind = Literal["angle", "number", "other"]
"""``angle``: with a degree mark and nothing behind it; ``number``: plain; ``other``: a time, a
number with a unit."""

SEGMENT_NEIGHBOURS = {
    "0": "8", "1": "7", "3": "9", "5": "69", "6": "58", "7": "1", "8": "069", "9": "358",
}  # fmt: skip
"""Digits that one segment turns into one another on a seven-segment display: counted from the
segments' table (bits gfedcba 3F 06 5B 4F 66 6D 7D 07 7F 6F)."""

_SHAPE = re.compile(r"^(a*[:.]?)(-?)(\d{1,4})(?:\.(\d))?(°?)(a*)$")


@dataclass(frozen=True, slots=True)
class Said:
    """What a line says.

    Parameters
    ----------
    number : float or None
        Its number, as shown; None where it is none, such as a time.
    kind : {"angle", "number", "other"}
        What the signs beside it make of it.
    text : str
        The characters read.
    """

    number: float | None
    kind: Kind
    text: str


def said(text: str) -> Said | None:
    """A line's characters as a number; None where there is no digit in it."""
    if not any(c.isdigit() for c in text):
        return None
    shape = _SHAPE.match(text)
    if shape is None:
        return Said(None, "other", text)
    _, sign, whole, tenth, degree, unit = shape.groups()
    number = float(f"{sign}{whole}.{tenth or 0}")
    if unit or len(whole) > 3:
        return Said(number, "other", text)
    return Said(number, "angle" if degree else "number", text)
