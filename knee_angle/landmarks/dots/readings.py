"""Readings of a picture's dots: for each pigment, which patch may be which dot.

The patches of a pigment are read alone (`assignment`) or where a witness expects the leg
(`expected`). Dots that show no outline of their own (half hidden, shaded) are looked for by
their colour, unless all six are surely there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from knee_angle.assumptions import (
    DOTS_CONVINCING,
    DOTS_HOPELESS,
    DOTS_SPARE_EXPECTED,
    DOTS_SURE,
)
from knee_angle.landmarks.dots.assignment import Assignment, assign
from knee_angle.landmarks.dots.candidates import Candidates, company_of, examine
from knee_angle.landmarks.dots.colour import SAME_PIGMENT2, colour_distance2
from knee_angle.landmarks.dots.expected import Expected, assign_expected
from knee_angle.landmarks.dots.legs import pigments
from knee_angle.landmarks.dots.picture import Picture, inside
from knee_angle.records import LEG_POINTS, MACHINE_POINTS

__all__ = ["Reading", "is_sure", "readings_expected", "readings_of"]

Floats = NDArray[np.float64]

MOST_PIGMENTS = 2
"""Colours followed up; the right one is nearly always the first."""
FEW = 12
"""So few patches of a colour are followed up whatever they score at first (our own)."""
WHOLE_CLEAN = 5
"""So many of six sure dots with a whole outline need no search for half seen ones (our own)."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One assignment and the patches that its numbers mean.

    ``together``: its score is one of all six weighed together.
    """

    named: Assignment
    found: Candidates
    together: bool = False


def readings_of(picture: Picture) -> list[Reading]:
    """All readings of all pigments, the best first."""
    found = picture.found
    readings: list[Reading] = []
    for colour in pigments(found, MOST_PIGMENTS):
        patches = _alike(found, colour)
        # Looking for half seen dots of a common colour that scores less is in vain.
        named = assign(patches, least=DOTS_HOPELESS if len(patches) > FEW else -np.inf)
        if not named:
            continue
        if not _whole(named[0]):
            more = _half_seen(picture, patches, named[0])
            if len(more):
                patches = patches.joined(more)
                named = assign(patches)
        readings += [Reading(one, patches) for one in named]
        best = max(readings, key=lambda reading: reading.named.score)
        if best.named.score > DOTS_CONVINCING and len(best.named.index) >= 5:
            break
    return _best_first(readings)


def _alike(found: Candidates, colour: Floats) -> Candidates:
    """Patches of a pigment, with their company."""
    alike = found.take(colour_distance2(found.lab, colour) < SAME_PIGMENT2)
    return replace(alike, company=company_of(alike, found))


def readings_expected(picture: Picture, expected: Expected, alone: list[Reading]) -> list[Reading]:
    """Readings where a witness expects them, of its own pigments and of those known alone."""
    found = picture.found
    patches = list({id(reading.found): reading.found for reading in alone}.values())
    for colour in pigments(found.take(expected.near(found)), MOST_PIGMENTS):
        alike = _alike(found, colour)
        first = assign_expected(alike, expected)
        if first:
            patches.append(alike.joined(_half_seen(picture, alike, first[0])))
    return _best_first([Reading(n, f) for f in patches for n in assign_expected(f, expected)])


def _best_first(readings: list[Reading]) -> list[Reading]:
    return sorted(readings, key=lambda reading: -reading.named.score)


def _whole(first: Assignment) -> bool:
    """Whether all dots are there, so surely that half seen ones would change nothing."""
    return is_sure(first) and first.clean >= WHOLE_CLEAN


def _half_seen(picture: Picture, alike: Candidates, first: Assignment) -> Candidates:
    """Patches of the pigment that were not found by their outline, with their company."""
    members = np.array(sorted(set(first.index.values())))
    low, high = alike.xy[members].min(axis=0), alike.xy[members].max(axis=0)
    margin = 0.6 * float((high - low).max())  # the part of a leg that the first look may lack
    small = picture.photo.small
    height, width = small.shape[:2]
    box = (
        int(max(low[0] - margin, 0)),
        int(max(low[1] - margin, 0)),
        int(min(high[0] + margin + 1, width)),
        int(min(high[1] + margin + 1, height)),
    )
    radius = float(np.percentile(alike.radius[members], 75))
    xy, size = picture.of_colour(alike.lab[members], radius, box)
    gap = np.linalg.norm(xy[:, None] - alike.xy[None], axis=2)
    new = (gap > 0.6 * alike.radius[None]).all(axis=1) & ~inside(xy, picture.quads)
    more = examine(small, xy[new], size[new], trusted=True)
    return replace(more, company=company_of(more, picture.found))


def is_sure(best: Assignment) -> bool:
    """Whether the best reading needs no witness."""
    complete = len(best.index) == len(LEG_POINTS) + len(MACHINE_POINTS)
    return complete and best.rare and best.score > DOTS_SURE + DOTS_SPARE_EXPECTED * best.spare
