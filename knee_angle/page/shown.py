"""The number on the display, read off the photo: its picture, and one tap takes it."""

from __future__ import annotations

from base64 import b64encode

import streamlit as st

from knee_angle.language import say, tell
from knee_angle.page import memory
from knee_angle.page.tray import Entry
from knee_angle.photo.display.seen import read_display
from knee_angle.records.shown import DisplaySeen
from knee_angle.settings import Settings, changed

__all__ = ["offered"]

LIKELY = 0.8
"""A number is offered from this probability on; what is less likely is typed (our own)."""


def offered(entry: Entry, counting: str) -> None:
    """Beside the input of the number: what was read, for a person to take or to leave.

    Nothing read counts before it is taken, and a photo without a display asks for nothing.

    Parameters
    ----------
    entry : Entry
        The photo that is shown.
    counting : str
        How the display counts.
    """
    held = f"display-{entry.key}-{counting}"
    if held not in st.session_state:
        settings = changed(Settings(), {"counts": counting})
        st.session_state[held] = read_display(entry.photo, settings=settings)
    display: DisplaySeen = st.session_state[held]
    if not display.numbers:
        return
    if display.crop_jpeg is not None:
        _picture(display.crop_jpeg)
    one = display.angle
    if one is None or one.number is None or one.probability < LIKELY:
        st.caption(tell("The display was not clearly read: type its number."))
    elif memory.counted(f"number-{entry.key}") != one.number:
        _button(entry, one.number, sure=display.state == "read")


def _picture(jpeg: bytes) -> None:
    """What the photo shows, so that nobody takes a number unseen."""
    picture, name = b64encode(jpeg).decode(), tell("The display in the photo")
    st.html(f'<img class="display" src="data:image/jpeg;base64,{picture}" alt="{name}">')


def _button(entry: Entry, number: float, *, sure: bool) -> None:
    """Takes a number; what was typed is replaced by a tap alone."""
    label = say("The display says {number:g}: take it", number=number)
    if not sure:
        label = say("Does the display say {number:g}? Take it", number=number)

    def taken() -> None:
        memory.put(f"number-{entry.key}", number)

    st.button(tell(label), key=f"take-{entry.key}", on_click=taken, width="stretch")
