"""A photo's points on the page, at the bedside and in a machine check alike."""

from __future__ import annotations

import streamlit as st

from knee_angle.page.editor import points_editor
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
