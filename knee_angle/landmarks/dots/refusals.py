"""Why dots make no leg, and what to do then."""

from __future__ import annotations

from knee_angle.language import say
from knee_angle.records import NotMeasured

__all__ = [
    "AMBIGUOUS",
    "IF_EMPTY",
    "NOT_ALL",
    "NO_DOTS",
    "NO_LEG_THERE",
    "OTHER_LEG",
    "SPARE_WHY",
    "TWO_PLACES_WHY",
    "WHICH_IS_WHICH",
    "may_be_empty",
]

SPARE_WHY = say("they are alike to the leg's dots and make no bars with a hinge beside it")
TWO_PLACES_WHY = say("it cannot be told which dot is which")
NO_DOTS = NotMeasured(
    say("No set of dots that makes a leg was found."),
    say(
        "put one dot each, all of one strong colour, on hip, knee and ankle (and "
        "on the machine's bars and hinge), or place the points by hand"
    ),
    kind="no_dots",
)
WHICH_IS_WHICH = say(
    "Place hip, knee and ankle by hand where dots are theirs, or photograph again with every dot "
    "sharp and in sight and nothing else of its colour."
)
"""In place of `NO_DOTS`' advice where dots were seen."""
AMBIGUOUS = NotMeasured(
    say("The dots can be read as more than one leg."),
    say(
        "Use one colour of dot that occurs nowhere else in the picture, remove "
        "dots that are not needed, or place the points by hand."
    ),
)
OTHER_LEG = NotMeasured(
    say("The dots can be read as a leg, but not where the leg is seen."),
    say(
        "Remove dots and buttons of the same colour that are not needed, or place "
        "the points by hand."
    ),
)
NO_LEG_THERE = NotMeasured(
    say("Dots were found that could be a leg's or an empty machine's, and no leg is seen at them."),
    say(
        "Give photos of an empty machine to a machine check and say that it is empty; "
        "photograph a leg from its outer side in good light, or place the points by hand."
    ),
    kind="maybe_empty",
)
IF_EMPTY = say(
    "if no leg is in the machine, give its photos to a machine check and say that it is empty"
)
"""For photos in which nothing but the machine's own tags was seen."""
NOT_ALL = NotMeasured(
    say("A dot of the leg seems to be hidden or missing."),
    say(
        "Photograph so that the dots on hip, knee and ankle are all seen, or place "
        "the points by hand."
    ),
)


def may_be_empty(result: NotMeasured) -> bool:
    """Whether the photo may show a machine without a leg: then a machine check is the next step."""
    return result.bars is not None or result.kind == "maybe_empty"
