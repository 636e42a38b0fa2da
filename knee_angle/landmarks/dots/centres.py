"""The exact centre of one dot in the full-size photo, with an honest covariance.

The outline is looked for along rays. Where a different colour begins outside than
around the rest of the dot, something may lie in front: there the outline is not the
dot's own and does not count. What remains, whole or an arc, is fitted by an ellipse
whose size is drawn to that of the other dots as far as the arc leaves it open; the
covariance of the fit is then long in the hidden direction by itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from knee_angle.landmarks.dots.colour import colour_distance2, lab_of
from knee_angle.landmarks.dots.outlines import RAYS, outline, rays_at
from knee_angle.photo.reading import Photo

__all__ = ["Centre", "SeenDot", "centre"]

Floats = NDArray[np.float64]

WINDOW_RADII = 3.2
"""Half a window, in radii: the outline, its surroundings and a wrong start of 1 radius."""
EDGE_SPREAD_PX = 0.5
"""One ray's edge, in pixels of the reduced photo: neighbours err together (JPEG blocks)."""
EDGE_SPREAD_RADII = 0.04
"""A dot's shaded flank moves its outline by a part of its size."""
STRETCH_SPREAD = 0.12
"""Second harmonic of an outline: 0.16 is a dot seen 45 degrees off."""
WHOLE_SIZE_SPREAD = 1.0
HIDDEN_SIZE = 0.75
HIDDEN_SIZE_SPREAD = 0.12
"""Mean radius of a dot on skin against the photo's whole dots, and its spread as a
logarithm: 0.8 is a disc 45 degrees off and farther away. The best of four settings on the
half hidden dots of the sample photos; nothing is assumed of a whole outline."""
FARTHER = 0.92
"""Dots on skin look smaller: some 100 mm farther away, and seen obliquely."""
FLOOR_PX = 0.12
MACHINE_FLANK_RADII = 0.015
SKIN_FLANK_RADII = 0.08
"""What no fit of the outline shows: a dot on skin is curved, its flank belongs to the
outline but not to its face."""
MACHINE_SHORT = 0.6
SKIN_SHORT = 0.5
"""How far the centre may be off for each pixel that the dot is narrower than expected: it
may be hidden in part, without that being seen. On metal all dots look alike, on skin most
narrow ones are only seen obliquely. Set on half hidden dots of rendered photos, whose centres
were off by 1.5 times what they were short of (12 dots)."""
UNFIT = 2.5
"""How far the centre may be off, per coordinate, for each pixel that its outline misses an
ellipse by (root mean square): then a part of the outline is not the dot's own but that of a bar,
a boss or glare. 2 to 2.9 for 485 dots of rendered photos, by fourths of that miss."""
BOSS = 1.25
BOSS_SHARE = 0.1
"""A machine dot this much wider than usual is the boss itself, of some thickness."""
EDGE_MARGIN_PX = 1.5
"""Pixels of the reduced photo along its border that show no outline of a dot."""
OTHER_PAINT2 = 4.0
REFINEMENTS = 1
STEPS = 6


@dataclass(frozen=True, slots=True)
class SeenDot:
    """A dot as known so far, full-size pixels.

    Parameters
    ----------
    xy : ndarray, shape (2,)
    radius : float
        Of the visible outline.
    narrow_radius : float
        Of the visible outline, across its shorter axis.
    usual_radius : float
        Of the photo's whole dots.
    usual_narrow_radius : float
        The same, across their shorter axis.
    on_machine : bool
        Flat on metal, not on skin or cloth.
    unit_px : float
        Full-size pixels for one of the reduced photo.
    """

    xy: Floats
    radius: float
    narrow_radius: float
    usual_radius: float
    usual_narrow_radius: float
    on_machine: bool
    unit_px: float


@dataclass(frozen=True, slots=True)
class Centre:
    """Position, covariance (xx, xy, yy) and long radius, full-size pixels."""

    xy: tuple[float, float]
    cov_px2: tuple[float, float, float]
    radius: float
    hidden: bool


def centre(photo: Photo, seen: SeenDot) -> Centre:
    """The dot's centre from its visible outline.

    Parameters
    ----------
    photo : Photo
    seen : SeenDot

    Returns
    -------
    Centre
    """
    half = WINDOW_RADII * max(seen.radius, 0.6 * seen.usual_radius) + 2.0
    x0, y0 = np.floor(seen.xy - half).astype(int)
    x1, y1 = np.ceil(seen.xy + half).astype(int)
    window, offset = photo.window(int(x0), int(y0), int(x1), int(y1))
    origin = np.array(offset, dtype=float)
    middle, radius = seen.xy - origin, seen.radius
    edge, height = np.zeros(RAYS), np.zeros(RAYS)
    for _ in range(REFINEMENTS):
        curve, edge, height = outline(window, middle, radius)
        if not 0.5 < curve[0] / radius < 1.6 or np.hypot(*curve[1:3]) > 0.5 * radius:
            break
        middle, radius = middle + curve[1:3], float(curve[0])
    curve, edge, height = outline(window, middle, radius)
    usable, hidden = _own_outline(window, middle, edge, height, seen)
    cut = _at_picture_edge(photo, middle + origin, edge, seen)
    if cut.any():
        usable, hidden = usable * ~cut, True
    found, cov, long_radius, miss = _fit(middle, edge, usable, hidden, seen)
    extra = _unseen_px2(seen) + (UNFIT * miss) ** 2
    where = found + origin
    return Centre(
        xy=(float(where[0]), float(where[1])),
        cov_px2=(float(cov[0, 0] + extra), float(cov[0, 1]), float(cov[1, 1] + extra)),
        radius=long_radius,
        hidden=hidden,
    )


def _unseen_px2(seen: SeenDot) -> float:
    """Variance that the fit of the outline cannot show, px²."""
    expected = seen.usual_narrow_radius if seen.on_machine else FARTHER * seen.usual_radius
    short = max(0.93 * expected - seen.narrow_radius, 0.0)
    flank = MACHINE_FLANK_RADII if seen.on_machine else SKIN_FLANK_RADII
    boss = seen.on_machine and seen.radius > BOSS * seen.usual_radius
    return float(
        (FLOOR_PX * seen.unit_px) ** 2
        + (flank * seen.usual_radius) ** 2
        + ((MACHINE_SHORT if seen.on_machine else SKIN_SHORT) * short) ** 2
        + (BOSS_SHARE * seen.radius if boss else 0.0) ** 2
    )


def _own_outline(
    window: NDArray[np.uint8], middle: Floats, edge: Floats, height: Floats, seen: SeenDot
) -> tuple[Floats, bool]:
    """Weight of each ray's edge, 0 or 1, and whether a part of the dot is hidden."""
    clear = (height > 0.35 * np.median(height)).astype(float)
    beyond = rays_at(window, middle, edge[:, None] + np.array([2.0, 3.0]) * seen.unit_px)
    outside = lab_of(beyond.mean(axis=1))
    gap2 = colour_distance2(outside[:, None], outside[None])
    main = np.argmin(np.sort(gap2, axis=1)[:, RAYS // 2])
    other = gap2[main] > OTHER_PAINT2
    # Smooth over single rays: an occluder covers an arc.
    arc = other & (np.roll(other, 1) | np.roll(other, -1))
    small = np.median(edge) < 0.85 * seen.usual_radius * (1.0 if seen.on_machine else FARTHER)
    share = arc.mean()
    hidden = bool(small and 0.1 < share < 0.65)
    return (clear * ~arc if hidden else clear), hidden


def _at_picture_edge(
    photo: Photo, middle: Floats, edge: Floats, seen: SeenDot
) -> NDArray[np.bool_]:
    """Rays on which the picture ends before the dot does."""
    angle = 2.0 * np.pi * np.arange(RAYS) / RAYS
    reach = np.maximum(edge, 0.8 * seen.usual_radius)[:, None]
    points = middle + reach * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    margin = EDGE_MARGIN_PX * seen.unit_px
    far = np.array([photo.width, photo.height]) - margin
    return np.asarray(((points < margin) | (points > far)).any(axis=1))


def _fit(
    middle: Floats, edge: Floats, weight: Floats, hidden: bool, seen: SeenDot
) -> tuple[Floats, Floats, float, float]:
    """Ellipse through the outline: centre, its covariance, long radius, root mean square miss.

    Unknowns: shift x, y (px), logarithm of the size, second harmonic (2).
    """
    angle = 2.0 * np.pi * np.arange(RAYS) / RAYS
    points = edge[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    size = seen.usual_radius * (1.0 if seen.on_machine else HIDDEN_SIZE) if hidden else seen.radius
    spread = HIDDEN_SIZE_SPREAD if hidden else WHOLE_SIZE_SPREAD
    prior = np.diag([0.0, 0.0, spread**-2, STRETCH_SPREAD**-2, STRETCH_SPREAD**-2])
    noise2 = (EDGE_SPREAD_PX * seen.unit_px) ** 2 + (EDGE_SPREAD_RADII * seen.usual_radius) ** 2
    state = np.zeros(5)
    normal = prior + 1e-9 * np.eye(5)
    for _ in range(STEPS):
        rest, slope = _misses(points, state, size)
        robust = weight / (1.0 + rest**2 / (4.0 * noise2)) / noise2
        normal = prior + (slope * robust[:, None]).T @ slope + 1e-9 * np.eye(5)
        right = (slope * robust[:, None]).T @ -rest - prior @ state
        step = np.linalg.solve(normal, right)
        limit = np.array([0.3 * size, 0.3 * size, 0.2, 0.1, 0.1])
        state = state + np.clip(step, -limit, limit)
    cov = np.asarray(np.linalg.inv(normal)[:2, :2], dtype=np.float64)
    long_radius = size * float(np.exp(state[2]) * (1.0 + np.hypot(state[3], state[4])))
    rest, _ = _misses(points, state, size)
    miss = float(np.sqrt((weight * rest**2).sum() / max(weight.sum(), 1.0)))
    return middle + state[:2], cov, long_radius, miss


def _misses(points: Floats, state: Floats, size: float) -> tuple[Floats, Floats]:
    """How far each point lies outside the ellipse, px, and the derivatives, (n, 5)."""
    off = points - state[:2]
    far = np.maximum(np.linalg.norm(off, axis=1), 1e-6)
    unit = off / far[:, None]
    cos2 = unit[:, 0] ** 2 - unit[:, 1] ** 2
    sin2 = 2.0 * unit[:, 0] * unit[:, 1]
    whole = size * np.exp(state[2])
    radius = whole * (1.0 + state[3] * cos2 + state[4] * sin2)
    # The harmonic's turn with the shift is second order and left out.
    slope = np.stack([-unit[:, 0], -unit[:, 1], -radius, -whole * cos2, -whole * sin2], axis=1)
    return far - radius, slope
