"""A machine without a leg: its bars by tags on them, or by three dots with or without a strip.

Whoever photographs says that the machine is empty: three dots of one colour on bars and hinge
look like those of a leg, and nothing in them tells which they are.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np

from knee_angle.angle import scale, uncertainty
from knee_angle.landmarks.dots.bare_bars import machine_dots_alone
from knee_angle.language import say
from knee_angle.photo import camera
from knee_angle.photo.as_taken import as_taken
from knee_angle.photo.bars_alone import bars_alone
from knee_angle.photo.gate import lens_through
from knee_angle.photo.reading import Photo, read_photo
from knee_angle.photo.strips import strips_of
from knee_angle.photo.tags import Tag, find_tags, strip_of
from knee_angle.records import (
    LEG_POINTS,
    MACHINE_POINTS,
    BarsAlone,
    Landmark,
    Landmarks,
    LegInView,
    Lens,
    NotMeasured,
    PointName,
    View,
)
from knee_angle.settings import Settings

__all__ = ["look_at_empty"]

EMPTY = say("the machine is empty: there is no knee to measure")
LEAST_U_DEG = 0.1
"""No dots show bars better than this from photo to photo (our own)."""


def look_at_empty(
    source: Path | Photo, settings: Settings, *, displayed_deg: float | None
) -> NotMeasured:
    """No knee, but the bars where tags or dots show them.

    Parameters
    ----------
    source : Path or Photo
        A photo of an empty machine, phone upright, the foot's end to one side.
    settings : Settings
        Sizes of tags and dots.
    displayed_deg : float or None
        The machine's number, degrees of flexion.

    Raises
    ------
    UnreadablePhoto
        The file is no photo.
    """
    photo = source if isinstance(source, Photo) else read_photo(source)
    rng = np.random.default_rng(int(photo.sha256[:16], 16))
    tags = find_tags(photo)
    lens = lens_through(photo, tags, tag_mm=settings.tag_mm)
    if isinstance(lens, NotMeasured):
        return lens
    bars = bars_alone(tags, lens, settings, displayed_deg=displayed_deg, rng=rng)
    if bars is None:
        found = machine_dots_alone(photo, masked=tuple(tag.corners_px for tag in tags))
        if isinstance(found, NotMeasured):
            return found
        bars = _by_dots(found, tags, lens, settings, displayed_deg=displayed_deg, rng=rng)
    bars = replace(bars, cautions=as_taken(photo).cautions)
    return NotMeasured(EMPTY, say("give its photos to a machine check"), bars=bars)


def _by_dots(
    named: dict[PointName, Landmark],
    tags: tuple[Tag, ...],
    lens: Lens,
    settings: Settings,
    *,
    displayed_deg: float | None,
    rng: np.random.Generator,
) -> BarsAlone:
    """The bars between three dots, in the plane of the one strip, else flat in the picture.

    A phone is held more or less upright, so bars that bend as a knee does rise to the hinge.
    """
    # No leg is seen: its place is taken to be the machine's own.
    leg_points = dict(zip(LEG_POINTS, (named[n] for n in MACHINE_POINTS), strict=True))
    points: dict[PointName, Landmark] = {**named, **leg_points}
    foot_right = named["shank_bar"].x_px > named["thigh_bar"].x_px
    leg = LegInView(
        points=points,
        side="right" if foot_right else "left",
        lens=lens,
        view=_view(points, tags, lens, settings),
        placement_mm=settings.placed_mm,
    )
    frame = uncertainty.frame_with_uncertainty(leg, trials=settings.trials, rng=rng)
    assert frame is not None  # noqa: S101  its three points are there
    own = math.sqrt(max(frame.u_deg**2 - frame.u_shared_deg**2, LEAST_U_DEG**2))
    return BarsAlone(
        deg=frame.deg,
        u_deg=own,
        bend=1.0,
        motion=None,
        motion_cov=None,
        displayed_deg=displayed_deg,
        shared_deg=frame.u_shared_deg,
        camera_seen=leg.provable,
        seen_px=tuple((named[name].x_px, named[name].y_px) for name in MACHINE_POINTS),
    )


def _view(
    points: dict[PointName, Landmark], tags: tuple[Tag, ...], lens: Lens, settings: Settings
) -> View:
    """By the one flat strip in the picture, else the prior: two strips say nothing."""
    hip, ankle = points["hip"], points["ankle"]
    rows = strips_of(strip_of(tags)).rows
    if len(rows) == 1:
        board = camera.board_of(rows[0].tags, lens, tag_mm=settings.tag_mm)
        assert board is not None  # noqa: S101  a row has tags
        return camera.view_from_board(
            board, long_axis_px=(ankle.x_px - hip.x_px, ankle.y_px - hip.y_px)
        )
    mm_per_px, u_relative = scale.mm_per_px(Landmarks(points), dot_mm=None, thigh_mm=None)
    distance_mm = mm_per_px * lens.focal_px
    return camera.view_from_prior(
        knee_distance_mm=distance_mm, u_distance_mm=u_relative * distance_mm
    )
