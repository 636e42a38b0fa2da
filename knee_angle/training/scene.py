"""One invented moment: a person somewhere, dressed, lit, and looked at by cameras."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from knee_angle.training.bodies import Bank
from knee_angle.training.clothes import Shell, add_skirt, drape, everyday, hospital
from knee_angle.training.machines import add_machine, add_tags, add_wedge
from knee_angle.training.meshes import Soup, crosses, solid_triangles
from knee_angle.training.posing import Person, free_stance, lying_stance, pose, rotation, unit
from knee_angle.training.rooms import add_bystander, add_hand, add_place, add_sickroom, add_tubes
from knee_angle.training.shapes import bulged, reshaped

__all__ = [
    "FRAMINGS",
    "POINTS",
    "Camera",
    "Light",
    "Scene",
    "as_phone",
    "blocked",
    "build_scene",
    "camera_on",
    "camera_turn",
    "draw_camera",
    "draw_focal",
    "draw_light",
]

Floats = NDArray[np.float64]
POINTS = ("hip", "knee", "ankle", "heel", "toe", "thigh_bar", "hinge", "shank_bar")
DIAGONAL_35_MM = 43.2666
RESHAPED = 0.75
"""Share of people whose legs are none of the body model's own."""
NEAREST_M = 0.55
"""Nobody holds a phone closer to a leg that is to be in the picture whole."""
Framing = Literal["leg", "waist", "whole", "crop", "elsewhere", "empty"]
FRAMINGS: tuple[Framing, ...] = ("leg", "waist", "whole", "crop", "elsewhere", "empty")

# Skin from light to dark, sRGB; colours between neighbours are mixed in linear light.
SKIN_SRGB = np.array(
    [
        (238, 205, 186),
        (232, 190, 166),
        (222, 172, 142),
        (200, 146, 112),
        (176, 122, 88),
        (140, 94, 68),
        (110, 72, 52),
        (84, 56, 42),
        (58, 40, 32),
    ]
)
SKIN = (SKIN_SRGB / 255.0) ** 2.2


@dataclass(frozen=True)
class Scene:
    """Everything a picture needs but camera and light.

    Parameters
    ----------
    person : Person or None
        None in rooms without anybody.
    soup : ndarray, shape (N, 16)
        Triangles of everything else.
    shells : list of Shell
    skin : ndarray, shape (3,)
        Linear colour; ``tone`` is its place from 0 (light) to 1 (dark).
    points : dict of str to ndarray
        The points of :data:`POINTS` that exist, metres.
    lying : bool
    hip_covered : bool
        Whether a sheet or gown hangs over the hip.
    """

    person: Person | None
    soup: NDArray[np.float32]
    shells: list[Shell]
    skin: Floats
    tone: float
    points: dict[str, Floats] = field(default_factory=dict)
    lying: bool = True
    hip_covered: bool = False


def draw_skin(rng: np.random.Generator) -> tuple[Floats, float]:
    """A skin colour and its tone, every tone as likely."""
    tone = rng.uniform(0, 1)
    at = tone * (len(SKIN) - 1)
    low = min(int(at), len(SKIN) - 2)
    colour = SKIN[low] * (1 - at + low) + SKIN[low + 1] * (at - low)
    return np.clip(colour * rng.uniform(0.8, 1.15, 3), 0.01, 1), tone


def draw_person(
    bank: Bank, rng: np.random.Generator, *, lying: bool, reshaped_share: float = RESHAPED
) -> Person:
    """A body of the bank in a random stance, so often with legs of another shape."""
    stand = lying_stance if lying else free_stance
    while True:
        body = bank[int(rng.integers(len(bank)))]
        other = rng.random() < reshaped_share
        body = reshaped(body, rng) if other else body
        stance = stand(body, rng)
        body = bulged(body, rng, stance.flexion_deg) if other else body
        person = pose(body, stance)
        if person is not None:
            return person


def build_scene(
    bank: Bank,
    rng: np.random.Generator,
    *,
    pictures: int,
    kind: str | None = None,
    marks: bool = True,
    reshaped_share: float = RESHAPED,
) -> Scene:
    """A scene: mostly a patient in bed, else somebody anywhere, rarely nobody.

    Parameters
    ----------
    bank : list of Body
    rng : numpy Generator
        The same state gives the same scene.
    pictures : int
        Number of background pictures that materials may show.
    kind : {"bed", "free", "empty"}, optional
        Forces the family.
    marks : bool
        Whether printed tags, dots and what looks like dots may be there.
    reshaped_share : float
        Share of scenes whose person has legs of a shape that the bank does not hold.
    """
    soup = Soup(rng, pictures)
    kind = kind or str(rng.choice(["bed", "free", "empty"], p=[0.55, 0.4, 0.05]))
    person = draw_person(bank, rng, lying=kind != "free", reshaped_share=reshaped_share)
    skin, tone = draw_skin(rng)
    if kind == "empty":
        return _empty_scene(soup, person, skin, tone)
    if kind == "free":
        return _free_scene(soup, bank, person, skin, tone)
    return _bed_scene(soup, bank, person, skin, tone, marks=marks)


def _empty_scene(soup: Soup, person: Person, skin: Floats, tone: float) -> Scene:
    """A bed, perhaps with a machine and a hand, but no leg."""
    r = soup.rng
    if r.random() < 0.5:
        add_machine(soup, person.leg)
    if r.random() < 0.6:
        add_sickroom(soup, person)
    else:
        add_place(soup, person)
    if r.random() < 0.25:
        add_hand(soup, person, skin)
    return Scene(None, soup.vertices(), [], skin, tone)


def _free_scene(soup: Soup, bank: Bank, person: Person, skin: Floats, tone: float) -> Scene:
    """Somebody standing, walking or sitting, others around."""
    r, u = soup.rng, soup.rng.uniform
    add_place(soup, person)
    upright = person.leg.thigh[2] < -0.85
    skirt = upright and r.random() < 0.14
    if skirt:
        add_skirt(soup, person)
    shells = everyday(soup, person.body)
    if r.random() < 0.4:
        for _ in range(int(r.integers(1, 4))):
            other = draw_person(bank, r, lying=False)
            away = u(0.7, 2.5)
            angle = u(0, 2 * math.pi)
            at = person.leg.hip + [away * math.cos(angle), away * math.sin(angle), 0]
            add_bystander(soup, other, at, draw_skin(r)[0])
    if r.random() < 0.06:
        add_hand(soup, person, skin)
    return Scene(
        person,
        soup.vertices(),
        shells,
        skin,
        tone,
        dict(person.leg.skin),
        lying=False,
        hip_covered=True,
    )


def _bed_scene(
    soup: Soup, bank: Bank, person: Person, skin: Floats, tone: float, *, marks: bool
) -> Scene:
    """A patient in bed, the right leg raised in a machine or on something soft."""
    r, u, leg = soup.rng, soup.rng.uniform, person.leg
    machine = r.random() < 0.86
    points = dict(leg.skin)
    if machine:
        points |= add_machine(soup, leg) or {}
    if not machine or r.random() < 0.08:
        add_wedge(soup, leg)
    add_sickroom(soup, person)
    shells = hospital(soup, person.body, straps=machine and r.random() < 0.7)
    knee_y = leg.knee[1]
    covered = r.random() < 0.55
    if covered:
        end = leg.hip[0] + leg.thigh[0] * leg.thigh_m * u(-0.1, 0.8) + u(0, 0.05)
        x, y = (-u(0.2, 0.75), max(end, -0.1)), (knee_y - u(0.12, 0.3), u(0.3, 0.75))
        drape(soup, person, x, y, soup.either(0.1))
    if r.random() < 0.4:
        start = person.other_hip[0] + u(-0.3, 0.3)
        drape(soup, person, (start, u(0.6, 1.1)), (knee_y + u(0.08, 0.2), 0.75), soup.either(0.1))
    if marks:
        _add_marks(soup, person)
    _add_extras(soup, bank, person, skin)
    return Scene(person, soup.vertices(), shells, skin, tone, points, hip_covered=covered)


def _add_marks(soup: Soup, person: Person) -> None:
    """Printed tags, dots on hip, knee and ankle, and screws that look like dots."""
    r, u, leg = soup.rng, soup.rng.uniform, person.leg
    if r.random() < 0.3:
        add_tags(soup, leg)
    if r.random() < 0.33:
        colour = None if r.random() < 0.8 else [0.02] * 3
        dot, radius = soup.material(colour, plain=True), u(0.005, 0.012)
        for name in ("hip", "knee", "ankle"):
            if r.random() < 0.9:
                lift = u(0.01, 0.02) if name == "hip" else 0.004
                soup.disc(leg.skin[name] + leg.normal * lift, leg.normal, radius, 0.004, dot)
    if r.random() < 0.15:
        decoy = soup.material()
        for _ in range(int(r.integers(1, 6))):
            at = leg.hip + [u(-0.2, 0.9), -u(0.08, 0.2), u(-0.1, 0.25)]
            soup.disc(at, [0, 1, 0], u(0.005, 0.015), 0.004, decoy)


def _add_extras(soup: Soup, bank: Bank, person: Person, skin: Floats) -> None:
    """Tubes, hands and people beside the bed."""
    r, u, leg = soup.rng, soup.rng.uniform, person.leg
    if r.random() < 0.3:
        add_tubes(soup, person)
    if r.random() < 0.12:
        add_hand(soup, person, draw_skin(r)[0] if r.random() < 0.6 else skin)
    if r.random() < 0.14:
        other = draw_person(bank, r, lying=False)
        at = leg.knee + [u(-0.8, 1.0), u(0.9, 1.6), 0.05]
        add_bystander(soup, other, at, draw_skin(r)[0])


@dataclass(frozen=True)
class Camera:
    """A pinhole camera: x_cam = turn @ X + shift, metres, axes as in OpenCV.

    Pixels are continuous on a square canvas of ``size``; ``window`` is the part of
    it (x0, y0, x1, y1) that the photo covers.
    """

    turn: Floats
    shift: Floats
    focal_px: float
    centre_px: tuple[float, float]
    size: int
    window: tuple[int, int, int, int]
    framing: Framing

    @property
    def position(self) -> Floats:
        """Where the lens is, in the world."""
        return np.asarray(-self.turn.T @ self.shift)

    def project(self, points: Floats) -> Floats:
        """World points, shape (N, 3), to pixels, shape (N, 2)."""
        at = points @ self.turn.T + self.shift
        return np.asarray(at[:, :2] / at[:, 2:] * self.focal_px + self.centre_px)

    def matrix(self) -> Floats:
        """World to clip space for a canvas whose row 0 is at the bottom of the buffer's top."""
        near, far, s = 0.12, 16.0, self.size
        f, (cx, cy) = 2 * self.focal_px / s, self.centre_px
        projection = np.array(
            [
                [f, 0, 2 * cx / s - 1, 0],
                [0, -f, 1 - 2 * cy / s, 0],
                [0, 0, (far + near) / (far - near), -2 * far * near / (far - near)],
                [0, 0, 1, 0],
            ]
        )
        pose = np.eye(4)
        pose[:3, :3], pose[:3, 3] = self.turn, self.shift
        return np.asarray(projection @ pose)


def _framing(scene: Scene, rng: np.random.Generator) -> tuple[Framing, Floats]:
    """What the picture is taken of, and the points that it must hold, shape (N, 3)."""
    person, u = scene.person, rng.uniform
    if person is None:
        centre = np.array([u(-0.3, 0.9), u(-0.3, 0.3), u(0, 0.4)])
        return "empty", centre + rng.uniform(-1, 1, (4, 3)) * u(0.15, 0.9)
    names = ["leg", "waist", "whole", "crop", "elsewhere"]
    chances = [0.27, 0.14, 0.28, 0.28, 0.03] if scene.lying else [0.2, 0.08, 0.32, 0.36, 0.04]
    framing: Framing = FRAMINGS[names.index(str(rng.choice(names, p=chances)))]
    leg = person.leg
    base = [leg.skin[n] for n in ("hip", "knee", "ankle")] + [leg.knee + leg.thigh_front * 0.07]
    if framing != "crop" or rng.random() < 0.5:
        base += [leg.skin["toe"], leg.skin["heel"]]
    if framing == "leg" and rng.random() < 0.5:
        base += list(scene.points.values())
    if framing in ("waist", "whole"):
        base += [leg.hip - leg.thigh * 0.0 + (leg.hip - leg.knee) * 0.5, person.other_ankle]
    if framing == "whole":
        base += [person.vertices.min(0) * [1, 0, 0] + [0, leg.hip[1], 0.1]] if scene.lying else []
        base += [] if scene.lying else [person.vertices[person.vertices[:, 2].argmax()]]
    if framing == "elsewhere":
        upper = person.vertices[person.body.regions[:, 0] < -0.25]
        base = list(upper[rng.integers(len(upper), size=6)])
    return framing, np.array(base)


def _look_from(scene: Scene, rng: np.random.Generator, framing: Framing) -> tuple[Floats, float]:
    """Direction from the subject to the camera (unit), and the distance.

    Free people are seen from any side where the picture is cropped to the one leg;
    else from the leg's own side, so that the picture itself says which leg is meant.
    """
    u = rng.uniform
    distance = u(1.4, 3.0) if framing in ("whole", "waist") else u(0.9, 2.2)
    if scene.lying:
        if rng.random() < 0.55:  # as people stand beside a bed (`camera.view_from_prior`)
            yaw, pitch = rng.normal(0, 15), rng.normal(9, 8)
        else:
            yaw = u(-36, 36)
            pitch = u(-4, 32) if rng.random() < 0.8 else u(25, 55)
    else:
        wide = 180 if framing in ("crop", "elsewhere") else 75
        yaw = u(-50, 50) if rng.random() < 0.45 else u(-wide, wide)
        pitch, distance = max(-5.0, rng.normal(10, 13)), distance * u(1.0, 1.8)
    y, p = math.radians(yaw), math.radians(pitch)
    return np.array([math.sin(y) * math.cos(p), -math.cos(y) * math.cos(p), math.sin(p)]), distance


def blocked(scene: Scene, eye: Floats) -> int:
    """How many of three places on the leg (mid-thigh, knee, mid-shank) things hide."""
    if scene.person is None or not len(scene.soup):
        return 0
    skin = scene.person.leg.skin
    places = [(skin["hip"] + skin["knee"]) / 2, skin["knee"], (skin["knee"] + skin["ankle"]) / 2]
    solid, start = solid_triangles(scene.soup), eye.astype(np.float32)
    rays = [(place - eye).astype(np.float32) * 0.9 for place in places]
    # 0.9: what lies close before the skin hides little
    return sum(crosses(solid, start, ray) for ray in rays)


def draw_camera(scene: Scene, rng: np.random.Generator, *, size: int) -> Camera:
    """A camera that sees the leg; now and then one whose view things block.

    Half of the pictures are whole photos of a phone, the others any part of one.
    """
    for _ in range(6):
        camera = _draw_camera(scene, rng, size=size)
        if camera.framing in ("leg", "waist", "whole") and rng.random() < 0.5:
            camera = as_phone(scene, camera, f35_mm=draw_focal(rng))
        if camera.framing in ("elsewhere", "empty") or blocked(scene, camera.position) < 2:
            break
    return camera


def _draw_camera(scene: Scene, rng: np.random.Generator, *, size: int) -> Camera:
    """A phone held by hand: aimed roughly, never quite level, its framing off-centre."""
    framing, base = _framing(scene, rng)
    return camera_on(scene, rng, size=size, framing=framing, base=base)


def camera_turn(back: Floats, *, roll_deg: float) -> Floats:
    """The turn from the world to a camera that looks along ``-back``, rolled about that line.

    Parameters
    ----------
    back : ndarray, shape (3,)
        Unit direction from the subject to the camera; the world's third axis points up.
    roll_deg : float
        Degrees; positive turns the camera's up towards its right.

    Returns
    -------
    ndarray, shape (3, 3)
        Rows: the camera's right, down and forward in the world.
    """
    roll = math.radians(roll_deg)
    level = unit(np.cross(-back, [0, 0, 1.0]))
    upright = np.cross(level, -back)
    right = level * math.cos(roll) - upright * math.sin(roll)
    up = upright * math.cos(roll) + level * math.sin(roll)
    return np.array([right, -up, -back])


def camera_on(
    scene: Scene, rng: np.random.Generator, *, size: int, framing: Framing, base: Floats
) -> Camera:
    """A camera that holds the points ``base``, shape (N, 3), about as ``framing`` asks."""
    u = rng.uniform
    back, distance = _look_from(scene, rng, framing)
    target = (base.max(0) + base.min(0)) / 2 + rng.normal(0, 0.05, 3)
    turn = camera_turn(back, roll_deg=rng.normal(0, 5))
    shift = -turn @ (target + back * distance)
    at = base @ turn.T + shift
    flat = at[:, :2] / np.maximum(at[:, 2:], 0.2)
    low, extent = flat.min(0), np.ptp(flat, axis=0) + 1e-3
    aspects, odds = [4 / 3, 3 / 4, 1.0, 16 / 9, 9 / 16], [0.45, 0.25, 0.1, 0.12, 0.08]
    aspect = 1.0 if framing == "crop" else float(rng.choice(aspects, p=odds))
    wide, high = (1.0, 1 / aspect) if aspect >= 1 else (aspect, 1.0)
    centre = low + extent / 2
    if framing == "crop":
        side = max(extent) * u(1.1, 1.9)
        centre = centre + rng.uniform(-0.09, 0.09, 2) * side
    else:
        margin = u(-0.16, 0.1) if rng.random() < 0.25 else u(0.02, 0.32)
        side = max(extent[0] / (wide * (1 - 2 * margin)), extent[1] / (high * (1 - 2 * margin)))
        spare = np.maximum(0, np.array([wide, high]) * side - extent) / 2
        centre = centre + rng.uniform(-0.8, 0.8, 2) * spare
    focal = size / side
    x0, y0 = int(size * (1 - wide) / 2), int(size * (1 - high) / 2)
    principal = (size / 2 - centre[0] * focal, size / 2 - centre[1] * focal)
    return Camera(turn, shift, focal, principal, size, (x0, y0, size - x0, size - y0), framing)


def draw_focal(rng: np.random.Generator) -> float:
    """A phone's main lens, now and then its wide one or a longer one; 35 mm equivalent."""
    lenses = ((0.74, 23, 29), (0.1, 13, 18), (0.08, 29, 48), (0.08, 48, 80))
    low, high = lenses[int(rng.choice(len(lenses), p=[share for share, _, _ in lenses]))][1:]
    return float(rng.uniform(low, high))


def as_phone(scene: Scene, camera: Camera, *, f35_mm: float) -> Camera:
    """A camera that sees about the same, with its lens in the middle and a phone's angle.

    It is turned by the shortest way to aim at the middle of the picture, and moved
    along its axis so that the leg keeps its size; never nearer than `NEAREST_M`.
    """
    x0, y0, x1, y1 = camera.window
    middle = np.array([camera.size / 2, camera.size / 2])
    ray = np.r_[(middle - camera.centre_px) / camera.focal_px, 1.0]
    ray /= np.linalg.norm(ray)
    across = np.cross(ray, [0.0, 0, 1])
    angle = math.degrees(math.acos(min(1.0, float(ray[2]))))
    aim = rotation(across, angle) if angle > 1e-6 else np.eye(3)
    turn, shift = aim @ camera.turn, aim @ camera.shift
    focal = f35_mm / DIAGONAL_35_MM * math.hypot(x1 - x0, y1 - y0)
    subject = np.zeros(3) if scene.person is None else scene.person.leg.knee
    depth = float((turn @ subject + shift)[2])
    wanted = max(depth * focal / camera.focal_px, NEAREST_M)
    shift = shift + [0, 0, wanted - depth]
    return replace(camera, turn=turn, shift=shift, focal_px=focal, centre_px=(middle[0], middle[1]))


@dataclass(frozen=True)
class Light:
    """Sun or window, sky, bounce and one lamp; linear colours, directions in the world."""

    sun_from: Floats
    sun: Floats
    sky: Floats
    ground: Floats
    lamp_at: Floats
    lamp: Floats
    softness: float
    ambient_shade: float
    background: Floats


def draw_light(rng: np.random.Generator, person: Person | None) -> Light:
    """From a dim ward at night to hard sun, warm or cold."""
    u = rng.uniform

    def tint(v: float) -> Floats:
        return np.array([1 + 0.25 * v, 1.0, 1 - 0.3 * v])

    sun_tint, sky_tint = rng.normal(0, 0.5, 2)
    level, share = u(0.5, 1.2), u(0, 1)
    around = np.zeros(3) if person is None else person.leg.knee
    return Light(
        unit([u(-1, 1), u(-1, 0.6), u(0.3, 1.4)]),
        tint(sun_tint) * level * 1.5 * share,
        tint(sky_tint) * level * (1 - share * 0.6),
        tint(sky_tint) * level * u(0.2, 0.8) * (1 - share * 0.6) * u(0.85, 1.1, 3),
        around + [u(-1.5, 1.5), u(-2, 1.0), u(0.3, 1.8)],
        tint(rng.normal(0, 0.6)) * (u(0, 1.2) if rng.random() < 0.5 else 0.0),
        u(0.001, 0.02),
        u(0.3, 0.95),
        np.clip(u(0.1, 0.9) * u(0.8, 1.2, 3), 0, 1),
    )
