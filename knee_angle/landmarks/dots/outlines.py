"""The outline of a place along rays, and what lies outside it.

Along rays from each place, where the colour changes most. A smooth closed curve through
these places (mean radius, shift, ellipse) gives centre and size; how well it fits says how
much of a dot it is. Whether a second, concentric edge lies outside (a boss or a cap) tells a
machine's hinge from a dot on skin.

Coordinates are pixels of the picture given, continuous, (0, 0) the outer corner of its
top-left pixel.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from knee_angle.landmarks.dots.colour import PAINT2, colour_distance2, lab_of

__all__ = [
    "DIRECTIONS",
    "RADII_FIRST",
    "RADII_SECOND",
    "RAYS",
    "drawn_out",
    "outlines",
    "paint",
    "rays_at",
    "star",
    "surroundings",
]

Floats = NDArray[np.float64]
Rgb = NDArray[np.uint8]

RAYS = 20
"""Even spacing of 18 degrees: at least one ray a pixel for a dot of 6 px."""
RADII_FIRST = np.arange(0.15, 3.0, 0.18)
RADII_SECOND = np.arange(0.1, 1.75, 0.11)
"""Distances along a ray, in proposed radii; the first look doubts the radius by 2.5."""
RADII_OUTSIDE = np.arange(1.05, 3.7, 0.13)
"""Surroundings, in radii: a hinge's cap is rarely wider than 3.5 dots."""
PAINTED = 100.0
"""A pigment's step to any other colour, as clear as a strong one in RGB units (our own)."""
LEAST_SEEN = 0.4
"""Share of the rays that must end within the picture for a dot at its edge (our own)."""
MOST_STRETCH = 0.5
"""Three times as long as wide: a dot seen at 70 degrees."""
ROUND = 0.3
"""How firmly each ray that leaves the picture holds an outline to a circle: an arc alone tells no
ellipse from a shifted circle. Of drawn discs cut at -0.3 to 0.6 radii the radius was 0.67 to 1.20
of the true one without it, 0.83 to 1.04 with it; 0.1 and 0.5 gave the like (set there)."""
CORE = 0.5
"""The part of the radius whose mean colour is taken for the dot's own."""
_ANGLES = np.arange(RAYS) * (2.0 * np.pi / RAYS)
DIRECTIONS = np.stack([np.cos(_ANGLES), np.sin(_ANGLES)])
"""Of the rays, x and y, (2, RAYS)."""
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

_CURVES = (_CURVE[:, :, None] * _CURVE[:, None]).reshape(RAYS, 25)
"""Products of the curve's terms along each ray: weighted, they sum to a fit's normal matrix."""


def outlines(windows: Sequence[Rgb], xy: Floats, radius: Floats) -> tuple[Floats, Floats, Floats]:
    """Outlines of dots that are known to be there, each in a window of its own.

    Parameters
    ----------
    windows : sequence of n ndarray of uint8, shape (height, width, 3)
        RGB.
    xy : ndarray, shape (n, 2)
    radius : ndarray, shape (n,)
        Rough place in the window, and size, px.

    Returns
    -------
    curve : ndarray, shape (n, 5)
        Mean radius, shift x, y and second harmonic, px.
    edge : ndarray, shape (n, RAYS)
        Distance of the edge along each ray, px.
    height : ndarray, shape (n, RAYS)
        Colour step there.
    """
    colours = _in_windows(windows, xy, radius[:, None, None] * RADII_SECOND)
    step = _steps(colours, RADII_SECOND)
    edge, height = _edge_along_rays(step, RADII_SECOND[1:-1], np.ones(len(windows)))
    curve = _closed_curve(edge, height)[0]
    return curve * radius[:, None], edge * radius[:, None], height


def star(
    picture: Rgb, xy: Floats, radius: Floats, radii: Floats, *, first: bool,
    pigment: Floats | None = None, frame: Floats | None = None,
) -> tuple[Floats, Floats, Floats, Floats, Rgb]:  # fmt: skip
    """Outline of each place: curve (n, 5) px, misfit, arc, contrast, colours along its rays.

    With a ``pigment`` (k, 3), CIE L*a*b*, the edge of that paint, whatever lies around it; with
    a ``frame`` (n, 2, 2) rays and curve are those of the place drawn out so.
    """
    colours = _polar(picture, xy, radius[:, None, None] * radii, frame)
    step = _steps(colours, radii) if pigment is None else _paint_steps(colours, pigment)
    places = radii[1:-1]
    usual = np.ones(len(xy))
    if first and len(xy):
        # An outline shows on all rays at once; nearer ones count a little more, since a
        # cap or bar around the dot has an edge too.
        usual = places[(step.mean(axis=1) / np.sqrt(places)).argmax(axis=1)]
    edge, height = _edge_along_rays(step, places, usual)
    seen = None
    if pigment is not None:
        seen = _ends_inside(picture, xy, radius[:, None] * (edge + radii[1] - radii[0]), frame)
    curve, misfit, arc, contrast = _closed_curve(edge, height, seen)
    return curve * radius[:, None], misfit, arc, contrast, colours


def paint(colours: Rgb, curve: Floats, radii: Floats) -> tuple[Floats, Floats]:
    """Mean colour (n, 3), RGB, inside each outline of `star`, and its roughness (n,).

    Parameters
    ----------
    colours : ndarray of uint8, shape (n, RAYS, m, 3)
        Colours along the rays, at the distances ``radii`` (m,).
    curve : ndarray, shape (n, 5)
        The outlines in the unit of ``radii``.
    radii : ndarray, shape (m,)
        Distances along a ray.
    """
    inside = radii < 0.65 * (curve @ _CURVE.T)[:, :, None]
    weight = (inside / np.maximum(inside.sum(axis=(1, 2)), 1)[:, None, None]).astype(np.float32)
    seen = colours.astype(np.float32)
    rgb = np.einsum("nar,narc->nc", weight, seen)
    off = seen - rgb[:, None, None]
    rough = np.sqrt(np.einsum("nar,narc,narc->n", weight, off, off, optimize=True))
    return rgb.astype(np.float64), rough.astype(np.float64)


def _steps(colours: Rgb, radii: Floats) -> Floats:
    """Growth of the distance from the core's colour along rays; colours (n, RAYS, m, 3)."""
    far2: list[NDArray[np.float32]] = []
    for plane in _planes(colours):
        off = plane - plane[:, :, radii < CORE].mean(axis=(1, 2))[:, None, None]
        off *= off
        far2.append(off)
    away = np.sqrt(far2[0] + far2[1] + far2[2]).astype(np.float64)
    return np.asarray(away[:, :, 2:] - away[:, :, :-2])


def _planes(colours: Rgb) -> list[NDArray[np.float32]]:
    """Red, green and blue of colours (n, RAYS, m, 3), each in one piece: numpy likes it so."""
    if len(colours) == 0:
        return [np.zeros(colours.shape[:3], dtype=np.float32)] * 3
    flat = cv2.split(colours.reshape(len(colours), -1, 3))
    return [plane.reshape(colours.shape[:3]).astype(np.float32) for plane in flat]


def _paint_steps(colours: Rgb, pigment: Floats) -> Floats:
    """Loss of a pigment's colour along rays, `PAINTED` for all of it."""
    lab = lab_of(colours.reshape(-1, 3).astype(np.float64))
    far2 = colour_distance2(lab[:, None], pigment).min(axis=1).reshape(colours.shape[:3])
    like = PAINTED * np.exp(-0.5 * far2 / PAINT2)
    return np.asarray(like[:, :, :-2] - like[:, :, 2:])


def drawn_out(stretch: Floats) -> Floats:
    """What makes ellipses of that ``stretch`` (n, 2) from circles of their area, (n, 2, 2)."""
    length = np.hypot(*stretch.T)
    most = np.minimum(length, MOST_STRETCH)
    by = np.sqrt((1.0 + most) / (1.0 - most))
    x, y = np.where(length > 0.0, stretch.T / np.maximum(length, 1e-9), [[1.0], [0.0]])
    mean, half = 0.5 * (by + 1.0 / by), 0.5 * (by - 1.0 / by)
    rows = [[mean + half * x, half * y], [half * y, mean - half * x]]
    return np.asarray(np.moveaxis(np.array(rows), 2, 0))


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


def _ends_inside(
    picture: Rgb, xy: Floats, reach: Floats, frame: Floats | None
) -> NDArray[np.bool_]:
    """Which rays (n, RAYS), ``reach`` px long, end within the picture.

    Where fewer than `LEAST_SEEN` do, all count: nothing is known of such a dot.
    """
    along = DIRECTIONS[None] if frame is None else frame @ DIRECTIONS
    ends = xy[:, :, None] + along * reach[:, None]
    size = np.array(picture.shape[1::-1])[None, :, None]
    seen = ((ends > 0.0) & (ends < size)).all(axis=1)
    return np.asarray(seen | (seen.mean(axis=1) < LEAST_SEEN)[:, None])


def _closed_curve(
    edge: Floats, height: Floats, seen: NDArray[np.bool_] | None = None
) -> tuple[Floats, Floats, Floats, Floats]:
    """Second-order closed curve r(angle) through edges, outliers weighted down.

    Rays that are not ``seen`` to their end count for nothing.
    """
    share = np.ones(edge.shape) if seen is None else seen / seen.mean(axis=1, keepdims=True)
    height = height * (share > 0.0)
    if seen is None:
        contrast = np.median(height, axis=1)
    else:
        contrast = np.nanmedian(np.where(seen, height, np.nan), axis=1)
    clear = np.minimum(height / (contrast[:, None] + 1e-3), 1.0) ** 2 + 1e-3
    unseen = (share == 0.0).sum(axis=1)
    clear = clear * (share > 0.0)
    weight = clear
    calm = 1e-3 * np.eye(5) + ROUND * unseen[:, None, None] * np.diag([0.0, 0.0, 0.0, 1.0, 1.0])
    curve = np.zeros((len(edge), 5))
    for _ in range(3):
        normal = (weight @ _CURVES).reshape(-1, 5, 5)
        right = (weight * edge) @ _CURVE
        curve = np.linalg.solve(normal + calm, right[..., None])[..., 0]
        rest = edge - curve @ _CURVE.T
        size = np.maximum(curve[:, :1], 1e-3)
        weight = clear / (1.0 + (rest / (0.1 * size)) ** 2)
    rest = edge - curve @ _CURVE.T
    on_it = (np.abs(rest) < 0.18 * size) & (height > 0.4 * contrast[:, None])
    misfit = np.sqrt(np.mean(share * np.minimum(np.abs(rest), 0.5) ** 2, axis=1)) / size[:, 0]
    return curve, misfit, (share * on_it).mean(axis=1), contrast


def surroundings(picture: Rgb, xy: Floats, size: Floats, curve: Floats) -> tuple[Floats, Floats]:
    """Concentric edge outside, shape (n,), and the colours outside, (n, RAYS, 3).

    A step counts that at least four of five rays share, in the same colour direction.
    It must be a peak along the radius, else it is the foot of the dot's own edge.
    """
    if len(xy) == 0:
        return np.zeros(0), np.zeros((0, RAYS, 3))
    shape = size[:, None] + curve[:, 3:] @ _CURVE[:, 3:].T
    colours = _planes(_polar(picture, xy, shape[:, :, None] * RADII_OUTSIDE))
    steps = [plane[:, :, 2:] - plane[:, :, :-2] for plane in colours]
    common = np.stack([step.mean(axis=1) for step in steps], axis=2)
    common /= np.linalg.norm(common, axis=2, keepdims=True) + 1e-6
    red, green, blue = (step * common[:, None, :, k] for k, step in enumerate(steps))
    least = RAYS // 5
    shared = np.partition(red + green + blue, least, axis=1)[:, least]
    peak = (shared[:, 1:-1] >= shared[:, :-2]) & (shared[:, 1:-1] >= shared[:, 2:])
    ring = np.where(peak, shared[:, 1:-1], 0.0).max(axis=1).astype(np.float64)
    near = (RADII_OUTSIDE > 1.4) & (RADII_OUTSIDE < 2.1)
    around = np.stack([plane[:, :, near].mean(axis=2) for plane in colours], axis=2)
    lab = lab_of(around.reshape(-1, 3).astype(np.float64))
    return ring, lab.reshape(len(xy), RAYS, 3)


def rays_at(windows: Sequence[Rgb], xy: Floats, radii: Floats) -> NDArray[np.float32]:
    """Colours at given distances (n, RAYS, m) along the rays, (n, RAYS, m, 3), RGB."""
    return np.asarray(_in_windows(windows, xy, radii), dtype=np.float32)


def _in_windows(windows: Sequence[Rgb], xy: Floats, radii: Floats) -> Rgb:
    polar = [_polar(window, xy[k : k + 1], radii[k : k + 1]) for k, window in enumerate(windows)]
    return np.concatenate(polar)


def _polar(picture: Rgb, xy: Floats, radii: Floats, frame: Floats | None = None) -> Rgb:
    """Colours along rays, (n, RAYS, m, 3); radii in px, shape (n, RAYS or 1, m)."""
    n, _, m = radii.shape
    if n == 0:
        return np.zeros((0, RAYS, m, 3), dtype=np.uint8)
    along = DIRECTIONS[None] if frame is None else frame @ DIRECTIONS
    map_x, map_y = (
        np.asarray(xy[:, k, None, None] + along[:, k, :, None] * radii - 0.5, dtype=np.float32)
        for k in (0, 1)
    )
    flat = cv2.remap(
        picture,
        map_x.reshape(n, RAYS * m),
        map_y.reshape(n, RAYS * m),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(flat.reshape(n, RAYS, m, 3), dtype=np.uint8)
