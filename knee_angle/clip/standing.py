"""How the camera stands to the machine in every picture, by the strip or by the looks.

A hand turns the phone quickly and moves it slowly. So the direction from which the leg is seen
is kept apart from where the phone points: it is told against the line of sight to one thing
that stays (the middle of the strip, else the hip), by how far the plane's normal leans from
that line along and across the picture's own axis there. That lean is smooth; the turns of the
hand are in the pixels and cancel.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from knee_angle.angle import geometry
from knee_angle.assumptions import STRIP_GAP
from knee_angle.clip.following import Sample
from knee_angle.photo import camera
from knee_angle.photo.strips import Strip, strips_of
from knee_angle.photo.tags import Tag, strip_of
from knee_angle.records import Lens

__all__ = ["Sights", "lean_of", "normals_of", "rows_of", "settled", "sights_of"]

Floats = NDArray[np.float64]

BOARD_EVERY_S = 0.24
"""The strip's plane is fitted so often: the path is no finer (`estimate.KNOT_S`)."""


@dataclass(frozen=True, slots=True, eq=False)
class Sights:
    """What each picture says of the camera; n pictures.

    Parameters
    ----------
    ray : ndarray, shape (n, 3)
        Unit line of sight to what stays, camera coordinates.
    across : ndarray, shape (n, 2, 3)
        The two axes square to it along which a lean is told.
    lean : ndarray, shape (n, 2)
        Tangents of the lean; not a number where nothing says it.
    cov : ndarray, shape (n, 2, 2)
        Their covariance.
    distance_mm, u_distance : ndarray, shape (n,)
        Distance of the strip's plane and its relative ±; not a number where it is not seen.
    other : ndarray, shape (n, 2)
        The mirrored lean, where the picture cannot exclude it.
    log_odds : ndarray, shape (n,)
        For it, natural logarithm.
    """

    ray: Floats
    across: Floats
    lean: Floats
    cov: Floats
    distance_mm: Floats
    u_distance: Floats
    other: Floats
    log_odds: Floats


def rows_of(tags: Sequence[Tag]) -> Strip | None:
    """The strip of a picture: its longest flat row, or one tag alone."""
    own = strip_of(tuple(tags))
    if len(own) == 1:
        return Strip(own, (0,))
    rows = strips_of(own).rows
    return rows[0] if rows else None


def sights_of(
    samples: Sequence[Sample], lens: Lens, *, tag_mm: float, hip_px: Floats, use_strip: bool
) -> Sights:
    """The camera in every picture.

    Parameters
    ----------
    samples : sequence of Sample
        The pictures.
    lens : Lens
        The film's camera.
    tag_mm : float
        Edge of a tag.
    hip_px : ndarray, shape (n, 2)
        The hip mark, where no strip is used; carried on where it is not seen.
    use_strip : bool
        Whether the strip counts.
    """
    n = len(samples)
    nothing = np.full(n, np.nan)
    rows = [rows_of(one.tags) if use_strip else None for one in samples]
    middle = _middle(rows)
    at, way = _filled(hip_px), np.tile([1.0, 0.0], (n, 1))
    boards = []
    due = -math.inf
    for k, row in enumerate(rows):
        board = None
        if row is not None:
            at[k], way[k] = _place(row, middle)
            if samples[k].seconds >= due:
                board = camera.board_of(row.tags, lens, tag_mm=tag_mm)
                due = samples[k].seconds + BOARD_EVERY_S
        boards.append(board)
    if use_strip:
        seen = np.array([row is not None for row in rows])
        at, way = _carried(at, seen), _carried(way, seen)
    ray, across = _axes(at, way, lens)
    found = Sights(
        ray, across, np.full((n, 2), np.nan), np.tile(np.eye(2), (n, 1, 1)), nothing.copy(),
        nothing.copy(), np.full((n, 2), np.nan), np.full(n, -np.inf),
    )  # fmt: skip
    for k, board in enumerate(boards):
        if board is None:
            continue
        found.lean[k] = lean_of(board.normal, ray[k], across[k])
        found.cov[k] = _lean_cov(board.tilt_cov_deg2, board.normal, ray[k], across[k])
        found.distance_mm[k] = board.distance_mm
        found.u_distance[k] = board.u_distance_mm / board.distance_mm
        if board.other_normal is not None:
            found.other[k] = lean_of(board.other_normal, ray[k], across[k])
            found.log_odds[k] = math.log(board.p_other / (1.0 - board.p_other))
    return found


def lean_of(normal: Floats, ray: Floats, across: Floats) -> Floats:
    """Tangents (..., 2) of a normal's lean from the line of sight."""
    towards = -geometry.dot(normal, ray)
    return np.stack(
        [geometry.dot(normal, across[..., axis, :]) / towards for axis in (0, 1)], axis=-1
    )


def normals_of(lean: Floats, sights: Sights) -> Floats:
    """Normals (n, 3) that lean so much; undoes `lean_of`."""
    normal = -sights.ray + np.einsum("ni,nij->nj", lean, sights.across)
    return np.asarray(normal / np.linalg.norm(normal, axis=-1, keepdims=True))


def settled(lean: Floats, other: Floats, log_odds: Floats) -> Floats:
    """The lean of each picture, of two solutions the one that most pictures together say.

    Parameters
    ----------
    lean, other : ndarray, shape (n, 2)
        Both solutions of each picture, as in `Sights`.
    log_odds : ndarray, shape (n,)
        For ``other`` against ``lean``; not finite where there is one solution alone.
    """
    doubtful = np.isfinite(log_odds)
    if not doubtful.any():
        return lean
    if float(log_odds[doubtful].sum()) > 0.0:
        lean, other = np.where(doubtful[:, None], other, lean), lean
    usual = np.nanmedian(lean, axis=0)
    nearer = np.linalg.norm(other - usual, axis=1) < np.linalg.norm(lean - usual, axis=1)
    return np.where((doubtful & nearer)[:, None], other, lean)


def _axes(at_px: Floats, way_px: Floats, lens: Lens) -> tuple[Floats, Floats]:
    """Lines of sight, and the axes square to them that look like ``way_px`` and down of it."""
    ray = geometry.rays(at_px, focal_px=lens.focal_px, centre_px=lens.centre_px)
    ray = ray / np.linalg.norm(ray, axis=-1, keepdims=True)
    along = np.concatenate([way_px, np.zeros((len(way_px), 1))], axis=-1)
    along = along - geometry.dot(along, ray)[:, None] * ray
    along = along / np.linalg.norm(along, axis=-1, keepdims=True)
    return ray, np.stack([along, np.cross(ray, along)], axis=1)


def _lean_cov(tilt_cov_deg2: Floats, normal: Floats, ray: Floats, across: Floats) -> Floats:
    """Covariance of the lean's tangents from that of a tilt along the normal's own axes."""
    slopes = []
    for step in np.eye(2):
        up = geometry.tilt_normal(normal, step)
        slopes.append(lean_of(up, ray, across) - lean_of(normal, ray, across))
    jacobian = np.array(slopes).T
    return np.asarray(jacobian @ tilt_cov_deg2 @ jacobian.T)


def _middle(rows: Sequence[Strip | None]) -> float:
    """The strip's middle, in tags along it from the one with the lowest number."""
    wholes = [row for row in rows if row is not None]
    if not wholes:
        return 0.0
    longest = max(wholes, key=lambda row: len(row.tags))
    numbers = [tag.number for tag in longest.tags]
    return (numbers[0] + numbers[-1]) / 2.0


def _place(row: Strip, middle: float) -> tuple[Floats, Floats]:
    """Where the strip's middle is in the picture, and which way its row runs there."""
    first = row.tags[0].number - row.steps[0]
    square = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    starts = np.array([[step * (1.0 + STRIP_GAP), 0.0] for step in row.steps])
    drawn = 100.0 * (square + starts[:, None]).reshape(-1, 2)
    seen = np.array([tag.corners_px for tag in row.tags]).reshape(-1, 2)
    onto, _ = cv2.findHomography(drawn, seen, 0)
    x = 100.0 * ((middle - first) * (1.0 + STRIP_GAP) + 0.5)
    if abs(middle - first) > 50:  # another print's numbers
        x = float(drawn[:, 0].mean())
    ends = np.array([[[x, 50.0], [x + 50.0, 50.0], [x - 50.0, 50.0]]])
    at, one, other = cv2.perspectiveTransform(ends, onto)[0]
    way = (one - other) / np.linalg.norm(one - other)
    return at, way if way[0] >= 0 else -way


def _filled(places: Floats) -> Floats:
    return _carried(places.copy(), ~np.isnan(places[:, 0]))


def _carried(values: Floats, seen: NDArray[np.bool_]) -> Floats:
    """Values (n, 2) with those not seen taken from the nearest picture that was."""
    if not seen.any():
        return np.nan_to_num(values)
    at = np.nonzero(seen)[0]
    nearest = at[np.abs(np.arange(len(values))[:, None] - at[None]).argmin(axis=1)]
    return np.asarray(values[nearest])
