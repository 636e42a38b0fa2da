"""How much of a dot a patch is, and how much its pigment stands out in the picture."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from knee_angle.landmarks.dots.candidates import Candidates, shape_quality
from knee_angle.landmarks.dots.colour import SAME_PIGMENT2, colour_distance2

__all__ = [
    "CLEAN",
    "LEAST_PIGMENT",
    "RARE",
    "STRONG_CHROMA",
    "VOUCHED",
    "crowd",
    "crowded",
    "pigment_prior",
    "quality",
    "vivid",
    "vivid_colour",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]

STRONG_CHROMA = 28.0
BLACK_LIGHTNESS = 38.0
WHITE_LIGHTNESS = 80.0
DARK_CHROMA, DEEP = 16.0, 0.6
"""A dark pigment's chroma is less, though it is as deep for its lightness (our own)."""
COLD_HUES, COLD = [0.0, 150.0, 175.0, 255.0, 280.0, 360.0], [1.0, 1.0, 0.7, 0.7, 1.0, 1.0]
"""By how much less chroma a cyan is as deep: of lightness 40 to 60, sRGB shows it to 34 to 40,
every other hue to 46 to 134. Angles in CIE a*b*, degrees."""
FAINT_PIGMENT = 4.0
"""A pigment that stands out: chroma of a marker or pen (from 28), or nearly black, or
white. Cost of a middling grey or beige."""
USUAL_CROWD = 8.0
RARE = 0.3
"""Six dots and a few buttons are usual; more of one kind are a pattern. Logarithm up to
which a pigment counts as rare."""
LEAST_PIGMENT = -0.5
"""Least `pigment_prior` of a patch that is followed up as one of a set (our own)."""
VOUCHED = -0.3
"""Least quality of a patch whose rare pigment vouches for it."""
CLEAN = 0.5
"""Quality of a patch that looks like a whole dot by itself."""


def quality(found: Candidates) -> Floats:
    """How much of a dot each patch is: +1.5 for a clean disc, down to about -4."""
    uneven = np.minimum((found.roughness / np.maximum(found.contrast, 1.0) / 0.5) ** 2, 4.0)
    shape = shape_quality(found.misfit, found.arc, found.contrast, found.stretch)
    return np.asarray(shape - 0.4 * uneven)


def pigment_prior(lab: Floats) -> Floats:
    """0 for a strong colour, black or white, down to -4 for a middling grey or beige."""
    chroma = _depth(lab)
    dull = np.clip((STRONG_CHROMA - chroma) / 12.0, 0.0, 1.0)
    middling = np.minimum(lab[..., 0] - BLACK_LIGHTNESS, WHITE_LIGHTNESS - lab[..., 0])
    return np.asarray(-FAINT_PIGMENT * dull * np.clip(middling / 10.0, 0.0, 1.0))


def crowd(found: Candidates, own: Floats, colours: Floats) -> Floats:
    """Logarithm of how many more patches of these colours there are than usual."""
    return crowded(colour_distance2(found.lab[None], colours[:, None]), own)


def crowded(distance2: Floats, own: Floats) -> Floats:
    """The same from how unlike each colour is to each of the patches, (k, n)."""
    count = ((distance2 < SAME_PIGMENT2) * np.exp(np.minimum(own, 0.0))).sum(axis=1)
    return np.asarray(np.log(np.maximum(count / USUAL_CROWD, 1.0)))


def vivid(found: Candidates) -> bool:
    """Whether patches of about one colour have that of a marker or pen, and are not black."""
    return bool(vivid_colour(np.median(found.lab, axis=0)[None])[0])


def vivid_colour(lab: Floats) -> Bools:
    """Which colours, shape (n, 3), are a marker's or pen's: deep for their lightness."""
    least = np.minimum(STRONG_CHROMA, np.maximum(DARK_CHROMA, DEEP * lab[:, 0]))
    return np.asarray(_depth(lab) > least)


def _depth(lab: Floats) -> Floats:
    """Chroma, of a cyan as much as makes another hue as deep."""
    hue = np.degrees(np.arctan2(lab[..., 2], lab[..., 1])) % 360.0
    return np.asarray(np.hypot(lab[..., 1], lab[..., 2]) / np.interp(hue, COLD_HUES, COLD))
