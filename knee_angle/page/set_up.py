"""How the machine is set, as it was noted: kept with every photo of the visit."""

from __future__ import annotations

from collections.abc import Mapping

import streamlit as st

from knee_angle.language import say, tell
from knee_angle.page import memory
from knee_angle.page.tray import Entry
from knee_angle.page.visit import Visit
from knee_angle.records.displayed import display_range
from knee_angle.settings import flexion_of_display
from knee_angle.store import CARE, CHECKLIST, End, SetUp

__all__ = ["asked"]

ENDS = {
    "none": say("not said"),
    "flexion": say("full flexion"),
    "extension": say("full extension"),
}
END: dict[str, End | None] = {"none": None, "flexion": "flexion", "extension": "extension"}
"""The end of the range at which the machine was paused: words, and what is kept."""


def asked(visit: Visit, entry: Entry) -> tuple[SetUp, dict[str, End | None]]:
    """The set-up, folded away, and at which end each photo was taken where that was said."""
    with st.expander(tell("Set-up of the machine"), icon=":material/checklist:"):
        st.caption(tell("Common practice. Whatever you fill in is kept with the measurement."))
        memory.choice(say("Photographed at"), f"end-{entry.key}", ENDS, horizontal=True)
        ticks = _ticks(visit, {key: CHECKLIST[key] for key in CHECKLIST if key not in CARE})
        st.caption(
            tell(
                "With an epidural or a nerve block pain does not warn. Local protocol rules; stop "
                "the machine at pain or resistance."
            )
        )
        ticks += _ticks(visit, CARE)
        left, right = memory.pair("set-up")
        with left:
            extension = _set_deg(say("Extension set, degrees"), visit.own("set-extension"))
            speed = memory.number(say("Speed, as it is named there"), visit.own("speed"), low=0.0)
            head = memory.number(
                say("Head of the bed, degrees"), visit.own("head"), low=-20.0, high=90.0, step=5.0
            )
        with right:
            flexion = _set_deg(say("Flexion set, degrees"), visit.own("set-flexion"))
            hours = memory.number(say("Hours of use since last time"), visit.own("hours"), low=0.0)
    setup = SetUp(
        flexion_deg=flexion,
        extension_deg=extension,
        speed=speed,
        bed_head_deg=head,
        hours_of_use=hours,
        ticks=ticks,
    )
    ends = {
        sha: END[memory.recall(f"end-{one.key}", "none")] for sha, one in visit.tray.entries.items()
    }
    return setup, ends


def _ticks(visit: Visit, points: Mapping[str, str]) -> tuple[str, ...]:
    """The points that are ticked, each with its box."""
    return tuple(key for key, item in points.items() if memory.tick(item, visit.own(f"tick-{key}")))


def _set_deg(label: str, name: str) -> float | None:
    """What the machine is set to, as its display counts; handed on as degrees of flexion."""
    counting = memory.recall("counting", "flexion")
    low, high = display_range(counting)
    shown = memory.number(label, name, low=low, high=high)
    return None if shown is None else flexion_of_display(shown, counting=counting)
