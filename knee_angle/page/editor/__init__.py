"""The points editor: the photo with named points, moved by finger, mouse or key.

A component of Streamlit's second kind: `editor.js` runs in the page itself and keeps the
points while they are moved; what comes back is an `Edit`, in pixels of the full-size
upright photo. The picture is sent once, as a copy of at most 1600 px: as long as the
revision stays, the data stay the same, and Streamlit sends nothing again.
"""

from __future__ import annotations

import base64
import io
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import streamlit as st

from knee_angle.language import current, say_as, tell
from knee_angle.language.components import words_for
from knee_angle.photo.covered import Box, covered
from knee_angle.photo.reading import Photo
from knee_angle.records import (
    LEG_POINTS,
    MACHINE_POINTS,
    POINT_NAMES,
    Landmarks,
    PointName,
    Quad,
    Side,
    UnusedDot,
)

if TYPE_CHECKING:
    from streamlit.components.v2.types import ComponentRenderer

__all__ = ["LABELS", "Edit", "edit_of", "points_editor"]

HERE = Path(__file__).parent
LABELS: dict[PointName, str] = {
    "hip": say_as("label", "Hip"),
    "knee": say_as("label", "Knee"),
    "ankle": say_as("label", "Ankle"),
    "heel": say_as("label", "Heel"),
    "toe": say_as("label", "Toe"),
    "thigh_bar": say_as("label", "Thigh bar"),
    "hinge": say_as("label", "Hinge"),
    "shank_bar": say_as("label", "Lower-leg bar"),
}
"""What a person reads beside each point."""

Place = tuple[float, float, str]
"""A point's x and y, full-size px, and who found it."""
PREVIEW_QUALITY = 84
RING, RING_CORNERS = 0.9, 20
"""Radius of the ring around a dot that was not used, in its diameters, and its corners."""


@dataclass(frozen=True, slots=True)
class Edit:
    """What a hand changed in the points of one photo.

    Parameters
    ----------
    moved : Mapping of name to (x, y)
        Points placed by hand, full-size px.
    removed : tuple of str
        Automatic points that are not what they were taken for.
    """

    moved: Mapping[PointName, tuple[float, float]] = field(default_factory=dict)
    removed: tuple[PointName, ...] = ()

    def manual(self) -> dict[str, dict[str, float]]:
        """The moved points in the shape that `measure_photo` takes."""
        return {name: {"x": x, "y": y} for name, (x, y) in self.moved.items()}

    def applied(self, found: Landmarks) -> Landmarks:
        """The automatic points without those that were removed."""
        kept = {name: p for name, p in found.points.items() if name not in self.removed}
        return replace(found, points=kept)


def edit_of(value: Any, *, revision: str, width_px: int, height_px: int) -> Edit | None:
    """What the browser sent, as an `Edit`; None where it is none of this revision.

    Points outside the photo are put on its edge.
    """
    if not isinstance(value, Mapping) or value.get("revision") != revision:
        return None
    places, gone = value.get("moved"), value.get("removed")
    places = places if isinstance(places, Mapping) else {}
    gone = gone if isinstance(gone, list | tuple) else ()
    moved: dict[PointName, tuple[float, float]] = {}
    for name in POINT_NAMES:
        at = _pair(places.get(name))
        if at is not None:
            moved[name] = (min(max(at[0], 0.0), width_px), min(max(at[1], 0.0), height_px))
    return Edit(moved, tuple(n for n in POINT_NAMES if n in gone and n not in LEG_POINTS))


def points_editor(
    photo: Photo,
    *,
    key: str,
    revision: str,
    found: Landmarks | None,
    side: Side | None,
    tags: tuple[Quad, ...],
    edit: Edit,
    on_change: Callable[[], None],
    blind: tuple[Box, ...] | None = None,
    unused: Sequence[UnusedDot] = (),
) -> None:
    """Show the editor.

    Parameters
    ----------
    photo : Photo
        The upright photo.
    key : str
        Where ``st.session_state`` holds what the editor sends, under ``points``.
    revision : str
        Changes when the points must be taken over anew; `edit` must not change before.
    found : Landmarks or None
        The automatic points.
    side : {"left", "right"} or None
        Which leg, for the sign of the live angle.
    tags : tuple of Quad
        Printed tags, for the eye.
    edit : Edit
        What was moved before.
    on_change : callable
        Called before the page runs with what the editor sent.
    blind : tuple of (left, top, right, bottom), or None
        For a rater study: hip, knee and ankle alone, no angle, and these parts grey.
    unused : sequence of UnusedDot
        Dots that were seen and not used: ringed.
    """
    known, start = _points(found, edit)
    _component()(
        key=key,
        data={
            "revision": revision,
            "language": current().code,
            "decimal": current().decimal,
            "words": words_for(HERE),
            "picture": _preview(photo, blind or ()),
            "width": photo.width,
            "height": photo.height,
            "names": _names(POINT_NAMES if blind is None else LEG_POINTS),
            "points": _as_json(start),
            "found": _as_json(known),
            "removed": list(edit.removed),
            "side": side,
            "blind": blind is not None,
            "tags": [_corners(quad) for quad in tags],
            "unused": [_ring(dot) for dot in unused],
        },
        on_points_change=on_change,
    )


@cache
def _component() -> ComponentRenderer:
    """Make the component known, once and when a page first needs it: it needs a server.

    Its script is served as a file, which `knee_angle/pyproject.toml` makes known to
    Streamlit: the page's policy allows no script that is made on the spot.
    """
    return st.components.v2.component(
        "knee-angle.points_editor",
        html=(HERE / "editor.html").read_text(encoding="utf-8"),
        css=(HERE / "editor.css").read_text(encoding="utf-8"),
        js="editor.js",
    )


@st.cache_data(max_entries=16, show_spinner=False, hash_funcs={Photo: lambda p: p.sha256})
def _preview(photo: Photo, covers: tuple[Box, ...] = ()) -> str:
    """The reduced photo as a data address, without what is covered."""
    out = io.BytesIO()
    covered(photo, covers).save(out, "JPEG", quality=PREVIEW_QUALITY)
    return "data:image/jpeg;base64," + base64.b64encode(out.getvalue()).decode()


def _names(points: Iterable[PointName]) -> list[dict[str, str]]:
    return [{"name": n, "label": tell(LABELS[n]), "kind": _kind(n)} for n in points]


def _points(
    found: Landmarks | None, edit: Edit
) -> tuple[dict[PointName, Place], dict[PointName, Place]]:
    """Where the automatic points are, and where all are with what a hand changed."""
    automatic = {} if found is None else found.points
    known: dict[PointName, Place] = {n: (p.x_px, p.y_px, p.source) for n, p in automatic.items()}
    start = {name: at for name, at in known.items() if name not in edit.removed}
    return known, start | {name: (x, y, "manual") for name, (x, y) in edit.moved.items()}


def _as_json(points: Mapping[PointName, Place]) -> dict[str, dict[str, Any]]:
    return {n: {"x": round(x, 2), "y": round(y, 2), "by": by} for n, (x, y, by) in points.items()}


def _ring(dot: UnusedDot) -> list[list[float]]:
    """A ring around a dot, as corners."""
    turns = (2.0 * math.pi * k / RING_CORNERS for k in range(RING_CORNERS))
    x, y, radius = dot.point.x_px, dot.point.y_px, RING * dot.diameter_px
    return _corners((x + radius * math.cos(turn), y + radius * math.sin(turn)) for turn in turns)


def _corners(of: Iterable[tuple[float, float]]) -> list[list[float]]:
    return [[round(x, 1), round(y, 1)] for x, y in of]


def _kind(name: PointName) -> str:
    if name in LEG_POINTS:
        return "leg"
    return "machine" if name in MACHINE_POINTS else "foot"


def _pair(at: Any) -> tuple[float, float] | None:
    try:
        x, y = (float(part) for part in at)
    except (TypeError, ValueError, OverflowError):
        return None
    return (x, y) if math.isfinite(x) and math.isfinite(y) else None
