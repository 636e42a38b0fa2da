"""Everything in a picture that could be a round one-colour dot.

Three steps, each on whole arrays at once:

1. places that stand out from their surroundings (`proposals`);
2. a closer look along rays at each (`outlines`): centre, size, how much of a dot it is,
   whether a second edge lies around it;
3. what is no closed outline, or a second one of the same dot, is left out.

Coordinates are pixels of the picture given, continuous, (0, 0) the outer corner of
its top-left pixel.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from knee_angle.landmarks.dots.colour import SAME_PIGMENT2, colour_distance2, lab_of
from knee_angle.landmarks.dots.outlines import (
    RADII_FIRST,
    RADII_SECOND,
    paint,
    star,
    surroundings,
)

__all__ = ["Candidates", "company_of", "examine", "shape_quality"]

Floats = NDArray[np.float64]
Rgb = NDArray[np.uint8]

SMALLEST_RADIUS_PX = 1.9
LARGEST_RADIUS_PX = 40.0
COMPANY_RADII = 7.0
COMPANY_LOG_RATIO = 0.5
"""Buttons of one set have about one size and stand a few radii apart."""


@dataclass(frozen=True, slots=True)
class Candidates:
    """Round one-colour patches.

    Parameters
    ----------
    xy : ndarray, shape (n, 2)
        Centre, px.
    radius : ndarray, shape (n,)
        Mean radius of the outline, px.
    stretch : ndarray, shape (n, 2)
        Second harmonic of the outline in radii: (0, 0) is a circle, length 1/3 an
        ellipse with axes 2:1; direction is twice the angle of the long axis.
    misfit : ndarray, shape (n,)
        Root mean square distance of the outline from a smooth curve, radii.
    arc : ndarray, shape (n,)
        Share of the outline with a clear edge on the curve, 0 to 1.
    contrast : ndarray, shape (n,)
        Colour step at the outline, RGB units.
    roughness : ndarray, shape (n,)
        Root mean square colour change inside, RGB units.
    lab : ndarray, shape (n, 3)
        Colour, CIE L*a*b*.
    ring : ndarray, shape (n,)
        Colour step of a concentric edge outside, RGB units; 0 where there is none.
    around : ndarray, shape (n, RAYS, 3)
        Colour just outside along each ray, CIE L*a*b*.
    company : ndarray, shape (n,)
        How many round patches of about the same size and another colour lie close by.
    """

    xy: Floats
    radius: Floats
    stretch: Floats
    misfit: Floats
    arc: Floats
    contrast: Floats
    roughness: Floats
    lab: Floats
    ring: Floats
    around: Floats
    company: Floats

    def __len__(self) -> int:
        return len(self.radius)

    def take(self, index: NDArray[np.intp] | NDArray[np.bool_]) -> Candidates:
        """The chosen ones, in the order of the index."""
        return Candidates(*(getattr(self, f.name)[index] for f in fields(self)))

    def joined(self, other: Candidates) -> Candidates:
        """These and then the others."""
        return Candidates(
            *(np.concatenate([getattr(self, f.name), getattr(other, f.name)]) for f in fields(self))
        )


def shape_quality(misfit: Floats, arc: Floats, contrast: Floats, stretch: Floats) -> Floats:
    """How much of a dot each outline is, whatever lies in it: +1.5 for a clean circle."""
    shape = np.minimum((misfit / 0.06) ** 2, 6.0)
    faint = np.maximum(0.0, 1.0 - contrast / 20.0)
    thin = np.maximum(np.hypot(stretch[:, 0], stretch[:, 1]) - 0.2, 0.0) / 0.1
    return np.asarray(1.5 - 0.5 * shape - 0.6 * (1.0 - arc) / 0.2 - faint - thin)


def examine(
    picture: Rgb,
    xy: Floats,
    radius: Floats,
    *,
    trusted: bool = False,
    least: float = -np.inf,
) -> Candidates:
    """Outlines around proposed places; what is no closed outline is left out.

    Parameters
    ----------
    picture : ndarray of uint8, shape (height, width, 3)
        RGB.
    xy : ndarray, shape (n, 2)
    radius : ndarray, shape (n,)
        Proposed places and radii, px.
    trusted : bool
        Keep places without a closed outline too (of a dot partly hidden, say).
    least : float
        Leave out what `shape_quality` puts no higher.

    Returns
    -------
    Candidates
        At most n, without duplicates.
    """
    if trusted:
        return _second_look(picture, xy, radius, trusted=True, least=least)
    curve, misfit, arc, contrast, _ = star(picture, xy, radius, RADII_FIRST, first=True)
    centre = xy + np.clip(curve[:, 1:3], -radius[:, None], radius[:, None])
    good = (misfit < 0.3) & (arc > 0.5) & (contrast > 8.0)
    good &= (curve[:, 0] > SMALLEST_RADIUS_PX) & (curve[:, 0] < LARGEST_RADIUS_PX)
    order = np.nonzero(good)[0]
    order = order[np.argsort(misfit[order] - arc[order], kind="stable")]
    order = order[~_repeats(centre[order], curve[order, 0])]
    return _second_look(picture, centre[order], curve[order, 0], trusted=False, least=least)


def _second_look(
    picture: Rgb, xy: Floats, radius: Floats, *, trusted: bool, least: float
) -> Candidates:
    curve, misfit, arc, contrast, colours = star(picture, xy, radius, RADII_SECOND, first=False)
    reach = radius[:, None] * (0.4 if trusted else 1.0)
    centre = xy + np.clip(curve[:, 1:3], -reach, reach)
    size = np.maximum(curve[:, 0], 0.1)
    keep = (misfit < 0.2) & (arc >= 0.6) & (contrast > 6.0) & (size > SMALLEST_RADIUS_PX)
    order = np.nonzero(keep | trusted)[0]
    order = order[np.argsort(misfit[order] - arc[order], kind="stable")]
    order = order[~_repeats(centre[order], size[order])]
    stretch = curve[order, 3:] / size[order, None]
    order = order[shape_quality(misfit[order], arc[order], contrast[order], stretch) > least]
    centre, size, curve, misfit, arc, contrast = (
        part[order] for part in (centre, size, curve, misfit, arc, contrast)
    )
    # What lies inside and around is asked last: most places are no outlines.
    rgb, rough = paint(colours[order], curve / radius[order, None], RADII_SECOND)
    ring, around = surroundings(picture, centre, size, curve)
    return Candidates(
        xy=centre,
        radius=size,
        stretch=curve[:, 3:] / size[:, None],
        misfit=misfit,
        arc=arc,
        contrast=contrast,
        roughness=rough,
        lab=lab_of(rgb),
        ring=ring,
        around=around,
        company=np.zeros(len(order)),
    )


def company_of(some: Candidates, everything: Candidates) -> Floats:
    """How many clear patches of other colours lie around each; see ``Candidates``.

    Returns
    -------
    ndarray, shape (len(some),)
    """
    gap = np.linalg.norm(some.xy[:, None] - everything.xy[None], axis=2)
    ratio = np.abs(np.log(some.radius[:, None] / everything.radius[None]))
    radius = np.maximum(some.radius[:, None], everything.radius[None])
    beside = (gap < COMPANY_RADII * radius) & (gap > radius) & (ratio < COMPANY_LOG_RATIO)
    beside &= (everything.misfit < 0.08) & (everything.arc > 0.9)
    beside &= colour_distance2(some.lab[:, None], everything.lab[None]) > SAME_PIGMENT2
    return np.asarray(beside.sum(axis=1), dtype=np.float64)


def _repeats(xy: Floats, radius: Floats) -> NDArray[np.bool_]:
    """Which ones lie on an earlier one of about the same size."""
    across, down = (part[:, None] - part for part in xy.T)
    least = 0.6 * np.minimum(radius[:, None], radius)
    earlier, later = np.nonzero(across * across + down * down < least * least)
    alike = np.abs(np.log(radius[earlier] / radius[later])) < 0.5
    repeated = np.zeros(len(xy), dtype=bool)
    repeated[later[(earlier < later) & alike]] = True
    return repeated
