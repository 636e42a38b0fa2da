"""A photo's points on the page, at the bedside and in a machine check alike."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from knee_angle.language import capital, retold, say_many, tell
from knee_angle.page.editor import LABELS, points_editor
from knee_angle.page.tray import Entry
from knee_angle.records import UnusedDot

__all__ = ["points_of"]


def points_of(entry: Entry, *, key: str) -> None:
    """The photo with its points, to be moved; ``key`` names this place on the page."""
    key = f"{key}-{entry.key}"
    if key not in st.session_state:
        entry.editor_is_new()

    def taken() -> None:
        entry.take(st.session_state[key].get("points"))

    _dots(entry, key)
    points_editor(
        entry.photo,
        key=key,
        revision=entry.revision,
        found=entry.found,
        side=None if entry.found is None else entry.found.side,
        tags=tuple(tag.corners_px for tag in entry.seen.tags),
        edit=entry.seed,
        on_change=taken,
        unused=entry.unused_dots,
    )


def _dots(entry: Entry, key: str) -> None:
    """Dots that were seen and not used: which and why, and one tap uses them or lets them be."""
    dots = entry.usable_dots
    if not dots:
        if entry.unused_dots:
            st.info(tell(_not_told_apart(entry.unused_dots)))
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
                "Dots seen and not used: {names}, if they are of this leg and machine. They are "
                "ringed in the photo. {why}",
                names=names,
                why=_why(dots),
            )
        )
        label = tell("Use them")
    # Named by what it will do: the same tap sent twice does it once.
    st.button(
        label, key=f"{key}-dots-{not entry.dots_used}", width="stretch",
        on_click=entry.use_dots, args=(not entry.dots_used,),
    )  # fmt: skip


def _not_told_apart(dots: Sequence[UnusedDot]) -> str:
    """Dots of which it cannot be told what each is: where they are, why, and what to do."""
    return say_many(
        "{count} dot seen and not used ({colour}), ringed in the photo. {why} Place by hand what "
        "is a dot of this leg or of the machine.",
        "{count} dots seen and not used ({colour}), ringed in the photo. {why} Place by hand what "
        "is a dot of this leg or of the machine.",
        len(dots),
        colour=retold(dots[0].colour),
        why=_why(dots),
    )


def _why(dots: Sequence[UnusedDot]) -> str:
    return capital(retold(dots[0].why))
