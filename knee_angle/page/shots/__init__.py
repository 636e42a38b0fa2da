"""The photos of a visit as small pictures, and the phone's own camera to take the next one.

`shots.js` opens the camera app of the phone (`capture="environment"`), scales the picture to
what accuracy needs, keeps focal length and time of its EXIF and nothing else, and sends it to
the visit's draft by HTTP (`page.receiving`): with progress, and again after a broken connection,
also while the page itself is away.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Collection
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import streamlit as st
from PIL import Image

from knee_angle.language import current, figure, tell
from knee_angle.language.components import words_for
from knee_angle.page import memory
from knee_angle.page.tray import MOST, Entry
from knee_angle.page.visit import Visit
from knee_angle.photo.reading import Photo

if TYPE_CHECKING:
    from streamlit.components.v2.types import ComponentRenderer

__all__ = ["LONGEST_PX", "picked_of", "shots", "thumb"]

HERE = Path(__file__).parent
KEY = "shots"
LONGEST_PX = 2000
"""Longer side of a picture that a phone sends. On every third sample photo errors do not grow from
1600 px (median 0.7°, 95 % 3.0°) down to 700 px (0.4°, 3.3°; `tests/bench/photo_size.py`); the
rest is margin for smaller legs in wider pictures."""
THUMB_PX, THUMB_QUALITY = 160, 72


def shots(visit: Visit, *, key: str = KEY) -> None:
    """Show the strip of photos with the camera's button; ``key`` names this place on the page."""

    def chosen() -> None:
        picked = picked_of(st.session_state[key].get("chosen"), visit.tray.entries)
        visit.tray.chosen = picked or visit.tray.chosen

    def arrived() -> None:
        """The run that follows takes what came (`Visit.take_arrived`)."""

    _component()(
        key=key,
        data={
            "address": f"/visit-photos/{visit.token}" if visit.draft is not None else None,
            "longest": LONGEST_PX,
            "language": current().code,
            "words": words_for(HERE),
            "room": MOST - len(visit.tray.entries),
            "chosen": visit.tray.chosen,
            "print": key == KEY,
            "photos": [_told(visit, entry) for entry in visit.tray.entries.values()],
        },
        on_chosen_change=chosen,
        on_arrived_change=arrived,
    )


def picked_of(value: Any, there: Collection[str]) -> str | None:
    """The photo that the browser chose; None where it sent anything but one that is there."""
    return value if isinstance(value, str) and value in there else None


def _told(visit: Visit, entry: Entry) -> dict[str, str]:
    number = memory.recall(visit.number_of(entry))
    shown = tell("number?") if number is None else tell(figure(f"{number:g}"))
    taken = entry.looked.taken_at
    return {
        "sha": entry.sha256,
        "picture": thumb(entry.photo),
        "label": tell("Photo {number}", number=visit.tray.number(entry)),
        "shown": shown,
        "taken": "" if taken is None else f"{taken.astimezone():%H:%M}",
    }


@st.cache_data(max_entries=64, show_spinner=False, hash_funcs={Photo: lambda p: p.sha256})
def thumb(photo: Photo) -> str:
    """A small picture as a data address."""
    out = io.BytesIO()
    small = Image.fromarray(photo.small)
    small.thumbnail((THUMB_PX, THUMB_PX))
    small.save(out, "JPEG", quality=THUMB_QUALITY)
    return "data:image/jpeg;base64," + base64.b64encode(out.getvalue()).decode()


@cache
def _component() -> ComponentRenderer:
    """Make the component known, once and when a page first needs it: it needs a server."""
    return st.components.v2.component(
        "knee-angle.shots",
        html=(HERE / "shots.html").read_text(encoding="utf-8"),
        css=(HERE / "shots.css").read_text(encoding="utf-8"),
        js="shots.js",
    )
