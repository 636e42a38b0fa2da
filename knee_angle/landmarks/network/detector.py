"""The leg network as a detector: loaded once, its last answers kept."""

from __future__ import annotations

import threading
from collections import OrderedDict

import numpy as np
from numpy.typing import NDArray

from knee_angle.assumptions import LEAST_PRESENCE, MOST_SPREAD, MOST_U_DEG, NETWORK_SAME_LEG
from knee_angle.landmarks import second_opinion
from knee_angle.landmarks.base import Witness
from knee_angle.landmarks.network.looks import Look, direction_of, landmarks_of, see
from knee_angle.landmarks.network.model import Model
from knee_angle.landmarks.network.search import NetworkView, search
from knee_angle.landmarks.network.windows import whole_photo, window_near
from knee_angle.photo.reading import Photo
from knee_angle.records import LEG_POINTS, Direction, Landmarks, NotMeasured, Quad, Source

__all__ = ["KEPT_LOOKS", "NetworkDetector"]

Floats = NDArray[np.float64]
Rgb = NDArray[np.uint8]

KEPT_VIEWS = 8
KEPT_LOOKS = 16
"""Photos and windows whose answers are kept, the last used ones."""
LEAST_GLIMPSE = 0.1
"""Least presence of hip, knee and ankle of a leg that is only glimpsed: in 21 of 24 photos with a
dot at the picture's edge whose leg was hardly seen it is 0.13 and more, its points within 0.16
segments (set there)."""


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

    _model: Model | None = None
    _lock = threading.Lock()

    def __init__(self, *, threads: int = 2) -> None:
        self._threads = threads
        self._known: OrderedDict[str, NetworkView | NotMeasured] = OrderedDict()
        self._near: OrderedDict[tuple[str, float, float, float], Look] = OrderedDict()

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
        return Landmarks(landmarks_of(look.points, look.cov, look.presence))

    def glimpse(self, photo: Photo, landmarks: Landmarks | None) -> Landmarks | None:
        """As `near`, for a leg that is hardly seen, cut off or foreshortened too.

        No answer to measure by: six dots that lie where it sees the points bear it out.
        """
        with self._lock:
            if landmarks is None:
                whole = see(photo, self._loaded(), [whole_photo(photo)])[0]
                landmarks = Landmarks(landmarks_of(whole.points, whole.cov, whole.presence))
            look = self._look_near(photo, landmarks)
        if look.presence[:3].min() < LEAST_GLIMPSE:
            return None
        return Landmarks(landmarks_of(look.points, look.cov, look.presence))

    def direction(self, photo: Photo, landmarks: Landmarks) -> Direction | None:
        """The sagittal plane's normal with its covariance.

        Where a point of the leg is the network's, that of its whole search. Where the leg is
        known otherwise (from dots, by hand), one window around it is enough, and it counts
        only if the network sees the same leg there; where it does not, the whole search may.
        Either way photo and points alone decide, not what was asked before.
        """
        if any(landmarks.points[name].source == "network" for name in LEG_POINTS):
            view = self.look(photo)
            if isinstance(view, NetworkView):
                return view.direction
        with self._lock:
            look = self._look_near(photo, landmarks)
        if same_leg(look.points, look.presence[:3].min(), landmarks):
            return direction_of([look])
        view = self.look(photo)
        if isinstance(view, NotMeasured):
            return None
        seen = same_leg(leg_of(view.landmarks), view.presence, landmarks)
        return view.direction if seen else None

    def _look_near(self, photo: Photo, landmarks: Landmarks) -> Look:
        """One look around a known leg, kept for when it is moved. Call it with the lock held."""
        window = window_near(leg_of(landmarks))
        asked = (photo.sha256, window.side, float(window.centre[0]), float(window.centre[1]))
        if asked not in self._near:
            self._near[asked] = see(photo, self._loaded(), [window])[0]
        self._near.move_to_end(asked)
        while len(self._near) > KEPT_LOOKS:
            self._near.popitem(last=False)
        return self._near[asked]

    def _loaded(self) -> Model:
        if NetworkDetector._model is None:
            NetworkDetector._model = Model(self._threads)
        return NetworkDetector._model

    def look(self, photo: Photo) -> NetworkView | NotMeasured:
        """Points, side and direction, or why there are none."""
        with self._lock:
            if photo.sha256 in self._known:
                return self._known[photo.sha256]
            view = search(photo, self._loaded())
            self._known[photo.sha256] = view
            while len(self._known) > KEPT_VIEWS:
                self._known.popitem(last=False)
            return view


def leg_of(landmarks: Landmarks) -> Floats:
    """Hip, knee and ankle, (3, 2), full-size px."""
    marks = [landmarks.points[name] for name in LEG_POINTS]
    return np.array([[p.x_px, p.y_px] for p in marks])


def same_leg(points: Floats, presence: float, landmarks: Landmarks) -> bool:
    """Whether the network sees the known leg and not another one.

    ``points`` (n, 2) are what it sees, hip, knee and ankle first, the least of them so present.
    """
    leg = leg_of(landmarks)
    segment = float(np.linalg.norm(np.diff(leg, axis=0), axis=1).mean())
    away = float(np.linalg.norm(points[:3] - leg, axis=1).max()) / max(segment, 1e-6)
    return bool(presence >= LEAST_PRESENCE and away <= NETWORK_SAME_LEG)
