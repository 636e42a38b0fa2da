"""Displayed numbers as people type them: seconds and number, pair by pair."""

from __future__ import annotations

import re

import numpy as np

from knee_angle.angle.verdict import checked
from knee_angle.clip.measure import Readings
from knee_angle.errors import InvalidInput
from knee_angle.language import say
from knee_angle.settings import Counting

__all__ = ["typed_numbers"]


def typed_numbers(text: str, *, counts: Counting = "flexion") -> Readings | None:
    """Pairs such as ``0 12; 5 30`` as readings; None where nothing was typed.

    Parameters
    ----------
    text : str
        Seconds after the clip's first picture and the number on the display; pairs are
        separated by semicolons or lines. A decimal comma counts as a point.
    counts : str
        How the display counts.

    Raises
    ------
    InvalidInput
        A pair that is none, a time before the clip, a number that no knee can have.

    Examples
    --------
    >>> typed_numbers("0 12; 5,5 30").seconds.tolist()
    [0.0, 5.5]
    """
    pairs = [part.strip() for part in re.split(r"[;\n]", text) if part.strip()]
    if not pairs:
        return None
    seconds, shown = [], []
    for pair in pairs:
        parts = pair.replace(",", ".").split()
        try:
            at, number = (float(one) for one in parts)
        except ValueError:
            raise InvalidInput(
                say(
                    "seconds and number must be two numbers like 5 30, but got {pair!r}: separate "
                    "the pairs by semicolons",
                    pair=pair,
                )
            ) from None
        if not 0.0 <= at < 1e6:
            raise InvalidInput(
                say(
                    "seconds must be 0 or more, but got {at:g}: they count from the clip's first "
                    "picture",
                    at=at,
                )
            )
        seconds.append(at)
        shown.append(checked(number, counts).deg)
    return Readings(np.array(seconds), np.array(shown))
