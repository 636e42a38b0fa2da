"""Through the film: every so often a look by the detectors, in between points are followed.

A *look* asks the usual detectors, as for a photo. From one look to the next each dot is
followed by optical flow (pyramidal Lucas and Kanade): from picture to picture to keep up with
it, then once more against the picture of the look, so that nothing adds up. At the next look
the detectors say where each dot is; what the followed one is off by then is spread evenly over
the time between. So the *change* of an angle is as fine as the flow, and nothing drifts.

A point that flow carries elsewhere and not back is lost (something passed in front) until the
next look, which comes soon then. Points found anew (no dots) are not followed: every one of
them is a look.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from knee_angle.clip.film import Film, FilmFrame
from knee_angle.clip.weighing import Weighed, Weigher
from knee_angle.landmarks.base import Detector, DirectionDetector
from knee_angle.landmarks.choose import found_landmarks, without_direction
from knee_angle.photo.reading import Photo, photo_of_pixels
from knee_angle.photo.tags import Tag, find_tags
from knee_angle.records import (
    LEG_POINTS,
    MACHINE_POINTS,
    Direction,
    Displayed,
    Landmarks,
    NotMeasured,
    PointName,
)

__all__ = [
    "FOLLOWED",
    "Followed",
    "Look",
    "NumberReader",
    "Sample",
    "follow",
    "looks_of",
    "picture_sha256",
]

Floats = NDArray[np.float64]
Grey = NDArray[np.uint8]

FOLLOWED: tuple[PointName, ...] = (*LEG_POINTS, *MACHINE_POINTS)
SAMPLE_EVERY_S = 0.1
"""Pictures so far apart are followed; a machine moves a knee by less than 0.5 degrees in it."""
LOOK_EVERY_S, FIRST_LOOKS, FIRST_LOOKS_S = 2.0, 3, 0.5
"""Looks by the detectors, where nothing was lost (seconds); where it was, sooner, and the first
few, of which a short film has no more."""
LOOK_AGAIN_S = 0.4
LOOK_WITHOUT_DOTS_S = 0.5
READ_EVERY_S = 0.5
"""A reader of displays is asked so often: 60 ms each (its own bench)."""
LEVELS = 3
LEAST_WINDOW_PX = 11
WINDOW_DIAMETERS = 1.5
MOST_BACK_PX = 0.7
"""A point that flow brings elsewhere than back is lost."""
MOST_JUMP_PX = 6.0
"""A look that finds a dot farther than this from where it was followed to contradicts it."""
MOST_UNLIKE = 28.0
"""Mean difference of grey values about a dot from its look, from which on it is another thing."""
USUAL_GREY = 120.0


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """What the detectors saw in one picture, with direction and doubts where they were asked."""

    seconds: float
    landmarks: Landmarks | NotMeasured
    direction: Direction | None = None
    weighed: Weighed | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Sample:
    """One picture that was followed.

    Parameters
    ----------
    number : int
        Of the picture in the film.
    seconds : float
        Its time.
    points_px : ndarray, shape (6, 2)
        `FOLLOWED`, pixels; not a number where one is not seen.
    tags : tuple of Tag
        Printed tags.
    look : Look or None
        Where the detectors were asked.
    displayed : Displayed or None
        The machine's number, where a reader read it.
    """

    number: int
    seconds: float
    points_px: Floats
    tags: tuple[Tag, ...]
    look: Look | None = None
    displayed: Displayed | None = None


class NumberReader(Protocol):
    """Reads the machine's display in a picture."""

    def displayed(self, photo: Photo) -> Displayed | None:
        """The displayed number as flexion; None where it is not surely read."""
        ...


@dataclass(frozen=True, slots=True, eq=False)
class Followed:
    """The whole film, followed."""

    samples: tuple[Sample, ...]
    size_px: tuple[int, int]
    stopped: bool = False

    @property
    def looks(self) -> tuple[Look, ...]:
        """All looks."""
        return tuple(one.look for one in self.samples if one.look is not None)


@dataclass(eq=False)
class _Track:
    """Where the dots are now, and the look that they are followed from."""

    points: Floats
    look_grey: Grey
    look_points: Floats
    window: int
    since: int
    grey: Grey


def follow(
    film: Film,
    *,
    detectors: Sequence[Detector],
    reader: NumberReader | None = None,
    weigher: Weigher | None = None,
    progress: Callable[[float], None] = lambda _: None,
    stop: Callable[[], bool] = lambda: False,
) -> Followed:
    """Look at a film and follow what was seen.

    Parameters
    ----------
    film : Film
        The open film; it is read to its end, or to where it is stopped.
    detectors : sequence of Detector
        As for photos.
    reader : NumberReader, optional
        Asked for the display's number every `READ_EVERY_S`.
    weigher : Weigher, optional
        Weighs dots and strip against the network in some looks.
    progress : callable
        Told the seconds of film that are done.
    stop : callable
        Asked before every picture; where it says yes, what was seen so far is the answer.
    """
    through = _Through(detectors, film, reader, weigher)
    stopped = False
    for frame in film.frames(every_s=SAMPLE_EVERY_S):
        if stop():
            stopped = True
            break
        through.take(frame)
        progress(frame.seconds)
    return Followed(tuple(through.samples), through.size_px, stopped)


class _Through:
    """The film on its way through; samples so far are in `samples`."""

    def __init__(
        self,
        detectors: Sequence[Detector],
        film: Film,
        reader: NumberReader | None,
        weigher: Weigher | None,
    ) -> None:
        self.samples: list[Sample] = []
        self.size_px = (0, 0)
        self._detectors, self._film, self._reader = detectors, film, reader
        self._last_read_s, self._weigher = -np.inf, weigher
        self._track: _Track | None = None
        self._last_look_s, self._looks = -np.inf, 0
        self._dots_seen = True

    def take(self, frame: FilmFrame) -> None:
        """One picture more."""
        photo = photo_of_pixels(
            frame.rgb,
            name=f"{self._film.name} at {frame.seconds:.2f} s",
            sha256=picture_sha256(self._film.sha256, frame.number),
            f35_mm=self._film.f35_mm,
        )
        self.size_px = (photo.width, photo.height)
        grey = _grey(frame.rgb)
        tags = find_tags(photo)
        points = np.full((len(FOLLOWED), 2), np.nan)
        if self._track is not None:
            points = _followed(self._track, grey)
        look = None
        if self._due(frame.seconds, points):
            look = self._looked(photo, frame.seconds, tags)
            points = self._after_look(look, points, grey)
            self._last_look_s, self._looks = frame.seconds, self._looks + 1
        number = None
        if self._reader is not None and frame.seconds - self._last_read_s >= READ_EVERY_S - 1e-6:
            number, self._last_read_s = self._reader.displayed(photo), frame.seconds
        self.samples.append(Sample(frame.number, frame.seconds, points, tags, look, number))

    def _due(self, seconds: float, points: Floats) -> bool:
        since = seconds - self._last_look_s
        if not self._dots_seen:
            return since >= LOOK_WITHOUT_DOTS_S - 1e-6
        lost = self._track is None or bool(np.isnan(points[self._wanted()]).any())
        usual = LOOK_EVERY_S if self._looks >= FIRST_LOOKS else FIRST_LOOKS_S
        return since >= (LOOK_AGAIN_S if lost else usual) - 1e-6

    def _wanted(self) -> NDArray[np.bool_]:
        """Which points the last look had."""
        assert self._track is not None  # noqa: S101
        return ~np.isnan(self._track.look_points[:, 0])

    def _looked(self, photo: Photo, seconds: float, tags: tuple[Tag, ...]) -> Look:
        masked = tuple(tag.corners_px for tag in tags)
        found = found_landmarks(photo, detectors=self._detectors, masked=masked)
        if isinstance(found, Landmarks):
            found = without_direction(found) or found
        direction = None
        if isinstance(found, Landmarks) and not tags:
            directing = (one for one in self._detectors if isinstance(one, DirectionDetector))
            seen = (one.direction(photo, found) for one in directing)
            direction = next((one for one in seen if one is not None), None)
        weighed = None
        dots = isinstance(found, Landmarks) and found.points["knee"].source == "dot"
        if self._weigher is not None and isinstance(found, Landmarks) and dots:
            weighed = self._weigher.weigh(photo, found, tags)
        return Look(seconds, found, direction, weighed)

    def _after_look(self, look: Look, followed: Floats, grey: Grey) -> Floats:
        """Where the points are after a look; what was followed until then is closed to it."""
        found = look.landmarks
        by_dots = isinstance(found, Landmarks) and found.points["knee"].source == "dot"
        self._dots_seen = by_dots or self._track is not None
        if not by_dots or not isinstance(found, Landmarks):
            if self._track is not None and np.isnan(followed[: len(LEG_POINTS)]).any():
                self._track = self._track if self._recent() else None
            return followed
        seen = np.full((len(FOLLOWED), 2), np.nan)
        for k, name in enumerate(FOLLOWED):
            if name in found.points and found.points[name].source == "dot":
                seen[k] = found.points[name].x_px, found.points[name].y_px
        if self._track is not None:
            self._close(seen, followed)
        diameter = found.diameter_px or 0.0
        window = max(LEAST_WINDOW_PX, round(WINDOW_DIAMETERS * diameter)) | 1
        self._track = _Track(seen.copy(), grey, seen.copy(), window, len(self.samples), grey)
        return seen

    def _recent(self) -> bool:
        """Whether dots were there a moment ago: something passes in front."""
        assert self._track is not None  # noqa: S101
        return len(self.samples) - self._track.since < 10.0 / SAMPLE_EVERY_S

    def _close(self, seen: Floats, followed: Floats) -> None:
        """Spread what the followed points are off by at a look over the time since the last."""
        assert self._track is not None  # noqa: S101
        first = self._track.since
        off = seen - followed
        off[~(np.linalg.norm(off, axis=1) <= MOST_JUMP_PX)] = 0.0
        start = self.samples[first].seconds
        span = max(self.samples[-1].seconds + SAMPLE_EVERY_S - start, SAMPLE_EVERY_S)
        for k in range(first + 1, len(self.samples)):
            one = self.samples[k]
            one.points_px[:] += off * min(1.0, (one.seconds - start) / span)


def picture_sha256(film_sha256: str, number: int) -> str:
    """A picture's own hash: detectors remember what they saw of a photo by it."""
    return hashlib.sha256(f"{film_sha256} {number}".encode()).hexdigest()


def _followed(track: _Track, grey: Grey) -> Floats:
    """The points in the next picture; not a number where they are lost. Moves the track."""
    points = np.full_like(track.points, np.nan)
    alive = ~np.isnan(track.points[:, 0])
    if alive.any():
        start = track.points[alive]
        moved, kept = _flow(track.grey, grey, start, start, track.window)
        exact, sure = _flow(track.look_grey, grey, track.look_points[alive], moved, track.window)
        near = np.linalg.norm(exact - moved, axis=1) <= MOST_JUMP_PX
        sure &= near & _alike(track, grey, track.look_points[alive], exact)
        fine = np.where((kept & sure)[:, None], exact, np.nan)
        points[alive] = fine
    track.points, track.grey = points, grey
    return points.copy()


def _flow(
    one: Grey, other: Grey, start: Floats, guess: Floats, window: int
) -> tuple[Floats, NDArray[np.bool_]]:
    """Points of one picture in another, and which of them flow brings back."""
    how: dict[str, Any] = {
        "winSize": (window, window),
        "maxLevel": LEVELS,
        "flags": cv2.OPTFLOW_USE_INITIAL_FLOW,
        "criteria": (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 40, 0.005),
    }
    # OpenCV counts from pixel centres.
    at = (start - 0.5).astype(np.float32)[:, None]
    to = (guess - 0.5).astype(np.float32)[:, None]
    there, found, _ = cv2.calcOpticalFlowPyrLK(one, other, at, to.copy(), **how)
    back, again, _ = cv2.calcOpticalFlowPyrLK(other, one, there, at.copy(), **how)
    off = np.linalg.norm((back - at)[:, 0], axis=1)
    fine = (found.ravel() == 1) & (again.ravel() == 1) & (off <= MOST_BACK_PX)
    return np.asarray(there[:, 0], dtype=float) + 0.5, np.asarray(fine)


def _alike(track: _Track, grey: Grey, before: Floats, now: Floats) -> NDArray[np.bool_]:
    """Whether the middle of each point's surroundings looks as it did at the look."""
    half = max(3, track.window // 4)
    size = (2 * half + 1, 2 * half + 1)
    same = []
    for was, is_ in zip(before, now, strict=True):
        if np.isnan(is_).any():
            same.append(False)
            continue
        first, second = (
            cv2.getRectSubPix(picture, size, tuple(map(float, at - 0.5))).astype(float)
            for picture, at in ((track.look_grey, was), (grey, is_))
        )
        same.append(bool(np.mean(np.abs(first - second)) <= MOST_UNLIKE))
    return np.array(same)


def _grey(rgb: NDArray[np.uint8]) -> Grey:
    """Grey values at one brightness: a phone's exposure jumps while it films."""
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    middle = float(np.median(grey[::8, ::8]))
    return np.asarray(cv2.convertScaleAbs(grey, alpha=USUAL_GREY / max(middle, 20.0)))


def looks_of(samples: Sequence[Sample]) -> Iterator[tuple[Sample, Landmarks]]:
    """The looks that saw a leg."""
    for one in samples:
        if one.look is not None and isinstance(one.look.landmarks, Landmarks):
            yield one, one.look.landmarks
