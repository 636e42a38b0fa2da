"""Which of the numbers seen is the angle, and whether it may be used."""

from __future__ import annotations

from collections.abc import Sequence
from math import floor

from knee_angle.assumptions import FLEXION_RANGE_DEG
from knee_angle.language import joined, say
from knee_angle.records.shown import DisplaySeen, NumberSeen
from knee_angle.settings import Settings, flexion_of_display

__all__ = ["USUAL_DEG", "chosen"]

USUAL_DEG = (-15.0, 150.0)
"""What machines for knees show, degrees of flexion (common practice). The weak prior: a number
outside is asked for, one inside gains nothing (`Settings.display_prior` switches it off)."""

RIVAL = 0.75
"""A number so many times as likely as the likeliest may be the angle as well; less likely ones are
told and ask for nobody (our own)."""

LEAST_SHARE = 0.25
"""A number with a degree mark that is so many times less likely than a plain one does not stand
before it (our own)."""


def chosen(numbers: Sequence[NumberSeen], *, accept: float, settings: Settings) -> DisplaySeen:
    """What the numbers of a photo come to.

    Parameters
    ----------
    numbers : sequence of NumberSeen
        Every number that was read.
    accept : float
        The probability from which a number is used.
    settings : Settings
        How the display counts, and whether the prior is used.
    """
    order = {"angle": 0, "number": 1, "other": 2}
    ranked = tuple(sorted(numbers, key=lambda one: (order[one.kind], -one.probability)))
    if not ranked:
        return DisplaySeen("none", say("no number was seen on a display"))
    plain = max((one.probability for one in ranked if one.kind != "other"), default=0.0)
    for kind in ("angle", "number"):
        same = [one for one in ranked if one.kind == kind]
        if same and same[0].probability < LEAST_SHARE * plain:
            continue
        same = [one for one in same if one.probability >= RIVAL * same[0].probability]
        if len({one.number for one in same}) > 1:
            texts = joined(", ", [one.text for one in same])
            reason = say("several numbers may be the angle: {texts}", texts=texts)
            return DisplaySeen("undecided", reason, ranked)
        if same:
            return _judged(same[0], ranked, accept=accept, settings=settings)
    reason = say("the numbers that were seen are a time or have another unit than degrees")
    return DisplaySeen("undecided", reason, ranked)


def _judged(
    one: NumberSeen, ranked: tuple[NumberSeen, ...], *, accept: float, settings: Settings
) -> DisplaySeen:
    """The angle, used where nothing speaks against it."""
    reasons = []
    shown = one.number or 0.0
    flexion = flexion_of_display(shown, counting=settings.counts)
    if not FLEXION_RANGE_DEG[0] <= flexion <= FLEXION_RANGE_DEG[1]:
        reasons.append(say("no knee can have {number:g}°", number=shown))
    elif settings.display_prior and not USUAL_DEG[0] <= flexion <= USUAL_DEG[1]:
        reasons.append(say("such machines hardly ever show {number:g}°", number=shown))
    if one.kind != "angle":
        reasons.append(say("no degree mark was seen beside it, so it may be something else"))
    if one.probability < accept:
        reasons.append(
            say(
                "it is that with a probability of {probability:.1%}, and {accept:.1%} is needed",
                probability=floor(1000 * one.probability) / 1000,
                accept=accept,
            )
        )
    rest = tuple(other for other in ranked if other is not one)
    return DisplaySeen("unsure" if reasons else "read", joined("; ", reasons), (one, *rest), one)
