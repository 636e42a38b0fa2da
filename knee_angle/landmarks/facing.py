"""The camera's direction by the leg network and by the outlines of the machine's dots together.

The network sees the leg's plane, ± 4 to 6 degrees. The machine's dots lie on its bars, whose
faces are about parallel to that plane: their ellipses tell how they are turned, the better the
larger and the more askew they are seen; which way, of two that look alike, the network tells.
All directions about the network's are weighed by what each makes of the outlines, with long
tails, since a dot may be half hidden or lie on a hinge's rim. Bars may be tubes: a dot is bent
about one, which draws its outline out along the bar as a turn about the bar would.

In a picture that may be stretched outlines tell nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from knee_angle.angle import geometry
from knee_angle.assumptions import ROUND_BARS
from knee_angle.landmarks.dots.faces import Face, faces
from knee_angle.photo.camera import lens_of, turned_with_sight
from knee_angle.photo.reading import Photo
from knee_angle.records import Direction, Landmarks, Lens

__all__ = ["by_outlines", "faces_seen", "seen_through", "stretches"]

Floats = NDArray[np.float64]

MOST_ASPECT = 0.01
"""± of a pixel's shape up to which outlines count: it draws all of them out by half as much."""
TAILS = 3.0
"""Degrees of freedom of the tails (Student's t) of a face's two harmonics."""
_AXIS = np.linspace(-4.0, 4.0, 33)
_AROUND = np.stack(np.meshgrid(_AXIS, _AXIS, indexing="ij"), axis=-1).reshape(-1, 2)
"""Directions that are weighed, in ± of the network's against the bars."""
_FARTHEST_DEG = 60.0


def faces_seen(photo: Photo, landmarks: Landmarks, lens: Lens) -> list[Face]:
    """The machine's dots whose outlines tell the camera's direction."""
    return [] if lens.u_aspect > MOST_ASPECT else faces(photo, landmarks)


def seen_through(seen: Direction, photo: Photo, landmarks: Landmarks, lens: Lens) -> Direction:
    """The network's direction where the photo's lens has its middle elsewhere than it takes it.

    It sees how a plane lies to the line of sight, which such a lens has elsewhere.
    """
    if lens.off_centre_px == (0.0, 0.0):
        return seen
    knee = landmarks.points["knee"]
    at_px = np.array([knee.x_px, knee.y_px])
    normal = turned_with_sight(np.array(seen.normal), at_px, was=lens_of(photo), now=lens)
    x, y, z = normal.tolist()
    return replace(seen, normal=(x, y, z))


def by_outlines(
    seen: Direction, found: Sequence[Face], lens: Lens, *, u_faces_deg: float
) -> Direction:
    """The leg's plane by the network and by the outlines of the machine's dots.

    Parameters
    ----------
    seen : Direction
        The network's.
    found : sequence of Face
        Without any the network's direction stays as it is.
    lens : Lens
        Of the photo.
    u_faces_deg : float
        ± of the faces' plane against the one that is asked for, per axis.
    """
    if not found:
        return seen
    network = np.array(seen.normal)
    aa, ab, bb = seen.tilt_cov_deg2
    of_network, of_faces = np.array([[aa, ab], [ab, bb]]), u_faces_deg**2 * np.eye(2)
    tilts = _AROUND @ np.linalg.cholesky(of_network + of_faces).T
    tilts = np.clip(tilts, -_FARTHEST_DEG, _FARTHEST_DEG)
    log = _log_of_outlines(geometry.tilt_normal(network, tilts), found, lens)
    log -= 0.5 * (_AROUND**2).sum(axis=1)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    mean = weight @ tilts
    spread = (tilts - mean).T @ ((tilts - mean) * weight[:, None])
    # That was of the faces; the leg lies between them and what the network sees.
    rest = np.linalg.inv(np.linalg.inv(of_network) + np.linalg.inv(of_faces))
    gain = rest @ np.linalg.inv(of_faces)
    cov = rest + gain @ spread @ gain.T
    x, y, z = (float(v) for v in geometry.tilt_normal(network, gain @ mean))
    return Direction((x, y, z), (float(cov[0, 0]), float(cov[0, 1]), float(cov[1, 1])))


def _log_of_outlines(normals: Floats, found: Sequence[Face], lens: Lens) -> Floats:
    """Log likelihood of all outlines for each normal (k,), flat bars and tubes together."""
    hinge = next((face for face in found if face.name == "hinge"), None)
    along = {
        face.name: geometry.cross(_ray(face, lens), _ray(hinge, lens))
        for face in found
        if hinge is not None and face is not hinge
    }
    logs = []
    for bend, share in ROUND_BARS:
        log = np.full(len(normals), np.log(share))
        for face in found:
            across = None
            if bend and face.name in along:
                # Along the bar is where its sight's plane meets the faces' plane.
                across = geometry.cross(normals, geometry.cross(normals, along[face.name]))
                across /= np.linalg.norm(across, axis=1, keepdims=True)
            off = stretches(face, normals, lens, across=across, bend=bend) - face.stretch
            far2 = geometry.dot(off, off) / face.u**2
            log -= (0.5 * TAILS + 1.0) * np.log1p(far2 / TAILS)
        logs.append(log)
    return np.asarray(np.logaddexp.reduce(logs))


def stretches(
    face: Face, normals: Floats, lens: Lens, *, across: Floats | None = None, bend: float = 0.0
) -> Floats:
    """Stretch (k, 2) of a disc's outline where a face lies, for each of its normals (k, 3).

    Parameters
    ----------
    face : Face
        Where it lies.
    normals : ndarray, shape (k, 3)
        Unit, towards the camera.
    lens : Lens
        Of the photo.
    across : ndarray, shape (k, 3), optional
        Unit, in the face across its bar: there the disc is narrower, being bent about a tube.
    bend : float
        By how much: its stretch seen square-on.
    """
    x, y, _ = _ray(face, lens)
    onto = np.array([[1.0, 0.0], [0.0, 1.0], [-x, -y]])
    a, b = (normals @ onto).T
    xx, yy, xy = 1.0 + x * x - a**2, 1.0 + y * y - b**2, x * y - a * b
    if across is not None:
        share, (a, b) = 1.0 - ((1.0 - bend) / (1.0 + bend)) ** 2, (across @ onto).T
        xx, yy, xy = xx - share * a**2, yy - share * b**2, xy - share * (a * b)
    size = xx + yy + 2.0 * np.sqrt(np.maximum(xx * yy - xy**2, 1e-12))
    return np.stack([(xx - yy) / size, 2.0 * xy / size], axis=1)


def _ray(face: Face, lens: Lens) -> Floats:
    return geometry.rays(np.array(face.xy), focal_px=lens.focal_px, centre_px=lens.centre_px)
