"""What a machine check refuses to judge, and what to photograph instead."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from knee_angle.angle.words import degrees
from knee_angle.language import say
from knee_angle.records import BarsAlone, Measurement, NotMeasured

__all__ = ["FEWEST", "TWO_NUMBERS", "bars_too_narrow", "counts_once", "too_narrow", "two_legs"]

FEWEST = 3
"""Two points always lie on a line; the third is the first test of it."""
SPREAD = say(
    "photograph the machine at {fewest} or more settings spread over its allowed range",
    fewest=FEWEST,
)
TWO_NUMBERS = say(
    "{first} and {name} are the same file, but the table gives {one:g} and {other:g}: name the "
    "photo of each setting"
)


def counts_once(first: str) -> NotMeasured:
    """The refusal of a copy of another photo."""
    return NotMeasured(
        say("it is the same file as {first}, which counts once", first=first),
        say("photograph each setting anew"),
    )


def two_legs(used: Mapping[str, Measurement]) -> NotMeasured | None:
    """The refusal of legs of both sides: the machine was set up anew between them."""
    sides = {side: [n for n, r in used.items() if r.side == side] for side in ("left", "right")}
    if not all(sides.values()):
        return None
    return NotMeasured(
        say(
            "a machine check is of one leg, but the left leg is in {left} and the right one in "
            "{right}, and the machine was set up anew between them",
            left=", ".join(sides["left"]),
            right=", ".join(sides["right"]),
        ),
        say("check each side by photos of its own"),
    )


def too_narrow(results: Sequence[Measurement]) -> NotMeasured:
    """The refusal of photos through which no line with a useful ± goes."""
    shown = [r.displayed.deg for r in results if r.displayed is not None]
    knees = [r.knee.deg for r in results]
    return NotMeasured(
        say(
            "the photos show too little of the machine's range: displays from {shown} "
            "to {shown2}, knees from {knees} to {knees2}",
            shown=degrees(min(shown)),
            shown2=degrees(max(shown)),
            knees=degrees(min(knees)),
            knees2=degrees(max(knees)),
        ),
        SPREAD,
    )


def bars_too_narrow(seen: Sequence[BarsAlone]) -> NotMeasured:
    """The same of an empty machine, each photo with its number."""
    shown = [one.displayed_deg for one in seen if one.displayed_deg is not None]
    bars = [one.deg for one in seen]
    return NotMeasured(
        say(
            "the photos show too little of the machine's range: displays from {shown} "
            "to {shown2}, bars from {bars} to {bars2}",
            shown=degrees(min(shown)),
            shown2=degrees(max(shown)),
            bars=degrees(min(bars)),
            bars2=degrees(max(bars)),
        ),
        SPREAD,
    )
