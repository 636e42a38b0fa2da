"""What the network says of a window, in the photo's own coordinates.

A position, a covariance and a presence for each point, the leg's side, and the direction of
the leg's sagittal plane.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from knee_angle.angle import geometry
from knee_angle.assumptions import LEAST_MACHINE_PRESENCE, LEAST_PRESENCE
from knee_angle.landmarks.network.model import Model
from knee_angle.landmarks.network.windows import Window, cut
from knee_angle.photo.camera import lens_of
from knee_angle.photo.reading import Photo
from knee_angle.records import LEG_POINTS, POINT_NAMES, Direction, Landmark, PointName

__all__ = ["Look", "direction_of", "in_photo", "landmarks_of", "normal_of", "see", "see_in"]

Floats = NDArray[np.float64]
Rgb = NDArray[np.uint8]


@dataclass(frozen=True)
class Look:
    """What the network says of one window, in full px of the photo.

    ``points`` (8, 2), ``cov`` (8, 2, 2), ``presence`` (8,), ``p_right``; ``normal`` (3,)
    towards the camera and ``tilt_cov`` (2, 2) in degrees².
    """

    points: Floats
    cov: Floats
    presence: Floats
    p_right: float
    normal: Floats
    tilt_cov: Floats


def see(photo: Photo, model: Model, windows: list[Window]) -> list[Look]:
    """What the network says of some windows of a photo."""
    return see_in(photo, model, windows, [cut(photo, w, model.size) for w in windows])


def see_in(photo: Photo, model: Model, windows: list[Window], pictures: list[Rgb]) -> list[Look]:
    """The same where the windows' pixels are cut already, perhaps changed."""
    legs, wholes = model.run(pictures)
    return [
        in_photo(photo, model, window, leg, whole)
        for window, leg, whole in zip(windows, legs, wholes, strict=True)
    ]


def in_photo(photo: Photo, model: Model, window: Window, leg: Floats, whole: Floats) -> Look:
    """One window's answer in the photo's own coordinates."""
    m = window.matrix
    points = (leg[:, :2] - 0.5) @ m.T * window.side + window.centre
    p_right = 1.0 - whole[0] if window.mirrored else whole[0]
    tilt = m @ whole[1:3] * model.tilt_gain
    tilt_cov = m @ _matrices(whole[3:6]) @ m.T * (model.tilt_scale * model.tilt_gain) ** 2
    ray = _ray(photo, window.centre)
    normal, slope = normal_of(tilt, ray)
    off_square_deg = math.degrees(math.acos(min(1.0, float(-normal @ ray))))
    scale = window.side * model.point_scale(off_square_deg)
    cov = m @ _matrices(leg[:, 2:5]) @ m.T * scale**2
    tilt_cov = slope @ tilt_cov @ slope.T
    return Look(points, cov, leg[:, 5], float(p_right), normal, tilt_cov)


def _matrices(triples: Floats) -> Floats:
    """Triples (xx, xy, yy) as symmetric matrices, shape (..., 2, 2)."""
    return np.ascontiguousarray(triples[..., [[0, 1], [1, 2]]])


def _ray(photo: Photo, at: Floats) -> Floats:
    """Unit direction from the lens through a point of the photo."""
    lens = lens_of(photo)
    ray = geometry.rays(at, focal_px=lens.focal_px, centre_px=lens.centre_px)
    return np.asarray(ray / np.linalg.norm(ray))


def _across(ray: Floats) -> Floats:
    """The picture's x and y axes turned, by the shortest way, across a ray, shape (2, 3)."""
    x, y, z = ray
    k = 1.0 / (1.0 + z)
    return np.array([[1 - x * x * k, -x * y * k, -x], [-x * y * k, 1 - y * y * k, -y]])


def normal_of(tilt: Floats, ray: Floats) -> tuple[Floats, Floats]:
    """The normal whose components across the ray are ``tilt``, and its slope.

    Returns
    -------
    normal : ndarray, shape (3,)
        Towards the camera.
    slope : ndarray, shape (2, 2)
        How its tilt (degrees, axes of :func:`geometry.plane_axes`) follows ``tilt``.
    """
    size = float(np.linalg.norm(tilt))
    tilt = tilt * min(1.0, 0.97 / max(size, 1e-9))
    axes = _across(ray)
    depth = math.sqrt(1.0 - float(tilt @ tilt))
    normal = tilt @ axes - depth * ray
    moved = axes + np.outer(tilt / depth, ray)
    right, down = geometry.plane_axes(normal)
    return normal, np.degrees(np.stack([right, down]) @ moved.T)


def direction_of(looks: list[Look]) -> Direction:
    """The views' common normal with its covariance.

    An oblique or unsure one is told as well: its wide interval is honest, while the flat
    angle would be believed as that of a leg seen about square-on.
    """
    total = np.sum([look.normal for look in looks], axis=0)
    normal = total / np.linalg.norm(total)
    axes = np.stack(geometry.plane_axes(normal))
    away = np.degrees(np.array([axes @ look.normal for look in looks]))
    spread = away.T @ away / max(len(looks) - 1, 1)
    cov = np.mean([look.tilt_cov for look in looks], axis=0) + spread
    x, y, z = (float(v) for v in normal)
    return Direction((x, y, z), (float(cov[0, 0]), float(cov[0, 1]), float(cov[1, 1])))


def landmarks_of(points: Floats, cov: Floats, presence: Floats) -> dict[PointName, Landmark]:
    """Hip, knee and ankle, and what else is present, by name."""
    return {
        name: Landmark(
            float(points[k, 0]),
            float(points[k, 1]),
            (float(cov[k, 0, 0]), float(cov[k, 0, 1]), float(cov[k, 1, 1])),
            "network",
        )
        for k, name in enumerate(POINT_NAMES)
        if name in LEG_POINTS or presence[k] > (LEAST_PRESENCE if k < 5 else LEAST_MACHINE_PRESENCE)
    }
