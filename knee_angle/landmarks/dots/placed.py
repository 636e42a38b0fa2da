"""A reading's dots at their exact centres, with the leg's side and the dots' size."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from knee_angle.assumptions import DOTS_SURE_SIDE_DEG
from knee_angle.landmarks.dots.candidates import Candidates
from knee_angle.landmarks.dots.centres import SeenDot, centres
from knee_angle.landmarks.dots.expected import with_bars_anywhere
from knee_angle.landmarks.dots.readings import Reading
from knee_angle.language import say
from knee_angle.photo.reading import Photo
from knee_angle.records import (
    LEG_POINTS,
    MACHINE_POINTS,
    Landmark,
    Landmarks,
    PointName,
    Side,
)

__all__ = ["leg_about", "leg_at", "placed"]


def placed(photo: Photo, reading: Reading) -> Landmarks:
    """Exact centres, side and size of a reading."""
    found = reading.found
    index = with_bars_anywhere(found, reading.named).index
    scale = np.array([photo.scale_x, photo.scale_y])
    factor = float(scale.mean())
    on_machine = [index[name] for name in MACHINE_POINTS if name in index]
    stretch = np.hypot(*found.stretch.T)
    long, narrow = found.radius * (1.0 + stretch), found.radius * (1.0 - stretch)
    flat = on_machine or list(index.values())
    usual = [factor * float(np.median(of[flat])) for of in (long, narrow)]
    dots = [
        SeenDot(
            xy=found.xy[which] * scale,
            radius=float(found.radius[which]) * factor,
            narrow_radius=float(narrow[which]) * factor,
            usual_radius=usual[0],
            usual_narrow_radius=usual[1],
            on_machine=name in MACHINE_POINTS,
            unit_px=factor,
        )
        for name, which in index.items()
    ]
    marks = centres(photo, dots)
    points: dict[PointName, Landmark] = {
        name: Landmark(*mark.xy, mark.cov_px2, "dot")
        for name, mark in zip(index, marks, strict=True)
    }
    sizes = [
        mark.radius
        for mark, dot in zip(marks, dots, strict=True)
        if dot.on_machine or not on_machine
    ]
    side, cautions = _side(points)
    return Landmarks(points, side, 2.0 * float(np.median(sizes)), cautions)


def leg_about(photo: Photo, dots: Candidates) -> Landmarks:
    """A leg that reaches as far as some dots do, for a look at where they lie."""
    xy = dots.xy * np.array([photo.scale_x, photo.scale_y])
    (left, top), (right, low) = xy.min(axis=0), xy.max(axis=0)
    return leg_at([(left, low), (left, top), (right, top)])


def leg_at(places: Iterable[tuple[float, float]]) -> Landmarks:
    """A leg for a witness to look about: hip, knee and ankle, full-size px."""
    points: dict[PointName, Landmark] = {
        name: Landmark(float(x), float(y), (1.0, 0.0, 1.0), "dot")
        for name, (x, y) in zip(LEG_POINTS, places, strict=True)
    }
    return Landmarks(points)


def _side(points: dict[PointName, Landmark]) -> tuple[Side, tuple[str, ...]]:
    """Left or right leg, photographed from its lateral side.

    A left leg bends so that hip, knee, ankle turn counter-clockwise in the picture
    (its foot lies left of its hip when the knee cap points up).
    """
    hip, knee, ankle = (np.array([points[n].x_px, points[n].y_px]) for n in LEG_POINTS)
    thigh, shank = knee - hip, ankle - knee
    cross = float(thigh[0] * shank[1] - thigh[1] * shank[0])
    dot = float(thigh @ shank)
    if np.degrees(np.arctan2(abs(cross), dot)) > DOTS_SURE_SIDE_DEG:
        return ("right" if cross > 0 else "left"), ()
    caution = say("The knee is nearly straight: the side assumes that the photo is upright.")
    return ("left" if ankle[0] < hip[0] else "right"), (caution,)
