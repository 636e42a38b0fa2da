"""The leg by a whole-body pose model: a rough answer for a photo without dots.

The model was made for whole, upright people. Of a leg in a bed it often sees nothing,
or something else with a good score. So its word alone counts for nothing here: a leg
is believed only when the mirror image of the photo, in which every left leg is a
right one, gives the same leg again, and a smaller copy of that once more; even then its
uncertainty is wide.

It marks joint centres, not the skin points over them; that difference is part of the
uncertainty below.
"""

from __future__ import annotations

import math
import os
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path
from types import TracebackType
from typing import Literal, Self

import cv2
import numpy as np
from numpy.typing import NDArray

from knee_angle.angle import geometry
from knee_angle.assumptions import (
    POSE_LEAST_FLEXION_DEG,
    POSE_LEAST_LENGTH,
    POSE_LEAST_VISIBILITY,
    POSE_MOST_ANGLE_GAP_DEG,
    POSE_MOST_GAP,
    POSE_OTHER_LEG_GAP,
    POSE_OTHER_LEG_SIZE,
    POSE_SEGMENT_RATIO,
    POSE_U_SEGMENTS,
)
from knee_angle.landmarks.pose_process import Landmarker, PoseProcess, PoseProcessFailed
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

CHECK_THE_POINTS = (
    "The points come from a whole-body pose model, which can miss the leg without noticing: "
    "check the points."
)
ADVICE = (
    "stick dots on hip, knee and ankle, or place the points by hand; a photo of the whole person "
    "from the leg's outer side helps the pose model"
)
NO_PERSON = "the pose model sees no person in the photo"
NOT_CONFIRMED = "the pose model gives another leg for the same photo mirrored or made smaller"
OUT_OF_FRAME = "the pose model places a point of the leg outside the photo"
ON_A_TAG = "the pose model places a point of the leg on a printed tag"
HIDDEN = "the pose model guesses a point of the leg that it does not see"
TOO_SHORT = "the pose model's leg is too small in the photo"
BAD_PROPORTIONS = "the pose model's thigh and lower leg do not make a leg"
WRONG_WAY = "the pose model's nearer leg bends against its own side"
TWO_PEOPLE = "the pose model sees two legs about equally near"
ONE_LEG = "photograph one person's leg alone, or stick dots on the leg that is meant"
STRAIGHT = "the pose model sees a nearly straight leg, which it also does where it sees none"
BROKE_OFF = "the pose model stopped working"
NOT_A_PICTURE = "the photo has no colour pixels that the pose model could take"

# --- search --------------------------------------------------------------------------

SEARCH_PX = 720
"""Longer side of the copy that is searched. On 32 rendered bedside photos 480 to 1280 px
differ by chance only (14 to 17 legs among all poses of four turns)."""
CONFIRM_PX = 560
"""Longer side of the copy for the third look."""

QUARTER_TURNS = (0, 1, 3, 2)
"""Counter-clockwise; lying people stand upright after one or three."""

# --- what is believed ----------------------------------------------------------------


# --- uncertainty ---------------------------------------------------------------------


PoseIndex = int
LEFT_INDEX: Mapping[PointName, PoseIndex] = {
    "hip": 23,
    "knee": 25,
    "ankle": 27,
    "heel": 29,
    "toe": 31,
}
"""MediaPipe's numbering of the left leg; the right one is one higher."""
UPPER_BODY: tuple[PoseIndex, ...] = (0, 11, 12)
"""Nose and shoulders in the same numbering."""
X, Y, Z, VISIBILITY = 0, 1, 2, 3


@dataclass(frozen=True, slots=True)
class _Leg:
    """The nearer leg of one pose, in px of the upright searched copy."""

    side: Side
    xy: Mapping[PointName, Floats]
    visibility: Mapping[PointName, float]

    @property
    def segment(self) -> float:
        """The longer of thigh and shank, px: a misplaced hip shortens the other one."""
        hip, knee, ankle = (self.xy[name] for name in LEG_POINTS)
        return max(math.dist(hip, knee), math.dist(knee, ankle))

    @property
    def flexion_deg(self) -> float:
        """Signed by the leg's own side: negative bends the wrong way."""
        hip, knee, ankle = (self.xy[name] for name in LEG_POINTS)
        return float(geometry.signed_flexion_deg(hip, knee, ankle, side=self.side))


class PoseDetector:
    """Hip, knee, ankle, heel and toe of the leg nearest to the camera.

    The model is loaded at the first photo, kept, and shared by all threads one after
    the other. Close the detector, or use it as a context manager; without that it ends
    with the program all the same. A copy in another process (pickled or forked) loads
    its own model.

    Parameters
    ----------
    bundle : Path
        Pose landmarker bundle, see :mod:`knee_angle.landmarks.bundles`.
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
            The bundle cannot be loaded.
        """
        small = photo.small
        if not _is_picture(small):
            return NotMeasured(NOT_A_PICTURE, ADVICE)
        copy = _reduced(small, SEARCH_PX)
        to_full = np.array([photo.width / copy.shape[1], photo.height / copy.shape[0]])
        quads = tuple(np.asarray(quad, dtype=float) / to_full for quad in masked)
        try:
            found = self._search(copy, quads)
        except PoseProcessFailed:
            self.close()
            return NotMeasured(BROKE_OFF, ADVICE)
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
        return _landmarks(looks, to_full=to_full) if looks else None

    def _twice_if_other(
        self, copy: Rgb, known: Mapping[PointName, Floats], side: Side | None
    ) -> list[_Leg]:
        """The leg of one look, or of two that agree; empty where there is none."""
        looks: list[_Leg] = []
        for mirrored in (False, True):
            legs = [
                leg
                for leg in self._legs(copy, mirrored=mirrored)
                if side in {None, leg.side}
                and _fault(leg, size=(copy.shape[1], copy.shape[0]), quads=()) is None
            ]
            if not legs:
                return []
            gaps = [max(math.dist(leg.xy[n], known[n]) for n in LEG_POINTS) for leg in legs]
            nearest = legs[int(np.argmin(gaps))]
            if min(gaps) <= POSE_MOST_GAP * nearest.segment:
                return [nearest]
            looks.append(nearest)
        return looks if _agree(*looks) else []

    def _search(self, copy: Rgb, quads: tuple[Floats, ...]) -> list[_Leg] | NotMeasured:
        """Three looks at the same leg, or why there are none.

        Later looks are taken only where the plain one shows a believable leg: a photo
        without any costs four, a leg found upright three.
        """
        believed: dict[bool, list[_Leg]] = {False: [], True: []}
        refused: list[str] = []
        for turns in QUARTER_TURNS:
            for mirrored in (False, True):
                legs: list[_Leg] = []
                for leg in self._look(copy, turns=turns, mirrored=mirrored):
                    fault = _fault(leg, size=(copy.shape[1], copy.shape[0]), quads=quads)
                    if fault is None:
                        legs.append(leg)
                    else:
                        refused.append(fault)
                if _two_people(legs):
                    return NotMeasured(TWO_PEOPLE, ONE_LEG)
                pair = _best_pair(legs, believed[not mirrored])
                third = self._confirm(copy, pair, turns=turns, mirrored=mirrored) if pair else None
                if pair and third:
                    return [*pair, third]
                believed[mirrored] += legs
                if not legs:
                    break
        if believed[False]:
            return NotMeasured(NOT_CONFIRMED, ADVICE)
        return NotMeasured(refused[0] if refused else NO_PERSON, ADVICE)

    def _confirm(
        self, copy: Rgb, pair: tuple[_Leg, _Leg], *, turns: int, mirrored: bool
    ) -> _Leg | None:
        """The same leg in a smaller copy, in px of the larger one; None where it differs."""
        smaller = _reduced(copy, CONFIRM_PX)
        factor = np.array([copy.shape[1] / smaller.shape[1], copy.shape[0] / smaller.shape[0]])
        for leg in self._look(smaller, turns=turns, mirrored=mirrored):
            again = replace(leg, xy={name: xy * factor for name, xy in leg.xy.items()})
            if all(_agree(again, other) for other in pair):
                return again
        return None

    def _look(self, copy: Rgb, *, turns: int, mirrored: bool) -> Iterator[_Leg]:
        """The nearer leg of each person."""
        for pose in self._poses(copy, turns=turns, mirrored=mirrored):
            yield _nearer_leg(pose)

    def _legs(self, copy: Rgb, *, mirrored: bool) -> Iterator[_Leg]:
        """Both legs of each person in the upright copy who is seen up to the head."""
        for pose in self._poses(copy, turns=0, mirrored=mirrored):
            if not _whole_body(pose, size=(copy.shape[1], copy.shape[0])):
                continue
            yield _leg_of(pose, "left")
            yield _leg_of(pose, "right")

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


def _nearer_leg(pose: Floats) -> _Leg:
    """The leg on the camera's side of the body, by the depth of the two hips."""
    left_hip, right_hip = pose[LEFT_INDEX["hip"], Z], pose[LEFT_INDEX["hip"] + 1, Z]
    return _leg_of(pose, "left" if left_hip < right_hip else "right")


def _whole_body(pose: Floats, *, size: tuple[int, int]) -> bool:
    """Whether nose and shoulders are seen in the photo: the model knows whole people."""
    upper = pose[list(UPPER_BODY)]
    inside = np.all((upper[:, [X, Y]] >= 0.0) & (upper[:, [X, Y]] <= size))
    return bool(inside and upper[:, VISIBILITY].min() >= POSE_LEAST_VISIBILITY)


def _leg_of(pose: Floats, side: Side) -> _Leg:
    """One leg of a pose."""
    shift = 0 if side == "left" else 1
    return _Leg(
        side=side,
        xy={name: pose[index + shift, [X, Y]] for name, index in LEFT_INDEX.items()},
        visibility={n: float(pose[i + shift, VISIBILITY]) for n, i in LEFT_INDEX.items()},
    )


def _fault(leg: _Leg, *, size: tuple[int, int], quads: tuple[Floats, ...]) -> str | None:
    """Why the leg is not believed, or None."""
    hip, knee, ankle = (leg.xy[name] for name in LEG_POINTS)
    thigh, shank = math.dist(hip, knee), math.dist(knee, ankle)
    faults = {
        OUT_OF_FRAME: not all(
            np.all((leg.xy[name] >= 0.0) & (leg.xy[name] <= size)) for name in LEG_POINTS
        ),
        TOO_SHORT: thigh + shank < POSE_LEAST_LENGTH * math.hypot(*size),
        BAD_PROPORTIONS: not POSE_SEGMENT_RATIO[0] * shank
        <= thigh
        <= POSE_SEGMENT_RATIO[1] * shank,
        HIDDEN: min(leg.visibility[name] for name in LEG_POINTS) < POSE_LEAST_VISIBILITY,
        ON_A_TAG: any(_inside(leg.xy[name], quad) for name in LEG_POINTS for quad in quads),
        WRONG_WAY: leg.flexion_deg <= -POSE_LEAST_FLEXION_DEG,
        STRAIGHT: leg.flexion_deg < POSE_LEAST_FLEXION_DEG,
    }
    return next((text for text, applies in faults.items() if applies), None)


def _inside(point: Floats, quad: Floats) -> bool:
    """Whether a point lies in a convex quad (corners in order, either way round)."""
    edges = np.roll(quad, -1, axis=0) - quad
    to_point = point - quad
    across = edges[:, 0] * to_point[:, 1] - edges[:, 1] * to_point[:, 0]
    return bool(np.all(across >= 0.0) or np.all(across <= 0.0))


def _two_people(legs: list[_Leg]) -> bool:
    """Whether one look shows two legs of about one size in different places."""
    return any(
        _gap(a, b) > POSE_OTHER_LEG_GAP
        and max(a.segment, b.segment) < POSE_OTHER_LEG_SIZE * min(a.segment, b.segment)
        for a, b in combinations(legs, 2)
    )


def _best_pair(new: list[_Leg], earlier: list[_Leg]) -> tuple[_Leg, _Leg] | None:
    """The two looks that agree best, if any agree."""
    pairs = [(_gap(a, b), a, b) for a in new for b in earlier if _agree(a, b)]
    if not pairs:
        return None
    _, a, b = min(pairs, key=lambda pair: pair[0])
    return a, b


def _gap(a: _Leg, b: _Leg) -> float:
    """Largest distance between the same joint in two looks, in segments."""
    largest = max(math.dist(a.xy[name], b.xy[name]) for name in LEG_POINTS)
    return largest / ((a.segment + b.segment) / 2.0)


def _agree(a: _Leg, b: _Leg) -> bool:
    return (
        a.side == b.side
        and _gap(a, b) <= POSE_MOST_GAP
        and abs(a.flexion_deg - b.flexion_deg) <= POSE_MOST_ANGLE_GAP_DEG
    )


def _landmarks(looks: list[_Leg], *, to_full: Floats) -> Landmarks:
    """The middle of the looks, as uncertain as `POSE_U_SEGMENTS` and their scatter say."""
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
        cov[name] = np.eye(2) * (POSE_U_SEGMENTS[name] * segment) ** 2
        if len(looks) > 1:
            cov[name] += np.cov(each.T)
    points: dict[PointName, Landmark] = {}
    for name in names:
        x, y = xy[name] * to_full
        full = cov[name] * np.outer(to_full, to_full)
        points[name] = Landmark(
            float(x), float(y), (float(full[0, 0]), float(full[0, 1]), float(full[1, 1])), "pose"
        )
    return Landmarks(points=points, side=looks[0].side, cautions=(CHECK_THE_POINTS,))
