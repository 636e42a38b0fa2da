"""The exact centres of dots in the full-size photo, with honest covariances.

The outline is looked for along rays. Where a different colour begins outside than
around the rest of the dot, something may lie in front: there the outline is not the
dot's own and does not count. What remains, whole or an arc, is fitted by an ellipse
whose size is drawn to that of the other dots as far as the arc leaves it open; the
covariance of the fit is then long in the hidden direction by itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from knee_angle.landmarks.dots.colour import colour_distance2, lab_of
from knee_angle.landmarks.dots.outlines import DIRECTIONS, RAYS, outlines, rays_at
from knee_angle.photo.reading import Photo

__all__ = ["Centre", "SeenDot", "centres"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Rgb = NDArray[np.uint8]

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


def centres(photo: Photo, dots: Sequence[SeenDot]) -> list[Centre]:
    """The dots' centres from their visible outlines, all at once.

    Parameters
    ----------
    photo : Photo
    dots : sequence of SeenDot

    Returns
    -------
    list of Centre
    """
    if not dots:
        return []
    cut = [_window(photo, seen) for seen in dots]
    windows, origin = [window for window, _ in cut], np.array([at for _, at in cut], dtype=float)
    middle = np.array([seen.xy for seen in dots]) - origin
    radius = np.array([seen.radius for seen in dots])
    for _ in range(REFINEMENTS):
        curve, edge, height = outlines(windows, middle, radius)
        near = np.abs(curve[:, 0] / radius - 1.05) < 0.55
        near &= np.hypot(*curve[:, 1:3].T) <= 0.5 * radius
        middle = np.where(near[:, None], middle + curve[:, 1:3], middle)
        radius = np.where(near, curve[:, 0], radius)
    _, edge, height = outlines(windows, middle, radius)
    weight, hidden = _own_outline(windows, middle, edge, height, dots)
    ends = _at_picture_edge(photo, middle + origin, edge, dots)
    weight, hidden = weight * ~ends, hidden | ends.any(axis=1)
    found, cov, long_radius, miss = _fit(edge, weight, hidden, dots)
    extra = np.array([_unseen_px2(seen) for seen in dots]) + (UNFIT * miss) ** 2
    where = middle + found + origin
    return [
        Centre(
            xy=(float(where[k, 0]), float(where[k, 1])),
            cov_px2=(
                float(cov[k, 0, 0] + extra[k]),
                float(cov[k, 0, 1]),
                float(cov[k, 1, 1] + extra[k]),
            ),
            radius=float(long_radius[k]),
            hidden=bool(hidden[k]),
        )
        for k in range(len(dots))
    ]


def _window(photo: Photo, seen: SeenDot) -> tuple[Rgb, tuple[int, int]]:
    """The full-size photo around a dot, and its corner."""
    half = WINDOW_RADII * max(seen.radius, 0.6 * seen.usual_radius) + 2.0
    x0, y0 = np.floor(seen.xy - half).astype(int)
    x1, y1 = np.ceil(seen.xy + half).astype(int)
    return photo.window(int(x0), int(y0), int(x1), int(y1))


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
    windows: Sequence[Rgb], middle: Floats, edge: Floats, height: Floats, dots: Sequence[SeenDot]
) -> tuple[Floats, Bools]:
    """Weight of each ray's edge (n, RAYS), 0 or 1, and whether a part of the dot is hidden."""
    unit = np.array([seen.unit_px for seen in dots])
    usual = np.array([seen.usual_radius * (1.0 if seen.on_machine else FARTHER) for seen in dots])
    clear = (height > 0.35 * np.median(height, axis=1, keepdims=True)).astype(float)
    beyond = edge[:, :, None] + np.array([2.0, 3.0]) * unit[:, None, None]
    colours = rays_at(windows, middle, beyond).mean(axis=2).astype(np.float64)
    outside = lab_of(colours.reshape(-1, 3)).reshape(len(dots), RAYS, 3)
    gap2 = colour_distance2(outside[:, :, None], outside[:, None])
    main = np.argmin(np.sort(gap2, axis=2)[:, :, RAYS // 2], axis=1)
    other = gap2[np.arange(len(dots)), main] > OTHER_PAINT2
    # Smooth over single rays: an occluder covers an arc.
    arc = other & (np.roll(other, 1, axis=1) | np.roll(other, -1, axis=1))
    share = arc.mean(axis=1)
    hidden = (np.median(edge, axis=1) < 0.85 * usual) & (share > 0.1) & (share < 0.65)
    return np.where(hidden[:, None], clear * ~arc, clear), hidden


def _at_picture_edge(photo: Photo, middle: Floats, edge: Floats, dots: Sequence[SeenDot]) -> Bools:
    """Rays (n, RAYS) on which the picture ends before the dot does."""
    usual = np.array([seen.usual_radius for seen in dots])[:, None]
    margin = EDGE_MARGIN_PX * np.array([seen.unit_px for seen in dots])[:, None, None]
    points = middle[:, None] + np.maximum(edge, 0.8 * usual)[..., None] * DIRECTIONS.T
    far = np.array([photo.width, photo.height]) - margin
    return np.asarray(((points < margin) | (points > far)).any(axis=2))


def _fit(
    edge: Floats, weight: Floats, hidden: Bools, dots: Sequence[SeenDot]
) -> tuple[Floats, Floats, Floats, Floats]:
    """Ellipses through the outlines: shift, its covariance, long radius, root mean square miss.

    Unknowns of each: shift x, y (px), logarithm of the size, second harmonic (2).
    """
    points = edge[..., None] * DIRECTIONS.T
    usual = np.array([seen.usual_radius for seen in dots])
    unseen = np.array([1.0 if seen.on_machine else HIDDEN_SIZE for seen in dots])
    size = np.where(hidden, usual * unseen, [seen.radius for seen in dots])
    prior = np.zeros((len(dots), 5, 5))
    prior[:, 2, 2] = np.where(hidden, HIDDEN_SIZE_SPREAD, WHOLE_SIZE_SPREAD) ** -2.0
    prior[:, [3, 4], [3, 4]] = STRETCH_SPREAD**-2
    noise2 = (EDGE_SPREAD_PX * np.array([seen.unit_px for seen in dots])) ** 2
    noise2 = (noise2 + (EDGE_SPREAD_RADII * usual) ** 2)[:, None]
    limit = np.broadcast_to([0.3, 0.3, 0.2, 0.1, 0.1], (len(dots), 5)).copy()
    limit[:, :2] *= size[:, None]
    state = np.zeros((len(dots), 5))
    normal = prior + 1e-9 * np.eye(5)
    for _ in range(STEPS):
        rest, slope = _misses(points, state, size)
        robust = weight / (1.0 + rest**2 / (4.0 * noise2)) / noise2
        pull = np.swapaxes(slope * robust[..., None], 1, 2)
        normal = prior + pull @ slope + 1e-9 * np.eye(5)
        right = pull @ -rest[..., None] - prior @ state[..., None]
        state = state + np.clip(np.linalg.solve(normal, right)[..., 0], -limit, limit)
    cov = np.asarray(np.linalg.inv(normal)[:, :2, :2], dtype=np.float64)
    long_radius = size * np.exp(state[:, 2]) * (1.0 + np.hypot(state[:, 3], state[:, 4]))
    rest, _ = _misses(points, state, size)
    miss = np.sqrt((weight * rest**2).sum(axis=1) / np.maximum(weight.sum(axis=1), 1.0))
    return state[:, :2], cov, long_radius, miss


def _misses(points: Floats, state: Floats, size: Floats) -> tuple[Floats, Floats]:
    """How far each point lies outside its ellipse, px, (n, RAYS), and the derivatives, (.., 5)."""
    off = points - state[:, None, :2]
    far = np.maximum(np.linalg.norm(off, axis=2), 1e-6)
    unit = off / far[..., None]
    cos2 = unit[..., 0] ** 2 - unit[..., 1] ** 2
    sin2 = 2.0 * unit[..., 0] * unit[..., 1]
    whole = (size * np.exp(state[:, 2]))[:, None]
    radius = whole * (1.0 + state[:, 3:4] * cos2 + state[:, 4:] * sin2)
    # The harmonic's turn with the shift is second order and left out.
    slope = [-unit[..., 0], -unit[..., 1], -radius, -whole * cos2, -whole * sin2]
    return far - radius, np.stack(slope, axis=2)
