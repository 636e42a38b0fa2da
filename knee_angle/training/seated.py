"""One person in one rigid machine, the heel seated: a visit's settings, and who photographs it.

Unlike the other scenes here, nothing changes between two photos of a visit but the bars'
angle, what covers the hinge, whether the strip is on, and where the camera is held. The
knee is what the closed chain (:mod:`knee_angle.machine.chain`) makes of the bars, the
sections' faults and a pelvis that gives way by a share.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from knee_angle.machine.chain import Chain, knee_flexion_deg
from knee_angle.records import LEG_POINTS
from knee_angle.training.bodies import Body
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
from knee_angle.training.rigid import (
    DOT_M,
    MM,
    Linkage,
    Parts,
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
    camera_turn,
    draw_light,
    draw_skin,
)

__all__ = [
    "BARS_DEG",
    "DOT_RGB",
    "F35_MM",
    "FAULTS_MM",
    "GAMMA",
    "Shot",
    "Visit",
    "hand_held",
    "person_of",
    "seen_of",
    "shot_of",
    "visit_of",
]

Floats = NDArray[np.float64]

FAULTS_MM = {"d": (0.0, 0.0), "e": (0.0, -30.0)}
"""Thigh and lower-leg section minus leg, of the two visits."""
BARS_DEG = (12.0, 30.0, 49.0, 68.0, 88.0, 107.0)
COVERED = {"d": (2, 4, 6), "e": (1, 3, 5)}
STRIP = {"d": (1, 4, 5), "e": (2, 3, 6)}
"""Numbers of the photos whose hinge is covered, and of those with the strip on the base."""
F35_MM = 26.0
GAMMA = 2.2
LIFT_M = {"hip": 0.006, "knee": 0.001, "ankle": 0.001}
"""The dot's face before the skin: on the hip it lies on a fold of cloth."""
DOT_RGB = (205, 25, 130)
BEFORE_KNEE_M = 0.065
"""Bars before the skin of the knee: as the other sample photos have them (16-116 mm)."""
DOT_SEEN = 0.95
"""Who takes the photo sees to it that the dots are seen, but for one below a cover."""


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
    parts: Parts
    solid: Floats
    markers: dict[str, Floats]


def visit_of(body: Body, letter: str, seed: int) -> Visit:
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


def shot_of(visit: Visit, number: int, bars_deg: float) -> Shot:
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
    markers: dict[str, Floats] = {}
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
    points = dict(person.leg.skin) | parts.points
    scene = Scene(person, soup.vertices(), shells, visit.skin, visit.tone, points)
    return Shot(number, covered, bars_deg, knee_deg, at, scene, parts, solid, markers)


def hand_held(shot: Shot, rng: np.random.Generator, *, width: int) -> Camera:
    """The phone, held by somebody beside the bed who looks down on the leg."""
    u = rng.uniform
    leg = person_of(shot).leg
    base = np.array([*leg.skin.values(), *shot.parts.lcd, [0.65, shot.parts.lcd[0][1], 0.0]])
    wanted = [n for n in LEG_POINTS if n != "knee" or not shot.covered]
    high = width * 3 // 4
    focal = F35_MM / DIAGONAL_35_MM * math.hypot(width, high)
    y0 = (width - high) // 2
    for _ in range(200):
        yaw, pitch = math.radians(u(-16, 16)), math.radians(u(8, 22))
        back = np.array(
            [math.sin(yaw) * math.cos(pitch), -math.cos(yaw) * math.cos(pitch), math.sin(pitch)]
        )
        turn = camera_turn(back, roll_deg=rng.normal(0, 3))
        target = (base.max(0) + base.min(0)) / 2 + rng.normal(0, 0.02, 3)
        shift = -turn @ (target + back * u(1.0, 1.5))
        centre, window = (width / 2, width / 2), (0, y0, width, y0 + high)
        camera = Camera(turn, shift, focal, centre, width, window, "leg")
        seen = camera.project(base)
        inside = (seen > np.array([25, y0 + 25])) & (seen < np.array([width - 25, y0 + high - 25]))
        if not inside.all() or blocked(shot.scene, camera.position) > 1:
            continue
        if all(seen_of(shot, name, camera.position) > DOT_SEEN for name in wanted):
            return camera
    message = "no camera beside this bed sees the leg whole: take another seed"
    raise ValueError(message)


def seen_of(shot: Shot, name: str, eye: Floats) -> float:
    """How much of a dot on the leg the machine leaves in sight."""
    normal, face = person_of(shot).leg.normal, shot.markers[name]
    return seen_share(shot.solid, eye=eye, centre=face, normal=normal, radius=DOT_M / 2)


def person_of(shot: Shot) -> Person:
    """The person, who is in every photo of a series."""
    person = shot.scene.person
    if person is None:
        message = "a series has a person in every photo"
        raise ValueError(message)
    return person
