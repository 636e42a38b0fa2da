"""What adjusting the machine changed, in words."""

from __future__ import annotations

from knee_angle.angle import words
from knee_angle.language import joined, say, say_as
from knee_angle.machine.answer import VisitAnswer
from knee_angle.machine.changed import Change, Changed
from knee_angle.visit import Value

__all__ = ["changed_lines", "when_words"]

NOTHING_TO_COMPARE = say(
    "nothing to compare: no place was photographed before and after adjusting. Photograph at a "
    "number that was photographed before."
)
PUT_BACK = say("Stop the machine, put the section back as it was, and photograph again.")
TOWARDS = {
    "distal": (say_as("towards", "the foot"), say_as("towards", "the hip")),
    "anterior": (say_as("towards", "the kneecap"), say_as("towards", "the back of the knee")),
}
"""Where a hinge goes whose coordinate grows, and where to if it shrinks."""


def changed_lines(answer: VisitAnswer) -> list[str]:
    """A sentence for each place before and after; empty where nothing was adjusted."""
    if answer.adjusted == 0:
        return []
    return [_sentence(one) for one in answer.changes] or [NOTHING_TO_COMPARE]


def when_words(adjusted: int, *, last: int) -> str:
    """When in the visit a setting was photographed; empty where nothing was adjusted."""
    if last == 0:
        return ""
    if adjusted == 0:
        return say("before adjusting")
    if last == 1:
        return say("adjusted")
    return say("adjusted, {which} of {last}", which=adjusted, last=last)


def _sentence(one: Changed) -> str:
    knee = say(
        "knee {before} before, {now} now", before=_deg(one.knee.before), now=_deg(one.knee.after)
    )
    told = joined("; ", [knee, _closeness(one), *_hinge(one)])
    before, after = one.displayed_deg
    if before is None or after is None:
        told = say("{told}.", told=told)
    elif before == after:
        told = say("at {shown:g}°: {told}.", shown=after, told=told)
    else:
        told = say(
            "at {before:g}° before, {now:g}° now: {told}.", before=before, now=after, told=told
        )
    return joined(" ", [told, PUT_BACK]) if one.way == "further" else told


def _closeness(one: Changed) -> str:
    """Whether display and knee came nearer each other; without numbers, bars and knee."""
    change = one.apart or one.fit
    if change is None or one.size is None:
        return say("bars and display were not seen in both")
    what = say("display and knee") if one.apart else say("bars and knee")
    size = say(
        "{what} {before} apart before, {now} now",
        what=what, before=_apart(change.before), now=_apart(change.after),
    )  # fmt: skip
    low, high = one.size.interval
    if one.way == "closer":
        return say(
            "{size}: closer by {by:.0f}° ({low} to {high})",
            size=size, by=abs(one.size.value), low=words.whole(-high), high=words.whole(-low),
        )  # fmt: skip
    if one.way == "further":
        return say(
            "{size}: further apart by {by:.0f}° ({low} to {high})",
            size=size, by=one.size.value, low=words.whole(low), high=words.whole(high),
        )  # fmt: skip
    most = max(abs(low), abs(high))
    return say("{size}: no change is proven (at most {most:.0f}°)", size=size, most=most)


def _hinge(one: Changed) -> list[str]:
    """How the hinge moved against the knee, as far as that is proven."""
    if one.distal is None or one.anterior is None:
        return []
    moved = [
        _moved(change, *TOWARDS[name])
        for name, change in (("distal", one.distal), ("anterior", one.anterior))
        if not change.change.interval[0] <= 0.0 <= change.change.interval[1]
    ]
    if not moved:
        return [say("no move of the hinge is proven")]
    return [say("hinge {moved}", moved=joined(say(" and "), moved))]


def _moved(change: Change, more: str, less: str) -> str:
    low, high = sorted(abs(end) for end in change.change.interval)
    return say(
        "{by:.0f} mm towards {where} ({low:.0f} to {high:.0f})",
        by=abs(change.change.value), low=low, high=high,
        where=more if change.change.value > 0.0 else less,
    )  # fmt: skip


def _deg(value: Value) -> str:
    return say("{deg}°", deg=words.whole(value.value))


def _apart(value: Value) -> str:
    return say("{deg:d}°", deg=abs(round(value.value)))
