"""Threes of patches that can be hip, knee and ankle, and what their surroundings say.

- together: one pigment under different light, one size;
- shape: two segments of about the same length, 8 to 56 dots long, that can bend so;
- surroundings: skin round the ankle as round the knee, no ring round the knee.

Picture coordinates: x right, y down. Scores are natural logarithms, as in `assignment`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from knee_angle.angle.geometry import dot
from knee_angle.assumptions import DOTS_SURE_SIDE_DEG
from knee_angle.landmarks.dots.candidates import Candidates
from knee_angle.landmarks.dots.colour import PAINT2, SAME_PIGMENT2, colour_distance2
from knee_angle.landmarks.dots.quality import crowded, pigment_prior, quality
from knee_angle.records import LEG_POINTS

__all__ = [
    "LARGEST_FLEXION_DEG",
    "LEAST_CUES",
    "LEAST_SKIN",
    "RING_COST",
    "RING_SURE",
    "Legs",
    "anterior",
    "chosen",
    "either_way",
    "flexion_deg_of",
    "leg_cues",
    "most_leg_cues",
    "pigments",
    "surroundings_alike",
    "triples",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]

SHORTEST_SEGMENT_DOTS = 8.0
LONGEST_SEGMENT_DOTS = 56.0
"""A thigh of 340-520 mm and dots of 10-25 mm give 14 to 52; a view 40 degrees off
shortens to 0.77, a hidden part makes a dot look smaller."""
LOG_RATIO_SPREAD = 0.28
LOG_RATIO_LIMIT = 0.6
"""Thigh against shank: 1.0 (Drillis and Contini: .245 and .246 of stature); the view and
a high or low mark change it by up to 1.6 in the picture."""
LARGEST_FLEXION_DEG = 145.0
"""125 degrees, plus 20 for the view."""
LEG_SIZE_SPREAD = 0.35
"""Logarithm of size among leg dots: seen obliquely, partly hidden."""
RISE_WEIGHT = 8.0
RISE_MOST = 1.5
"""A machine holds the ankle some 50 mm higher than the bed holds the hip: 0.12 of the
distance between, spread 0.1, taken as 0.17 for a camera that is not level."""
SKIN_AT_ANKLE = 3.5
SKIN_AT_HIP = 1.5
"""Ankle and knee lie on one skin, the hip usually on cloth."""
LEAST_SKIN = 0.3
"""Share of the ankle's surroundings that a lone ankle must have in common with the knee."""
LEAST_CUES = 0.3
"""Least sum of cues for a leg whose ankle does not lie on the knee's skin (a sock)."""
RING_SURE = 18.0
RING_COST = 3.0
"""A concentric step above JPEG noise and skin texture (RGB units)."""
COMPANY_COST = 1.0
"""For each further round patch of another colour close by: a row of buttons."""
NEIGHBOURS = 20
TRIPLES = 120
"""Patches tried with each knee, and threes kept."""


@dataclass(frozen=True, slots=True)
class Legs:
    """Indices of possible legs, shape (m,) each, with their score so far."""

    hip: Ints
    knee: Ints
    ankle: Ints
    score: Floats

    @property
    def index(self) -> Ints:
        """All three, shape (m, 3)."""
        return np.stack([self.hip, self.knee, self.ankle], axis=1)


def pigments(found: Candidates, most: int) -> Floats:
    """Colours that make a V of three similar dots, the most convincing first.

    Returns
    -------
    ndarray, shape (k, 3)
        CIE L*a*b*, k <= most.
    """
    if len(found) < len(LEG_POINTS):
        return np.zeros((0, 3))
    own = quality(found)
    legs = triples(found, own, rarest_first=True)
    colours = found.lab[legs.index[np.argsort(-legs.score, kind="stable")]].mean(axis=1)
    kept: list[Floats] = []
    while len(colours) and len(kept) < most:
        kept.append(colours[0])
        colours = colours[colour_distance2(colours, colours[0]) > SAME_PIGMENT2 / 3.0]
    return np.array(kept).reshape(-1, 3)


def triples(found: Candidates, good: Floats, *, rarest_first: bool = False) -> Legs:
    """The best V-shaped threes of one pigment and size, one way round.

    ``rarest_first`` takes those first whose colour is on few patches, before threes of a
    pattern fill the list.
    """
    colour = colour_distance2(found.lab[:, None], found.lab[None])
    size = np.log(found.radius[:, None] / found.radius[None])
    # Coordinate by coordinate: numpy's own norm is slow over an axis of two.
    across, down = (part[:, None] - part for part in found.xy.T)
    gap = np.sqrt(across * across + down * down)
    dots = gap / (2.0 * np.maximum(found.radius[:, None], found.radius[None]))
    fits = (colour < SAME_PIGMENT2) & (np.abs(size) < 0.9)
    fits &= (dots > SHORTEST_SEGMENT_DOTS) & (dots < LONGEST_SEGMENT_DOTS)
    value = good[None] - 0.5 * colour - 0.5 * (size / LEG_SIZE_SPREAD) ** 2
    value = np.where(fits, value, -np.inf)
    width = min(NEIGHBOURS, len(found))
    near = np.argsort(-value, axis=1, kind="stable")[:, :width]
    a, b = np.triu_indices(width, 1)
    middle = np.repeat(np.arange(len(found)), len(a))
    one, other = near[:, a].ravel(), near[:, b].ravel()
    keep = np.isfinite(value[middle, one] + value[middle, other])
    keep &= colour[one, other] < SAME_PIGMENT2
    one, middle, other = one[keep], middle[keep], other[keep]
    ratio = np.log(gap[one, middle] / gap[middle, other])
    keep = np.abs(ratio) < LOG_RATIO_LIMIT
    one, middle, other, ratio = one[keep], middle[keep], other[keep], ratio[keep]
    score = value[middle, one] + value[middle, other] + good[middle]
    score = score - 0.5 * colour[one, other] - 0.5 * (ratio / LOG_RATIO_SPREAD) ** 2
    score = score + pigment_prior(found.lab)[middle]
    if rarest_first:
        score = score - 2.0 * crowded(colour, good)[middle]
    legs = Legs(one, middle, other, score)
    best = np.nonzero(flexion_deg_of(found.xy, legs) < LARGEST_FLEXION_DEG)[0]
    return chosen(legs, best[np.argsort(-legs.score[best], kind="stable")[:TRIPLES]])


def chosen(legs: Legs, rows: Ints) -> Legs:
    """Those in the rows."""
    return Legs(legs.hip[rows], legs.knee[rows], legs.ankle[rows], legs.score[rows])


def either_way(legs: Legs) -> Legs:
    """Each leg, and each with hip and ankle exchanged."""
    return Legs(
        np.concatenate([legs.hip, legs.ankle]),
        np.concatenate([legs.knee, legs.knee]),
        np.concatenate([legs.ankle, legs.hip]),
        np.concatenate([legs.score, legs.score]),
    )


def flexion_deg_of(xy: Floats, legs: Legs) -> Floats:
    """Unsigned angle of each leg in the picture, shape (m,)."""
    thigh, shank = xy[legs.knee] - xy[legs.hip], xy[legs.ankle] - xy[legs.knee]
    cross = thigh[:, 0] * shank[:, 1] - thigh[:, 1] * shank[:, 0]
    return np.asarray(np.degrees(np.arctan2(np.abs(cross), dot(thigh, shank))))


def anterior(xy: Floats, legs: Legs) -> tuple[Floats, Bools]:
    """Unit vectors across the leg to its anterior side, (m, 2), and whether that is up."""
    along = xy[legs.ankle] - xy[legs.hip]
    across = np.stack([along[:, 1], -along[:, 0]], axis=1)
    across /= np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-9)
    bulge = np.sum((xy[legs.knee] - xy[legs.hip]) * across, axis=1)
    bent = flexion_deg_of(xy, legs) > DOTS_SURE_SIDE_DEG
    flip = np.where(bent, bulge < 0.0, across[:, 1] > 0.0)
    across = np.where(flip[:, None], -across, across)
    return across, np.asarray(across[:, 1] < 0.35)  # up to 20 degrees below level


def leg_cues(found: Candidates, legs: Legs) -> Floats:
    """What the surroundings say about hip, knee and ankle."""
    skin = SKIN_AT_ANKLE * surroundings_alike(found, legs.ankle, legs.knee)
    skin = skin - SKIN_AT_HIP * surroundings_alike(found, legs.hip, legs.knee)
    return _with_rise_and_rings(found, legs, skin)


def most_leg_cues(found: Candidates, legs: Legs) -> Floats:
    """Most that `leg_cues` says: one skin at knee and ankle, another surface at the hip."""
    return _with_rise_and_rings(found, legs, np.full(len(legs.knee), SKIN_AT_ANKLE))


def _with_rise_and_rings(found: Candidates, legs: Legs, skin: Floats) -> Floats:
    """What the skin says, with how low the hip lies, rings round the knee and rows of buttons."""
    rise = found.xy[legs.hip, 1] - found.xy[legs.ankle, 1]
    length = np.linalg.norm(found.xy[legs.hip] - found.xy[legs.ankle], axis=1)
    rise = np.clip(RISE_WEIGHT * rise / np.maximum(length, 1e-9), -RISE_MOST, RISE_MOST)
    ring = np.where(found.ring[legs.knee] > RING_SURE, RING_COST, 0.0)
    company = np.clip(found.company[legs.index] - 1.0, 0.0, 2.0).sum(axis=1)
    return np.asarray(skin + rise - ring - COMPANY_COST * company)


def surroundings_alike(found: Candidates, one: Ints, other: Ints) -> Floats:
    """Share of the surroundings of one that also surround the other, 0 to 1."""
    pairs, back = np.unique(one * len(found) + other, return_inverse=True)
    first, second = np.divmod(pairs, len(found))
    a, b = found.around[first][:, ::2], found.around[second][:, ::2]
    # The third nearest: two rays of the other may be chance.
    gap2 = np.partition(colour_distance2(a[:, :, None], b[:, None]), 2, axis=2)
    shared = (gap2[:, :, 2] < PAINT2).mean(axis=1)
    return np.asarray(shared[back])
