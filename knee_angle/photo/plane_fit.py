"""A flat board of printed tags fitted to its corners: plane, turns and places at once.

Tags of a strip share one turn and its spacing; tags on bars have a turn and a depth each.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from knee_angle.angle import geometry
from knee_angle.assumptions import MARK_DEPTH_MM, STRIP_GAP, U_CORNER_PX, U_STRIP
from knee_angle.photo.tags import Tag
from knee_angle.records import Lens

__all__ = [
    "U_BARS_LEVEL_MM",
    "Fit",
    "Layout",
    "distance0_mm",
    "drawn_px",
    "first_guess",
    "fitted",
    "flat_corners",
    "gauss_newton",
    "starts_of",
    "strip_residuals",
]

Floats = NDArray[np.float64]

U_BARS_LEVEL_MM = MARK_DEPTH_MM["thigh_bar"][1]
"""± of one bar tag's depth against the other's, mm: the bars' outer faces."""
MOST_STEPS, LEAST_GAIN = 15, 1e-4
"""Steps of a fit at most; px² of all corners together, far below their noise (our own)."""


@dataclass(frozen=True, slots=True)
class Fit:
    """One least-squares solution; covariances are for corners of 1 px."""

    normal: Floats
    tilt_cov: Floats
    distance_mm: float
    distance_var: float
    cost: float
    rms_px: float


def starts_of(tags: tuple[Tag, ...], lens: Lens, *, tag_mm: float) -> list[Floats]:
    """Starting normals: both solutions of every tag's own square, deduplicated."""
    half = tag_mm / 2
    square = np.array([[-half, half, 0], [half, half, 0], [half, -half, 0], [-half, -half, 0]])
    starts: list[Floats] = []
    for tag in tags:
        _, turns, _, _ = cv2.solvePnPGeneric(
            square,
            np.asarray(tag.corners_px),
            _matrix(lens),
            None,
            flags=cv2.SOLVEPNP_IPPE_SQUARE,
        )
        for turn in turns:
            normal = cv2.Rodrigues(turn)[0][:, 2]
            normal = normal if normal[2] < 0 else -normal
            starts.append(np.asarray(normal, dtype=float))
    mean = np.mean(starts, axis=0)
    mean /= np.linalg.norm(mean)
    # The two families mirror each other about the line of sight: the widest and its
    # mirror start one fit in each.
    widest = max(starts, key=lambda s: float(geometry.tilt_between_deg(s, mean)))
    return [widest, 2 * (widest @ mean) * mean - widest]


def _matrix(lens: Lens) -> Floats:
    cx, cy = lens.centre_px
    return np.array([[lens.focal_px, 0, cx], [0, lens.focal_px, cy], [0, 0, 1.0]])


def fitted(
    tags: tuple[Tag, ...],
    lens: Lens,
    *,
    tag_mm: float,
    start: Floats,
    steps: tuple[int, ...] | None = None,
    bars: bool = False,
    root: Floats | None = None,
) -> Fit:
    """Least squares over the plane (tilt, distance), each tag's place and the turn.

    Tags of a strip share one turn, and its spacing where their ``steps`` are known; tags on
    ``bars`` have a turn and a depth each.
    """
    seen = np.array([tag.corners_px for tag in tags])
    x0, distance0 = first_guess(seen, lens, tag_mm=tag_mm, normal=start, bars=bars)
    regular = None if steps is None or len(steps) < 2 else np.array(steps)

    def residuals(x: Floats) -> Floats:
        one = Layout.of(x, tags=len(tags), distance0=distance0)
        drawn = drawn_px(one, start=start, lens=lens, tag_mm=tag_mm)
        parts = [(drawn - seen).reshape(*x.shape[:-1], -1)]
        if regular is not None:
            parts.append(
                strip_residuals(one.places_mm, one.turns_deg[..., 0], regular, tag_mm=tag_mm)
            )
        if bars:
            parts.append(one.depths_mm / U_BARS_LEVEL_MM * U_CORNER_PX)
        if root is not None:
            parts.append(one.tilt_deg @ root.T * U_CORNER_PX)
        return np.concatenate(parts, axis=-1)

    found = gauss_newton(residuals, x0, least_gain=LEAST_GAIN)
    return _found(*found, start=start, distance0=distance0, corners=seen.size)


def gauss_newton(
    residuals: Callable[[Floats], Floats], x: Floats, *, least_gain: float
) -> tuple[Floats, Floats, Floats]:
    """The least squares of residuals that are nearly linear; a step that worsens is halved.

    SciPy's solver finds the same in two to three times the time; a photo of a strip is fitted
    before it is known to be worth measuring.

    Parameters
    ----------
    residuals : callable
        From parameters (..., p) to residuals (..., m).
    x : ndarray, shape (p,)
        Where to begin.
    least_gain : float
        The fit ends with a step that lessens the sum of squares by less.

    Returns
    -------
    (ndarray, ndarray, ndarray)
        Parameters (p,), residuals (m,) and their slopes (m, p).
    """
    step = 1e-5 * np.eye(x.size)

    def seen(x: Floats) -> tuple[Floats, Floats]:
        # With all central differences in one vectorised call.
        off, up, down = np.split(
            residuals(np.concatenate([[x], x + step, x - step])), [1, 1 + x.size]
        )
        return off[0], np.asarray((up - down).T / 2e-5)

    off, ahead = seen(x)
    for _ in range(MOST_STEPS):
        slopes = ahead
        move = np.linalg.lstsq(slopes, -off, rcond=None)[0]
        for share in 0.5 ** np.arange(6):
            tried, ahead = seen(x + share * move)
            if tried @ tried < off @ off:
                break
        else:
            break
        gained, x, off = float(off @ off - tried @ tried), x + share * move, tried
        if gained < least_gain:
            break
    return x, off, slopes


def first_guess(
    seen: Floats, lens: Lens, *, tag_mm: float, normal: Floats, bars: bool = False
) -> tuple[Floats, float]:
    """Parameters of a `Layout` for corners (n, 4, 2) on a plane so turned, and its distance."""
    line = geometry.rays(seen.mean(axis=1), focal_px=lens.focal_px, centre_px=lens.centre_px)
    distance = distance0_mm(seen, lens, tag_mm=tag_mm, normal=normal)
    places = geometry.to_plane_mm(
        geometry.meet_plane(line, normal=normal, distance_mm=distance), normal=normal
    )
    right = seen[:, 1] + seen[:, 2] - seen[:, 0] - seen[:, 3]
    directions = right if bars else right.sum(axis=0, keepdims=True)
    turns = [geometry.direction_deg(one) for one in directions]
    depths = [0.0] * len(seen) * bars
    return np.concatenate([[0.0, 0.0, 0.0], turns, places.ravel() / distance, depths]), distance


def _found(
    x: Floats, off: Floats, slopes: Floats, *, start: Floats, distance0: float, corners: int
) -> Fit:
    """What least squares found, as plane and ±; the first ``corners`` residuals are px."""
    cov: Floats = np.asarray(np.linalg.pinv(slopes.T @ slopes), dtype=float)
    distance_mm = distance0 * math.exp(x[2])
    freedom = max(1, off.size - x.size)
    return Fit(
        normal=geometry.tilt_normal(start, x[:2]),
        tilt_cov=cov[:2, :2],
        distance_mm=distance_mm,
        distance_var=float(cov[2, 2]) * distance_mm**2,
        cost=float(np.sum(off**2)),
        rms_px=float(np.sqrt(np.sum(off[:corners] ** 2) / freedom)),
    )


def distance0_mm(seen: Floats, lens: Lens, *, tag_mm: float, normal: Floats) -> float:
    """Where a plane so turned lies, by the area of the tags; corners (n, 4, 2)."""
    line = geometry.rays(seen, focal_px=lens.focal_px, centre_px=lens.centre_px)
    flat = geometry.to_plane_mm(
        geometry.meet_plane(line, normal=normal, distance_mm=1.0), normal=normal
    )
    (ax, ay), (bx, by) = (np.moveaxis(flat[:, k + 2] - flat[:, k], -1, 0) for k in (0, 1))
    return tag_mm / math.sqrt(float(np.mean(np.abs(ax * by - ay * bx))) / 2)


@dataclass(frozen=True, slots=True)
class Layout:
    """The parameters of a fit by name, each with the leading shape (...)."""

    tilt_deg: Floats  # (..., 2)
    distance_mm: Floats  # (...)
    turns_deg: Floats  # (..., 1), or (..., n) on bars
    places_mm: Floats  # (..., n, 2)
    depths_mm: Floats  # (..., n), towards the camera

    @classmethod
    def of(cls, x: Floats, *, tags: int, distance0: float) -> Layout:
        """Tilt a, b (deg), log distance, turns (deg), places / distance0, depths (mm)."""
        bars = x.shape[-1] > 4 + 2 * tags
        places = 3 + (tags if bars else 1)
        depths = places + 2 * tags
        return cls(
            tilt_deg=x[..., :2],
            distance_mm=distance0 * np.exp(x[..., 2]),
            turns_deg=x[..., 3:places],
            places_mm=x[..., places:depths].reshape(*x.shape[:-1], tags, 2) * distance0,
            depths_mm=x[..., depths:] if bars else np.zeros((*x.shape[:-1], tags)),
        )


def drawn_px(one: Layout, *, start: Floats, lens: Lens, tag_mm: float) -> Floats:
    """Corners (..., n, 4, 2) in px that the parameters would give."""
    flat = flat_corners(one, start=start, tag_mm=tag_mm) * lens.focal_px
    return np.asarray(flat + np.asarray(lens.centre_px))


def flat_corners(one: Layout, *, start: Floats, tag_mm: float) -> Floats:
    """Corners (..., n, 4, 2) in a picture of focal length 1 about its middle."""
    normal = geometry.tilt_normal(start, one.tilt_deg)
    right, down = (axis[..., None, None, :] for axis in geometry.plane_axes(normal))
    half = tag_mm / 2
    square = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
    turned = geometry.turned(square, by_deg=one.turns_deg[..., None])
    places = one.places_mm[..., None, :] + turned
    far = one.distance_mm[..., None] - one.depths_mm
    away = normal[..., None, None, :] * far[..., None, None]
    points = places[..., :1] * right + places[..., 1:] * down - away
    return np.asarray(points[..., :2] / points[..., 2:])


def strip_residuals(
    places: Floats, turn_deg: Floats, steps: NDArray[np.int_], *, tag_mm: float
) -> Floats:
    """How far the places (..., n, 2) are from the strip's, as if px of a corner.

    Scaled so that `U_STRIP` weighs as one corner of `U_CORNER_PX`.
    """
    pitch = tag_mm * (1 + STRIP_GAP)
    row = np.stack([steps * pitch, steps * 0.0], axis=-1)
    wanted = geometry.turned(row, by_deg=np.asarray(turn_deg)[..., None])
    off = (places - places.mean(axis=-2, keepdims=True)) - (
        wanted - wanted.mean(axis=-2, keepdims=True)
    )
    return np.asarray((off / (U_STRIP * tag_mm) * U_CORNER_PX).reshape(*off.shape[:-2], -1))
