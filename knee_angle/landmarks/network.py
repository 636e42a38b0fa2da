"""The leg by a network of our own, trained on rendered scenes alone.

It looks at the whole photo, then closer at where it saw a leg, and closer twice more,
once at the mirror image. Only views that agree make an answer. At last it covers that leg
and looks at the whole photo once more: where it sees another one of about the same size,
nobody can know which is meant, and it refuses. What it says of a
window is a position, a covariance and a presence for each point, the leg's side, and
the direction of the leg's sagittal plane; how the weights came about stands in
:mod:`knee_angle.training`.

Everything is deterministic: the same photo gives the same answer.
"""

from __future__ import annotations

import hashlib
import json
import math
import threading
from collections import OrderedDict
from dataclasses import dataclass
from importlib import resources

import cv2
import numpy as np
from numpy.typing import NDArray

from knee_angle.angle import geometry
from knee_angle.assumptions import (
    LEAST_MACHINE_PRESENCE,
    LEAST_PRESENCE,
    MOST_SPREAD,
    MOST_U_DEG,
    NETWORK_LEAST_SEGMENT,
    NETWORK_OBLIQUE_DEG,
    NETWORK_SAME_LEG,
    NETWORK_SEGMENT_RATIO,
    OTHER_LEG_APART,
    OTHER_LEG_FAR,
    OTHER_LEG_FAR_PRESENCE,
    OTHER_LEG_PRESENCE,
    OTHER_LEG_SIZE,
)
from knee_angle.errors import MissingModel
from knee_angle.landmarks import second_opinion
from knee_angle.landmarks.base import Witness
from knee_angle.photo.camera import lens_of
from knee_angle.photo.reading import Photo
from knee_angle.records import (
    LEG_POINTS,
    POINT_NAMES,
    Direction,
    Landmark,
    Landmarks,
    NotMeasured,
    PointName,
    Quad,
    Side,
    Source,
)

__all__ = ["NetworkDetector", "NetworkView"]

Floats = NDArray[np.float64]
Rgb = NDArray[np.uint8]

KNOWN_LEG_WINDOW = 1.6
"""Side of the window around a known hip, knee and ankle, in sizes of their box: the foot
and a margin come in."""
WINDOWS_PER_DOUBLING = 4
WINDOW_STEP = 1 / 12
"""The windows that there are around known legs: sides 2^(1/4) apart, centres a twelfth of the
side. A point moved a little falls into the same one; what the network was trained on strays
further around its legs than the half steps."""
KEPT_VIEWS = 8
KEPT_LOOKS = 16
"""Photos and windows whose answers are kept, the last used ones."""
COVER = 0.8
"""Breadth of the leg's cover, in mean segments."""

ADVICE = (
    "photograph the leg from its outer side with hip, knee and ankle in the picture, "
    "in good light and nobody else close to it; or stick dots on hip, knee and ankle"
)
NO_LEG = "the leg network sees no leg with hip, knee and ankle in the photo"
DISAGREE = "the leg network finds another leg when it looks again more closely"
ODD_SHAPE = "what the leg network finds does not have the proportions of a leg"
OUTSIDE = "the leg network places a point of the leg outside the photo"
UNSURE = "the leg network is too unsure of where the points are"
TWO_LEGS = "the photo shows two legs about equally near"
ONE_LEG = (
    "photograph one leg alone: nobody else close to it, the other leg flat or covered; or stick "
    "dots on hip, knee and ankle of the leg that is meant"
)
CHECK = "The points come from a network trained on rendered pictures: check them."


@dataclass(frozen=True)
class _Window:
    """A square of the photo: centre and side in full px; perhaps turned and mirrored."""

    centre: Floats
    side: float
    turn_deg: float = 0.0
    mirrored: bool = False

    @property
    def matrix(self) -> Floats:
        """From directions in the window (x right, y down) to the photo's, shape (2, 2)."""
        t = math.radians(self.turn_deg)
        c, s, m = math.cos(t), math.sin(t), -1.0 if self.mirrored else 1.0
        return np.array([[c * m, -s], [s * m, c]])


@dataclass(frozen=True)
class _Look:
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


@dataclass(frozen=True)
class NetworkView:
    """Everything that the network says of one photo.

    Parameters
    ----------
    landmarks : Landmarks
    direction : Direction
    presence : float
        The least presence of hip, knee and ankle.
    spread : float
        How far the views lie apart at most, as a share of the mean segment.
    u_deg : float
        Standard uncertainty of the flat angle, from the points' covariances.
    """

    landmarks: Landmarks
    direction: Direction
    presence: float
    spread: float
    u_deg: float


class _Model:
    """The weights, checked against their card, in a session of the runtime."""

    def __init__(self, threads: int) -> None:
        import onnxruntime

        folder = resources.files("knee_angle.landmarks") / "weights"
        try:
            card = json.loads((folder / "leg.json").read_text())
            weights = (folder / card["file"]).read_bytes()
        except OSError as error:
            message = f"the leg network's weights are missing ({error}): reinstall the package"
            raise MissingModel(message) from error
        if hashlib.sha256(weights).hexdigest() != card["sha256"]:
            message = "the leg network's weights do not match their card: reinstall the package"
            raise MissingModel(message)
        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = threads
        options.log_severity_level = 3
        self.session = onnxruntime.InferenceSession(
            weights, options, providers=["CPUExecutionProvider"]
        )
        self.size = int(card["input_size"])
        scales = card.get("calibration", {})
        self.point_scale = float(scales.get("points", 1.0))
        self.oblique_scale = float(scales.get("points_oblique", self.point_scale))
        self.tilt_scale = float(scales.get("tilt", 1.0))

    def run(self, windows: list[Rgb]) -> tuple[Floats, Floats]:
        """Windows to (B, 8, 6) and (B, 6), see :mod:`knee_angle.training.export`."""
        batch = np.stack(windows).transpose(0, 3, 1, 2).astype(np.float32)
        leg, whole = self.session.run(None, {"windows": batch})
        return np.asarray(leg, dtype=float), np.asarray(whole, dtype=float)


class NetworkDetector:
    """Finds the leg, the machine's bars and the camera's direction in one photo.

    The weights are loaded once, when the first photo comes. The last few photos'
    answers are kept, so that asking for points and direction costs one look.

    Parameters
    ----------
    threads : int
        Threads of the runtime; where several processes share the cores, 1. The
        weights are shared by all detectors of a process, with the first one's threads.
    """

    _model: _Model | None = None
    _lock = threading.Lock()

    def __init__(self, *, threads: int = 2) -> None:
        self._threads = threads
        self._known: OrderedDict[str, NetworkView | NotMeasured] = OrderedDict()
        self._near: OrderedDict[tuple[str, float, float, float], _Look] = OrderedDict()

    @property
    def source(self) -> Source:
        """What its points are called in a result."""
        return "network"

    def find(self, photo: Photo, *, masked: tuple[Quad, ...] = ()) -> Landmarks | NotMeasured:
        """Hip, knee, ankle, and what else is seen, in full px; see :class:`Detector`."""
        del masked  # printed tags were in its training
        view = self.look(photo)
        return view if isinstance(view, NotMeasured) else view.landmarks

    def find_with(
        self, photo: Photo, *, witness: Witness, masked: tuple[Quad, ...] = ()
    ) -> Landmarks | NotMeasured:
        """As `find`; a doubtful answer is weighed with a second witness.

        When and how stands in :mod:`knee_angle.landmarks.second_opinion`.
        """
        del masked
        view = self.look(photo)
        if isinstance(view, NotMeasured):
            return view
        doubtful = second_opinion.worth_asking(
            presence=view.presence,
            spread_share=view.spread / MOST_SPREAD,
            u_share=view.u_deg / MOST_U_DEG,
        )
        seen = witness.near(photo, view.landmarks) if doubtful else None
        return view.landmarks if seen is None else second_opinion.weighed(view.landmarks, seen)

    def near(self, photo: Photo, landmarks: Landmarks) -> Landmarks | None:
        """The leg in one window around a known one; None where no leg is seen there."""
        with self._lock:
            look = self._look_near(photo, landmarks)
        if look.presence[:3].min() < LEAST_PRESENCE:
            return None
        return Landmarks(_landmarks(look.points, look.cov, look.presence))

    def direction(self, photo: Photo, landmarks: Landmarks) -> Direction | None:
        """The sagittal plane's normal with its covariance.

        Where a point of the leg is the network's, that of its whole search. Where the leg is
        known otherwise (from dots, by hand), one window around it is enough, and it counts
        only if the network sees the same leg there. Either way photo and points alone decide,
        not what was asked before.
        """
        if any(landmarks.points[name].source == "network" for name in LEG_POINTS):
            view = self.look(photo)
            if isinstance(view, NetworkView):
                return view.direction
        with self._lock:
            look = self._look_near(photo, landmarks)
        return _direction([look]) if _same_leg(look, landmarks) else None

    def _look_near(self, photo: Photo, landmarks: Landmarks) -> _Look:
        """One look around a known leg, kept for when it is moved. Call it with the lock held."""
        window = _window_near(_leg_of(landmarks))
        asked = (photo.sha256, window.side, float(window.centre[0]), float(window.centre[1]))
        if asked not in self._near:
            self._near[asked] = _see(photo, self._loaded(), [window])[0]
        self._near.move_to_end(asked)
        while len(self._near) > KEPT_LOOKS:
            self._near.popitem(last=False)
        return self._near[asked]

    def _loaded(self) -> _Model:
        if NetworkDetector._model is None:
            NetworkDetector._model = _Model(self._threads)
        return NetworkDetector._model

    def look(self, photo: Photo) -> NetworkView | NotMeasured:
        """Points, side and direction, or why there are none."""
        with self._lock:
            if photo.sha256 in self._known:
                return self._known[photo.sha256]
            view = _look(photo, self._loaded())
            self._known[photo.sha256] = view
            while len(self._known) > KEPT_VIEWS:
                self._known.popitem(last=False)
            return view


def _leg_of(landmarks: Landmarks) -> Floats:
    """Hip, knee and ankle, (3, 2), full-size px."""
    marks = [landmarks.points[name] for name in LEG_POINTS]
    return np.array([[p.x_px, p.y_px] for p in marks])


def _window_near(leg: Floats) -> _Window:
    """The window around a known leg (3, 2), px, that is nearest to it on the coarse grid."""
    low, high = leg.min(axis=0), leg.max(axis=0)
    wanted = max(KNOWN_LEG_WINDOW * float((high - low).max()), 48.0)
    steps = round(math.log2(wanted) * WINDOWS_PER_DOUBLING)
    side = 2.0 ** (steps / WINDOWS_PER_DOUBLING)
    step = side * WINDOW_STEP
    return _Window(np.round((low + high) / 2 / step) * step, side)


def _same_leg(look: _Look, landmarks: Landmarks) -> bool:
    """Whether the network sees the known leg and not another one."""
    leg = _leg_of(landmarks)
    segment = float(np.linalg.norm(np.diff(leg, axis=0), axis=1).mean())
    away = float(np.linalg.norm(look.points[:3] - leg, axis=1).max()) / max(segment, 1e-6)
    return bool(look.presence[:3].min() >= LEAST_PRESENCE and away <= NETWORK_SAME_LEG)


def _look(photo: Photo, model: _Model) -> NetworkView | NotMeasured:
    """Whole photo, then closer, then twice more; the last three must agree."""
    first = _first_look(photo, model)
    if first is None:
        return NotMeasured(NO_LEG, ADVICE)
    window = _around(first, turn_deg=0.0, factor=1.45)
    second = _see(photo, model, [window])[0]
    if second.presence[:3].min() < LEAST_PRESENCE / 2:
        return NotMeasured(DISAGREE, ADVICE)
    again = [
        _around(second, turn_deg=0.0, factor=1.35),
        _around(second, turn_deg=-8.0, factor=1.55, mirrored=True),
    ]
    view = _agreed(photo, [second, *_see(photo, model, again)])
    if isinstance(view, NetworkView) and _another_leg(photo, model, view.landmarks):
        return NotMeasured(TWO_LEGS, ONE_LEG)
    return view


def _another_leg(photo: Photo, model: _Model, found: Landmarks) -> bool:
    """Whether a second leg is seen where the found one is covered up."""
    whole = _whole(photo)
    names: list[PointName] = [name for name in POINT_NAMES[:5] if name in found.points]
    marks = [found.points[name] for name in names]
    leg = np.array([[p.x_px, p.y_px] for p in marks])
    segment = float(np.linalg.norm(np.diff(leg[:3], axis=0), axis=1).mean())
    picture = _cut(photo, whole, model.size)
    per_px = whole.side / model.size
    outline = np.round((leg - whole.centre) / per_px + model.size / 2).astype(np.int32)
    hull = cv2.convexHull(outline)
    colour = picture.reshape(-1, 3).mean(axis=0).tolist()
    cv2.fillConvexPoly(picture, hull, colour)
    cv2.polylines(picture, [hull], True, colour, max(round(COVER * segment / per_px), 1))
    answer = model.run([picture])
    look = _in_photo(photo, model, whole, answer[0][0], answer[1][0])
    apart = np.linalg.norm(look.points[:3] - leg[:3], axis=1).min() / max(segment, 1e-6)
    size = np.linalg.norm(np.diff(look.points[:3], axis=0), axis=1).mean() / max(segment, 1e-6)
    alike = OTHER_LEG_SIZE[0] < size < OTHER_LEG_SIZE[1]
    least = OTHER_LEG_FAR_PRESENCE if apart > OTHER_LEG_FAR else OTHER_LEG_PRESENCE
    return bool(look.presence[:3].min() > least and apart > OTHER_LEG_APART and alike)


def _whole(photo: Photo, turn_deg: float = 0.0) -> _Window:
    """The window that shows the whole photo."""
    centre = np.array([photo.width / 2, photo.height / 2])
    return _Window(centre, max(photo.width, photo.height) * 1.02, turn_deg)


def _first_look(photo: Photo, model: _Model) -> _Look | None:
    """The whole photo upright; turned where that shows no leg."""
    upright = _see(photo, model, [_whole(photo)])[0]
    if upright.presence[:3].min() > LEAST_PRESENCE:
        return upright
    turned = _see(photo, model, [_whole(photo, t) for t in (90.0, -90.0)])
    best = max([upright, *turned], key=lambda look: float(look.presence[:3].min()))
    return best if best.presence[:3].min() > LEAST_PRESENCE else None


def _around(look: _Look, *, turn_deg: float, factor: float, mirrored: bool = False) -> _Window:
    """A square around hip, knee, ankle and the foot where it is seen."""
    keep = np.r_[np.ones(3, dtype=bool), look.presence[3:5] > 0.3]
    leg = look.points[:5][keep]
    low, high = leg.min(0), leg.max(0)
    side = max(float((high - low).max()) * factor, 48.0)
    return _Window((low + high) / 2, side, turn_deg, mirrored)


def _cut(photo: Photo, window: _Window, size: int) -> Rgb:
    """The window's pixels, (size, size, 3); black outside the photo."""
    scale = np.array([photo.scale_x, photo.scale_y])
    half = window.side * (0.5 if window.turn_deg % 90 == 0 else 0.75) + 2 * scale.max()
    if window.side / float(scale.mean()) >= size or scale.max() <= 1.0:
        low = np.maximum((window.centre - half) / scale, 0).astype(int)
        high = np.maximum(np.ceil((window.centre + half) / scale), 0).astype(int)
        source, offset = photo.small[low[1] : high[1], low[0] : high[0]], low * scale
    else:
        (x0, y0), (x1, y1) = (window.centre - half).astype(int), (window.centre + half).astype(int)
        source, at = photo.window(int(x0), int(y0), int(x1), int(y1))
        offset, scale = np.array(at, dtype=float), np.ones(2)
    if source.size == 0:
        return np.zeros((size, size, 3), dtype=np.uint8)
    while window.side / float(scale.mean()) / size > 2:  # average: a warp would skip pixels
        height, width = (max(n - n % 2, 1) for n in source.shape[:2])
        half_size = (max(width // 2, 1), max(height // 2, 1))
        source = cv2.resize(source[:height, :width], half_size, interpolation=cv2.INTER_AREA)
        scale = scale * 2.0
    # Pixel indices count from centres: index = position - 1/2.
    matrix = window.matrix * window.side / size / scale[:, None]
    corner = (window.centre - offset) / scale - matrix @ np.array([size / 2, size / 2])
    shift = corner + matrix @ np.array([0.5, 0.5]) - 0.5
    affine = np.c_[matrix, shift]
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(source, affine, (size, size), flags=flags), dtype=np.uint8)


def _see(photo: Photo, model: _Model, windows: list[_Window]) -> list[_Look]:
    """What the network says of some windows of a photo."""
    legs, wholes = model.run([_cut(photo, w, model.size) for w in windows])
    return [
        _in_photo(photo, model, window, leg, whole)
        for window, leg, whole in zip(windows, legs, wholes, strict=True)
    ]


def _in_photo(photo: Photo, model: _Model, window: _Window, leg: Floats, whole: Floats) -> _Look:
    """One window's answer in the photo's own coordinates."""
    m = window.matrix
    points = (leg[:, :2] - 0.5) @ m.T * window.side + window.centre
    p_right = 1.0 - whole[0] if window.mirrored else whole[0]
    tilt = m @ whole[1:3]
    tilt_cov = m @ _matrices(whole[3:6]) @ m.T * model.tilt_scale**2
    ray = _ray(photo, window.centre)
    normal, slope = _normal(tilt, ray)
    oblique = float(-normal @ ray) < math.cos(math.radians(NETWORK_OBLIQUE_DEG))
    scale = window.side * (model.oblique_scale if oblique else model.point_scale)
    cov = m @ _matrices(leg[:, 2:5]) @ m.T * scale**2
    tilt_cov = slope @ tilt_cov @ slope.T
    return _Look(points, cov, leg[:, 5], float(p_right), normal, tilt_cov)


def _matrices(triples: Floats) -> Floats:
    """Triples (xx, xy, yy) as symmetric matrices, shape (..., 2, 2)."""
    xx, xy, yy = np.moveaxis(triples, -1, 0)
    return np.stack([np.stack([xx, xy], -1), np.stack([xy, yy], -1)], -2)


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


def _normal(tilt: Floats, ray: Floats) -> tuple[Floats, Floats]:
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


def _agreed(photo: Photo, looks: list[_Look]) -> NetworkView | NotMeasured:
    """The views' common answer, or why they have none."""
    points = np.stack([look.points for look in looks])
    mean = points.mean(0)
    presence = np.stack([look.presence for look in looks]).mean(0)
    lengths = np.linalg.norm(np.diff(mean[:3], axis=0), axis=1)
    segment = float(lengths.mean())
    spread = float(np.linalg.norm(points[:, :3] - mean[:3], axis=-1).max()) / max(segment, 1e-6)
    cov = np.stack([look.cov for look in looks]).mean(0) + _scatter(points)
    u_deg = _angle_u_deg(mean, cov)
    reason = _refusal(photo, mean, lengths, spread, float(presence[:3].min()), u_deg)
    if reason is not None:
        return NotMeasured(reason, ADVICE)
    p_right = float(np.mean([look.p_right for look in looks]))
    side: Side | None = None if 0.2 < p_right < 0.8 else ("right" if p_right > 0.5 else "left")
    found = _landmarks(mean, cov, presence)
    return NetworkView(
        Landmarks(found, side=side, cautions=(CHECK,)),
        _direction(looks),
        float(presence[:3].min()),
        spread,
        u_deg,
    )


def _landmarks(points: Floats, cov: Floats, presence: Floats) -> dict[PointName, Landmark]:
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


def _scatter(points: Floats) -> Floats:
    """Covariance of each point between views (V, 8, 2), shape (8, 2, 2)."""
    away = points - points.mean(0)
    return np.asarray(np.einsum("vki,vkj->kij", away, away) / (len(points) - 1))


def _angle_u_deg(points: Floats, cov: Floats) -> float:
    """Standard uncertainty of the flat angle, degrees, to first order (GUM, 5.1.2).

    ``points`` (n, 2) and ``cov`` (n, 2, 2), hip, knee and ankle first, in one unit.
    """
    thigh, shank = points[1] - points[0], points[2] - points[1]

    def turn(v: Floats) -> Floats:
        return np.array([-v[1], v[0]]) / float(v @ v)

    slopes = (turn(thigh), -turn(thigh) - turn(shank), turn(shank))
    variance = sum(float(s @ c @ s) for s, c in zip(slopes, cov[:3], strict=True))
    return math.degrees(math.sqrt(variance))


def _refusal(
    photo: Photo, mean: Floats, lengths: Floats, spread: float, presence: float, u_deg: float
) -> str | None:
    """Why an answer is not believed; None where it is."""
    if presence < LEAST_PRESENCE:
        return NO_LEG
    if spread > MOST_SPREAD:
        return DISAGREE
    ratio = float(lengths[0] / max(lengths[1], 1e-6))
    tiny = float(lengths.min()) < NETWORK_LEAST_SEGMENT * max(photo.width, photo.height)
    if tiny or not NETWORK_SEGMENT_RATIO[0] < ratio < NETWORK_SEGMENT_RATIO[1]:
        return ODD_SHAPE
    if (mean[:3] < 0).any() or (mean[:3] > [photo.width, photo.height]).any():
        return OUTSIDE
    return UNSURE if u_deg > MOST_U_DEG else None


def _direction(looks: list[_Look]) -> Direction:
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
