"""The camera: its focal length, the plane of printed tags, and how it stands to the leg.

A strip of AprilTags (family 36h11) fixed parallel to the machine's bars shows the
direction of the leg's sagittal plane. The tags of a strip lie in one plane and are
printed upright in one row, so all their corners are fitted jointly: one plane, one
turn in it, and the place of each tag. Where they are one strip like ours (`strips`:
gap = 8/50 of a tag) its spacing is used as well.

Two tags stuck on the bars lie in one plane too, each with its own turn; their size shows
how far the bars are, and where no strip is seen their plane is the camera's direction.

The leg lies deeper than the strip. Only *ratios* of depths change an angle, so the
distance from strip to leg needs to be known roughly, and its ± is carried.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from knee_angle.angle import geometry
from knee_angle.assumptions import (
    MARK_DEPTH_MM,
    PHONE_F35_MM,
    PRIOR_VIEW_DEG,
    STRIP_GAP,
    STRIP_TO_KNEE_MM,
    U_BARS_PARALLEL_DEG,
    U_CORNER_PX,
    U_EXIF,
    U_LEG_TURN_DEG,
    U_LEG_YAW_DEG,
    U_PRIOR,
    U_STRIP,
)
from knee_angle.photo.reading import Photo
from knee_angle.photo.strips import steps_of
from knee_angle.photo.tags import Tag
from knee_angle.records import Direction, Lens, View

__all__ = [
    "Board",
    "bars_board",
    "board_of",
    "lens_of",
    "view_from_bars",
    "view_from_board",
    "view_from_direction",
    "view_from_prior",
]

Floats = NDArray[np.float64]

FULL_FRAME_DIAGONAL_MM = 43.2666
"""Diagonal of the 24 x 36 mm frame that "35 mm equivalent" refers to."""

U_BARS_LEVEL_MM = MARK_DEPTH_MM["thigh_bar"][1]
"""± of one bar tag's depth against the other's, mm: the bars' outer faces."""


@dataclass(frozen=True, slots=True)
class Board:
    """The plane of all tags together.

    Parameters
    ----------
    normal : ndarray, shape (3,)
        Unit normal towards the camera, camera coordinates.
    tilt_cov_deg2 : ndarray, shape (2, 2)
        Covariance of its tilt, degrees².
    distance_mm, u_distance_mm : float
        Distance of the plane from the lens along the normal and its ±
        (without the focal length's share).
    rms_px : float
        Root mean square of the corners' residuals.
    other_normal : ndarray, shape (3,), or None
        The mirrored solution, where the picture cannot exclude it.
    p_other : float
        Its probability.
    """

    normal: Floats
    tilt_cov_deg2: Floats
    distance_mm: float
    u_distance_mm: float
    rms_px: float
    other_normal: Floats | None = None
    p_other: float = 0.0


def lens_of(photo: Photo) -> Lens:
    """The photo's pinhole camera, from its EXIF or a stated prior.

    "35 mm equivalent" is taken over the diagonal (CIPA DCG-001's way):
    f_px = f35 / 43.2666 mm · diagonal in px.
    """
    f35_mm = photo.f35_mm if photo.f35_mm is not None else PHONE_F35_MM
    diagonal_px = math.hypot(photo.width, photo.height)
    return Lens(
        width_px=photo.width,
        height_px=photo.height,
        focal_px=f35_mm / FULL_FRAME_DIAGONAL_MM * diagonal_px,
        u_relative=U_EXIF if photo.f35_mm is not None else U_PRIOR,
        source="exif" if photo.f35_mm is not None else "prior",
    )


def board_of(tags: tuple[Tag, ...], lens: Lens, *, tag_mm: float) -> Board | None:
    """The plane of all tags, fitted jointly; None without a tag.

    Parameters
    ----------
    tags : tuple of Tag
        Tags of one flat board, all printed the same way up.
    lens : Lens
        The camera.
    tag_mm : float
        Edge of a tag's black square, mm.

    Notes
    -----
    A flat target seen from afar has a second, mirrored solution. Both are fitted;
    the odds between them are those of their residuals (Gaussian corners) times the
    prior of the view (`PRIOR_VIEW_DEG`).
    """
    if not tags:
        return None
    starts, steps = _starts(tags, lens, tag_mm=tag_mm), steps_of(tags)
    return _best([_fit(tags, lens, tag_mm=tag_mm, start=start, steps=steps) for start in starts])


def bars_board(
    tags: tuple[Tag, ...], lens: Lens, *, tag_mm: float, strip: Board | None = None
) -> Board | None:
    """The plane of the tags on the bars; parameters as for `board_of`. None without a tag.

    Each tag has its own turn, and its own depth within `U_BARS_LEVEL_MM`. Where a strip was
    seen its direction counts as well, within `U_BARS_PARALLEL_DEG`.
    """
    if not tags:
        return None
    if strip is not None:
        return _best([_fit(tags, lens, tag_mm=tag_mm, start=strip.normal, bars=True, strip=strip)])
    starts = _starts(tags, lens, tag_mm=tag_mm)
    return _best([_fit(tags, lens, tag_mm=tag_mm, start=start, bars=True) for start in starts])


def _best(fits: list[_Fit]) -> Board:
    """The likelier of the solutions, and the other where the picture cannot exclude it."""
    fits.sort(key=lambda fit: fit.cost)
    best = fits[0]
    noise = max(U_CORNER_PX, best.rms_px)
    rivals = [f for f in fits[1:] if geometry.tilt_between_deg(f.normal, best.normal) > 2.0]
    other, p_other = None, 0.0
    if rivals:
        log_odds = (best.cost - rivals[0].cost) / (2 * noise**2)
        log_odds += _log_prior(rivals[0].normal) - _log_prior(best.normal)
        p_other = 1.0 / (1.0 + math.exp(min(50.0, -log_odds)))
        other = rivals[0]
        if p_other > 0.5:
            best, other, p_other = other, best, 1.0 - p_other
    if p_other < 1e-3:
        other, p_other = None, 0.0
    return Board(
        normal=best.normal,
        tilt_cov_deg2=best.tilt_cov * noise**2,
        distance_mm=best.distance_mm,
        u_distance_mm=math.sqrt(best.distance_var) * noise,
        rms_px=best.rms_px,
        other_normal=None if other is None else other.normal,
        p_other=p_other,
    )


def _log_prior(normal: Floats) -> float:
    """Log density of a view's direction before the picture is looked at."""
    yaw, pitch = geometry.view_of_normal(normal)
    total = 0.0
    for value, key in ((yaw, "yaw"), (pitch, "pitch")):
        mean, u = PRIOR_VIEW_DEG[key]
        total -= 0.5 * ((value - mean) / u) ** 2
    return total


@dataclass(frozen=True, slots=True)
class _Fit:
    """One least-squares solution; covariances are for corners of 1 px."""

    normal: Floats
    tilt_cov: Floats
    distance_mm: float
    distance_var: float
    cost: float
    rms_px: float


def _starts(tags: tuple[Tag, ...], lens: Lens, *, tag_mm: float) -> list[Floats]:
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


def _fit(
    tags: tuple[Tag, ...],
    lens: Lens,
    *,
    tag_mm: float,
    start: Floats,
    steps: tuple[int, ...] | None = None,
    bars: bool = False,
    strip: Board | None = None,
) -> _Fit:
    """Least squares over the plane (tilt, distance), each tag's place and the turn.

    Tags of a strip share one turn, and its spacing where their ``steps`` are known; tags on
    ``bars`` have a turn and a depth each.
    """
    seen = np.array([tag.corners_px for tag in tags])
    centres = seen.mean(axis=1)
    line = geometry.rays(centres, focal_px=lens.focal_px, centre_px=lens.centre_px)
    distance0 = _distance0_mm(seen, lens, tag_mm=tag_mm, normal=start)
    places0 = geometry.to_plane_mm(
        geometry.meet_plane(line, normal=start, distance_mm=distance0), normal=start
    )
    right = seen[:, 1] + seen[:, 2] - seen[:, 0] - seen[:, 3]
    directions = right if bars else right.sum(axis=0, keepdims=True)
    turns0 = [geometry.direction_deg(one) for one in directions]
    depths0 = [0.0] * len(tags) * bars
    regular = None if steps is None or len(steps) < 2 else np.array(steps)
    x0 = np.concatenate([[0.0, 0.0, 0.0], turns0, places0.ravel() / distance0, depths0])
    root = None if strip is None else _strip_root(strip)

    def residuals(x: Floats) -> Floats:
        one = _Layout.of(x, tags=len(tags), distance0=distance0)
        drawn = _drawn(one, start=start, lens=lens, tag_mm=tag_mm)
        parts = [(drawn - seen).reshape(*x.shape[:-1], -1)]
        if regular is not None:
            parts.append(
                _strip_residuals(one.places_mm, one.turns_deg[..., 0], regular, tag_mm=tag_mm)
            )
        if bars:
            parts.append(one.depths_mm / U_BARS_LEVEL_MM * U_CORNER_PX)
        if root is not None:
            parts.append(one.tilt_deg @ root.T * U_CORNER_PX)
        return np.concatenate(parts, axis=-1)

    def slopes(x: Floats) -> Floats:
        # All central differences in one vectorised call.
        step = 1e-5 * np.eye(x.size)
        return np.asarray((residuals(x + step) - residuals(x - step)).T / 2e-5)

    found = least_squares(
        residuals, x0, jac=slopes, x_scale="jac", method="lm", xtol=1e-6, ftol=1e-6
    )
    return _fitted(found, start=start, distance0=distance0, corners=seen.size)


def _fitted(found: Any, *, start: Floats, distance0: float, corners: int) -> _Fit:
    """What least squares found, as plane and ±; the first ``corners`` residuals are px."""
    cov = np.linalg.pinv(found.jac.T @ found.jac)
    distance_mm = distance0 * math.exp(found.x[2])
    freedom = max(1, found.fun.size - found.x.size)
    return _Fit(
        normal=geometry.tilt_normal(start, found.x[:2]),
        tilt_cov=cov[:2, :2],
        distance_mm=distance_mm,
        distance_var=float(cov[2, 2]) * distance_mm**2,
        cost=float(np.sum(found.fun**2)),
        rms_px=float(np.sqrt(np.sum(found.fun[:corners] ** 2) / freedom)),
    )


def _distance0_mm(seen: Floats, lens: Lens, *, tag_mm: float, normal: Floats) -> float:
    """Where a plane so turned lies, by the area of the tags; corners (n, 4, 2)."""
    line = geometry.rays(seen, focal_px=lens.focal_px, centre_px=lens.centre_px)
    flat = geometry.to_plane_mm(
        geometry.meet_plane(line, normal=normal, distance_mm=1.0), normal=normal
    )
    (ax, ay), (bx, by) = (np.moveaxis(flat[:, k + 2] - flat[:, k], -1, 0) for k in (0, 1))
    return tag_mm / math.sqrt(float(np.mean(np.abs(ax * by - ay * bx))) / 2)


def _strip_root(strip: Board) -> Floats:
    """What whitens the tilt of the bars' plane against the strip's, shape (2, 2)."""
    cov = strip.tilt_cov_deg2 + U_BARS_PARALLEL_DEG**2 * np.eye(2)
    return np.asarray(np.linalg.inv(np.linalg.cholesky(cov)))


@dataclass(frozen=True, slots=True)
class _Layout:
    """The parameters of a fit by name, each with the leading shape (...)."""

    tilt_deg: Floats  # (..., 2)
    distance_mm: Floats  # (...)
    turns_deg: Floats  # (..., 1), or (..., n) on bars
    places_mm: Floats  # (..., n, 2)
    depths_mm: Floats  # (..., n), towards the camera

    @classmethod
    def of(cls, x: Floats, *, tags: int, distance0: float) -> _Layout:
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


def _drawn(one: _Layout, *, start: Floats, lens: Lens, tag_mm: float) -> Floats:
    """Corners (..., n, 4, 2) in px that the parameters would give."""
    normal = geometry.tilt_normal(start, one.tilt_deg)
    right, down = (axis[..., None, None, :] for axis in geometry.plane_axes(normal))
    half = tag_mm / 2
    square = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
    turned = geometry.turned(square, by_deg=one.turns_deg[..., None])
    places = one.places_mm[..., None, :] + turned
    far = one.distance_mm[..., None] - one.depths_mm
    away = normal[..., None, None, :] * far[..., None, None]
    points = places[..., :1] * right + places[..., 1:] * down - away
    flat = points[..., :2] / points[..., 2:] * lens.focal_px
    return np.asarray(flat + np.asarray(lens.centre_px))


def _strip_residuals(
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


def view_from_bars(bars: Board, *, strip: Board | None, long_axis_px: tuple[float, float]) -> View:
    """The leg's plane from the bars' tags: their distance, and the strip's direction if seen.

    The knee lies behind the bars by their usual depth, whose ± belongs to the marks'
    depths and not to the distance. Parameters as for `view_from_board`.
    """
    return replace(
        view_from_board(bars if strip is None else strip, long_axis_px=long_axis_px),
        knee_distance_mm=bars.distance_mm + MARK_DEPTH_MM["thigh_bar"][0],
        u_distance_mm=bars.u_distance_mm,
    )


def view_from_board(board: Board, *, long_axis_px: tuple[float, float]) -> View:
    """The leg's plane, from the tags' plane: parallel but for the leg's own turn.

    Parameters
    ----------
    board : Board
        The tags' plane.
    long_axis_px : (float, float)
        Direction from hip to ankle in the picture; a leg turns about it more than
        across it.
    """
    length = math.hypot(*long_axis_px)
    along = np.array(long_axis_px) / length
    # A turn about the long axis leans the normal across it, and the other way round.
    across = np.array([-along[1], along[0]])
    own = U_LEG_TURN_DEG**2 * np.outer(across, across) + U_LEG_YAW_DEG**2 * np.outer(along, along)
    cov = board.tilt_cov_deg2 + U_BARS_PARALLEL_DEG**2 * np.eye(2)
    depth_mm, u_depth_mm = STRIP_TO_KNEE_MM
    other = board.other_normal
    return View(
        plane="tag",
        normal=_triple(board.normal),
        tilt_cov_deg2=(float(cov[0, 0]), float(cov[0, 1]), float(cov[1, 1])),
        knee_distance_mm=board.distance_mm + depth_mm,
        u_distance_mm=math.hypot(board.u_distance_mm, u_depth_mm),
        other_normal=None if other is None else _triple(other),
        p_other=board.p_other,
        leg_turn_cov_deg2=(float(own[0, 0]), float(own[0, 1]), float(own[1, 1])),
    )


def view_from_direction(
    direction: Direction, *, knee_distance_mm: float, u_distance_mm: float
) -> View:
    """The view as a detector estimates it from the picture; the scale is the caller's."""
    return View(
        plane="estimated",
        normal=direction.normal,
        tilt_cov_deg2=direction.tilt_cov_deg2,
        knee_distance_mm=knee_distance_mm,
        u_distance_mm=u_distance_mm,
    )


def view_from_prior(*, knee_distance_mm: float, u_distance_mm: float) -> View:
    """The view without tags: aimed square-on, give or take `PRIOR_VIEW_DEG`."""
    (yaw, u_yaw), (pitch, u_pitch) = PRIOR_VIEW_DEG["yaw"], PRIOR_VIEW_DEG["pitch"]
    return View(
        plane="image",
        normal=_triple(geometry.normal_from_view(yaw_deg=yaw, pitch_deg=pitch)),
        tilt_cov_deg2=(u_yaw**2, 0.0, u_pitch**2),
        knee_distance_mm=knee_distance_mm,
        u_distance_mm=u_distance_mm,
    )


def _triple(vector: Floats) -> tuple[float, float, float]:
    return float(vector[0]), float(vector[1]), float(vector[2])
