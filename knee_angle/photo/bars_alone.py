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
    thigh, shank = _poses(corners, board.normal, board.distance_mm * np.ones(2), lens)
    best = bars.motion(thigh, shank)
    levels, turn_of = np.linalg.eigh(board.tilt_cov_deg2 + U_BARS_PARALLEL_DEG**2 * np.eye(2))
    tilt = turn_of * np.sqrt(np.maximum(levels, 0.0))
    drawn = np.array([_drawn(corners, board, tilt, lens, rng) for _ in range(TRIALS)])
    away = drawn - best
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
    corners_px: Floats, normal: Floats, far_mm: Floats, lens: Lens, *, focal: float = 1.0
) -> tuple[bars.Poses, bars.Poses]:
    """Both tags, corners (2, 4, 2), in the plane of the bars, each at its own depth (2,)."""
    line = geometry.rays(corners_px, focal_px=focal * lens.focal_px, centre_px=lens.centre_px)
    places = geometry.meet_plane(line, normal=normal, distance_mm=far_mm[:, None] * np.ones(4))
    flat = geometry.to_plane_mm(places, normal=normal)
    return bars.poses(flat[0]), bars.poses(flat[1])


def _drawn(
    corners_px: Floats, board: camera.Board, tilt: Floats, lens: Lens, rng: np.random.Generator
) -> Floats:
    """One trial of the motion: corners, direction, lens and the bars' two depths.

    ``tilt`` (2, 2) is a root of the direction's covariance, degrees.
    """
    normal = board.normal
    if board.other_normal is not None and rng.random() < board.p_other:
        normal = board.other_normal
    normal = geometry.tilt_normal(normal, tilt @ rng.standard_normal(2))
    u_px = max(U_CORNER_PX, board.rms_px)
    # ± of a pixel's width against its height, about the middle of the picture.
    shape = np.exp(0.5 * lens.u_aspect * rng.standard_normal() * np.array([1.0, -1.0]))
    middle = np.array(lens.centre_px)
    if lens.u_centre > 0.0:
        off = lens.u_centre * lens.diagonal_px * rng.standard_normal(2)
        through, lens = lens, lens.moved(0.0, (float(off[0]), float(off[1])))
        at_px = corners_px.reshape(-1, 2).mean(axis=0)
        normal = camera.turned_with_sight(normal, at_px, was=through, now=lens)
        middle = middle + off
    seen_px = corners_px + u_px * rng.standard_normal(corners_px.shape)
    thigh, shank = _poses(
        middle + shape * (seen_px - middle),
        normal,
        board.distance_mm + U_BARS_LEVEL_MM * rng.standard_normal(2),
        lens,
        focal=1.0 + lens.u_relative * float(rng.standard_normal()),
    )
    return bars.motion(thigh, shank)
