"""What adjusting the machine changed, in words."""

from __future__ import annotations

from knee_angle.machine.answer import VisitAnswer
from knee_angle.machine.changed import Change, Changed
from knee_angle.visit import Value

__all__ = ["changed_lines", "when_words"]

NOTHING_TO_COMPARE = (
    "nothing to compare: no place was photographed before and after adjusting. Photograph at a "
    "number that was photographed before."
)
PUT_BACK = "Stop the machine, put the section back as it was, and photograph again."
TOWARDS = {"distal": ("the foot", "the hip"), "anterior": ("the kneecap", "the back of the knee")}


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
        return "before adjusting"
    return "adjusted" if last == 1 else f"adjusted, {adjusted} of {last}"


def _sentence(one: Changed) -> str:
    knee = f"knee {_deg(one.knee.before)} before, {_deg(one.knee.after)} now"
    parts = [f"{knee}; {_closeness(one)}", *_hinge(one)]
    told = f"{_place(one)}{'; '.join(parts)}."
    return f"{told} {PUT_BACK}" if one.way == "further" else told


def _place(one: Changed) -> str:
    before, after = one.displayed_deg
    if before is None or after is None:
        return ""
    return f"at {after:g}°: " if before == after else f"at {before:g}° before, {after:g}° now: "


def _closeness(one: Changed) -> str:
    """Whether display and knee came nearer each other; without numbers, bars and knee."""
    change, what = (one.apart, "display and knee") if one.apart else (one.fit, "bars and knee")
    if change is None or one.size is None:
        return "bars and display were not seen in both"
    low, high = one.size.interval
    size = f"{what} {_apart(change.before)} apart before, {_apart(change.after)} now"
    if one.way == "closer":
        return f"{size}: closer by {abs(one.size.value):.0f}° ({-high:.0f} to {-low:.0f})"
    if one.way == "further":
        return f"{size}: further apart by {one.size.value:.0f}° ({low:.0f} to {high:.0f})"
    return f"{size}: no change is shown (within {max(abs(low), abs(high)):.0f}°)"


def _hinge(one: Changed) -> list[str]:
    """How the hinge moved against the knee, as far as that is proven."""
    if one.distal is None or one.anterior is None:
        return []
    moved = [
        _moved(change, *TOWARDS[name])
        for name, change in (("distal", one.distal), ("anterior", one.anterior))
        if not change.change.interval[0] <= 0.0 <= change.change.interval[1]
    ]
    return [f"hinge {' and '.join(moved)}"] if moved else ["no move of the hinge is shown"]


def _moved(change: Change, more: str, less: str) -> str:
    low, high = sorted(abs(end) for end in change.change.interval)
    towards = more if change.change.value > 0.0 else less
    return f"{abs(change.change.value):.0f} mm towards {towards} ({low:.0f} to {high:.0f})"


def _deg(value: Value) -> str:
    return f"{round(value.value):d}°".replace("-", "\u2212")


def _apart(value: Value) -> str:
    return f"{abs(round(value.value)):d}°"
