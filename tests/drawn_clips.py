"""Clips with exact truth: a leg with its heel seated in one rigid machine, filmed by hand.

The world is the machine's plane: x to the right, y down, z away from the camera, mm; the leg's
plane is z = 0 and what lies before it has a negative z. Hip and thigh bar's pivot stay where
they are in the room, the ankle is seated on the lower-leg bar, so the knee follows from the bars
as in a closed chain.

The heel is drawn 38 mm off the line of the lower-leg bar, the hip 55 mm above the thigh bar's
pivot. The first alone leaves the knee 5 to 6 degrees straighter than a heel on that line would
(both together 4 to 5.5, from 12 to 88 degrees of bars), so a clip that is told "8° straighter
than its place in the machine explains (5 to 11°)", with the heel's seat to be looked at, is told
what is true of it, though 8 is too much.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from functools import lru_cache
from pathlib import Path

import av
import cv2
import numpy as np
from drawn_strips import TAG_MM, Strip, draw_strip

from knee_angle.assumptions import MARK_DEPTH_MM, STRIP_TO_KNEE_MM

F35_MM = 26.0
FINE = 2
"""A drawn pixel is the mean of 2 x 2."""
SKIN, CLOTH, METAL, DOT = (214, 168, 140), (110, 60, 75), (150, 154, 160), (30, 170, 60)
THIGH_MM, SHANK_MM = 410.0, 400.0
BARS_MM = (400.0, 410.0)
HINGE_UNDER_MM = 55.0
"""How far below the hip mark the machine's thigh bar is pivoted."""


@dataclass(frozen=True)
class Clip:
    """What is filmed, and how."""

    seconds: float = 8.0
    per_second: float = 8.0
    size: tuple[int, int] = (960, 720)
    bars_deg: tuple[float, float] = (12.0, 88.0)
    cycle_s: float = 4.0
    side: str = "left"
    dots: bool = True
    strip: bool = True
    shake_deg: float = 0.35
    sway_mm: float = 12.0
    yaw_deg: float = 10.0
    pitch_deg: float = 7.0
    away_mm: float = 1350.0
    person_s: tuple[float, float] | None = (2.9, 3.6)
    exposure_s: tuple[float, float] | None = (5.0, 6.1)
    lag_s: float = 0.3
    gain: float = 1.04
    offset_deg: float = -2.0
    seed: int = 0
    worn: Mapping[str, tuple[float, float, float, float, float]] = field(
        default_factory=dict, hash=False
    )
    """Where a mark sits, mm: along its bone, to its front, towards the camera, and how far it
    slides along and to the front from straight to 90 degrees; else as it should."""
    frame_times: tuple[float, ...] = field(default=())

    def times(self) -> np.ndarray:
        """When each frame is taken, seconds."""
        if self.frame_times:
            return np.array(self.frame_times)
        return np.arange(round(self.seconds * self.per_second)) / self.per_second

    def bars_at(self, seconds: np.ndarray | float) -> np.ndarray:
        """The bars' flexion, degrees: it turns smoothly at both ends."""
        low, high = self.bars_deg
        turn = np.cos(2 * np.pi * np.asarray(seconds) / self.cycle_s)
        return low + (high - low) * (1 - turn) / 2

    def points_at(self, seconds: float) -> dict[str, np.ndarray]:
        """Leg and machine points in the plane (x, y), mm."""
        bend = math.radians(float(self.bars_at(seconds)))
        a, b = BARS_MM
        rise = math.asin(b * math.sin(bend) / _reach_mm(bend))
        thigh, shank = _way(rise), _way(rise - bend)
        pivot = np.array([0.0, 0.0])
        hinge = pivot + a * thigh
        hip = np.array([-12.0, -HINGE_UNDER_MM])
        ankle = hinge + 392.0 * shank + 38.0 * _front(shank)
        away = ankle - hip
        far = float(np.linalg.norm(away))
        along = (THIGH_MM**2 - SHANK_MM**2 + far**2) / (2 * far)
        up = math.sqrt(max(THIGH_MM**2 - along**2, 0.0))
        unit = away / far
        knee = hip + along * unit + up * _front(unit)
        found = {
            "hip": hip, "knee": knee, "ankle": ankle,
            "thigh_bar": hinge - 250.0 * thigh, "hinge": hinge, "shank_bar": hinge + 250.0 * shank,
        }  # fmt: skip
        ends = [_reach_mm(math.radians(end)) for end in self.bars_deg]
        middle = np.array([sum(ends) / 4, 0.0])
        mirror = np.array([-1.0, 1.0]) if self.side == "left" else np.array([1.0, 1.0])
        return {name: (at - middle) * mirror for name, at in found.items()}

    def knee_at(self, seconds: float) -> float:
        """The knee's flexion, degrees."""
        at = self.points_at(seconds)
        thigh, shank = at["knee"] - at["hip"], at["ankle"] - at["knee"]
        across = thigh[0] * shank[1] - thigh[1] * shank[0]
        return math.degrees(math.atan2(abs(across), float(thigh @ shank)))

    def displayed_at(self, seconds: np.ndarray) -> np.ndarray:
        """What the display shows, whole degrees: late, and by its own gain and offset."""
        return np.rint(self.offset_deg + self.gain * self.bars_at(seconds - self.lag_s))

    def mark_at(self, name: str, seconds: float) -> tuple[np.ndarray, float]:
        """Where a dot is in the plane, mm, and its z."""
        at = self.points_at(seconds)
        if name not in self.worn:
            return at[name], -MARK_DEPTH_MM[name][0]
        start, end = ("knee", "ankle") if name == "ankle" else ("hip", "knee")
        along = (at[end] - at[start]) / np.linalg.norm(at[end] - at[start])
        front = _front(along) * (1 if along[0] > 0 else -1)
        off, depth, slides = np.split(np.array(self.worn[name]), [2, 3])
        off = off + slides * (self.knee_at(seconds) - 45.0) / 90.0
        return at[name] + off[0] * along + off[1] * front, -float(depth[0])

    @lru_cache(maxsize=8)  # noqa: B019  clips live as long as the tests
    def camera_at(self, seconds: float) -> tuple[np.ndarray, np.ndarray]:
        """Turn from the world to the camera (3, 3), and the lens's place, mm."""
        chance = np.random.default_rng(self.seed + 77)
        phases = chance.uniform(0, 2 * np.pi, 8)
        slow = [
            math.sin(2 * np.pi * seconds / p + f)
            for p, f in zip((7, 9, 11), phases[:3], strict=True)
        ]
        rates = zip((1.7, 2.3, 1.3), phases[3:6], strict=True)
        quick = [math.sin(2 * np.pi * seconds * rate + f) for rate, f in rates]
        yaw, pitch = math.radians(self.yaw_deg), math.radians(self.pitch_deg)
        towards = np.array(
            [math.sin(yaw) * math.cos(pitch), -math.sin(pitch), -math.cos(yaw) * math.cos(pitch)]
        )
        place = self.away_mm * towards + self.sway_mm * np.array(slow) + [0.0, -60.0, 0.0]
        forward = -towards
        right = np.cross([0.0, 1.0, 0.0], forward)
        right /= np.linalg.norm(right)
        down = np.cross(forward, right)
        turn = np.array([right, down, forward])
        return _turn(np.radians(self.shake_deg) * np.array(quick)) @ turn, place

    def pixels(self, places_mm: np.ndarray, seconds: float) -> np.ndarray:
        """Where places (..., 3) of the world are seen, px."""
        turn, place = self.camera_at(seconds)
        seen = (np.asarray(places_mm, dtype=float) - place) @ turn.T
        focal = F35_MM / 43.2666 * math.hypot(*self.size)
        return seen[..., :2] / seen[..., 2:] * focal + np.array(self.size) / 2

    def picture(self, seconds: float) -> np.ndarray:
        """One frame, RGB, uint8."""
        return _Drawing(self, seconds).done()


class _Drawing:
    """One frame while it is drawn."""

    def __init__(self, clip: Clip, seconds: float) -> None:
        self.clip, self.seconds = clip, seconds
        self.at = clip.points_at(seconds)
        self.big = _blank(clip.size).copy()

    def done(self) -> np.ndarray:
        clip, at = self.clip, self.at
        self._room()
        self._bone(at["knee"], at["ankle"] + 0.2 * (at["ankle"] - at["knee"]), 105, SKIN)
        self._bone(at["knee"], at["hip"], 135, SKIN)
        covered = at["knee"] + 0.5 * (at["hip"] - at["knee"])
        self._bone(covered, at["hip"] + 0.3 * (at["hip"] - at["knee"]), 160, CLOTH)
        for end in ("thigh_bar", "shank_bar"):
            beyond = at["hinge"] + 1.3 * (at[end] - at["hinge"])
            self._bone(at["hinge"], beyond, 34, METAL, z=-MARK_DEPTH_MM[end][0] + 4)
        self._disc(at["hinge"], 24.0, (70, 110, 150), z=-MARK_DEPTH_MM["hinge"][0] + 2)
        if clip.dots:
            for name in at:
                place, z = clip.mark_at(name, self.seconds)
                self._disc(place, 10.0, DOT, z=z)
        small = cv2.resize(self.big, clip.size, interpolation=cv2.INTER_AREA)
        if clip.strip:
            strip = strip_of()
            draw_strip(small, strip.numbers, clip.pixels(strip.corners_mm(), self.seconds))
        return self._lit(self._person(small))

    def _px(self, places: np.ndarray, z: float) -> np.ndarray:
        places = np.atleast_2d(places)
        whole = np.column_stack([places, np.full(len(places), z)])
        return self.clip.pixels(whole, self.seconds)

    def _mm_px(self, z: float) -> float:
        two = self._px(np.array([[0.0, 0.0], [100.0, 0.0]]), z)
        return float(np.linalg.norm(two[1] - two[0])) / 100.0

    def _bone(self, one, other, wide_mm, rgb, *, z: float = 20.0) -> None:
        ends = [tuple(np.rint(p * FINE).astype(int).tolist()) for p in self._px([one, other], z)]
        cv2.line(self.big, *ends, rgb, round(wide_mm * self._mm_px(z) * FINE), cv2.LINE_8)

    def _disc(self, place, radius_mm, rgb, *, z: float) -> None:
        turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)
        rim = place + radius_mm * np.column_stack([np.cos(turn), np.sin(turn)])
        fine = np.rint((self._px(rim, z) * FINE - 0.5) * 16).astype(np.int32)
        cv2.fillPoly(self.big, [fine], rgb, cv2.LINE_8, 4)

    def _room(self) -> None:
        """A bed and a wall with things on it, far behind and near."""
        chance = np.random.default_rng(5)
        for _ in range(24):
            x, y = chance.uniform(-1500, 1500), chance.uniform(-1100, 200)
            wide, high = chance.uniform(60, 350, 2)
            rgb = tuple(int(v) for v in chance.integers(150, 235, 3))
            box = np.array([[x, y], [x + wide, y], [x + wide, y + high], [x, y + high]])
            cv2.fillPoly(self.big, [np.rint(self._px(box, 1200.0) * FINE).astype(np.int32)], rgb)
        bed = np.array([[-1300, 150], [1300, 150], [1300, 900], [-1300, 900]])
        cv2.fillPoly(
            self.big, [np.rint(self._px(bed, -60.0) * FINE).astype(np.int32)], (222, 226, 230)
        )

    def _person(self, picture: np.ndarray) -> np.ndarray:
        during = self.clip.person_s
        if during is None or not during[0] <= self.seconds <= during[1]:
            return picture
        share = (self.seconds - during[0]) / (during[1] - during[0])
        width, height = self.clip.size
        at = round((-0.1 + 1.2 * share) * width)
        half = width // 9
        cv2.rectangle(picture, (at - half, 0), (at + half, height), (60, 70, 95), -1)
        cv2.rectangle(picture, (at - half // 3, 0), (at, height), (75, 88, 120), -1)
        return picture

    def _lit(self, picture: np.ndarray) -> np.ndarray:
        brighter = self.clip.exposure_s
        light = 1.0
        if brighter is not None and brighter[0] <= self.seconds <= brighter[1]:
            light = 1.16
        start = round(self.seconds * 1000) % 61
        noise = _noise(self.clip.size)[start : start + picture.shape[0]]
        return np.asarray(cv2.add(cv2.convertScaleAbs(picture, alpha=light, beta=-4.0), noise))


@lru_cache(maxsize=4)
def _noise(size: tuple[int, int]) -> np.ndarray:
    """Grey noise of 0 to 8, higher than a picture: each takes another part of it."""
    chance = np.random.default_rng(3)
    grey = chance.integers(0, 9, (size[1] + 61, size[0], 1), dtype=np.uint8)
    return np.repeat(grey, 3, axis=2)


@lru_cache(maxsize=4)
def _blank(size: tuple[int, int]) -> np.ndarray:
    return np.full((size[1] * FINE, size[0] * FINE, 3), (196, 204, 208), np.uint8)


def strip_of() -> Strip:
    """The strip on the machine's base, parallel to its bars."""
    return Strip((3, 4, 5, 6), (0.0, 130.0, -STRIP_TO_KNEE_MM[0]), (1, 0, 0), (0, 0, 1))


def filmed(
    clip: Clip, path: Path, *, codec: str = "libx264", turned_deg: int = 0,
    pictures: Callable[[float], np.ndarray] | None = None, quality: str = "18",
) -> Path:  # fmt: skip
    """The clip as a file; ``turned_deg`` is written as a display matrix, not into the pixels."""
    with av.open(str(path), "w") as out:
        stream = out.add_stream(codec, rate=30)
        width, height = clip.size
        stream.width, stream.height = (
            (height, width) if turned_deg in (90, 270) else (width, height)
        )
        stream.pix_fmt = "yuv420p"
        stream.time_base = Fraction(1, 1000)
        stream.codec_context.time_base = Fraction(1, 1000)
        if codec in ("libx264", "libx265"):
            stream.options = {"crf": quality, "preset": "veryfast"}
            if codec == "libx265":
                stream.options["x265-params"] = "log-level=none"
        for seconds, picture in frames_of(clip, pictures):
            flat = np.ascontiguousarray(np.rot90(picture, turned_deg // 90))
            frame = av.VideoFrame.from_ndarray(flat, format="rgb24")
            frame.pts, frame.time_base = round(1000 * seconds), Fraction(1, 1000)
            for packet in stream.encode(frame):
                out.mux(packet)
        for packet in stream.encode():
            out.mux(packet)
    if turned_deg:
        _turn_film(path, turned_deg)
    return path


def _turn_film(path: Path, degrees: int) -> None:
    """Write the display matrix that phones write when held on their side (ISO 14496-12, tkhd)."""
    data = bytearray(path.read_bytes())
    at = data.index(b"tkhd") + 4 + 40
    cos, sin = (round(f(math.radians(degrees))) * 65536 for f in (math.cos, math.sin))
    matrix = (cos, sin, 0, -sin, cos, 0, 0, 0, 1 << 30)
    data[at : at + 36] = b"".join(v.to_bytes(4, "big", signed=True) for v in matrix)
    path.write_bytes(bytes(data))


def frames_of(
    clip: Clip, pictures: Callable[[float], np.ndarray] | None = None
) -> Iterator[tuple[float, np.ndarray]]:
    """Every frame with its time."""
    for seconds in clip.times():
        yield float(seconds), (pictures or clip.picture)(float(seconds))


def table_of(clip: Clip, path: Path, *, step_s: float = 0.25) -> Path:
    """What somebody wrote down of the display, as a table."""
    times = np.arange(0.0, clip.seconds, step_s)
    rows = [f"{t:.2f},{d:g}" for t, d in zip(times, clip.displayed_at(times), strict=True)]
    path.write_text("seconds,displayed_deg\n" + "\n".join(rows) + "\n")
    return path


def _reach_mm(bend: float) -> float:
    """From the thigh bar's pivot to the lower-leg bar's far end."""
    a, b = BARS_MM
    return math.sqrt(a * a + b * b + 2 * a * b * math.cos(bend))


def _way(rise: float) -> np.ndarray:
    return np.array([math.cos(rise), -math.sin(rise)])


def _front(way: np.ndarray) -> np.ndarray:
    """A quarter turn up from a way to the right."""
    return np.array([way[1], -way[0]])


def _turn(angles: np.ndarray) -> np.ndarray:
    return cv2.Rodrigues(angles.astype(float))[0]


__all__ = ["TAG_MM", "Clip", "filmed", "frames_of", "strip_of", "table_of"]
