"""Clips as points: what followed pictures would show, drawn from the stated spreads.

No picture is drawn: bony points, marks on the skin, machine points and the strip's corners lie
in space as `drawn_clips` puts the leg and its machine, and wrong by as much as the program
states (placement, sliding, depths, planes that are not parallel, focal length, finding). So many
clips cost little, and how often intervals hold can be counted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from drawn_clips import Clip, strip_of
from drawn_visits import DEPTH_MM, PLACEMENT_MM, SLIDES, random_body

from knee_angle.angle import geometry
from knee_angle.assumptions import CLIP_FOCAL, PHONE_F35_MM, U_CORNER_PX, U_SECONDS
from knee_angle.clip.answer import ClipAnswer
from knee_angle.clip.following import (
    FOLLOWED,
    LOOK_WITHOUT_DOTS_S,
    Followed,
    Look,
    Sample,
)
from knee_angle.clip.measure import Readings, _answered
from knee_angle.photo.tags import Tag
from knee_angle.records import Direction, Landmark, Landmarks, NotMeasured
from knee_angle.settings import Settings

Floats = np.ndarray

KINDS = {
    "strip and dots": {"strip": True, "source": "dot", "plane": "tag"},
    "dots alone": {"strip": False, "source": "dot", "plane": "estimated"},
    "dots, camera not seen": {"strip": False, "source": "dot", "plane": "image"},
    "strip and network": {"strip": True, "source": "network", "plane": "tag"},
    "network alone": {"strip": False, "source": "network", "plane": "estimated"},
}
U_PX = {"dot": 1.0, "network": 8.0}
ALIKE = {"dot": 0.5, "network": 0.25}
U_DIRECTION_DEG = 5.0
READ_S = 0.5


@dataclass
class InMemory:
    """What a film says of itself."""

    frames_read: int
    name: str = "drawn"
    sha256: str = "0" * 64
    f35_mm: float | None = None
    torn: str | None = None
    seconds: float | None = None


@dataclass(frozen=True)
class World:
    """One person in one machine, filmed."""

    clip: Clip
    kind: dict[str, object]
    rng: np.random.Generator
    body: object = None
    focal_off: float = 0.0
    hysteresis_deg: float = 0.0
    alike: dict[str, Floats] = field(default_factory=dict)

    def leg_axes(self) -> tuple[Floats, Floats, Floats]:
        """The leg's own x, y and normal (towards the camera) in the room."""
        about, across = np.radians(self.body.turn_deg)
        normal = np.array([math.sin(across), math.sin(about), -1.0])
        normal /= np.linalg.norm(normal)
        x = np.array([1.0, 0.0, 0.0]) - normal[0] * normal
        x /= np.linalg.norm(x)
        y = np.cross(normal, x)
        return x, y * np.sign(y[1]), normal

    def points(self, seconds: float) -> tuple[dict[str, Floats], dict[str, Floats]]:
        """Marks in the room (mm), and bony points there."""
        at, body = self.clip.points_at(seconds), self.body
        x, y, normal = self.leg_axes()
        bend = self.clip.knee_at(seconds)
        marks, bones = {}, {}
        for name in ("hip", "knee", "ankle"):
            start, end = ("knee", "ankle") if name == "ankle" else ("hip", "knee")
            along = at[end] - at[start]
            along = along / np.linalg.norm(along)
            front = np.array([along[1], -along[0]]) * (1 if along[0] > 0 else -1)
            off = np.array(body.marks_mm[name])
            off = off + np.array(body.slides_mm[name]) * (bend - 45.0) / 90.0
            if self.kind["source"] != "dot":
                own = PLACEMENT_MM[name] * self.rng.standard_normal(2)
                off = math.sqrt(0.5) * (np.array(body.found_marks_mm[name]) + own)
            mark = at[name] + off[0] * along + off[1] * front
            bones[name] = at[name][0] * x + at[name][1] * y
            marks[name] = mark[0] * x + mark[1] * y + body.depth_mm[name] * normal
        deep = np.array(body.bars_depth_mm) + np.array(body.bars_uneven_mm) + [0.0, 6.0, 0.0]
        hinge = at["hinge"]
        for name, far in zip(("thigh_bar", "hinge", "shank_bar"), deep, strict=True):
            flat = at[name] - hinge
            if name == "shank_bar":  # the dots bend more than the bars
                more = math.radians(body.points_turn_deg) * (1 if flat[0] > 0 else -1)
                cos, sin = math.cos(more), math.sin(more)
                flat = np.array([cos * flat[0] - sin * flat[1], sin * flat[0] + cos * flat[1]])
            marks[name] = np.append(hinge + flat, -far)
        return marks, bones

    def hinge_of(self, seconds: float) -> Floats:
        """The hinge from the knee (distal, anterior), mm."""
        at = self.clip.points_at(seconds)
        along = at["knee"] - at["hip"]
        along = along / np.linalg.norm(along)
        front = np.array([along[1], -along[0]]) * (1 if along[0] > 0 else -1)
        off = at["hinge"] - at["knee"]
        return np.array([off @ along, off @ front])

    def corners(self) -> Floats:
        """The strip's corners in the room: not quite parallel, as deep as it is."""
        corners = strip_of().corners_mm()
        middle = corners.reshape(-1, 3).mean(axis=0)
        yaw, pitch = np.radians(self.body.strip_off_deg)
        turn = np.array([[1.0, 0, yaw], [0, 1.0, pitch], [-yaw, -pitch, 1.0]])
        flat = (corners - middle) @ turn.T + middle
        flat[..., 2] += -self.body.strip_depth_mm - middle[2]
        return flat

    def normal(self, seconds: float) -> Floats:
        """The bars' normal as the camera sees it."""
        turn, _ = self.clip.camera_at(seconds)
        return turn @ np.array([0.0, 0.0, -1.0])

    def pixels(self, places: Floats, seconds: float) -> Floats:
        flat = self.clip.pixels(places, seconds)
        middle = np.array(self.clip.size) / 2
        usual = 26.0
        true = PHONE_F35_MM * CLIP_FOCAL[0] * math.exp(self.focal_off)
        diagonal = 1.25 * max(self.clip.size) / math.hypot(*self.clip.size)
        return (flat - middle) * (true / usual * diagonal) + middle


def world(kind: str, seed: int, *, per_second: float = 8.0) -> World:
    """A clip by its seed."""
    rng = np.random.default_rng([seed, sorted(KINDS).index(kind), 17])
    body = random_body(rng)
    clip = Clip(
        seconds=12.0, per_second=per_second, size=(1280, 960), cycle_s=float(rng.uniform(4.5, 7)),
        bars_deg=(float(rng.uniform(0, 25)), float(rng.uniform(70, 110))), side=body.side,
        yaw_deg=float(np.clip(rng.normal(0, 15), -35, 35)), pitch_deg=float(rng.normal(9, 5)),
        away_mm=float(rng.uniform(1250, 1900)), gain=float(rng.uniform(0.92, 1.08)),
        lag_s=float(rng.uniform(0, 0.8)), offset_deg=float(rng.uniform(-6, 6)), seed=seed,
    )  # fmt: skip
    named = KINDS[kind]
    found = {name: rng.standard_normal(2) for name in FOLLOWED}
    # A strip tells the focal length; without one it is a phone's as phones film.
    off = CLIP_FOCAL[1] * rng.standard_normal()
    return World(clip, named, rng, body, float(off), float(rng.choice([0.0, 3.0])), found)


def followed(one: World) -> Followed:
    """What following the film would have given."""
    source, rng = str(one.kind["source"]), one.rng
    u_px, share = U_PX[source], ALIKE[source]
    corners = one.corners()
    common_px = rng.standard_normal(corners.shape[:2] + (2,))
    tilt_common = rng.standard_normal(2)
    every = max(1, round(LOOK_WITHOUT_DOTS_S * one.clip.per_second))
    samples = []
    for number, seconds in enumerate(one.clip.times()):
        looked = number % (4 if source == "dot" else every) == 0
        if source != "dot" and not looked:
            continue
        marks, _ = one.points(float(seconds))
        points = _found(one, marks, float(seconds), u_px, share)
        if source != "dot":
            points[3:] = np.nan
        tags = ()
        if one.kind["strip"]:
            seen = one.pixels(corners, float(seconds))
            off = math.sqrt(0.5) * (common_px + rng.standard_normal(common_px.shape))
            tags = tuple(
                Tag(n, tuple(tuple(map(float, c)) for c in four))
                for n, four in zip(strip_of().numbers, seen + U_CORNER_PX * off, strict=True)
            )
        look = _look(one, points, float(seconds), tilt_common) if looked else None
        samples.append(Sample(number, float(seconds), points, tags, look))
    return Followed(tuple(samples), one.clip.size)


def _found(
    one: World, marks: dict[str, Floats], seconds: float, u_px: float, share: float
) -> Floats:
    """Where the points are found, (6, 2)."""
    exact = {name: one.pixels(place, seconds) for name, place in marks.items()}
    points = np.empty((len(FOLLOWED), 2))
    for k, name in enumerate(FOLLOWED):
        pair = {"ankle": ("knee", "ankle"), "shank_bar": ("hinge", "shank_bar"),
                "thigh_bar": ("thigh_bar", "hinge"), "hinge": ("thigh_bar", "hinge")}  # fmt: skip
        start, end = pair.get(name, ("hip", "knee"))
        along = exact[end] - exact[start]
        along = along / np.linalg.norm(along)
        across = np.array([-along[1], along[0]])
        alike = math.sqrt(share) * (one.alike[name][0] * along + one.alike[name][1] * across)
        own = math.sqrt(1.0 - share) * one.rng.standard_normal(2)
        points[k] = exact[name] + u_px * (alike + own)
    return points


def _look(one: World, points: Floats, seconds: float, common: Floats) -> Look:
    """What the detectors would say."""
    source = str(one.kind["source"])
    named = {
        name: Landmark.round(*map(float, at), u_px=U_PX[source], source=source)
        for name, at in zip(FOLLOWED, points, strict=True)
        if np.isfinite(at[0])
    }
    direction = None
    if one.kind["plane"] == "estimated":
        off = math.sqrt(0.5) * (common + one.rng.standard_normal(2))
        tilted = geometry.tilt_normal(one.normal(seconds), U_DIRECTION_DEG * off)
        direction = Direction(
            tuple(map(float, tilted)), (U_DIRECTION_DEG**2, 0.0, U_DIRECTION_DEG**2)
        )
    return Look(seconds, Landmarks(named, side=one.clip.side), direction)


def measured(one: World) -> ClipAnswer | NotMeasured:
    """The clip's answer, with numbers typed every half second."""
    clip = one.clip
    read_s = np.arange(0.25, clip.seconds - 0.25, READ_S)
    late = math.sqrt(0.5) * (one.rng.standard_normal() + one.rng.standard_normal(len(read_s)))
    then = read_s - clip.lag_s + U_SECONDS * late
    way = np.sign(clip.bars_at(then + 0.01) - clip.bars_at(then - 0.01))
    shown = clip.offset_deg + clip.gain * clip.bars_at(then) + one.hysteresis_deg / 2 * way
    film = InMemory(len(clip.times()))
    return _answered(
        film, followed(one), Settings(trials=200), legs=None,
        readings=Readings(read_s, np.rint(shown)), f35_mm=None,
    )  # fmt: skip


def truth_and_said(one: World, answer: ClipAnswer) -> dict[str, list[tuple[float, float]]]:
    """Of each quantity: what is said less what is true, and its u."""
    clip = one.clip
    fine = np.linspace(0.0, clip.seconds, 1500)
    knees = np.array([clip.knee_at(float(t)) for t in fine])
    found: dict[str, list[tuple[float, float]]] = {}

    def say(name: str, value: float, u: float, true: float) -> None:
        found.setdefault(name, []).append((float(value - true), float(u)))

    used = [frame for frame in answer.frames if frame.used]
    straight = answer.ends[0].knee.value
    for frame in used[:: max(1, len(used) // 6)]:
        true = clip.knee_at(frame.seconds)
        say("knee", frame.knee_deg, frame.u_deg, true)
        say("change", frame.knee_deg - straight, frame.u_change_deg, true - float(knees.min()))
        if frame.bars_deg is not None:
            say("bars", frame.bars_deg, frame.u_bars_deg, float(clip.bars_at(frame.seconds)))
    for end, true in zip(answer.ends, (knees.min(), knees.max()), strict=True):
        say(f"{end.which} end", end.knee.value, end.knee.u, true)
        if end.distal is not None:
            distal, anterior = one.hinge_of(end.seconds)
            say("hinge along", end.distal.value, end.distal.u, distal)
            say("hinge across", end.anterior.value, end.anterior.u, anterior)
    say("arc", answer.arc.value, answer.arc.u, float(np.ptp(knees)))
    if answer.cycle_s is not None:
        say("cycle", answer.cycle_s.value, answer.cycle_s.u, clip.cycle_s)
    for against in answer.against:
        say(f"lag to {against.of}", against.lag_s.value, against.lag_s.u, clip.lag_s)
        if against.of == "bars":
            say("gain", against.gain.value, against.gain.u, clip.gain)
            say("hysteresis", against.hysteresis_deg.value, against.hysteresis_deg.u,
                one.hysteresis_deg)  # fmt: skip
    off = np.array([f.knee_deg - clip.knee_at(f.seconds) for f in used])
    found["rms"] = [(float(np.std(off)), 1.0)]
    return found


__all__ = ["DEPTH_MM", "KINDS", "SLIDES", "measured", "truth_and_said", "world"]
