"""Finds everything in a picture that could be a round one-colour dot.

Three steps, each on whole arrays at once:

1. **Proposals**: places that differ in colour from their surroundings in (nearly)
   all directions but not from their closest neighbours. No list of hues: black,
   white and any pigment count alike. An edge or a line fails, because along it
   there are two directions without a difference.
2. **Star**: along rays from each proposal, where the colour changes most. A smooth
   closed curve through these places (mean radius, shift, ellipse) gives centre and
   size; how well it fits says how much of a dot it is.
3. **Ring**: whether a second, concentric edge lies outside (a boss or a cap), which
   tells a machine's hinge from a dot on skin.

Coordinates are pixels of the picture given, continuous, (0, 0) the outer corner of
its top-left pixel.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Candidates",
    "Proposals",
    "colour_distance2",
    "examine",
    "lab_of",
    "outline",
    "patches_of_colour",
    "propose",
    "rays_at",
]

Floats = NDArray[np.float64]
Picture = NDArray[np.uint8]

# Proposals --------------------------------------------------------------------------

WORKING_SIDE_PX = 1100
"""A picture with a longer side is halved first: a 10 mm dot in a photo of a whole bed
(2 m across 1600 px) is still 4 px wide then."""
LEVELS = 4
"""Halvings searched; two reaches each cover diameters of 3 to 40 working pixels."""
REACHES_PX = (3, 4)
"""Distance of the surroundings looked at, in pixels of the level."""
REACH_PER_RADIUS = 1.8
"""The surroundings begin outside the dot, and inside the width of a machine's bar."""
DIFFERENCE = 20
"""Colour difference (sum of three channels of 255) beyond the local unevenness. JPEG
noise of a phone gives about 6."""
UNEVENNESS = 2.0
"""How many times the unevenness of the centre is taken off: more suppresses edges."""
MOST_PROPOSALS = 450
"""The strongest are kept, so that a page full of texture costs no more than a bed."""

MOST_PATCHES = 40
"""Of one known pigment; six dots and some buttons need no more."""

# Colour of one pigment in one photo: hue stays, lightness and chroma follow the light.
HUE_SPREAD = (3.0, 0.06)
CHROMA_SPREAD = (5.0, 0.20)
LIGHTNESS_SPREAD = 14.0
COMPANY_RADII = 7.0
COMPANY_LOG_RATIO = 0.5
"""Buttons of one set have about one size and stand a few radii apart."""
SAME_PIGMENT2 = 9.0
"""Three spreads: one pigment."""
NEAR_PIGMENT2 = 4.0
"""Two spreads from a known dot."""

# Star -------------------------------------------------------------------------------

RAYS = 20
"""Even spacing of 18 degrees: at least one ray a pixel for a dot of 6 px."""
RADII_FIRST = np.arange(0.15, 3.0, 0.18)
RADII_SECOND = np.arange(0.1, 1.75, 0.11)
"""Distances along a ray, in proposed radii; the first look doubts the radius by 2.5."""
RADII_OUTSIDE = np.arange(1.05, 3.7, 0.13)
"""Surroundings, in radii: a hinge's cap is rarely wider than 3.5 dots."""
CORE = 0.5
"""The part of the radius whose mean colour is taken for the dot's own."""
SMALLEST_RADIUS_PX = 1.9
LARGEST_RADIUS_PX = 40.0

_ANGLES = np.arange(RAYS) * (2.0 * np.pi / RAYS)
_DIRECTIONS = np.stack([np.cos(_ANGLES), np.sin(_ANGLES)])
_CURVE = np.stack(
    [
        np.ones(RAYS),
        np.cos(_ANGLES),
        np.sin(_ANGLES),
        np.cos(2.0 * _ANGLES),
        np.sin(2.0 * _ANGLES),
    ],
    axis=1,
)
_SUM = np.ones((1, 3), dtype=np.float32)
"""Adds the channels, saturating at 255."""


@dataclass(frozen=True, slots=True)
class Proposals:
    """Places worth a closer look.

    Parameters
    ----------
    xy : ndarray, shape (n, 2)
        Position, px.
    radius : ndarray, shape (n,)
        Rough radius, px.
    strength : ndarray, shape (n,)
        Colour difference to the surroundings, 0-255.
    """

    xy: Floats
    radius: Floats
    strength: Floats


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


def lab_of(rgb: Floats) -> Floats:
    """CIE L*a*b* of sRGB colours.

    Parameters
    ----------
    rgb : ndarray, shape (n, 3)
        0 to 255.

    Returns
    -------
    ndarray, shape (n, 3)
    """
    if len(rgb) == 0:
        return np.zeros((0, 3))
    unit = np.asarray(rgb[None] / 255.0, dtype=np.float32)
    lab = cv2.cvtColor(unit, cv2.COLOR_RGB2Lab)
    return np.asarray(lab[0], dtype=np.float64)


def colour_distance2(one: Floats, other: Floats) -> Floats:
    """How unlike two colours are as one pigment under different light, squared spreads.

    Parameters
    ----------
    one, other : ndarray, shape (..., 3)
        CIE L*a*b*.
    """
    chroma_one = np.hypot(one[..., 1], one[..., 2])
    chroma_other = np.hypot(other[..., 1], other[..., 2])
    mean = np.sqrt(chroma_one * chroma_other)
    square = (one[..., 1] - other[..., 1]) ** 2 + (one[..., 2] - other[..., 2]) ** 2
    hue2 = np.maximum(square - (chroma_one - chroma_other) ** 2, 0.0)
    chroma2 = (chroma_one - chroma_other) ** 2
    light2 = (one[..., 0] - other[..., 0]) ** 2
    return np.asarray(
        hue2 / (HUE_SPREAD[0] + HUE_SPREAD[1] * mean) ** 2
        + chroma2 / (CHROMA_SPREAD[0] + CHROMA_SPREAD[1] * mean) ** 2
        + light2 / LIGHTNESS_SPREAD**2
    )


def propose(picture: Picture) -> Proposals:
    """Places that differ from their surroundings in nearly every direction.

    Parameters
    ----------
    picture : ndarray of uint8, shape (height, width, 3)
        RGB.

    Returns
    -------
    Proposals
        The strongest first.
    """
    height, width = picture.shape[:2]
    level = picture
    if max(height, width) > WORKING_SIDE_PX:
        level = _halved(picture)
    rows: list[Floats] = []
    for _ in range(LEVELS):
        if min(level.shape[:2]) < 24:  # nothing left to have surroundings in
            break
        scale = np.array([width / level.shape[1], height / level.shape[0]])
        rows.extend(_level_proposals(level, reach, scale) for reach in REACHES_PX)
        level = _halved(level)
    table = np.concatenate(rows) if rows else np.zeros((0, 4))
    table = table[np.argsort(-table[:, 3], kind="stable")[:MOST_PROPOSALS]]
    return Proposals(xy=table[:, :2], radius=table[:, 2], strength=table[:, 3])


def _halved(picture: Picture) -> Picture:
    size = (max(picture.shape[1] // 2, 1), max(picture.shape[0] // 2, 1))
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _level_proposals(level: Picture, reach: int, scale: Floats) -> Floats:
    """Rows of x, y, radius, strength in pixels of the whole picture."""
    smooth = cv2.GaussianBlur(level, (0, 0), reach / 4.0)
    outside = _second_least_difference(smooth, reach, reach)
    uneven = _largest_step(smooth, reach)
    stands_out = cv2.subtract(outside, cv2.multiply(uneven, UNEVENNESS))
    highest = cv2.dilate(stands_out, np.ones((5, 5), np.uint8))
    y, x = np.nonzero((stands_out == highest) & (stands_out >= DIFFERENCE))
    rows = np.empty((len(x), 4))
    rows[:, 0] = (x + reach + 0.5) * scale[0]
    rows[:, 1] = (y + reach + 0.5) * scale[1]
    rows[:, 2] = reach / REACH_PER_RADIUS * scale.mean()
    rows[:, 3] = stands_out[y, x]
    return rows


def _shifted(picture: Picture, margin: int, dx: int, dy: int) -> Picture:
    height, width = picture.shape[:2]
    return picture[margin + dy : height - margin + dy, margin + dx : width - margin + dx]


def _second_least_difference(picture: Picture, reach: int, margin: int) -> Picture:
    """Difference to 8 points around, the second least of them.

    Not the least: one neighbour of the same colour (another dot) is allowed, an edge
    through the place, which has two, is not.
    """
    diagonal = round(reach * np.sqrt(0.5))
    around = [(reach, 0), (-reach, 0), (0, reach), (0, -reach)]
    around += [(i * diagonal, j * diagonal) for i in (-1, 1) for j in (-1, 1)]
    planes = cv2.split(picture)
    centres = [_shifted(plane, margin, 0, 0) for plane in planes]
    least = np.full(centres[0].shape, 255, dtype=np.uint8)
    second = least.copy()
    for dx, dy in around:
        red, green, blue = (
            cv2.absdiff(centre, _shifted(plane, margin, dx, dy))
            for centre, plane in zip(centres, planes, strict=True)
        )
        step = cv2.add(cv2.add(red, green), blue)
        second = np.asarray(cv2.min(second, cv2.max(least, step)), dtype=np.uint8)
        least = np.asarray(cv2.min(least, step), dtype=np.uint8)
    return second


def _largest_step(picture: Picture, margin: int) -> Picture:
    """Difference to the nearest neighbours, the largest of four."""
    across = cv2.transform(cv2.absdiff(picture[:, 1:], picture[:, :-1]), _SUM)
    down = cv2.transform(cv2.absdiff(picture[1:], picture[:-1]), _SUM)
    height, width = picture.shape[:2]
    m = margin
    steps = cv2.max(
        cv2.max(
            across[m : height - m, m : width - m], across[m : height - m, m - 1 : width - m - 1]
        ),
        cv2.max(down[m : height - m, m : width - m], down[m - 1 : height - m - 1, m : width - m]),
    )
    return np.asarray(steps, dtype=np.uint8)


def examine(picture: Picture, xy: Floats, radius: Floats, *, trusted: bool = False) -> Candidates:
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

    Returns
    -------
    Candidates
        At most n, without duplicates.
    """
    if trusted:
        return _second_look(picture, xy, radius, trusted=True)
    curve, misfit, arc, contrast, _, _ = _star(picture, xy, radius, RADII_FIRST, first=True)
    centre = xy + np.clip(curve[:, 1:3], -radius[:, None], radius[:, None])
    good = (misfit < 0.3) & (arc > 0.5) & (contrast > 8.0)
    good &= (curve[:, 0] > SMALLEST_RADIUS_PX) & (curve[:, 0] < LARGEST_RADIUS_PX)
    order = np.nonzero(good)[0]
    order = order[np.argsort(misfit[order] - arc[order], kind="stable")]
    order = order[~_repeats(centre[order], curve[order, 0])]
    return _second_look(picture, centre[order], curve[order, 0], trusted=False)


def _second_look(picture: Picture, xy: Floats, radius: Floats, *, trusted: bool) -> Candidates:
    curve, misfit, arc, contrast, rough, rgb = _star(picture, xy, radius, RADII_SECOND, first=False)
    reach = radius[:, None] * (0.4 if trusted else 1.0)
    centre = xy + np.clip(curve[:, 1:3], -reach, reach)
    size = np.maximum(curve[:, 0], 0.1)
    ring, around = _surroundings(picture, centre, size, curve)
    found = Candidates(
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
        company=np.zeros(len(xy)),
    )
    keep = (misfit < 0.2) & (arc >= 0.6) & (contrast > 6.0) & (size > SMALLEST_RADIUS_PX)
    order = np.nonzero(keep | trusted)[0]
    order = order[np.argsort(misfit[order] - arc[order], kind="stable")]
    return found.take(order[~_repeats(centre[order], size[order])])


def patches_of_colour(
    picture: Picture, members: Floats, radius: float, box: tuple[int, int, int, int]
) -> tuple[Floats, Floats]:
    """Patches of one known pigment, also those of which little is seen.

    Parameters
    ----------
    picture : ndarray of uint8, shape (height, width, 3)
        RGB.
    members : ndarray, shape (k, 3)
        Colours of some dots of the pigment, CIE L*a*b*.
    radius : float
        Radius of a whole dot, px.
    box : (int, int, int, int)
        Where to look: left, top, right, bottom.

    Returns
    -------
    xy : ndarray, shape (n, 2)
        Centroids, px.
    radius : ndarray, shape (n,)
        Radius of the disc of the same area, px.
    """
    left, top, right, bottom = box
    lab = cv2.cvtColor(picture[top:bottom, left:right], cv2.COLOR_RGB2LAB)
    low = np.clip((np.min(members[:, 0]) - 12.0) * 2.55, 0, 255)
    high = np.clip((np.max(members[:, 0]) + 12.0) * 2.55, 0, 255)
    light = cv2.inRange(lab[:, :, 0], np.array([low]), np.array([high]))
    table = _chroma_table(members)
    index = lab[:, :, 1].astype(np.uint16) * 256 + lab[:, :, 2]
    mask = cv2.bitwise_and(light, table.take(index))
    count, _, stats, centroids = cv2.connectedComponentsWithStats(mask, connectivity=4)
    area = stats[1:count, cv2.CC_STAT_AREA] / (np.pi * radius**2)
    longest = np.max(stats[1:count, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]], axis=1, initial=0)
    keep = (area > 0.07) & (area < 2.0) & (longest < 3.0 * radius)
    order = np.nonzero(keep)[0]
    order = order[np.argsort(-area[order], kind="stable")][:MOST_PATCHES]
    xy = centroids[1:count][order] + np.array([left + 0.5, top + 0.5])
    return xy, radius * np.sqrt(area[order])


def _chroma_table(members: Floats) -> Picture:
    """For each 8-bit (a, b), 255 where it is nearer than chance to one of the members."""
    axis = np.arange(0, 256, 2) - 127.5
    a, b = np.meshgrid(axis, axis, indexing="ij")
    grid = np.stack([np.full(a.shape, 50.0), a, b], axis=2)
    near = np.zeros(a.shape, dtype=bool)
    for member in members:
        near |= colour_distance2(grid, np.array([50.0, member[1], member[2]])) < NEAR_PIGMENT2
    coarse = near.astype(np.uint8) * 255
    return np.asarray(coarse.repeat(2, axis=0).repeat(2, axis=1).ravel(), dtype=np.uint8)


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
    gap = np.linalg.norm(xy[:, None] - xy[None], axis=2)
    least = np.minimum(radius[:, None], radius[None])
    alike = np.abs(np.log(radius[:, None] / radius[None])) < 0.5
    return np.asarray(np.triu((gap < 0.6 * least) & alike, 1).any(axis=0))


def _polar(picture: Picture, xy: Floats, radii: Floats) -> NDArray[np.float32]:
    """Colours along rays; radii in px, shape (n, RAYS, m); returns (n, RAYS, m, 3)."""
    n, rays, m = radii.shape
    if n == 0:
        return np.zeros((0, rays, m, 3), dtype=np.float32)
    map_x = (xy[:, 0, None, None] + _DIRECTIONS[0][:, None] * radii - 0.5).astype(np.float32)
    map_y = (xy[:, 1, None, None] + _DIRECTIONS[1][:, None] * radii - 0.5).astype(np.float32)
    flat = cv2.remap(
        picture,
        map_x.reshape(n, rays * m),
        map_y.reshape(n, rays * m),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(flat.reshape(n, rays, m, 3), dtype=np.float32)


def _star(
    picture: Picture, xy: Floats, radius: Floats, radii: Floats, *, first: bool
) -> tuple[Floats, Floats, Floats, Floats, Floats, Floats]:
    """Outline of each place: curve (n, 5) px, misfit, arc, contrast, roughness, rgb."""
    step, colours = _steps_along_rays(picture, xy, radius, radii)
    places = radii[1:-1]
    usual = np.ones(len(xy))
    if first and len(xy):
        # An outline shows on all rays at once; nearer ones count a little more, since a
        # cap or bar around the dot has an edge too.
        usual = places[(step.mean(axis=1) / np.sqrt(places)).argmax(axis=1)]
    edge, height = _edge_along_rays(step, places, usual)
    curve, misfit, arc, contrast = _closed_curve(edge, height)
    inside = radii < 0.65 * (curve @ _CURVE.T)[:, :, None]
    weight = inside / np.maximum(inside.sum(axis=(1, 2)), 1)[:, None, None]
    rgb = np.einsum("nar,narc->nc", weight, colours)
    off = colours - rgb[:, None, None].astype(np.float32)
    rough = np.sqrt(np.einsum("nar,narc,narc->n", weight, off, off, optimize=True))
    return curve * radius[:, None], misfit, arc, contrast, rough, rgb


def _steps_along_rays(
    picture: Picture, xy: Floats, radius: Floats, radii: Floats
) -> tuple[Floats, NDArray[np.float32]]:
    """Growth of the distance from the core's colour along rays, and the colours."""
    colours = _polar(picture, xy, radius[:, None, None] * radii * np.ones((1, RAYS, 1)))
    core = colours[:, :, radii < CORE].mean(axis=(1, 2))
    off = colours - core[:, None, None]
    away = np.sqrt(np.einsum("narc,narc->nar", off, off)).astype(np.float64)
    return away[:, :, 2:] - away[:, :, :-2], colours


def _edge_along_rays(step: Floats, places: Floats, usual: Floats) -> tuple[Floats, Floats]:
    """Where along each ray the colour changes most, to a fraction of a sample."""
    # A ray may end early at something in front, or late on a long axis: factor e^0.35.
    near = np.exp(-0.5 * (np.log(places / usual[:, None]) / 0.35) ** 2)
    weighted = step * near[:, None, :]
    k = np.clip(weighted.argmax(axis=2), 1, len(places) - 2)[:, :, None]
    before, here, after = (np.take_along_axis(weighted, k + i, axis=2)[:, :, 0] for i in (-1, 0, 1))
    bend = before - 2.0 * here + after
    shift = np.where(bend < -1e-6, 0.5 * (before - after) / np.minimum(bend, -1e-6), 0.0)
    edge = places[k[:, :, 0]] + np.clip(shift, -0.5, 0.5) * (places[1] - places[0])
    height = np.take_along_axis(step, k, axis=2)[:, :, 0]
    return edge, np.maximum(height, 0.0)


def _closed_curve(edge: Floats, height: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Second-order closed curve r(angle) through edges, outliers weighted down."""
    contrast = np.median(height, axis=1)
    clear = np.minimum(height / (contrast[:, None] + 1e-3), 1.0) ** 2 + 1e-3
    weight = clear
    curve = np.zeros((len(edge), 5))
    for _ in range(3):
        normal = (weight[:, None, :] * _CURVE.T) @ _CURVE
        right = (weight * edge) @ _CURVE
        curve = np.linalg.solve(normal + 1e-3 * np.eye(5), right[..., None])[..., 0]
        rest = edge - curve @ _CURVE.T
        size = np.maximum(curve[:, :1], 1e-3)
        weight = clear / (1.0 + (rest / (0.1 * size)) ** 2)
    rest = edge - curve @ _CURVE.T
    on_it = (np.abs(rest) < 0.18 * size) & (height > 0.4 * contrast[:, None])
    misfit = np.sqrt(np.mean(np.minimum(np.abs(rest), 0.5) ** 2, axis=1)) / size[:, 0]
    return curve, misfit, on_it.mean(axis=1), contrast


def _surroundings(
    picture: Picture, xy: Floats, size: Floats, curve: Floats
) -> tuple[Floats, Floats]:
    """Concentric edge outside, shape (n,), and the colours outside, (n, RAYS, 3).

    A step counts that at least four of five rays share, in the same colour direction.
    It must be a peak along the radius, else it is the foot of the dot's own edge.
    """
    if len(xy) == 0:
        return np.zeros(0), np.zeros((0, RAYS, 3))
    shape = size[:, None] + curve[:, 3:] @ _CURVE[:, 3:].T
    colours = _polar(picture, xy, shape[:, :, None] * RADII_OUTSIDE)
    step = colours[:, :, 2:] - colours[:, :, :-2]
    common = step.mean(axis=1)
    common /= np.linalg.norm(common, axis=2, keepdims=True) + 1e-6
    along = np.einsum("narc,nrc->nar", step, common)
    shared = np.sort(along, axis=1)[:, RAYS // 5]
    peak = (shared[:, 1:-1] >= shared[:, :-2]) & (shared[:, 1:-1] >= shared[:, 2:])
    ring = np.where(peak, shared[:, 1:-1], 0.0).max(axis=1).astype(np.float64)
    near = (RADII_OUTSIDE > 1.4) & (RADII_OUTSIDE < 2.1)
    around = colours[:, :, near].mean(axis=2).reshape(-1, 3)
    return ring, lab_of(around.astype(np.float64)).reshape(len(xy), RAYS, 3)


def outline(picture: Picture, xy: Floats, radius: float) -> tuple[Floats, Floats, Floats]:
    """Outline of one dot that is known to be there.

    Parameters
    ----------
    picture : ndarray of uint8, shape (height, width, 3)
        RGB.
    xy : ndarray, shape (2,)
    radius : float
        Rough place and size, px.

    Returns
    -------
    curve : ndarray, shape (5,)
        Mean radius, shift x, y and second harmonic, px.
    edge : ndarray, shape (RAYS,)
        Distance of the edge along each ray, px.
    height : ndarray, shape (RAYS,)
        Colour step there.
    """
    step = _steps_along_rays(picture, xy[None], np.array([radius]), RADII_SECOND)[0]
    edge, height = _edge_along_rays(step, RADII_SECOND[1:-1], np.ones(1))
    curve = _closed_curve(edge, height)[0]
    return curve[0] * radius, edge[0] * radius, height[0]


def rays_at(picture: Picture, xy: Floats, radii: Floats) -> Floats:
    """Colours at given distances along the rays, shape (RAYS, m, 3), RGB."""
    return np.asarray(_polar(picture, xy[None], radii[None])[0], dtype=np.float64)
