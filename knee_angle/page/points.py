"""A photo's points on the page, at the bedside and in a machine check alike."""

from __future__ import annotations

import streamlit as st

from knee_angle.language import tell
from knee_angle.page.editor import LABELS, points_editor
from knee_angle.page.tray import Entry

__all__ = ["points_of"]


def points_of(entry: Entry, *, key: str) -> None:
    """The photo with its points, to be moved; ``key`` names this place on the page."""
    key = f"{key}-{entry.key}"
    if key not in st.session_state:
        entry.editor_is_new()

    def taken() -> None:
        entry.take(st.session_state[key].get("points"))

    points_editor(
        entry.photo,
        key=key,
        revision=entry.revision,
        found=entry.found,
        side=None if entry.found is None else entry.found.side,
        tags=tuple(tag.corners_px for tag in entry.seen.tags),
        edit=entry.seed,
        on_change=taken,
    )
    _dots(entry, key)


def _dots(entry: Entry, key: str) -> None:
    """Dots that were seen and not used: named, and one tap uses them or lets them be."""
    dots = entry.usable_dots
    if not dots:
        return
    names = ", ".join(
        f"{tell(LABELS[dot.name])} ({tell(dot.colour)})" for dot in dots if dot.name is not None
    )
    if entry.dots_used:
        st.info(tell("Used as you said: {names}. Look whether each lies right.", names=names))
        label = tell("Do not use them")
    else:
        st.info(
            tell(
                "Dots seen and not used: {names}, if they are of this leg and machine.", names=names
            )
        )
        label = tell("Use them")
    # Named by what it will do: the same tap sent twice does it once.
    st.button(
        label, key=f"{key}-dots-{not entry.dots_used}", width="stretch",
        on_click=entry.use_dots, args=(not entry.dots_used,),
    )  # fmt: skip
