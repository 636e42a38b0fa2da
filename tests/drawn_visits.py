"""Visits drawn from their truth: one leg in one machine, photographed by exact cameras.

Written from the drawing side: bodies in a room, projected; nothing here turns pictures back
into angles, so what the program says can be held against the truth.

The room: x along the bed towards the foot, z up, y towards the machine's outer side. A left
leg is seen from +y, a right one from -y. Lengths mm, angles degrees.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from knee_angle.angle import scale
from knee_angle.photo import camera
from knee_angle.photo.camera import Board
from knee_angle.records import (
    BarTags,
    Direction,
    Landmark,
    Landmarks,
    LegInView,
    Lens,
    View,
)
from knee_angle.visit import VisitPhoto

Floats = NDArray[np.float64]
PLACEMENT_MM = {"hip": 10.0, "knee": 5.0, "ankle": 5.0}
SLIDES = {"hip": 0.25, "knee": 0.5, "ankle": 0.2}
DEPTH_MM = {"hip": (20.0, 15.0), "knee": (0.0, 0.0), "ankle": (-36.0, 18.0)}
U_NETWORK_DEG = 5.0


@dataclass(frozen=True)
class Body:
    """A leg in its machine: everything that stays the same in a visit."""

    side: str = "left"
    thigh_mm: float = 416.0
    shank_mm: float = 418.0
    marks_mm: dict[str, tuple[float, float]] = field(
        default_factory=lambda: dict.fromkeys(("hip", "knee", "ankle"), (0.0, 0.0))
    )
    """Mark seen from the bony point, (along, front) of its bone."""
    slides_mm: dict[str, tuple[float, float]] = field(
        default_factory=lambda: dict.fromkeys(("hip", "knee", "ankle"), (0.0, 0.0))
    )
    """How far the skin under a dot slides from straight to 90 degrees, half before 45."""
    found_marks_mm: dict[str, tuple[float, float]] = field(
        default_factory=lambda: dict.fromkeys(("hip", "knee", "ankle"), (0.0, 0.0))
    )
    """The same for where a detector (or an eye) puts the point on this leg each time."""
    depth_mm: dict[str, float] = field(
        default_factory=lambda: {name: mean for name, (mean, _) in DEPTH_MM.items()}
    )
    turn_deg: tuple[float, float] = (0.0, 0.0)
    """The leg's plane against the machine's: about the long axis, in the bed's plane."""
    bars_depth_mm: float = 43.0
    bars_uneven_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """Depth of thigh bar, hinge and shank bar beyond that of the bars."""
    points_turn_deg: float = 0.0
    """How much more the dots on the bars bend than the bars."""
    strip_depth_mm: float = 80.0
    strip_off_deg: tuple[float, float] = (0.0, 0.0)
    focal_off: float = 0.0
    direction_off: tuple[float, float] = (0.0, 0.0)
    """What a network gets wrong in every photo, in standard deviations."""
    found_off: dict[str, tuple[float, float]] = field(default_factory=dict)
    """What a detector gets wrong in every photo: along and across the bone, in u."""
    tag_from_hinge_mm: tuple[float, float] = (150.0, 150.0)
    tag_turn_deg: tuple[float, float] = (0.0, 0.0)
    tag_across_mm: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class Shot:
    """One photo to be drawn."""

    name: str
    setting: str
    flexion_deg: float
    yaw_deg: float = 0.0
    pitch_deg: float = 9.0
    roll_deg: float = 0.0
    distance_mm: float = 1500.0
    frame_deg: float | None = None
    hinge_mm: tuple[float, float] = (0.0, 0.0)
    """The hinge from the knee: distal, anterior."""
    plane: str = "tag"
    source: str = "dot"
    u_px: float = 1.0
    u_board_deg: float = 0.4
    u_network_deg: float = U_NETWORK_DEG
    portrait: bool = False
    bar_tags: bool = False
    displayed_deg: float | None = None
    marks: str = "1"
    adjusted: int = 0
    tag_from_hinge_mm: tuple[float, float] | None = None
    """Where a section was moved: the bars' tags from the hinge now; None: as the body says."""


def random_body(rng: np.random.Generator) -> Body:
    """A body by the spreads that the program states."""
    stature = 1700.0 + 95.0 * rng.standard_normal()
    return Body(
        side=str(rng.choice(["left", "right"])),
        thigh_mm=0.245 * stature * (1 + 0.04 * rng.standard_normal()),
        shank_mm=0.246 * stature * (1 + 0.04 * rng.standard_normal()),
        # At straight and at 90 degrees both parts together have the stated ±.
        marks_mm={
            name: tuple(u * np.sqrt(1 - SLIDES[name] / 2) * rng.standard_normal(2))
            for name, u in PLACEMENT_MM.items()
        },
        found_marks_mm={
            name: tuple(u * rng.standard_normal(2)) for name, u in PLACEMENT_MM.items()
        },
        depth_mm={name: m + u * rng.standard_normal() for name, (m, u) in DEPTH_MM.items()},
        turn_deg=(2.5 * rng.standard_normal(), 1.0 * rng.standard_normal()),
        bars_depth_mm=43.0 * np.exp(0.57 * rng.standard_normal()),
        bars_uneven_mm=tuple(np.array([4.0, 8.0, 4.0]) * rng.standard_normal(3)),
        points_turn_deg=0.3 * rng.standard_normal(),
        strip_depth_mm=80.0 + 40.0 * rng.standard_normal(),
        strip_off_deg=tuple(0.5 * rng.standard_normal(2)),
        focal_off=0.02 * rng.standard_normal(),
        direction_off=tuple(rng.standard_normal(2)),
        found_off={
            name: tuple(rng.standard_normal(2))
            for name in ("hip", "knee", "ankle", "thigh_bar", "hinge", "shank_bar")
        },
        tag_from_hinge_mm=tuple(150.0 + 60.0 * np.clip(rng.standard_normal(2), -1.5, 2.0)),
        tag_turn_deg=tuple(rng.standard_normal(2)),
        tag_across_mm=tuple(2.0 * rng.standard_normal(2)),
        slides_mm={
            name: tuple(u * np.sqrt(2 * SLIDES[name]) * rng.standard_normal(2))
            for name, u in PLACEMENT_MM.items()
        },
    )


def drawn(body: Body, shot: Shot, rng: np.random.Generator | None = None) -> VisitPhoto:
    """One photo of the body; without ``rng`` nothing is found wrongly in it."""
    outward = 1.0 if body.side == "left" else -1.0
    bones = _bones(body, shot.flexion_deg)
    marks = _marks(body, bones, shot, rng)
    legs_normal = _turned_normal(body, outward)
    along_leg = np.array([1.0, 0.0, 0.0]) - legs_normal[0] * legs_normal
    along_leg /= np.linalg.norm(along_leg)
    up_leg = np.cross(along_leg, legs_normal) * outward
    room = {
        name: at[0] * along_leg + at[1] * up_leg + body.depth_mm[name] * legs_normal
        for name, at in marks.items()
    }
    machine, corners = _machine(body, shot, bones, legs=(along_leg, up_leg), outward=outward)
    turn, at_camera = _camera(shot, outward)
    lens, focal_px = _lens(shot, body)

    def found(point: Floats, u_px: float) -> Floats:
        seen = turn @ (point - at_camera)
        off = np.zeros(2) if rng is None else u_px * rng.standard_normal(2)
        return seen[:2] / seen[2] * focal_px + np.array(lens.centre_px) + off

    own = shot.u_px * (1.0 if shot.source == "dot" else np.sqrt(0.75))
    exact = {name: found(point, 0.0) for name, point in {**room, **machine}.items()}
    points = {}
    for name, point in {**room, **machine}.items():
        at = found(point, own)
        if shot.source != "dot":
            at = at + 0.5 * shot.u_px * _alike(body, name, exact)
        points[name] = Landmark.round(*at, u_px=max(shot.u_px, 0.01), source=shot.source)
    tags = None
    if corners is not None:
        quads = [tuple(tuple(found(c, 0.3)) for c in four) for four in corners]
        tags = BarTags(quads[0], quads[1], u_px=0.3)
    normal = turn @ np.array([0.0, outward, 0.0])
    own_normal = turn @ legs_normal
    distance = float(outward * at_camera[1])
    view = _view(
        body, shot, points, lens, normal=normal, own=own_normal, distance=distance,
        tags=tags is not None, rng=rng,
    )  # fmt: skip
    leg = LegInView(
        points=points,
        side=body.side,
        lens=lens,
        view=view,
        placement_mm=tuple(PLACEMENT_MM.values()),
        bar_tags=tags,
    )
    return VisitPhoto(shot.name, shot.setting, leg, shot.displayed_deg, shot.marks, shot.adjusted)


def _alike(body: Body, name: str, exact: dict[str, Floats]) -> Floats:
    """What a detector gets wrong alike in every photo, in u, along and across the bone."""
    shank = name in {"ankle", "shank_bar"}
    along = exact["ankle"] - exact["knee"] if shank else exact["knee"] - exact["hip"]
    along = along / np.linalg.norm(along)
    across = np.array([-along[1], along[0]]) * (1.0 if body.side == "left" else -1.0)
    off = body.found_off.get(name, (0.0, 0.0))
    return off[0] * along + off[1] * across


def visit(
    body: Body, shots: Sequence[Shot], rng: np.random.Generator | None = None
) -> list[VisitPhoto]:
    """All photos of a visit."""
    return [drawn(body, shot, rng) for shot in shots]


def _bones(body: Body, flexion_deg: float) -> dict[str, Floats]:
    """Bony points in the leg's plane (along the bed, up) with the knee at the origin.

    Hip and ankle lie equally high, as with the heel on its carriage.
    """
    a, b, k = body.thigh_mm, body.shank_mm, np.radians(flexion_deg)
    reach = np.sqrt(a * a + b * b + 2 * a * b * np.cos(k))
    rise = np.arcsin(b * np.sin(k) / reach)
    thigh = np.array([np.cos(rise), np.sin(rise)])
    shank = np.array([np.cos(rise - k), np.sin(rise - k)])
    return {"hip": -a * thigh, "knee": np.zeros(2), "ankle": b * shank}


def _marks(
    body: Body, bones: dict[str, Floats], shot: Shot, rng: np.random.Generator | None
) -> dict[str, Floats]:
    thigh = (bones["knee"] - bones["hip"]) / body.thigh_mm
    shank = (bones["ankle"] - bones["knee"]) / body.shank_mm
    marks = {}
    for name, at in bones.items():
        along = shank if name == "ankle" else thigh
        front = np.array([-along[1], along[0]])
        off = np.array(body.marks_mm[name])
        off = off + np.array(body.slides_mm[name]) * (shot.flexion_deg - 45.0) / 90.0
        if shot.source != "dot" and rng is not None:
            own = PLACEMENT_MM[name] * rng.standard_normal(2)
            off = np.sqrt(0.5) * np.array(body.found_marks_mm[name]) + np.sqrt(0.5) * own
        marks[name] = at + off[0] * along + off[1] * front
    return marks


def _turned_normal(body: Body, outward: float) -> Floats:
    about, across = np.radians(body.turn_deg)
    normal = np.array([np.sin(across), outward, np.sin(about)])
    return normal / np.linalg.norm(normal)


def _machine(
    body: Body, shot: Shot, bones: dict[str, Floats], *, legs: tuple[Floats, Floats],
    outward: float,
) -> tuple[dict[str, Floats], list[Floats] | None]:  # fmt: skip
    """Bars in the machine's own plane; the hinge is placed from the knee as seen square-on."""
    if shot.frame_deg is None:
        return {}, None
    flat = {name: at[0] * legs[0] + at[1] * legs[1] for name, at in bones.items()}
    thigh = (flat["knee"] - flat["hip"])[[0, 2]]
    thigh /= np.linalg.norm(thigh)
    front = np.array([-thigh[1], thigh[0]])
    hinge = flat["knee"][[0, 2]] + shot.hinge_mm[0] * thigh + shot.hinge_mm[1] * front
    rise = np.arctan2(thigh[1], thigh[0]) + np.radians(shot.frame_deg - shot.flexion_deg) / 2
    fall = rise - np.radians(shot.frame_deg)
    ways = [np.array([np.cos(t), np.sin(t)]) for t in (rise, fall)]

    def room(at: Floats, depth: float) -> Floats:
        return np.array([at[0], outward * depth, at[1]])

    thigh_deep, hinge_deep, shank_deep = (body.bars_depth_mm + off for off in body.bars_uneven_mm)
    if not shot.bar_tags:
        more = fall - np.radians(body.points_turn_deg)
        return {
            "thigh_bar": room(hinge - 250.0 * ways[0], thigh_deep),
            "hinge": room(hinge, hinge_deep + 6.0),
            "shank_bar": room(hinge + 250.0 * np.array([np.cos(more), np.sin(more)]), shank_deep),
        }, None
    corners = []
    from_hinge = shot.tag_from_hinge_mm or body.tag_from_hinge_mm
    for which, sign in ((0, -1.0), (1, 1.0)):
        # As the camera sees them, y lies a quarter turn clockwise of x: below a bar that
        # points to the right, above one that points to the left.
        bar = ways[which]
        beside = np.array([bar[1], -bar[0]]) * (-outward)
        # The bar is turned from its tag by so much, from x towards y.
        angle = np.radians(body.tag_turn_deg[which])
        x = np.cos(angle) * bar - np.sin(angle) * beside
        y = np.sin(angle) * bar + np.cos(angle) * beside
        middle = hinge + sign * from_hinge[which] * bar
        middle = middle - body.tag_across_mm[which] * beside
        square = [(-20.0, -20.0), (20.0, -20.0), (20.0, 20.0), (-20.0, 20.0)]
        deep = (thigh_deep, shank_deep)[which]
        corners.append(np.array([room(middle + i * x + j * y, deep) for i, j in square]))
    return {}, corners


def _camera(shot: Shot, outward: float) -> tuple[Floats, Floats]:
    """Turn from the room to the camera, and the lens's place; it looks at the knee."""
    yaw, pitch, roll = np.radians([shot.yaw_deg, shot.pitch_deg, shot.roll_deg])
    towards = np.array(
        [np.sin(yaw) * np.cos(pitch), outward * np.cos(yaw) * np.cos(pitch), np.sin(pitch)]
    )
    forward = -towards
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    turned_right = np.cos(roll) * right + np.sin(roll) * down
    turned_down = np.cos(roll) * down - np.sin(roll) * right
    return np.array([turned_right, turned_down, forward]), shot.distance_mm * towards


def _lens(shot: Shot, body: Body) -> tuple[Lens, float]:
    size = (3024, 4032) if shot.portrait else (4032, 3024)
    focal = 26.0 / 43.2666 * np.hypot(*size)
    return Lens(*size, float(focal), 0.02, "exif"), float(focal * (1.0 + body.focal_off))


def _tilted(normal: Floats, tilt_deg: Floats) -> Floats:
    """A normal leaned in the picture's x and y."""
    right = np.array([1.0, 0.0, 0.0]) - normal[0] * normal
    right /= np.linalg.norm(right)
    down = np.cross(right, normal)
    moved = normal + np.tan(np.radians(tilt_deg[0])) * right
    moved = moved + np.tan(np.radians(tilt_deg[1])) * down
    return moved / np.linalg.norm(moved)


def _view(
    body: Body, shot: Shot, points: dict[str, Landmark], lens: Lens, *, normal: Floats,
    own: Floats, distance: float, tags: bool, rng: np.random.Generator | None,
) -> View:  # fmt: skip
    hip, ankle = points["hip"], points["ankle"]
    axis = np.array([ankle.x_px - hip.x_px, ankle.y_px - hip.y_px])
    along = axis / np.linalg.norm(axis)
    across = np.array([-along[1], along[0]]) * (1.0 if body.side == "left" else -1.0)
    if shot.plane == "tag":
        off = body.strip_off_deg[0] * along + body.strip_off_deg[1] * across
        if rng is not None:
            off = off + shot.u_board_deg * rng.standard_normal(2)
        strip = distance - body.strip_depth_mm
        # Seen through the wrong focal length the board is that much further off.
        strip *= 1.0 / (1.0 + body.focal_off)
        bars = (distance - body.bars_depth_mm) / (1.0 + body.focal_off)
        board = Board(
            _tilted(normal, off), shot.u_board_deg**2 * np.eye(2), bars if tags else strip, 3.0, 0.3
        )
        if tags:
            return camera.view_from_bars(board, strip=None, long_axis_px=tuple(axis))
        return camera.view_from_board(board, long_axis_px=tuple(axis))
    mm_per_px, u = scale.mm_per_px(Landmarks(points=points), dot_mm=None)
    far = {"knee_distance_mm": mm_per_px * lens.focal_px}
    far["u_distance_mm"] = u * far["knee_distance_mm"]
    if shot.plane == "image":
        return camera.view_from_prior(**far)
    off = np.sqrt(0.5) * (body.direction_off[0] * along + body.direction_off[1] * across)
    if rng is not None:
        off = off + np.sqrt(0.5) * rng.standard_normal(2)
    u_deg = shot.u_network_deg
    return camera.view_from_direction(
        Direction(tuple(_tilted(own, u_deg * off)), (u_deg**2, 0.0, u_deg**2)), **far
    )
