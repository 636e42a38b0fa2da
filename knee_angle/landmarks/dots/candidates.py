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

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from knee_angle.landmarks.dots.colour import SAME_PIGMENT2, colour_distance2, lab_of
from knee_angle.landmarks.dots.outlines import (
    MOST_STRETCH,
    RADII_FIRST,
    RADII_SECOND,
    drawn_out,
    paint,
    star,
    surroundings,
)

__all__ = ["Candidates", "company_of", "examine", "half_length", "shape_quality", "square_on"]

Floats = NDArray[np.float64]
Rgb = NDArray[np.uint8]

SMALLEST_RADIUS_PX = 1.9
LARGEST_RADIUS_PX = 40.0
THIN, OBLIQUE, FITS, LOOSE = 0.2, 0.3, 0.04, 0.08
"""From which stretch on a patch is too thin for a dot, how much more it may be where an ellipse
fits it (3:1 is 0.5), and misfits of an outline that fits and one that does not (our own)."""
SQUARE_FROM, SQUARE_LOOKS = 0.12, 3
"""From which stretch on an outline is seen square on, and how often: a first look takes ellipses of
3:1 for 2:1."""
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


def half_length(found: Candidates) -> Floats:
    """Half the length of each patch, px."""
    return np.asarray(found.radius * (1.0 + np.hypot(*found.stretch.T)))


def shape_quality(misfit: Floats, arc: Floats, contrast: Floats, stretch: Floats) -> Floats:
    """How much of a dot each outline is, whatever lies in it: +1.5 for a clean circle.

    What an ellipse fits well is a disc seen obliquely (`square_on`), anything else thin is none.
    """
    shape = np.minimum((misfit / 0.06) ** 2, 6.0)
    faint = np.maximum(0.0, 1.0 - contrast / 20.0)
    oblique = THIN + OBLIQUE * np.clip((LOOSE - misfit) / (LOOSE - FITS), 0.0, 1.0)
    thin = np.maximum(np.hypot(stretch[:, 0], stretch[:, 1]) - oblique, 0.0) / 0.1
    return np.asarray(1.5 - 0.5 * shape - 0.6 * (1.0 - arc) / 0.2 - faint - thin)


def examine(
    picture: Rgb,
    xy: Floats,
    radius: Floats,
    *,
    trusted: bool = False,
    least: float = -np.inf,
    pigment: Floats | None = None,
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
    pigment : ndarray, shape (k, 3), optional
        CIE L*a*b*: for trusted places, the outline of this paint, whatever lies around it.

    Returns
    -------
    Candidates
        At most n, without duplicates.
    """
    if trusted:
        return _second_look(picture, xy, radius, trusted=True, least=least, pigment=pigment)
    curve, misfit, arc, contrast, _ = star(picture, xy, radius, RADII_FIRST, first=True)
    centre = xy + np.clip(curve[:, 1:3], -radius[:, None], radius[:, None])
    good = (misfit < 0.3) & (arc > 0.5) & (contrast > 8.0)
    good &= (curve[:, 0] > SMALLEST_RADIUS_PX) & (curve[:, 0] < LARGEST_RADIUS_PX)
    order = np.nonzero(good)[0]
    order = order[np.argsort(misfit[order] - arc[order], kind="stable")]
    order = order[~_repeats(centre[order], curve[order, 0])]
    return _second_look(picture, centre[order], curve[order, 0], trusted=False, least=least)


def _second_look(
    picture: Rgb, xy: Floats, radius: Floats, *, trusted: bool, least: float,
    pigment: Floats | None = None,
) -> Candidates:  # fmt: skip
    seen = star(picture, xy, radius, RADII_SECOND, first=False, pigment=pigment)
    curve, misfit, arc, contrast, colours = seen
    if pigment is not None and len(xy):
        curve, misfit, arc, contrast = _seen_square(picture, xy, radius, curve, pigment)
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


def _seen_square(
    picture: Rgb, xy: Floats, radius: Floats, curve: Floats, pigment: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """Outlines of a paint, judged as if each were seen square on: curve, misfit, arc, contrast."""
    size = np.maximum(curve[:, :1], 0.1)
    frame = drawn_out(curve[:, 3:] / size)
    at = xy + np.clip(curve[:, 1:3], -radius[:, None], radius[:, None])
    flat, misfit, arc, contrast, _ = star(
        picture, at, size[:, 0], RADII_SECOND, first=False, pigment=pigment, frame=frame
    )
    shift = at - xy + (frame @ flat[:, 1:3, None])[..., 0]
    second = curve[:, 3:] / size * flat[:, :1] + flat[:, 3:]
    return np.concatenate([flat[:, :1], shift, second], axis=1), misfit, arc, contrast


def square_on(picture: Rgb, found: Candidates, which: NDArray[np.intp]) -> Candidates:
    """All patches, those of ``which`` outlined as if seen square on, where that is clearer.

    Rays from the middle of a disc seen obliquely meet its rim at a slant: its outline looks
    worse than it is, and rounder.
    """
    which = which[np.hypot(*found.stretch[which].T) > SQUARE_FROM]
    if len(which) == 0:
        return found
    at, size, stretch = (part[which] for part in (found.xy, found.radius, found.stretch))
    for _ in range(SQUARE_LOOKS):
        frame = drawn_out(stretch)
        flat, misfit, arc, contrast, _ = star(
            picture, at, size, RADII_SECOND, first=False, frame=frame
        )
        shift = np.clip(flat[:, 1:3], -0.4 * size[:, None], 0.4 * size[:, None])
        at = at + (frame @ shift[..., None])[..., 0]
        size = np.clip(flat[:, 0], 0.5 * size, 2.0 * size)
        stretch = stretch + flat[:, 3:] / np.maximum(flat[:, :1], 0.1)
        length = np.maximum(np.hypot(*stretch.T), 1e-9)
        stretch = stretch * np.minimum(1.0, MOST_STRETCH / length)[:, None]
    old = (part[which] for part in (found.misfit, found.arc, found.contrast, found.stretch))
    better = shape_quality(misfit, arc, contrast, stretch) > shape_quality(*old)
    better &= np.linalg.norm(at - found.xy[which], axis=1) < found.radius[which]
    seen = {"xy": at, "radius": size, "stretch": stretch, "misfit": misfit, "arc": arc,
            "contrast": contrast}  # fmt: skip
    values = {name: getattr(found, name).copy() for name in seen}
    for name, value in seen.items():
        values[name][which[better]] = value[better]
    return replace(found, **values)


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
