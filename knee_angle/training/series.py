"""A visit in pictures: one person in one rigid machine, the heel seated, over the range.

Unlike the other scenes here, nothing changes between two photos of a visit but the bars'
angle, what covers the hinge, whether the strip is on, and where the camera is held. The
knee is what the closed chain (:mod:`knee_angle.machine.chain`) makes of the bars, the
sections' faults and a pelvis that gives way by a share. Two visits: ``d`` with sections
that fit the leg, ``e`` with a lower-leg section 30 mm short.

The truth beside each photo has the form of the other sample photos; ``machine.chain`` adds
leg lengths, faults and give.
"""

from __future__ import annotations

import json
import math
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from knee_angle.angle import geometry
from knee_angle.machine.chain import Chain, hinge_mm, knee_flexion_deg
from knee_angle.records import LEG_POINTS
from knee_angle.training.bodies import Body, build_bank, load_bank
from knee_angle.training.clothes import AROUND, Shell
from knee_angle.training.meshes import Soup
from knee_angle.training.posing import (
    MALLEOLUS_DISTAL,
    OUTWARD,
    TROCHANTER_DISTAL,
    Person,
    Stance,
    frame,
    lying_stance,
    pose,
    rotation,
    unit,
)
from knee_angle.training.renderer import Renderer
from knee_angle.training.rigid import (
    DOT_M,
    Linkage,
    Rigid,
    add_rigid,
    linkage,
    plain,
    seen_share,
)
from knee_angle.training.rooms import add_sickroom
from knee_angle.training.scene import (
    DIAGONAL_35_MM,
    Camera,
    Light,
    Scene,
    blocked,
    draw_light,
    draw_skin,
)

__all__ = ["FAULTS_MM", "Visit", "draw_series", "draw_visit"]

Floats = NDArray[np.float64]
Rgb = NDArray[np.uint8]

MM = 1000.0
FAULTS_MM = {"d": (0.0, 0.0), "e": (0.0, -30.0)}
"""Thigh and lower-leg section minus leg."""
BARS_DEG = (12.0, 30.0, 49.0, 68.0, 88.0, 107.0)
COVERED = {"d": (2, 4, 6), "e": (1, 3, 5)}
STRIP = {"d": (1, 4, 5), "e": (2, 3, 6)}
"""Numbers of the photos whose hinge is covered, and of those with the strip on the base."""
F35_MM = 26.0
FINER = 2
"""A photo is drawn so many times larger and averaged in linear light, as a sensor does."""
GAMMA = 2.2
LIFT_M = {"hip": 0.006, "knee": 0.001, "ankle": 0.001}
"""The dot's face before the skin: on the hip it lies on a fold of cloth."""
DOT_RGB = (205, 25, 130)
BEFORE_KNEE_M = 0.065
DOT_SEEN = 0.95
"""Who takes the photo sees to it that the dots are seen, but for one below a cover."""
EXIF_IFD, EXIF_F35 = 0x8769, 0xA405


@dataclass(frozen=True)
class Visit:
    """Person, machine, room and light of one visit; the same seed gives the same.

    Parameters
    ----------
    letter : {"d", "e"}
    body : Body
    stance : Stance
        How the person lies; the leg of each photo replaces it.
    turn_deg : float
        Of the leg's plane about the line from hip to heel.
    machine : Rigid
    skin, tone : ndarray, float
    light : Light
    seed : int
        Of the person and the machine: both visits share it.
    """

    letter: str
    body: Body
    stance: Stance
    turn_deg: float
    machine: Rigid
    skin: Floats
    tone: float
    light: Light
    seed: int


@dataclass(frozen=True)
class Shot:
    """One photo before it is drawn."""

    number: int
    covered: bool
    bars_deg: float
    knee_deg: float
    at: Linkage
    scene: Scene
    parts: dict[str, Any]
    solid: Floats
    markers: dict[str, Floats]


def draw_series(folder: Path, *, seed: int, bank: Path | None = None, width: int = 1280) -> None:
    """Draws all photos of both visits with their truth into a folder.

    Parameters
    ----------
    folder : Path
    seed : int
    bank : Path, optional
        Kept bodies, whose first is used; without, one is made with ``anny`` from the seed.
    width : int
        Of a photo, pixels; 4:3.
    """
    folder.mkdir(parents=True, exist_ok=True)
    if bank is None:
        with tempfile.TemporaryDirectory() as place:
            kept = Path(place) / "bank.npz"
            build_bank(kept, count=1, seed=seed)
            body = load_bank(kept)[0]
    else:
        body = load_bank(bank)[0]
    renderer = Renderer(size=width * FINER, pictures=_wallpaper())
    for letter in FAULTS_MM:
        draw_visit(_visit(body, letter, seed), renderer, folder)
    renderer.release()


def _wallpaper() -> Rgb:
    """The one picture that walls may show: an even pale page, nobody's work."""
    return np.full((1, 8, 8, 3), 215, np.uint8)


def draw_visit(visit: Visit, renderer: Renderer, folder: Path) -> None:
    """Draws the photos of one visit with their truth."""
    hand = np.random.default_rng([visit.seed, ord(visit.letter)])
    for number, nominal in enumerate(BARS_DEG, start=1):
        bars = round(nominal + hand.uniform(-0.49, 0.49), 2)
        shot = _shot(visit, number, bars)
        camera = _hand_held(shot, hand, width=renderer.size // FINER)
        same_skin = np.random.default_rng([visit.seed, 3])
        picture = _photo(renderer, shot.scene, camera, visit.light, same_skin)
        name = folder / f"series_{visit.letter}_{number}"
        exif = Image.Exif()
        exif.get_ifd(EXIF_IFD)[EXIF_F35] = round(F35_MM)
        Image.fromarray(picture).save(name.with_suffix(".jpg"), quality=85, exif=exif)
        truth = _truth(visit, shot, camera, name.name)
        name.with_suffix(".json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")


def _visit(body: Body, letter: str, seed: int) -> Visit:
    """The same person, machine and room for both letters; only the section differs."""
    rng = np.random.default_rng([seed, 0])
    u = rng.uniform
    stance = replace(lying_stance(body, rng), valgus_deg=0.0, other_flexion_deg=u(0.0, 6.0))
    turn_deg, give, height = u(-4.0, 4.0), u(0.0, 0.4), u(0.10, 0.13)
    skin, tone = draw_skin(rng)
    person = _posed(body, stance)
    knee, ankle = person.leg.knee, person.leg.skin["ankle"]
    ankle = ankle - person.leg.normal * float(person.leg.normal @ (ankle - knee))
    shin = unit(ankle - knee)
    # The sole lies as far below the malleolus as the heel's tip does, on the leg's own line.
    sole = max(float((person.leg.skin["heel"] - ankle) @ shin), MALLEOLUS_DISTAL)
    sections = Chain(
        thigh_mm=(person.leg.thigh_m - TROCHANTER_DISTAL) * MM,
        lower_mm=(float(np.linalg.norm(ankle - knee)) + sole) * MM,
        thigh_fault_mm=FAULTS_MM[letter][0],
        lower_fault_mm=FAULTS_MM[letter][1],
        give=give,
    )
    outside = float(person.leg.normal @ (person.leg.skin["knee"] - knee))
    near = outside + BEFORE_KNEE_M
    pigment = plain((np.array(DOT_RGB) / 255.0) ** GAMMA)
    machine = Rigid(sections, height, near, u(0.09, 0.12), pigment)
    light = draw_light(rng, person)
    return Visit(letter, body, stance, turn_deg, machine, skin, tone, light, seed)


def _posed(body: Body, stance: Stance) -> Person:
    person = pose(body, stance)
    if person is None:
        message = "this body folds badly in the machine: take another seed"
        raise ValueError(message)
    return person


def _seated(visit: Visit, bars_deg: float, at: Linkage) -> tuple[Person, float]:
    """The person with the heel on its seat, and the knee's flexion."""
    c = visit.machine.sections
    thigh, lower = float(np.asarray(c.thigh_mm)) / MM, float(np.asarray(c.lower_mm)) / MM
    knee_deg = float(knee_flexion_deg(bars_deg, c))
    bend = math.radians(knee_deg)
    reach = math.sqrt(thigh**2 + lower**2 + 2 * thigh * lower * math.cos(bend))
    lift = math.atan2(lower * math.sin(bend), thigh + lower * math.cos(bend))
    tilt = math.atan2(thigh * math.sin(bend), lower + thigh * math.cos(bend))
    along = np.array([math.cos(lift), 0.0, math.sin(lift)])
    turned = rotation([1.0, 0.0, 0.0], visit.turn_deg) @ frame(along, OUTWARD)
    trochanter = np.array([at.seat[0] - reach, 0.0, at.seat[1]])
    stance = replace(
        visit.stance,
        flexion_deg=knee_deg,
        thigh=turned,
        hip=trochanter - turned[:, 0] * TROCHANTER_DISTAL,
        plantar_deg=math.degrees(at.tilt_rad - tilt),  # the sole stays flat on its plate
    )
    return _posed(visit.body, stance), knee_deg


def _shot(visit: Visit, number: int, bars_deg: float) -> Shot:
    """One setting of the machine with the leg in it, and the room around."""
    at = linkage(visit.machine, bars_deg)
    person, knee_deg = _seated(visit, bars_deg, at)
    covered = number in COVERED[visit.letter]
    soup = Soup(np.random.default_rng([visit.seed, 1]), 1)
    parts = add_rigid(
        soup,
        visit.machine,
        at,
        covered=covered,
        strip=number in STRIP[visit.letter],
        shown=f"{round(bars_deg)}",
    )
    solid = soup.vertices().reshape(-1, 3, 16)[:, :, :3].astype(float)
    markers = {}
    for name in LEG_POINTS:
        face = person.leg.skin[name] + person.leg.normal * (LIFT_M[name] + 0.001)
        soup.disc(
            face - person.leg.normal * (LIFT_M[name] + 0.001) / 2,
            person.leg.normal, DOT_M / 2, LIFT_M[name] + 0.001, visit.machine.dot,
        )  # fmt: skip
        markers[name] = face
    add_sickroom(soup, person)
    gown = np.random.default_rng([visit.seed, 2]).uniform(0.3, 0.8, 3)
    shells = [Shell(AROUND, 0.006, 0.004, (-0.62, -0.03, 0.0, 0.0), (0.9, 0.01), plain(gown))]
    points = dict(person.leg.skin) | parts["points"]
    scene = Scene(person, soup.vertices(), shells, visit.skin, visit.tone, points)
    return Shot(number, covered, bars_deg, knee_deg, at, scene, parts, solid, markers)


def _hand_held(shot: Shot, rng: np.random.Generator, *, width: int) -> Camera:
    """The phone, held by somebody beside the bed who looks down on the leg."""
    u = rng.uniform
    leg = _person(shot).leg
    base = np.array([*leg.skin.values(), *shot.parts["lcd"], [0.65, shot.parts["lcd"][0][1], 0.0]])
    wanted = [n for n in LEG_POINTS if n != "knee" or not shot.covered]
    high = width * 3 // 4
    focal = F35_MM / DIAGONAL_35_MM * math.hypot(width, high)
    y0 = (width - high) // 2
    for _ in range(200):
        yaw, pitch = math.radians(u(-16, 16)), math.radians(u(8, 22))
        back = np.array(
            [math.sin(yaw) * math.cos(pitch), -math.cos(yaw) * math.cos(pitch), math.sin(pitch)]
        )
        roll = math.radians(rng.normal(0, 3))
        right = unit(np.cross(-back, [0, 0, 1.0]))
        up = np.cross(right, -back)
        right, up = (
            right * math.cos(roll) - up * math.sin(roll),
            up * math.cos(roll) + right * math.sin(roll),
        )
        turn = np.array([right, -up, -back])
        target = (base.max(0) + base.min(0)) / 2 + rng.normal(0, 0.02, 3)
        shift = -turn @ (target + back * u(1.0, 1.5))
        centre, window = (width / 2, width / 2), (0, y0, width, y0 + high)
        camera = Camera(turn, shift, focal, centre, width, window, "leg")
        seen = camera.project(base)
        inside = (seen > np.array([25, y0 + 25])) & (seen < np.array([width - 25, y0 + high - 25]))
        if not inside.all() or blocked(shot.scene, camera.position) > 1:
            continue
        if all(_seen(shot, name, camera.position) > DOT_SEEN for name in wanted):
            return camera
    message = "no camera beside this bed sees the leg whole: take another seed"
    raise ValueError(message)


def _seen(shot: Shot, name: str, eye: Floats) -> float:
    """How much of a dot on the leg the machine leaves in sight."""
    normal, face = _person(shot).leg.normal, shot.markers[name]
    return seen_share(shot.solid, eye=eye, centre=face, normal=normal, radius=DOT_M / 2)


def _person(shot: Shot) -> Person:
    person = shot.scene.person
    if person is None:
        message = "a series has a person in every photo"
        raise ValueError(message)
    return person


def _photo(
    renderer: Renderer, scene: Scene, camera: Camera, light: Light, rng: np.random.Generator
) -> Rgb:
    """The photo, drawn finer and averaged in linear light."""
    x0, y0, x1, y1 = camera.window
    fine = replace(
        camera,
        focal_px=camera.focal_px * FINER,
        centre_px=(camera.centre_px[0] * FINER, camera.centre_px[1] * FINER),
        size=camera.size * FINER,
        window=(x0 * FINER, y0 * FINER, x1 * FINER, y1 * FINER),
    )
    drawn = renderer.render(scene, [(fine, light)], rng)[0]
    part = drawn[y0 * FINER : y1 * FINER, x0 * FINER : x1 * FINER].astype(np.float32) / 255
    high, wide = y1 - y0, x1 - x0
    linear = (part**GAMMA).reshape(high, FINER, wide, FINER, 3).mean((1, 3))
    return np.asarray(np.clip(255 * linear ** (1 / GAMMA) + 0.5, 0, 255), np.uint8)


@dataclass(frozen=True)
class _Eye:
    """World to photo: mm and pixels, rounded as the truth files have them."""

    camera: Camera

    def px(self, point: Floats) -> list[float]:
        at = self.camera.project(np.asarray(point, dtype=float)[None])[0]
        return [round(float(v), 2) for v in at - self.camera.window[:2]]

    @staticmethod
    def mm(point: Floats) -> list[float]:
        return [round(float(v) * MM, 3) for v in point]

    def inside(self, point: Floats) -> bool:
        x, y = self.px(point)
        x0, y0, x1, y1 = self.camera.window
        return 0 <= x < x1 - x0 and 0 <= y < y1 - y0


def _truth(visit: Visit, shot: Shot, camera: Camera, name: str) -> dict[str, Any]:
    """All that is true of one photo."""
    leg, eye = _person(shot).leg, _Eye(camera)
    across = np.eye(3) - np.outer(leg.normal, leg.normal)
    flexion = float(geometry.flexion_deg(*(across @ leg.skin[n] for n in LEG_POINTS)))
    flat = float(geometry.flexion_deg(*(eye.px(shot.markers[n]) for n in LEG_POINTS)))
    return {
        "schema": "kneecpm-scene-1",
        "image": f"{name}.jpg",
        "side": "right",
        "true_knee_flexion_deg": round(flexion, 3),
        "sagittal_normal": [round(float(v), 5) for v in leg.normal],
        "landmarks": _landmarks(shot, eye),
        "machine": _machine_truth(visit, shot, eye, flexion),
        "projected_2d_knee_angle_deg": round(flat, 3),
        "projected_minus_true_deg": round(flat - flexion, 3),
        "camera": _camera_truth(shot, camera),
        "exif_orientation": 1,
        "orientation": "landscape",
        "framing": "leg",
        "mode": "dots_tags" if shot.parts["tags"] else "dots",
        "dots": True,
        "dot_colour": "magenta",
        "dot_rgb": list(DOT_RGB),
        "dot_diameter_mm": DOT_M * MM,
        "tags": bool(shot.parts["tags"]),
        "display": True,
        "hinge_cover": shot.covered,
        "segment_mm": {
            "thigh": round(float(np.asarray(visit.machine.sections.thigh_mm)), 1),
            "shank": round(float(np.linalg.norm(across @ (leg.skin["ankle"] - leg.knee))) * MM, 1),
        },
        **_printed(shot, eye),
    }


def _landmarks(shot: Shot, eye: _Eye) -> dict[str, Any]:
    """Skin points and the dots' faces, and how much of each dot the machine leaves in sight."""
    leg, found = _person(shot).leg, {}
    for name, face in shot.markers.items():
        share = _seen(shot, name, eye.camera.position)
        found[name] = {
            "skin_mm": eye.mm(leg.skin[name]),
            "skin_px": eye.px(leg.skin[name]),
            "marker_mm": eye.mm(face),
            "marker_px": eye.px(face),
            "visible": share > 0.0,
            "occluder": None if share == 1.0 else "machine",
            "dot_visible_fraction": round(share, 2),
            "in_frame": eye.inside(face),
            "covered_by_cloth": False,
        }
    return found


def _machine_truth(visit: Visit, shot: Shot, eye: _Eye, flexion: float) -> dict[str, Any]:
    """Bars, display, hinge and the chain."""
    machine, leg = visit.machine, _person(shot).leg
    c = machine.sections
    hinge = np.array([shot.at.hinge[0], 0.0, shot.at.hinge[1]]) - leg.knee
    distal, anterior = (float(v) for v in hinge_mm(shot.bars_deg, shot.knee_deg, c))
    dots: dict[str, Floats] = shot.parts["points"]
    shown = round(shot.bars_deg)
    return {
        "frame_angle_deg": shot.bars_deg,
        "gain": 1.0,
        "offset_deg": 0.0,
        "displayed_angle_exact": shot.bars_deg,
        "displayed_angle_int": shown,
        "frame_minus_true_deg": round(shot.bars_deg - flexion, 3),
        "displayed_minus_true_deg": round(shown - flexion, 3),
        "hinge_offset_mm": {
            "proximal": round(-float(hinge @ leg.thigh) * MM, 2),
            "anterior": round(float(hinge @ leg.thigh_front) * MM, 2),
        },
        "points": {
            n: {"mm": eye.mm(p), "px": eye.px(p), "in_frame": eye.inside(p), "visible": True,
                "occluder": None}
            for n, p in dots.items()
        },
        "bar_lengths_mm": {
            "thigh": round(float(np.add(c.thigh_mm, c.thigh_fault_mm)), 1),
            "lower_leg": round(float(np.add(c.lower_mm, c.lower_fault_mm)), 1),
        },
        "bars_lateral_of_leg_plane_mm": round(machine.near * MM, 1),
        "chain": {
            "thigh_mm": round(float(np.asarray(c.thigh_mm)), 2),
            "lower_mm": round(float(np.asarray(c.lower_mm)), 2),
            "thigh_fault_mm": float(np.asarray(c.thigh_fault_mm)),
            "lower_fault_mm": float(np.asarray(c.lower_fault_mm)),
            "place_mm": 0.0,
            "give": round(float(np.asarray(c.give)), 4),
            "hinge_distal_mm": round(distal, 2),
            "hinge_anterior_mm": round(anterior, 2),
        },
    }  # fmt: skip


def _camera_truth(shot: Shot, camera: Camera) -> dict[str, Any]:
    """Lens and pose; x_cam = R X_mm + t_mm."""
    leg = _person(shot).leg
    x0, y0, x1, y1 = camera.window
    away = camera.position - leg.skin["knee"]
    facing = float(leg.normal @ away) / float(np.linalg.norm(away))
    depth = float((camera.turn @ leg.skin["knee"] + camera.shift)[2])
    back = -camera.turn[2]
    return {
        "width": x1 - x0,
        "height": y1 - y0,
        "f35_mm": F35_MM,
        "fx": camera.focal_px,
        "fy": camera.focal_px,
        "cx": camera.centre_px[0] - x0,
        "cy": camera.centre_px[1] - y0,
        "R": camera.turn.tolist(),
        "t_mm": (camera.shift * MM).tolist(),
        "position_mm": _Eye.mm(camera.position),
        "yaw_deg": round(math.degrees(math.atan2(back[0], -back[1])), 3),
        "pitch_deg": round(math.degrees(math.asin(back[2])), 3),
        "roll_deg": round(math.degrees(math.asin(-camera.turn[0, 2])), 3),
        "depth_of_knee_mm": round(depth * MM, 1),
        "view_angle_to_sagittal_normal_at_knee_deg": round(math.degrees(math.acos(facing)), 3),
        "mm_per_px_at_knee": round(depth * MM / camera.focal_px, 4),
    }


def _printed(shot: Shot, eye: _Eye) -> dict[str, Any]:
    """The strip, where there is one, and the display."""
    lcd, tags = shot.parts["lcd"], shot.parts["tags"]
    found: dict[str, Any] = {
        "lcd": {
            "corners_px": [eye.px(c) for c in lcd],
            "in_frame": all(eye.inside(c) for c in lcd),
            "visible": True,
            "text": f"{round(shot.bars_deg)}",
        }
    }
    if tags:
        first = next(iter(tags.values()))
        before = (_person(shot).leg.skin["knee"][1] - first[0][1]) * MM
        found["tag_board"] = {
            "dictionary": "DICT_APRILTAG_36h11",
            "tag_mm": 50.0,
            "gap_mm": 8.0,
            "plane": "parallel to the machine sagittal (x-z) plane",
            "depth_offset_towards_camera_mm": round(before, 1),
            "tags": [
                {"id": n, "corners_mm": [eye.mm(c) for c in four],
                 "corners_px": [eye.px(c) for c in four]}
                for n, four in tags.items()
            ],
        }  # fmt: skip
    return found
