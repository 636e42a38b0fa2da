"""Displayed numbers with their times: as people type them, and those that go together."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from knee_angle.errors import InvalidInput
from knee_angle.language import say
from knee_angle.records import Displayed
from knee_angle.records.displayed import checked
from knee_angle.records.judged import DisplayedSource
from knee_angle.settings import Counting

__all__ = ["Readings", "typed_numbers"]

Floats = NDArray[np.float64]

FEWEST_NUMBERS, NEIGHBOURS, STEADY_DEG = 5, 3, 5.0
"""A number read in a picture counts where most of three on either side go with it: as far from
it as the knee moved, half as much again, and a lag's worth (our own)."""
ABOUT_S, STEP_DEG = 1.0, 1.5
"""A number that somebody wrote down is one of those that were read so near to its time, or
between them, give or take a step of the display (our own)."""


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """Displayed numbers with their times.

    Parameters
    ----------
    seconds, displayed_deg : ndarray, shape (r,)
        After the clip's first picture; degrees of flexion.
    probability : ndarray, shape (r,), or None
        That each was read right; None where they were written down.
    """

    seconds: Floats
    displayed_deg: Floats
    probability: Floats | None = None

    def __post_init__(self) -> None:
        order = np.argsort(self.seconds, kind="stable")
        for name in ("seconds", "displayed_deg", "probability"):
            given = getattr(self, name)
            if given is not None:
                object.__setattr__(self, name, np.asarray(given, dtype=float)[order])

    @property
    def source(self) -> DisplayedSource:
        """Whether they were written down or read in the pictures."""
        return "given" if self.probability is None else "read"

    def those(self, which: NDArray[np.bool_]) -> Readings:
        """Some of them."""
        p = None if self.probability is None else self.probability[which]
        return Readings(self.seconds[which], self.displayed_deg[which], p)

    def displayed(self, k: int) -> Displayed:
        """One of them as a photo's."""
        p = None if self.probability is None else float(self.probability[k])
        return Displayed(float(self.displayed_deg[k]), self.source, p)

    def that_fit(self, seconds: Floats, knee_deg: Floats) -> tuple[Readings, int]:
        """Numbers that go with their neighbours, and how many do not: read wrongly.

        From one number to the next the display moves about as far as the knee does.
        """
        if len(self.seconds) < FEWEST_NUMBERS or len(seconds) < 2:
            return self.those(np.zeros(len(self.seconds), dtype=bool)), len(self.seconds)
        knee = np.interp(self.seconds, seconds, knee_deg)
        apart = np.abs(self.displayed_deg[:, None] - self.displayed_deg[None])
        moved = np.abs(knee[:, None] - knee[None])
        order = np.arange(len(knee))
        near = np.abs(order[:, None] - order[None])
        beside = (near > 0) & (near <= NEIGHBOURS)
        alike = beside & (apart <= STEADY_DEG + 1.5 * moved)
        fits = 2 * alike.sum(axis=1) > beside.sum(axis=1)
        return self.those(fits), int((~fits).sum())

    def other_than(self, read: Readings) -> tuple[int, int]:
        """How many of these numbers stood on no display about their time, and of how many.

        Parameters
        ----------
        read : Readings
            Numbers that were read in the pictures.
        """
        other = compared = 0
        for seconds, number in zip(self.seconds, self.displayed_deg, strict=True):
            about = read.displayed_deg[np.abs(read.seconds - seconds) <= ABOUT_S]
            if len(about) >= 2:
                compared += 1
                other += not about.min() - STEP_DEG <= number <= about.max() + STEP_DEG
        return other, compared

    def at(self, seconds: float, *, within_s: float) -> float | None:
        """The number nearest to a time."""
        if len(self.seconds) == 0:
            return None
        k = int(np.argmin(np.abs(self.seconds - seconds)))
        return float(self.displayed_deg[k]) if abs(self.seconds[k] - seconds) <= within_s else None


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
