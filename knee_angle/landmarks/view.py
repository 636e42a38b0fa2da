"""How the camera stands to a leg: by printed tags, else by what a detector sees, else a prior."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from knee_angle.angle import geometry, scale
from knee_angle.assumptions import U_CORNER_PX, U_FACES_OF_LEG_DEG
from knee_angle.landmarks.base import Detector, DirectionDetector
from knee_angle.landmarks.facing import by_outlines, faces_seen, seen_through
from knee_angle.photo import boards, camera
from knee_angle.photo.reading import Photo
from knee_angle.photo.tags import Tag
from knee_angle.records import (
    MACHINE_POINTS,
    BarTags,
    Frame,
    Landmarks,
    LegInView,
    Lens,
    Machine,
    View,
)
from knee_angle.settings import Settings

__all__ = ["machine_of", "scale_of", "view_of", "with_lens_in_doubt"]

Floats = NDArray[np.float64]


def view_of(
    photo: Photo,
    landmarks: Landmarks,
    lens: Lens,
    found: boards.Boards,
    detectors: Sequence[Detector],
    settings: Settings,
) -> tuple[View, BarTags | None]:
    """How the camera stands to the leg: by tags, else estimated, else the stated prior.

    With the tags on the machine's bars, where both are seen.
    """
    hip, ankle = landmarks.points["hip"], landmarks.points["ankle"]
    long_axis_px = (ankle.x_px - hip.x_px, ankle.y_px - hip.y_px)
    strip, bars = found.strip, found.bars
    if bars is not None:
        thigh, shank = (tag.corners_px for tag in found.bar_tags)
        seen = BarTags(thigh, shank, u_px=max(U_CORNER_PX, bars.rms_px))
        return camera.view_from_bars(bars, strip=strip, long_axis_px=long_axis_px), seen
    if strip is not None:
        return camera.view_from_board(strip, long_axis_px=long_axis_px), None
    return _without_tags(photo, landmarks, lens, detectors, settings), None


def _without_tags(
    photo: Photo,
    landmarks: Landmarks,
    lens: Lens,
    detectors: Sequence[Detector],
    settings: Settings,
) -> View:
    mm_per_px, u_relative = scale.mm_per_px(
        landmarks, dot_mm=settings.dot_mm, thigh_mm=settings.thigh_mm
    )
    distance_mm = mm_per_px * lens.focal_px
    u_mm = u_relative * distance_mm
    for detector in detectors:
        if isinstance(detector, DirectionDetector):
            direction = detector.direction(photo, landmarks)
            if direction is not None:
                direction = seen_through(direction, photo, landmarks, lens)
                found = faces_seen(photo, landmarks, lens)
                direction = by_outlines(direction, found, lens, u_faces_deg=U_FACES_OF_LEG_DEG)
                return camera.view_from_direction(
                    direction, knee_distance_mm=distance_mm, u_distance_mm=u_mm
                )
    return camera.view_from_prior(knee_distance_mm=distance_mm, u_distance_mm=u_mm)


def with_lens_in_doubt(
    leg: LegInView, tags: tuple[Tag, ...], landmarks: Landmarks, settings: Settings
) -> LegInView:
    """The leg with how its normal leans where focal length and middle of the lens are others.

    A strip shows another plane through another lens; what a network or outlines show lies to
    the line of sight, and turns with it. What is only a prior is of the camera's own axis.
    """
    lens, view = leg.lens, leg.view
    if lens.u_centre == 0.0 or view.plane == "image":
        return leg
    off = lens.u_centre * lens.diagonal_px
    seen = _strip_plane(tags, lens, landmarks, settings) if view.plane == "tag" else None
    slopes = []
    for log_focal, x_px, y_px in ((lens.u_relative, 0.0, 0.0), (0.0, off, 0.0), (0.0, 0.0, off)):
        leans = []
        for sign in (1.0, -1.0):
            other = lens.moved(sign * log_focal, (sign * x_px, sign * y_px))
            plane = None if seen is None else _strip_plane(tags, other, landmarks, settings)
            leans.append(
                _turned_with_sight(leg, other)
                if seen is None or plane is None
                else geometry.tilt_to(seen, plane)
            )
        a, b = ((leans[0] - leans[1]) / 2.0).tolist()
        slopes.append((a, b))
    return replace(leg, view=replace(view, tilt_by_lens_deg=tuple(slopes)))


def _strip_plane(
    tags: tuple[Tag, ...], lens: Lens, landmarks: Landmarks, settings: Settings
) -> Floats | None:
    """The normal (3,) of the tags' plane as seen through a lens."""
    found = boards.boards_of(tags, lens, landmarks, settings)
    board = found.strip or found.bars
    return None if board is None else np.array(board.normal)


def _turned_with_sight(leg: LegInView, lens: Lens) -> Floats:
    """By how much (a, b) the leg's normal leans with its line of sight through a lens, degrees."""
    knee, normal = leg.points["knee"], np.array(leg.view.normal)
    at_px = np.array([knee.x_px, knee.y_px])
    turned = camera.turned_with_sight(normal, at_px, was=leg.lens, now=lens)
    return geometry.tilt_to(normal, turned)


def scale_of(
    view: View, landmarks: Landmarks, settings: Settings
) -> Literal["tags", "dots", "thigh"] | None:
    """What gives millimetres, best first; None where a usual leg has to be assumed."""
    if view.plane == "tag":
        return "tags"
    if settings.dot_mm is not None and landmarks.diameter_px is not None:
        return "dots"
    return None if settings.thigh_mm is None else "thigh"


def machine_of(landmarks: Landmarks, frame: Frame | None) -> Machine | None:
    """The machine's points, where any were found."""
    points = {n: landmarks.points[n] for n in MACHINE_POINTS if n in landmarks.points}
    return Machine(points=points, frame=frame) if points or frame is not None else None
