"""What is asked besides photo and number: the same fields for a knee and for a machine."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from knee_angle.language import say
from knee_angle.page import memory
from knee_angle.settings import Settings, meaning_of

__all__ = ["COUNTING", "display_and_sizes", "limits"]

COUNTING: dict[str, str] = {
    "flexion": say("0 is straight, 90 is bent square"),
    "straight-is-180": say("180 is straight, 90 is bent square"),
    "negative": say("0 is straight, flexion below zero"),
}
"""Ways in which displays count (the setting `counts`)."""

Own = Callable[[str], str]
"""Gives an input its name for these photos alone."""
Values = dict[str, Any]
"""Settings by name, as typed."""


def limits(own: Own) -> Values:
    """Prescribed extension and flexion, degrees of flexion, as typed."""
    left, right = memory.pair("limits")
    with left:
        extension = _number("limit_extension_deg", say("Prescribed extension"), own("extension"))
    with right:
        flexion = _number("limit_flexion_deg", say("Prescribed flexion"), own("flexion"))
    return {"limit_extension_deg": extension, "limit_flexion_deg": flexion}


def display_and_sizes(own: Own) -> Values:
    """How the display counts, the tolerance, what was printed and what was taped.

    Each field left empty keeps the usual value. All but the thigh stay for the whole visit:
    they belong to the machine and to the printed sheets.
    """
    asked: Values = {
        "counts": memory.choice(say("How the display counts"), "counting", COUNTING),
        "tolerance_deg": _number(
            "tolerance_deg", say("Allowed difference, degrees"), "tolerance", step=0.5
        ),
    }
    left, right = memory.pair("sizes")
    with left:
        asked["tag_mm"] = _number("tag_mm", say("Printed edge of a tag, mm"), "tag")
        asked["bar_tag_mm"] = _number(
            "bar_tag_mm", say("Printed edge of a bar's tag, mm"), "bar-tag"
        )
    with right:
        asked["dot_mm"] = _number("dot_mm", say("Diameter of the dots, mm (if known)"), "dot")
        asked["thigh_mm"] = _number("thigh_mm", say("Thigh by tape, mm (if known)"), own("thigh"))
    return {name: value for name, value in asked.items() if value is not None}


def _number(setting: str, label: str, name: str, **options: Any) -> float | None:
    """A number that has the bounds, the usual value and the help of a setting."""
    meaning = meaning_of(setting)
    return memory.number(
        label,
        name,
        low=meaning.low,
        high=meaning.high,
        above=meaning.above,
        default=getattr(Settings(), setting),
        help=meaning.what,
        **options,
    )
