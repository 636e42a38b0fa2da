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

import numpy as np
from numpy.typing import NDArray

from knee_angle.angle import geometry
from knee_angle.assumptions import (
    MARK_DEPTH_MM,
    PHONE_F35_MM,
    PRIOR_VIEW_DEG,
    STRIP_TO_KNEE_MM,
    U_BARS_PARALLEL_DEG,
    U_CORNER_PX,
    U_EXIF,
    U_LEG_TURN_DEG,
    U_LEG_YAW_DEG,
    U_PRIOR,
)
from knee_angle.photo.as_taken import as_taken
from knee_angle.photo.plane_fit import Fit, fitted, starts_of
from knee_angle.photo.reading import Photo
from knee_angle.photo.strips import steps_of
from knee_angle.photo.tags import Tag
from knee_angle.records import Direction, Lens, View

__all__ = [
    "Board",
    "bars_board",
    "board_of",
    "lens_of",
    "turned_with_sight",
    "view_from_bars",
    "view_from_board",
    "view_from_direction",
    "view_from_prior",
]

Floats = NDArray[np.float64]

FULL_FRAME_DIAGONAL_MM = 43.2666
"""Diagonal of the 24 x 36 mm frame that "35 mm equivalent" refers to."""


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
    f_px = f35 / 43.2666 mm · diagonal in px. What a picture that may not be as taken
    (`as_taken`) leaves open is in its ±.
    """
    f35_mm = photo.f35_mm if photo.f35_mm is not None else PHONE_F35_MM
    diagonal_px = math.hypot(photo.width, photo.height)
    seen = as_taken(photo)
    return Lens(
        width_px=photo.width,
        height_px=photo.height,
        focal_px=f35_mm / FULL_FRAME_DIAGONAL_MM * diagonal_px * seen.focal,
        u_relative=math.hypot(U_EXIF if photo.f35_mm is not None else U_PRIOR, seen.u_focal),
        source="exif" if photo.f35_mm is not None else "prior",
        u_aspect=seen.u_aspect,
        u_centre=seen.u_centre,
        trusted=seen.trusted,
    )


def turned_with_sight(normal: Floats, at_px: Floats, *, was: Lens, now: Lens) -> Floats:
    """A plane's normal where the picture it was seen in was taken through another lens.

    Parameters
    ----------
    normal : ndarray, shape (3,)
        Unit normal, as seen through ``was``.
    at_px : ndarray, shape (2,)
        Where it is seen, full-size px: what a picture shows there is how the plane lies to the
        line of sight, and that turns with the lens.
    was, now : Lens
        The lens it was told for, and the one it is wanted for.
    """
    rays = [geometry.rays(at_px, focal_px=x.focal_px, centre_px=x.centre_px) for x in (was, now)]
    return geometry.carried_with(normal, *rays)


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
    starts, steps = starts_of(tags, lens, tag_mm=tag_mm), steps_of(tags)
    return _best([fitted(tags, lens, tag_mm=tag_mm, start=start, steps=steps) for start in starts])


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
        return _best(
            [
                fitted(
                    tags,
                    lens,
                    tag_mm=tag_mm,
                    start=strip.normal,
                    bars=True,
                    root=_strip_root(strip),
                )
            ]
        )
    starts = starts_of(tags, lens, tag_mm=tag_mm)
    return _best([fitted(tags, lens, tag_mm=tag_mm, start=start, bars=True) for start in starts])


def _best(fits: list[Fit]) -> Board:
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


def _strip_root(strip: Board) -> Floats:
    """What whitens the tilt of the bars' plane against the strip's, shape (2, 2)."""
    cov = strip.tilt_cov_deg2 + U_BARS_PARALLEL_DEG**2 * np.eye(2)
    return np.asarray(np.linalg.inv(np.linalg.cholesky(cov)))


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
