"""A machine without a leg: what the two tags on its bars show."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from knee_angle.angle import bars, geometry
from knee_angle.assumptions import FRAME_LEAST_DEG, U_BARS_PARALLEL_DEG, U_CORNER_PX
from knee_angle.photo import camera
from knee_angle.photo.plane_fit import U_BARS_LEVEL_MM
from knee_angle.photo.tags import Tag, bars_of
from knee_angle.records import BarsAlone, Lens
from knee_angle.settings import Settings

__all__ = ["bars_alone"]

Floats = NDArray[np.float64]

TRIALS = 300
"""The u of a turn is then known to about 4 %."""
MOST_RMS_PX = 2.0
"""Corners further off two squares in about one plane are no bars' tags (our own)."""


def bars_alone(
    tags: tuple[Tag, ...],
    lens: Lens,
    settings: Settings,
    *,
    displayed_deg: float | None,
    rng: np.random.Generator,
) -> BarsAlone | None:
    """Flexion between the tags on the bars; None without both of them, each once.

    Notes
    -----
    A phone is held more or less upright, so the foot lies to the right of a machine for a
    right leg and to the left of one for a left leg; where that gives bars bent backwards by
    more than any machine does, the phone was not, and it is the other way round.
    """
    pair = bars_of(tags)
    if len(pair) != 2 or pair[0].number == pair[1].number:
        return None
    board = camera.bars_board(pair, lens, tag_mm=settings.bar_tag_mm)
    if board is None or board.rms_px > MOST_RMS_PX:
        return None
    corners = np.array([tag.corners_px for tag in pair])
    centre = np.array(lens.centre_px)
    far_mm = board.distance_mm * np.ones(2)
    thigh, shank = _poses(corners, board.normal, far_mm, np.array(lens.focal_px), centre)
    best = bars.motion(thigh, shank)
    levels, turn_of = np.linalg.eigh(board.tilt_cov_deg2 + U_BARS_PARALLEL_DEG**2 * np.eye(2))
    tilt = turn_of * np.sqrt(np.maximum(levels, 0.0))
    away = _drawn(corners, board, tilt, lens, rng) - best
    away[:, 0] = (away[:, 0] + 180.0) % 360.0 - 180.0
    cov = away.T @ away / TRIALS
    bend = 1.0 if thigh.along[0] + shank.along[0] > 0.0 else -1.0
    if bend * best[0] < FRAME_LEAST_DEG:
        bend = -bend
    turn, x, y = (float(v) for v in best)
    return BarsAlone(
        deg=bend * turn,
        u_deg=float(np.sqrt(cov[0, 0])),
        bend=bend,
        motion=(turn, x, y),
        motion_cov=tuple(tuple(float(v) for v in row) for row in cov),
        displayed_deg=displayed_deg,
        camera_seen=lens.trusted,
        seen_px=tuple((float(x), float(y)) for x, y in corners.reshape(-1, 2)),
    )


def _poses(
    corners_px: Floats, normal: Floats, far_mm: Floats, focal_px: Floats, centre_px: Floats
) -> tuple[bars.Poses, bars.Poses]:
    """Both tags, corners (..., 2, 4, 2), in the plane of the bars, each at its own depth (..., 2).

    Normal (..., 3), focal length (...) and the picture's middle (..., 2) may be each trial's own.
    """
    normal = normal[..., None, None, :]
    line = geometry.rays(
        corners_px, focal_px=focal_px[..., None, None], centre_px=centre_px[..., None, None, :]
    )
    places = geometry.meet_plane(line, normal=normal, distance_mm=far_mm[..., None] * np.ones(4))
    flat = geometry.to_plane_mm(places, normal=normal)
    return bars.poses(flat[..., 0, :, :]), bars.poses(flat[..., 1, :, :])


def _drawn(
    corners_px: Floats, board: camera.Board, tilt: Floats, lens: Lens, rng: np.random.Generator
) -> Floats:
    """Trials of the motion (n, 3): corners, direction, lens and the bars' two depths.

    ``tilt`` (2, 2) is a root of the direction's covariance, degrees.
    """
    seen = np.tile(np.array(board.normal), (TRIALS, 1))
    if board.other_normal is not None:
        seen[rng.random(TRIALS) < board.p_other] = board.other_normal
    normal = geometry.tilt_normal(seen, rng.standard_normal((TRIALS, 2)) @ tilt.T)
    # ± of a pixel's width against its height, about the middle of the picture.
    stretch = 0.5 * lens.u_aspect * rng.standard_normal((TRIALS, 1))
    shape = np.exp(stretch * np.array([1.0, -1.0]))[:, None, None]
    off = lens.u_centre * lens.diagonal_px * rng.standard_normal((TRIALS, 2))
    if lens.u_centre > 0.0:
        normal = _turned(normal, corners_px, lens, off)
    middle = np.array(lens.centre_px) + off
    about = middle[:, None, None]
    u_px = max(U_CORNER_PX, board.rms_px)
    seen_px = corners_px + u_px * rng.standard_normal((TRIALS, *corners_px.shape))
    thigh, shank = _poses(
        about + shape * (seen_px - about),
        normal,
        board.distance_mm + U_BARS_LEVEL_MM * rng.standard_normal((TRIALS, 2)),
        (1.0 + lens.u_relative * rng.standard_normal(TRIALS)) * lens.focal_px,
        middle,
    )
    return bars.motion(thigh, shank)


def _turned(normal: Floats, corners_px: Floats, lens: Lens, off_px: Floats) -> Floats:
    """Each trial's normal (n, 3) with its lens's centre ``off_px`` (n, 2) beside the usual one."""
    at_px = corners_px.reshape(-1, 2).mean(axis=0)
    turned = [
        camera.turned_with_sight(one, at_px, was=lens, now=lens.moved(0.0, (float(x), float(y))))
        for one, (x, y) in zip(normal, off_px, strict=True)
    ]
    return np.array(turned)
