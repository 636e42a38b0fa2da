"""Why the machine is not judged in a photo, and what to do about it: one word for every door.

Bars count where dots, tags or a hand show them whole, in a picture as a camera took it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from knee_angle.angle.words import POINT_WORDS, THE_POINT_WORDS, degrees
from knee_angle.assumptions import FIT_MOST_DEG, FRAME_LEAST_DEG
from knee_angle.language import joined, say, say_many
from knee_angle.records import (
    LEG_POINTS,
    MACHINE_POINTS,
    Frame,
    Landmarks,
    Machine,
    Measurement,
    PointName,
    Unseparable,
)

__all__ = [
    "CARDS_WRONG",
    "OF_ONE_PHOTO",
    "UNTRUSTED",
    "Unjudged",
    "bars_are_guessed",
    "cards_wrong",
    "dots_not_used",
    "guessed",
    "unjudged_bars",
    "unjudged_of",
    "weightiest",
]

UNTRUSTED = say(
    "The picture may not be as a camera took it, so it proves no cause: use the "
    "photo as the camera saved it, or photograph again."
)
CARDS_WRONG = say(
    "The tags on the bars show the bars at {frame} and the knee at {knee}, "
    "which no machine does: the cards are exchanged, or one points the wrong "
    "way (THIGH on the thigh bar, LOWER LEG on the lower-leg bar, both arrows "
    "towards the foot). Put them right and photograph again."
)
"""Said instead of a finding where tags cannot be stuck as they should."""
NO_BARS = say(
    "The machine's bars were not seen, so it cannot be told whether the display is off "
    "or the leg lies badly: put dots or the bar tags on the bars."
)
NOT_ALL_BARS = say(
    "Not all of the machine's dots are used, so it cannot be told whether the display is off or "
    "the leg lies badly: place {points} by hand, or photograph so that every dot is seen whole."
)
GUESSED_BARS = say(
    "The machine's bars are only guessed from the picture, so it cannot be told whether "
    "the display is off or the leg lies badly: put dots or the bar tags on the bars."
)
"""Said where the bars' points are a network's: in unseen photos they were 18 to 27 degrees
off (the project's own judging), and exact displays were accused."""
DOTS_NOT_USED = say(
    "There are dots that were not used, so the machine's bars are only guessed: say by hand which "
    "dot is which, or photograph again with every dot in sight and nothing else of its colour."
)


@dataclass(frozen=True, slots=True)
class Unjudged:
    """Why bars prove nothing, in a word and in a sentence that says what to do."""

    why: Unseparable
    advice: str


_NOT_SEEN = Unjudged("not_seen", NO_BARS)
_WEIGHTIEST: tuple[Unseparable, ...] = (
    "cards", "doubted", "not_all", "unused", "guessed", "picture", "not_seen",
)  # fmt: skip
"""Of several photos the one is told whose bars need the least to count."""
OF_ONE_PHOTO: tuple[Unseparable, ...] = ("cards", "doubted", "not_all", "unused")
"""What is to be looked at in the very photo: of several it is named."""


def unjudged_of(result: Measurement) -> Unjudged | None:
    """Why a photo's machine is not judged; None where its bars count."""
    if not result.leg.lens.trusted:
        return Unjudged("picture", UNTRUSTED)
    frame = None if result.machine is None else result.machine.frame
    return unjudged_bars(frame, result.landmarks, doubted=result.leg.doubted)


def unjudged_bars(
    frame: Frame | None, found: Landmarks | None = None, *, doubted: Sequence[PointName] = ()
) -> Unjudged | None:
    """Why such bars prove nothing, in a picture as a camera took it; None where they count.

    Parameters
    ----------
    frame : Frame or None
        The bars; None where they were not seen.
    found : Landmarks, optional
        Every point of the photo.
    doubted : sequence of str
        Dots of the machine that cannot be its own (`LegInView.doubted`).
    """
    if (wrong := cards_wrong(frame)) is not None:
        return Unjudged("cards", wrong)
    if guessed(frame):
        unused = found is not None and dots_not_used(found)
        return Unjudged("unused", DOTS_NOT_USED) if unused else Unjudged("guessed", GUESSED_BARS)
    return _unseen(found, doubted) if frame is None else None


def _unseen(found: Landmarks | None, doubted: Sequence[PointName]) -> Unjudged:
    """Why there are no bars: their dots are not all there, or not all theirs."""
    if doubted:
        return Unjudged("doubted", _look_at(doubted))
    lacking = [name for name in MACHINE_POINTS if found is not None and name not in found.points]
    if 0 < len(lacking) < len(MACHINE_POINTS):
        return Unjudged("not_all", NOT_ALL_BARS.format(points=_the(lacking)))
    return _NOT_SEEN


def weightiest(several: Sequence[Unjudged]) -> Unjudged:
    """Of several photos' reasons the one that is told; bars that were not seen, of none."""
    return min(several or (_NOT_SEEN,), key=lambda one: _WEIGHTIEST.index(one.why))


def _look_at(doubted: Sequence[PointName]) -> str:
    """Which dots are doubted, and what to do."""
    return say_many(
        "What was taken for the machine's {points} dot lies far from where the machine is seen, "
        "so it cannot be told whether the display is off or the leg lies badly: look at it and "
        "place {the_points} by hand, or cover what is no dot and photograph again.",
        "What was taken for the machine's {points} dots lies far from where the machine is seen, "
        "so it cannot be told whether the display is off or the leg lies badly: look at them and "
        "place {the_points} by hand, or cover what is no dot and photograph again.",
        len(doubted),
        points=joined(say(" and "), [POINT_WORDS[name] for name in doubted]),
        the_points=_the(doubted),
    )


def _the(names: Sequence[PointName]) -> str:
    """Points to be placed, each with its article."""
    return joined(say(" and "), [THE_POINT_WORDS[name] for name in names])


def cards_wrong(frame: Frame | None) -> str | None:
    """What to put right where tags show bars as none can be; None where nothing is wrong."""
    if frame is None or frame.source != "tag":
        return None
    if frame.deg >= FRAME_LEAST_DEG and abs(frame.fit_deg) <= FIT_MOST_DEG:
        return None
    return CARDS_WRONG.format(frame=degrees(frame.deg), knee=degrees(frame.deg - frame.fit_deg))


def guessed(frame: Frame | None) -> bool:
    """Whether a network alone says where the bars are: shown, but proof of nothing."""
    return frame is not None and frame.source in ("network", "pose")


def bars_are_guessed(machine: Machine) -> bool:
    """Whether any of the bars' points is a network's guess: it is drawn as one."""
    return any(point.source in ("network", "pose") for point in machine.points.values())


def dots_not_used(found: Landmarks) -> bool:
    """Whether enough dots for a leg were seen in a photo and not used."""
    return len(found.unused_dots) >= len(LEG_POINTS)
