"""The number on the display as the photo shows it: its picture, and one tap that takes it."""

from __future__ import annotations

from base64 import b64encode

import streamlit as st

from knee_angle.display.told import display_of
from knee_angle.language import say, tell
from knee_angle.page import memory
from knee_angle.page.tray import Entry
from knee_angle.records.shown import DisplaySeen, NumberSeen
from knee_angle.settings import Settings, changed

__all__ = ["offered"]

MOST = 4
"""So many numbers are offered; what else is on a display is typed."""


def offered(entry: Entry, counting: str) -> None:
    """Beside the input of the number: what was read, for a person to take or to leave.

    Parameters
    ----------
    entry : Entry
        The photo that is shown.
    counting : str
        How the display counts.
    """
    settings = changed(Settings(), {"counts": counting})
    if entry.seen.display is None:
        return
    display = display_of(entry.photo, settings, entry.seen.display)
    if display is None or display.crop_jpeg is None:
        return
    typed = memory.counted(f"number-{entry.key}")
    numbers = _to_offer(display)
    if typed is not None and any(one.number == typed for one in numbers):
        numbers = []
    _picture(display)
    for place, one in enumerate(numbers):
        _button(entry, one, place, sure=display.state == "read")


def _to_offer(display: DisplaySeen) -> list[NumberSeen]:
    """The angle; where none is clearly it, each number that may be."""
    if display.angle is not None:
        return [display.angle] if display.angle.number is not None else []
    may_be = [one for one in display.numbers if one.kind != "other" and one.number is not None]
    return may_be[:MOST]


def _picture(display: DisplaySeen) -> None:
    """What the photo shows, so that nobody takes a number unseen."""
    picture = b64encode(display.crop_jpeg or b"").decode()
    name = tell("The display in the photo")
    st.html(f'<img class="display" src="data:image/jpeg;base64,{picture}" alt="{name}">')
    if display.state != "read":
        st.caption(tell(say("Not clearly read: {reason}.", reason=display.reason)))


def _button(entry: Entry, one: NumberSeen, place: int, *, sure: bool) -> None:
    """Takes a number; what was typed is replaced by a tap alone."""
    number = one.number or 0.0
    label = say("The display says {number:g}: take it", number=number)
    if not sure:
        label = say("Does the display say {number:g}? Take it", number=number)

    def taken() -> None:
        memory.put(f"number-{entry.key}", number)

    st.button(tell(label), key=f"take-{entry.key}-{place}", on_click=taken, width="stretch")
