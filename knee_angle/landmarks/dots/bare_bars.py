"""The three dots of a machine without a leg: on thigh bar, hinge and lower-leg bar.

Of all threes of one pigment and size those count whose outer dots lie on bars of one make that
run straight towards the middle dot, and whose middle dot lies between the others from hip end
to foot and not below them: bars bend as a knee does, and the phone is held upright.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from knee_angle.assumptions import FRAME_LEAST_DEG
from knee_angle.landmarks.base import Quad
from knee_angle.landmarks.dots.bars import bar_cue
from knee_angle.landmarks.dots.candidates import Candidates
from knee_angle.landmarks.dots.centres import SeenDot, centres
from knee_angle.landmarks.dots.colour import SAME_PIGMENT2, colour_distance2
from knee_angle.landmarks.dots.legs import Legs, flexion_deg_of, pigments, triples
from knee_angle.landmarks.dots.picture import Picture
from knee_angle.landmarks.dots.quality import quality, vivid
from knee_angle.language import say
from knee_angle.photo.reading import Photo
from knee_angle.records import MACHINE_POINTS, Landmark, NotMeasured, PointName

__all__ = ["machine_dots_alone"]

Floats = NDArray[np.float64]

MOST_PIGMENTS = 6
"""Colours followed up: without a leg the right one is not always among the first (our own)."""
MOST_DEG = 140.0
"""Bars as bent as any machine bends; as straight: `FRAME_LEAST_DEG`."""
BARS_WEIGHT = 2.0
"""A bar on both sides of a dot says more of an empty machine than the dots' shapes do (our
own)."""
LEAST_BARS = 1.5
"""Of at most 4.5: threes without bars are buttons or discs (our own)."""
MARGIN = 0.75
"""Two different threes closer than this are refused (natural logarithm; our own)."""
NO_DOTS = NotMeasured(
    say("no three dots of one colour were found on the bars and hinge of the empty machine"),
    say(
        "stick one dot each, all of one strong colour that occurs nowhere else, on "
        "thigh bar, hinge and lower-leg bar, or the two bar tags, and photograph "
        "square-on"
    ),
)
SEVERAL = NotMeasured(
    say("the dots can be read as bars in more than one way"),
    say("remove dots and buttons of the same colour that are not needed, or use the two bar tags"),
)


def machine_dots_alone(
    photo: Photo, *, masked: tuple[Quad, ...] = ()
) -> dict[PointName, Landmark] | NotMeasured:
    """The machine's three dots in full-size px, or why they are not told.

    Parameters
    ----------
    photo : Photo
        The upright photo.
    masked : tuple of Quad
        Regions without dots (printed tags), full-size pixels.
    """
    found = Picture.of(photo, masked).found
    best: list[tuple[float, frozenset[tuple[float, ...]], Candidates, tuple[int, ...]]] = []
    for colour in pigments(found, MOST_PIGMENTS):
        alike = found.take(colour_distance2(found.lab, colour) < SAME_PIGMENT2)
        if len(alike) < len(MACHINE_POINTS) or not vivid(alike):
            continue  # bolts and buttons are dark or grey in threes on every machine
        for score, row in _threes(alike):
            where = frozenset(tuple(np.round(alike.xy[k], 1)) for k in row)
            best.append((score, where, alike, row))
    best.sort(key=lambda one: -one[0])
    if not best:
        return NO_DOTS
    score, where, alike, row = best[0]
    if any(other > score - MARGIN and its != where for other, its, _, _ in best[1:]):
        return SEVERAL
    return _centred(photo, alike, row)


def _threes(alike: Candidates) -> list[tuple[float, tuple[int, ...]]]:
    """Every three that can be thigh bar, hinge and lower-leg bar, with its score."""
    legs = triples(alike, np.maximum(quality(alike), -3.0))
    if not len(legs.hip):
        return []
    machine = legs.index
    cue = bar_cue(alike, legs, machine)
    keep = _bends_as_a_knee(alike.xy, legs) & (cue > LEAST_BARS)
    score = legs.score + BARS_WEIGHT * cue
    return [(float(score[k]), tuple(int(i) for i in machine[k])) for k in np.nonzero(keep)[0]]


def _bends_as_a_knee(xy: Floats, legs: Legs) -> NDArray[np.bool_]:
    """Whether the middle dot lies between the others along the picture, and not below them."""
    one, hinge, other = xy[legs.hip], xy[legs.knee], xy[legs.ankle]
    between = (one[:, 0] - hinge[:, 0]) * (other[:, 0] - hinge[:, 0]) < 0.0
    share = (hinge[:, 0] - one[:, 0]) / np.where(between, other[:, 0] - one[:, 0], 1.0)
    line = one[:, 1] + share * (other[:, 1] - one[:, 1])
    flexion = flexion_deg_of(xy, legs) * np.where(hinge[:, 1] <= line, 1.0, -1.0)
    return np.asarray(between & (flexion < MOST_DEG) & (flexion > FRAME_LEAST_DEG))


def _centred(photo: Photo, found: Candidates, row: tuple[int, ...]) -> dict[PointName, Landmark]:
    """Exact centres; the dot nearer to the hip end is not known and need not be."""
    scale = np.array([photo.scale_x, photo.scale_y])
    factor = float(scale.mean())
    stretch = np.hypot(*found.stretch.T)
    long, narrow = found.radius * (1.0 + stretch), found.radius * (1.0 - stretch)
    seen = [
        SeenDot(
            xy=found.xy[which] * scale,
            radius=float(found.radius[which]) * factor,
            narrow_radius=float(narrow[which]) * factor,
            usual_radius=float(np.median(long[list(row)])) * factor,
            usual_narrow_radius=float(np.median(narrow[list(row)])) * factor,
            on_machine=True,
            unit_px=factor,
        )
        for which in row
    ]
    return {
        name: Landmark(*mark.xy, mark.cov_px2, "dot")
        for name, mark in zip(MACHINE_POINTS, centres(photo, seen), strict=True)
    }
