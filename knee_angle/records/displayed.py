"""A number as it stands on a display, taken as flexion."""

from __future__ import annotations

from knee_angle.assumptions import FLEXION_RANGE_DEG
from knee_angle.errors import InvalidInput
from knee_angle.language import say
from knee_angle.records import Displayed
from knee_angle.settings import Counting, flexion_of_display

__all__ = ["checked", "display_range"]


def display_range(counting: Counting) -> tuple[float, float]:
    """Lowest and highest number that a display which counts that way can show.

    Examples
    --------
    >>> display_range("straight-is-180")
    (0.0, 210.0)
    """
    low, high = sorted(flexion_of_display(deg, counting=counting) for deg in FLEXION_RANGE_DEG)
    return low, high


def checked(number: float, counting: Counting = "flexion") -> Displayed:
    """A displayed number as flexion, refused where no knee can have it.

    Parameters
    ----------
    number : float
        As it stands on the display.
    counting : {"flexion", "straight-is-180", "negative"}
        How that display counts.

    Raises
    ------
    InvalidInput
        Outside -30 to 180 degrees of flexion, or not a number; told as the display counts.
    """
    low, high = display_range(counting)
    if not low <= number <= high:
        counted = (
            ""
            if counting == "flexion"
            else say(" on a display that counts {counting}", counting=counting)
        )
        raise InvalidInput(
            say(
                "displayed_deg must be between {low:g} and {high:g}, but got "
                "{number:g}{counted}: was a decimal point lost?",
                low=low,
                high=high,
                number=number,
                counted=counted,
            )
        )
    return Displayed(flexion_of_display(number, counting=counting))
