"""How the faces of the machine's dots are turned, by their outlines in the full-size photo.

A disc seen askew is an ellipse: by its *stretch*, (long - short) / (long + short) in the
direction of the long axis as second harmonic (x, y) of its outline. Along each ray from the
centre the outline lies where the colour is half-way from the dot's own to what lies just
outside, so a bar's edge near by does not draw it out, and blur moves it alike all around.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from knee_angle.assumptions import U_DOT_ROUND
from knee_angle.landmarks.dots.outlines import outlines
from knee_angle.photo.reading import Photo
from knee_angle.records import MACHINE_POINTS, Landmarks, PointName

__all__ = ["Face", "faces"]

Floats = NDArray[np.float64]
Rgb = NDArray[np.uint8]

RAYS = 48
"""Every 7.5 degrees: a ray a pixel for a dot of 15 px."""
STEP_PX, STEP_RADII = 0.2, 0.02
"""Along a ray: the larger one."""
GAP_PX, GAP_RADII = 1.5, 0.2
"""What lies just outside is looked at from 0.6 to 1.6 times the larger one beyond the outline."""
WITHIN_RADII = 0.5
"""How far inside the expected outline the edge is looked for."""
LEAST_CONTRAST_RGB = 15.0
LEAST_SHARE = 0.5
"""Of the rays: with fewer edges there is no outline."""
LOOKS = 2
"""Each from where the one before saw the outline: three gave the same directions on the sample
photos, one 0.2 degrees more."""
MOST_STRETCH = 0.3
"""A disc seen 57 degrees askew."""
U_EDGE_PX = 0.08
"""± of an outline's harmonics for the camera's pixels and compression, full-size px (our own)."""
U_REST = 0.5
"""± of the harmonics as a share of how far edges scatter about the outline: 48 rays of which
neighbours err together count as 14 or so."""
_ANGLES = np.arange(RAYS) * (2.0 * np.pi / RAYS)
_WAYS = np.stack([np.cos(_ANGLES), np.sin(_ANGLES)])
_CURVE = np.stack(
    [np.ones(RAYS), *_WAYS, np.cos(2.0 * _ANGLES), np.sin(2.0 * _ANGLES)], axis=1
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Face:
    """A machine's dot as it is seen.

    Parameters
    ----------
    name : str
        The point that it marks.
    xy : (float, float)
        Its centre, full-size px.
    stretch : ndarray, shape (2,)
        Of its outline.
    u : float
        Standard uncertainty of each.
    """

    name: PointName
    xy: tuple[float, float]
    stretch: Floats
    u: float


def faces(photo: Photo, landmarks: Landmarks) -> list[Face]:
    """The machine's dots whose outline shows, of those among ``landmarks``."""
    dots = [
        (name, landmarks.points[name])
        for name in MACHINE_POINTS
        if name in landmarks.points and landmarks.points[name].source == "dot"
    ]
    if landmarks.diameter_px is None or not dots:
        return []
    usual = 0.5 * landmarks.diameter_px
    half = 3.5 * usual + 4.0
    cut = [
        photo.window(int(p.x_px - half), int(p.y_px - half), int(p.x_px + half), int(p.y_px + half))
        for _, p in dots
    ]
    windows = [window for window, _ in cut]
    middle = np.array(
        [(p.x_px - left, p.y_px - top) for (_, p), (_, (left, top)) in zip(dots, cut, strict=True)]
    )
    curves = outlines(windows, middle, np.full(len(dots), usual))[0]
    found = []
    for k, (name, point) in enumerate(dots):
        seen = _outlined(windows[k], middle[k], curves[k], usual)
        if seen is not None:
            found.append(Face(name, (point.x_px, point.y_px), *seen))
    return found


def _outlined(
    window: Rgb, middle: Floats, curve: Floats, usual: float
) -> tuple[Floats, float] | None:
    """Stretch of the outline about a place and its ±, from a first look at it (`outlines`)."""
    stretch, scatter, radius = np.zeros(2), np.inf, usual
    for _ in range(LOOKS):
        radius = float(np.clip(curve[0], 0.5 * usual, 1.8 * usual))
        middle = middle + np.clip(curve[1:3], -0.3 * radius, 0.3 * radius)
        edge = _half_way(window, middle, radius * (1.0 + _CURVE[:, 3:] @ stretch), radius)
        seen = np.isfinite(edge)
        if seen.mean() < LEAST_SHARE:
            return None
        curve, scatter = _closed(edge, seen)
        stretch = np.clip(curve[3:] / max(float(curve[0]), 1e-6), -MOST_STRETCH, MOST_STRETCH)
    u_edge = np.hypot(U_EDGE_PX, U_REST * scatter) / radius
    return stretch, float(np.hypot(U_DOT_ROUND, u_edge))


def _half_way(window: Rgb, middle: Floats, expected: Floats, radius: float) -> Floats:
    """Where along each ray the colour is half-way to what lies just outside; nan: nowhere."""
    gap = max(GAP_PX, GAP_RADII * radius)
    step = max(STEP_PX, STEP_RADII * radius)
    off = np.arange(-WITHIN_RADII * radius, 1.6 * gap, step)
    at = middle[:, None, None] + _WAYS[:, :, None] * (expected[:, None] + off) - 0.5
    colours = cv2.remap(
        window, at[0].astype(np.float32), at[1].astype(np.float32), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    ).astype(np.float64)  # fmt: skip
    own = _own_colour(window, middle, radius)
    away = colours[:, off > 0.6 * gap].mean(axis=1) - own
    size2 = np.maximum((away**2).sum(axis=1), 1e-6)
    level = np.einsum("rmc,rc->rm", colours - own, away) / size2[:, None]
    passes = (level[:, :-1] < 0.5) & (level[:, 1:] >= 0.5) & (off[1:] < gap)
    nearest = np.where(passes, np.abs(off[:-1]), np.inf).argmin(axis=1)[:, None]
    before, after = (np.take_along_axis(level, nearest + k, axis=1)[:, 0] for k in (0, 1))
    there = off[nearest[:, 0]] + step * (0.5 - before) / np.maximum(after - before, 1e-9)
    clear = passes.any(axis=1) & (size2 > LEAST_CONTRAST_RGB**2)
    return np.where(clear, expected + there, np.nan)


def _own_colour(window: Rgb, middle: Floats, radius: float) -> Floats:
    """The median of the colours in the dot's core."""
    far = np.arange(0.0, 0.5 * radius, 0.5)
    at = middle[:, None, None] + _WAYS[:, :, None] * far - 0.5
    core = cv2.remap(window, at[0].astype(np.float32), at[1].astype(np.float32), cv2.INTER_LINEAR)
    return np.asarray(np.median(core.reshape(-1, 3), axis=0), dtype=np.float64)


def _closed(edge: Floats, seen: NDArray[np.bool_]) -> tuple[Floats, float]:
    """Second-order curve through the edges (5,), outliers weighted down, and their scatter, px."""
    weight, at = seen.astype(np.float64), np.where(seen, edge, 0.0)
    curve, scatter = np.zeros(5), 0.0
    for _ in range(6):
        pull = _CURVE.T * weight
        curve = np.linalg.solve(pull @ _CURVE + 1e-9 * np.eye(5), pull @ at)
        rest = at - _CURVE @ curve
        scatter = max(1.48 * float(np.median(np.abs(rest[seen]))), 0.05)
        weight = seen / (1.0 + (rest / (2.0 * scatter)) ** 2)
    return curve, scatter
