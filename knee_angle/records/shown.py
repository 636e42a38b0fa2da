"""What was read off the display in a photo."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

__all__ = ["DisplaySeen", "DisplayState", "NumberKind", "NumberSeen"]

NumberKind = Literal["angle", "number", "other"]
"""``angle``: with a degree mark and nothing behind it; ``number``: plain; ``other``: a time, a
number with a unit, one with too many digits."""
DisplayState = Literal["read", "unsure", "undecided", "none"]
"""``read``: clear enough to be used; ``unsure``: one number is the angle, but it may be misread;
``undecided``: numbers were seen, none is clearly the angle; ``none``: no number was seen."""


@dataclass(frozen=True, slots=True)
class NumberSeen:
    """A number on a display, with its place.

    Parameters
    ----------
    number : float or None
        As it stands there; None where it is none, such as a time.
    kind : {"angle", "number", "other"}
        What the signs beside it make of it.
    text : str
        The characters read, each letter as ``a``.
    probability : float
        That the number is this one.
    quad : tuple of 4 (x, y)
        Corners of its line in reading order from the top left, px of the upright photo.
    digit_px : float
        Height of its digits in the photo.
    instead : str or None
        What it would be if not this.
    """

    number: float | None
    kind: NumberKind
    text: str
    probability: float
    quad: tuple[tuple[float, float], ...]
    digit_px: float
    instead: str | None = None


@dataclass(frozen=True, slots=True)
class DisplaySeen:
    """What a photo's displays show.

    Parameters
    ----------
    state : {"read", "unsure", "undecided", "none"}
        What may be done with it: only ``read`` is ever compared.
    reason : str
        Why it is not ``read``; empty where it is.
    numbers : tuple of NumberSeen
        Every number that was seen, the likeliest angle first.
    angle : NumberSeen or None
        The one that is the angle, where it is clearly one of them.
    crop_jpeg : bytes or None
        The picture of it, laid straight, or of all numbers; without metadata.
    """

    state: DisplayState
    reason: str
    numbers: tuple[NumberSeen, ...] = ()
    angle: NumberSeen | None = None
    crop_jpeg: bytes | None = field(default=None, repr=False)

    @property
    def clear_number(self) -> float | None:
        """The number as it stands there, where it is clear enough to be used."""
        return self.angle.number if self.state == "read" and self.angle is not None else None
