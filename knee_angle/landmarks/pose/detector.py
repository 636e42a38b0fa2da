"""The leg by a whole-body pose model: a rough answer for a photo without dots.

The model was made for whole, upright people. Of a leg in a bed it often sees nothing,
or something else with a good score. So its word alone counts for nothing here: a leg
is believed only when the mirror image of the photo, in which every left leg is a
right one, gives the same leg again, and a smaller copy of that once more; even then its
uncertainty is wide, and a nearly straight leg counts for nothing: that is what the model
draws where it sees none. A person seen up to the head is what it was made for: where six
passes (upright, mirrored, smaller, leaned either way, smaller in a wider frame) show the
same leg, it is believed, straight or not, with an uncertainty of its own.

It marks joint centres, not the skin points over them; that difference is part of the
uncertainty below.
"""

from __future__ import annotations

import math
import os
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Literal, Self

import cv2
import numpy as np
from numpy.typing import NDArray

from knee_angle.assumptions import (
    CLEARLY_BENT_DEG,
    POSE_LEAST_VISIBILITY,
    POSE_MOST_GAP,
    POSE_SURE_GAP,
    POSE_SURE_U_SEGMENTS,
    POSE_U_SEGMENTS,
)
from knee_angle.errors import MissingModel
from knee_angle.landmarks.pose.bundles import shipped_bundle
from knee_angle.landmarks.pose.legs import (
    LEFT_INDEX,
    NO_PERSON,
    NOT_CONFIRMED,
    ONE_LEG,
    TWO_PEOPLE,
    Leg,
    X,
    Y,
    Z,
    agree,
    best_pair,
    fault_of,
    gap,
    leg_of,
    nearer_leg,
    other_leg_meant,
    two_people,
    whole_body,
)
from knee_angle.landmarks.pose.process import Landmarker, PoseProcess, PoseProcessFailed
from knee_angle.language import say
from knee_angle.photo.reading import Photo
from knee_angle.records import (
    LEG_POINTS,
    Landmark,
    Landmarks,
    NotMeasured,
    PointName,
    Quad,
    Side,
    Source,
)

__all__ = ["CHECK_THE_POINTS", "PoseDetector"]

Floats = NDArray[np.float64]
Rgb = NDArray[np.uint8]

# --- texts ---------------------------------------------------------------------------

CHECK_THE_POINTS = say(
    "The points come from a whole-body pose model, which can miss the leg "
    "without noticing: check the points."
)
ADVICE = say(
    "stick dots on hip, knee and ankle, or place the points by hand; a photo "
    "of the whole person from the leg's outer side helps the pose model"
)
BROKE_OFF = say("the pose model stopped working")
NOT_A_PICTURE = say("the photo has no colour pixels that the pose model could take")

# --- search --------------------------------------------------------------------------

SEARCH_PX = 720
"""Longer side of the copy that is searched. On 32 rendered bedside photos 480 to 1280 px
differ by chance only (14 to 17 legs among all poses of four turns)."""
CONFIRM_PX = 560
"""Longer side of the copy for the third look (our own)."""

QUARTER_TURNS = (0, 1, 3, 2)
"""Counter-clockwise; lying people stand upright after one or three."""

LEAN_DEG, FRAME = 10.0, 0.25
"""Of the passes that must all show a whole person's leg: how far two of them are leaned, and
how much wider than the photo the frame of another is, on each side, of its longer side (our
own)."""


@dataclass(frozen=True, slots=True)
class _Found:
    """Looks that agree, px of the upright copy; u of their points in segments."""

    looks: list[Leg]
    u_segments: Mapping[str, float]


class PoseDetector:
    """Hip, knee, ankle, heel and toe of the leg nearest to the camera.

    The model is loaded at the first photo, kept, and shared by all threads one after
    the other. Close the detector, or use it as a context manager; without that it ends
    with the program all the same. A copy in another process (pickled or forked) loads
    its own model.

    Parameters
    ----------
    bundle : Path
        Pose landmarker bundle, see :mod:`knee_angle.landmarks.pose.bundles`.
    open_landmarker : callable, optional
        Makes the model from the bundle; tests bring their own.
    """

    source: Source = "pose"

    def __init__(
        self, bundle: Path, *, open_landmarker: Callable[[Path], Landmarker] = PoseProcess
    ) -> None:
        self._bundle = bundle
        self._open = open_landmarker
        self._landmarker: Landmarker | None = None
        self._owner_pid = os.getpid()
        self._lock = threading.Lock()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> Literal[False]:
        self.close()
        return False

    def __reduce__(self) -> tuple[Callable[..., PoseDetector], tuple[Path]]:
        return (PoseDetector, (self._bundle,))

    def close(self) -> None:
        """Give the model back; a second call does nothing, a later photo loads it again."""
        with self._lock:
            self._close()

    def find(self, photo: Photo, *, masked: tuple[Quad, ...] = ()) -> Landmarks | NotMeasured:
        """The leg in the machine: the nearer one, seen from its outer side.

        Parameters
        ----------
        photo : Photo
            The upright photo.
        masked : tuple of Quad
            Printed tags, full-size px; no joint can lie on one.

        Returns
        -------
        Landmarks or NotMeasured
            Points in full-size px with a covariance that makes the knee angle uncertain
            by more than 20 degrees (`POSE_U_SEGMENTS`), and the caution `CHECK_THE_POINTS`.

        Raises
        ------
        MissingModel
            A bundle other than the package's own cannot be loaded.
        """
        small = photo.small
        if not _is_picture(small):
            return NotMeasured(NOT_A_PICTURE, ADVICE, kind="no_leg")
        copy = _reduced(small, SEARCH_PX)
        to_full = np.array([photo.width / copy.shape[1], photo.height / copy.shape[0]])
        quads = tuple(np.asarray(quad, dtype=float) / to_full for quad in masked)
        try:
            found = self._search(copy, quads)
        except PoseProcessFailed:
            self.close()
            return NotMeasured(BROKE_OFF, ADVICE, kind="no_leg")
        except MissingModel as cannot_start:
            if self._bundle != shipped_bundle():
                raise
            # Nobody asked for it: go on without.
            return NotMeasured(str(cannot_start), ADVICE, kind="no_leg")
        if isinstance(found, NotMeasured):
            return found
        return _landmarks(found, to_full=to_full)

    def near(self, photo: Photo, landmarks: Landmarks) -> Landmarks | None:
        """The leg of the known one's side that lies nearest to it; see `Witness`.

        Only of a person seen up to the head: of a leg alone the model invents
        the rest. One look where it is the same leg; another leg counts only if the mirror
        image gives it again. None where no believable leg is seen. Joint centres, as uncertain
        as `POSE_U_SEGMENTS` says.
        """
        if not _is_picture(photo.small):
            return None
        copy = _reduced(photo.small, SEARCH_PX)
        to_full = np.array([photo.width / copy.shape[1], photo.height / copy.shape[0]])
        known = {n: np.array([p.x_px, p.y_px]) / to_full for n, p in landmarks.points.items()}
        try:
            looks = self._twice_if_other(copy, known, landmarks.side)
        except PoseProcessFailed:
            self.close()
            return None
        except MissingModel:
            if self._bundle != shipped_bundle():
                raise
            return None
        if not looks:
            return None
        return _landmarks(_Found(looks, POSE_U_SEGMENTS), to_full=to_full)

    def _twice_if_other(
        self, copy: Rgb, known: Mapping[PointName, Floats], side: Side | None
    ) -> list[Leg]:
        """The leg of one look, or of two that agree; empty where there is none."""
        looks: list[Leg] = []
        for mirrored in (False, True):
            legs = [
                leg
                for leg in self._legs(copy, mirrored=mirrored)
                if side in {None, leg.side}
                and fault_of(leg, size=(copy.shape[1], copy.shape[0]), quads=(), any_bend=True)
                is None
            ]
            if not legs:
                return []
            gaps = [max(math.dist(leg.xy[n], known[n]) for n in LEG_POINTS) for leg in legs]
            nearest = legs[int(np.argmin(gaps))]
            if min(gaps) <= POSE_MOST_GAP * nearest.segment:
                return [nearest]
            looks.append(nearest)
        return looks if agree(*looks) else []

    def _search(self, copy: Rgb, quads: tuple[Floats, ...]) -> _Found | NotMeasured:
        """Three looks at the same leg, or six at a whole person's; or why there are none.

        Later looks are taken only where the plain one shows a believable leg: a photo
        without any costs four, a leg found upright three.
        """
        believed: dict[bool, list[Leg]] = {False: [], True: []}
        refused: list[str] = []
        for turns in QUARTER_TURNS:
            for mirrored in (False, True):
                legs: list[Leg] = []
                poses = list(self._poses(copy, turns=turns, mirrored=mirrored))
                sure = None if mirrored else self._whole_person(copy, poses, turns, quads)
                if sure is not None:
                    return sure
                for leg in map(nearer_leg, poses):
                    fault = fault_of(leg, size=(copy.shape[1], copy.shape[0]), quads=quads)
                    if fault is None:
                        legs.append(leg)
                    else:
                        refused.append(fault)
                if two_people(legs):
                    return NotMeasured(TWO_PEOPLE, ONE_LEG, kind="two_legs")
                pair = best_pair(legs, believed[not mirrored])
                third = self._confirm(copy, pair, turns=turns, mirrored=mirrored) if pair else None
                if pair and third:
                    return _Found([*pair, third], POSE_U_SEGMENTS)
                believed[mirrored] += legs
                if not legs:
                    break
        if believed[False]:
            return NotMeasured(NOT_CONFIRMED, ADVICE, kind="no_leg")
        return NotMeasured(refused[0] if refused else NO_PERSON, ADVICE, kind="no_leg")

    def _whole_person(
        self, copy: Rgb, poses: list[Floats], turns: int, quads: tuple[Floats, ...]
    ) -> _Found | NotMeasured | None:
        """The leg of the one person seen up to the head, where all passes show it."""
        size = (copy.shape[1], copy.shape[0])
        people = [pose for pose in poses if whole_body(pose, size=size)]
        legs = [nearer_leg(pose) for pose in people]
        legs = [x for x in legs if fault_of(x, size=size, quads=quads, any_bend=True) is None]
        if two_people(legs):
            return NotMeasured(TWO_PEOPLE, ONE_LEG, kind="two_legs")
        if not legs:
            return None
        if any(other_leg_meant(pose, size=size) for pose in people):
            return NotMeasured(TWO_PEOPLE, ONE_LEG, kind="two_legs")
        leg = max(legs, key=lambda one: one.segment)
        looks = [leg]
        for picture, back, mirrored in _passes(copy):
            again = [
                leg_of(pose, leg.side).moved(back)
                for pose in self._poses(picture, turns=turns, mirrored=mirrored)
            ]
            nearest = min(again, key=lambda one: gap(leg, one), default=None)
            if nearest is None or gap(leg, nearest) > POSE_SURE_GAP:
                return None
            looks.append(nearest)
        return _Found(looks, POSE_SURE_U_SEGMENTS)

    def _confirm(
        self, copy: Rgb, pair: tuple[Leg, Leg], *, turns: int, mirrored: bool
    ) -> Leg | None:
        """The same leg in a smaller copy, in px of the larger one; None where it differs."""
        smaller = _reduced(copy, CONFIRM_PX)
        factor = np.array([copy.shape[1] / smaller.shape[1], copy.shape[0] / smaller.shape[0]])
        for pose in self._poses(smaller, turns=turns, mirrored=mirrored):
            again = nearer_leg(pose).moved(np.c_[np.diag(factor), np.zeros(2)])
            if all(agree(again, other) for other in pair):
                return again
        return None

    def _legs(self, copy: Rgb, *, mirrored: bool) -> Iterator[Leg]:
        """Both legs of each person in the upright copy who is seen up to the head."""
        for pose in self._poses(copy, turns=0, mirrored=mirrored):
            if not whole_body(pose, size=(copy.shape[1], copy.shape[0])):
                continue
            yield leg_of(pose, "left")
            yield leg_of(pose, "right")

    def _poses(self, copy: Rgb, *, turns: int, mirrored: bool) -> Iterator[Floats]:
        """Every pose in the turned copy, in px of the upright one."""
        picture = _turned(copy, turns=turns, mirrored=mirrored)
        with self._lock:
            poses = self._ready().detect(picture)
        for pose in poses:
            yield _turned_back(
                np.asarray(pose, dtype=float),
                turns=turns,
                mirrored=mirrored,
                size=(copy.shape[1], copy.shape[0]),
            )

    def _ready(self) -> Landmarker:
        """The model, loaded now if this process has none; call it with the lock held."""
        if self._owner_pid != os.getpid():
            # A fork inherits the parent's pipe; two writers would mix their pictures.
            self._landmarker, self._owner_pid = None, os.getpid()
        if self._landmarker is None:
            self._landmarker = self._open(self._bundle)
        return self._landmarker

    def _close(self) -> None:
        landmarker, self._landmarker = self._landmarker, None
        if landmarker is not None and self._owner_pid == os.getpid():
            landmarker.close()


def _is_picture(rgb: Rgb) -> bool:
    """Whether the model can take it: a grey or empty one would leave it unusable."""
    return rgb.dtype == np.uint8 and rgb.ndim == 3 and rgb.shape[2] == 3 and min(rgb.shape[:2]) > 1


def _reduced(rgb: Rgb, longer_px: int) -> Rgb:
    """A copy with its longer side at most `longer_px`."""
    height, width = rgb.shape[:2]
    factor = longer_px / max(height, width)
    if factor >= 1.0:
        return rgb
    size = (max(2, round(width * factor)), max(2, round(height * factor)))
    return np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _passes(copy: Rgb) -> Iterator[tuple[Rgb, Floats, bool]]:
    """The other passes: picture, what takes its px to the copy's (2, 3), mirrored or not."""
    height, width = copy.shape[:2]
    yield copy, np.eye(2, 3), True
    smaller = _reduced(copy, round(CONFIRM_PX / SEARCH_PX * max(height, width)))
    factor = (width / smaller.shape[1], height / smaller.shape[0])
    yield smaller, np.c_[np.diag(factor), np.zeros(2)], False
    for lean in (LEAN_DEG, -LEAN_DEG):
        matrix = cv2.getRotationMatrix2D((width / 2, height / 2), lean, 1.0)
        leaned = cv2.warpAffine(copy, matrix, (width, height), borderMode=cv2.BORDER_REPLICATE)
        back = np.asarray(cv2.invertAffineTransform(matrix), dtype=float)
        yield np.asarray(leaned, dtype=np.uint8), back, False
    edge = round(FRAME * max(height, width))
    framed = cv2.copyMakeBorder(copy, edge, edge, edge, edge, cv2.BORDER_REPLICATE)
    yield np.asarray(framed, dtype=np.uint8), np.array([[1.0, 0, -edge], [0, 1, -edge]]), False


def _turned(rgb: Rgb, *, turns: int, mirrored: bool) -> Rgb:
    """Quarter turns counter-clockwise, then left and right swapped; contiguous."""
    picture = np.rot90(rgb, turns)
    return np.ascontiguousarray(picture[:, ::-1] if mirrored else picture)


def _turned_back(pose: Floats, *, turns: int, mirrored: bool, size: tuple[int, int]) -> Floats:
    """Where the points of a pose lie in the picture before :func:`_turned`.

    Parameters
    ----------
    pose : ndarray, shape (33, 5)
        x and y as fractions of the turned picture, z as a fraction of its width.
    size : (int, int)
        Width and height of the picture before it was turned, px.

    Returns
    -------
    ndarray, shape (33, 5)
        x, y and z in px of the picture before; in a mirrored one left and right change
        places.
    """
    back = pose.copy()
    back[:, Z] *= size[turns % 2]
    if mirrored:
        back[:, X] = 1.0 - back[:, X]
        for left in LEFT_INDEX.values():
            back[[left, left + 1]] = back[[left + 1, left]]
    for _ in range(turns):
        back[:, X], back[:, Y] = 1.0 - back[:, Y], back[:, X].copy()
    back[:, X] *= size[0]
    back[:, Y] *= size[1]
    return back


def _landmarks(found: _Found, *, to_full: Floats) -> Landmarks:
    """The middle of the looks, as uncertain as their u and their scatter say.

    A leg that clearly bends against its side is not of the side that the model says.
    """
    looks = found.looks
    segment = float(np.mean([leg.segment for leg in looks]))
    names = [
        name
        for name in LEFT_INDEX
        if name in LEG_POINTS or min(leg.visibility[name] for leg in looks) >= POSE_LEAST_VISIBILITY
    ]
    xy: dict[PointName, Floats] = {}
    cov: dict[PointName, Floats] = {}
    for name in names:
        each = np.array([leg.xy[name] for leg in looks])
        xy[name] = each.mean(axis=0)
        cov[name] = np.eye(2) * (found.u_segments[name] * segment) ** 2
        if len(looks) > 1:
            cov[name] += np.cov(each.T)
    points: dict[PointName, Landmark] = {}
    for name in names:
        x, y = xy[name] * to_full
        full = cov[name] * np.outer(to_full, to_full)
        points[name] = Landmark(
            float(x), float(y), (float(full[0, 0]), float(full[0, 1]), float(full[1, 1])), "pose"
        )
    bend = float(np.mean([leg.flexion_deg for leg in looks]))
    side = None if bend <= -CLEARLY_BENT_DEG else looks[0].side
    return Landmarks(points=points, side=side, cautions=(CHECK_THE_POINTS,))
