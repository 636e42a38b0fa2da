"""Scenes with six dots in sight, by the trainer's renderer; see :mod:`painted`."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any
from unittest.mock import patch

import numpy as np

from knee_angle.records import LEG_POINTS, MACHINE_POINTS
from knee_angle.training import machines
from knee_angle.training.bodies import Bank
from knee_angle.training.meshes import Soup, crosses, solid_triangles
from knee_angle.training.painted import WHITE, Drawn, smallest_px
from knee_angle.training.photos import truth_of
from knee_angle.training.posing import Leg, Person, unit
from knee_angle.training.scene import (
    Camera,
    Scene,
    as_phone,
    build_scene,
    draw_camera,
    draw_focal,
    draw_light,
)

if TYPE_CHECKING:
    from knee_angle.training.renderer import Renderer

Dot = tuple[str, np.ndarray, np.ndarray]
"""Its name, place and normal in the world, metres."""
LEAST_DIAMETER = 7.0 / 800
"""Of the smallest dot, of the canvas's side."""
LIFT_M = {"hip": 0.028, "knee": 0.006, "ankle": 0.006}
OUTSIDE_M, STUCK_M, FINEST_M = 0.08, 0.002, 0.0005
"""A machine's dot sticks on what is met first from so far outside, so much before its face."""


def shifted_frame(shift_m: np.ndarray) -> Any:
    """The machine drawn with its hinge moved by (distal, anterior), metres."""
    drawn = machines._draw_frame

    def moved(leg: Leg, rng: np.random.Generator) -> machines.Frame:
        frame = drawn(leg, rng)
        hinge = frame.hinge + leg.thigh * shift_m[0] + leg.thigh_front * shift_m[1]
        hinge[1] = frame.hinge[1]
        return machines.Frame(
            frame.pivot, hinge, frame.carriage, frame.near, frame.far, frame.sides
        )

    return patch.object(machines, "_draw_frame", moved)


def discs(scene: Scene) -> list[Dot]:
    """Name, place and normal of each dot that has room, in the world."""
    leg, outward = _person(scene).leg, np.array([0.0, -1.0, 0.0])
    solid = solid_triangles(scene.soup)
    found: list[Dot] = [(n, leg.skin[n] + leg.normal * LIFT_M[n], leg.normal) for n in LEG_POINTS]
    faces = ((name, on_face(solid, scene.points[name], outward)) for name in MACHINE_POINTS)
    return found + [(name, place, outward) for name, place in faces if place is not None]


def _person(scene: Scene) -> Person:
    """Whoever lies there; only such scenes get dots."""
    if scene.person is None:
        raise ValueError("dots are for scenes with a person: draw one with kind='bed'")
    return scene.person


def unhidden(scene: Scene, camera: Camera, dots: list[Dot]) -> list[Dot]:
    """Dots whose face a camera sees, nothing before it."""
    person, start = _person(scene), camera.position
    solid = np.concatenate([solid_triangles(scene.soup), person.vertices[person.body.triangles]])
    return [
        (name, at, normal) for name, at, normal in dots
        if (start - at) @ normal > 0 and not crosses(solid, start, at - start, farthest=0.999)
    ]  # fmt: skip


def on_face(solid: np.ndarray, point: np.ndarray, outward: np.ndarray) -> np.ndarray | None:
    """Where a line from outside to a point meets the first face; None where all is covered."""
    free, inside = OUTSIDE_M, 0.0
    start = point + outward * free
    while free - inside > FINEST_M:
        lift = 0.5 * (free + inside)
        if crosses(solid, start, point + outward * lift - start):
            inside = lift
        else:
            free = lift
    return None if free == OUTSIDE_M else point + outward * (free + STUCK_M)


def with_discs(scene: Scene, dots: list[Dot], radius_m: float) -> Scene:
    """The scene with white dots on it."""
    soup = Soup(np.random.default_rng(0), 1)
    paint = np.r_[np.full(6, WHITE**2.2), 0, 10, 0.0, 0.0]
    for _, place, normal in dots:
        soup.disc(place, normal, radius_m, 0.003, paint)
    triangles = np.concatenate([scene.soup.reshape(-1, 16), soup.vertices().reshape(-1, 16)])
    return Scene(
        scene.person, triangles.astype(np.float32), scene.shells, scene.skin, scene.tone,
        scene.points, scene.lying, scene.hip_covered,
    )  # fmt: skip


def outline(camera: Camera, place: np.ndarray, normal: np.ndarray, radius: float) -> np.ndarray:
    """The disc's rim in the canvas, (24, 2)."""
    x = unit(np.cross(normal, [0.3, 0.1, 1]))
    y = np.cross(unit(normal), x)
    angle = np.linspace(0, 2 * math.pi, 24, endpoint=False)[:, None]
    return camera.project(place + radius * (np.cos(angle) * x + np.sin(angle) * y))


def all_apart(rims: dict[str, np.ndarray]) -> bool:
    """Whether no dot lies before another one, where nobody sees six."""
    middle = np.array([rim.mean(axis=0) for rim in rims.values()])
    reach = np.array([np.linalg.norm(r - r.mean(axis=0), axis=1).max() for r in rims.values()])
    gap = np.linalg.norm(middle[:, None] - middle, axis=2)
    return bool((gap > reach[:, None] + reach)[np.triu_indices(len(middle), 1)].all())


def draw(
    bank: Bank, renderer: Renderer, rng: np.random.Generator, *,
    pictures: int, offset_mm: tuple[float, float],
) -> Drawn:  # fmt: skip
    """A patient in a machine with all six dots in sight; its hinge so far from the knee."""
    while True:
        away, turn = rng.uniform(*offset_mm) / 1000, rng.uniform(0, 2 * math.pi)
        with shifted_frame(away * np.array([math.cos(turn), math.sin(turn)])):
            scene = build_scene(bank, rng, pictures=pictures, kind="bed", marks=False)
        if scene.hip_covered or not set(MACHINE_POINTS) <= set(scene.points):
            continue
        if not offset_mm[0] <= hinge_off_mm(scene) <= offset_mm[1]:
            continue
        found = _shot(renderer, scene, rng)
        if found is not None and found.visible(found.white):
            return found


def hinge_off_mm(scene: Scene) -> float:
    """How far the hinge lies from the knee in the leg's plane."""
    leg = _person(scene).leg
    off = scene.points["hinge"] - leg.knee
    return 1000 * math.hypot(float(off @ leg.thigh), float(off @ leg.thigh_front))


def _shot(renderer: Renderer, scene: Scene, rng: np.random.Generator) -> Drawn | None:
    dots, radius, f35_mm = discs(scene), rng.uniform(0.0085, 0.0115), draw_focal(rng)
    if len(dots) < len(LEG_POINTS + MACHINE_POINTS):
        return None
    for _ in range(12):
        camera = draw_camera(scene, rng, size=renderer.size)
        if camera.framing in ("elsewhere", "empty"):
            continue
        camera = as_phone(scene, camera, f35_mm=f35_mm)
        rims = {n: outline(camera, place, normal, radius) for n, place, normal in dots}
        low, high = np.array(camera.window[:2]) + 3, np.array(camera.window[2:]) - 3
        inside = all((rim > low).all() and (rim < high).all() for rim in rims.values())
        inside = inside and smallest_px(rims) >= LEAST_DIAMETER * renderer.size
        inside = inside and all_apart(rims)
        if inside and len(unhidden(scene, camera, dots)) == len(dots):
            break
    else:
        return None
    light, seed = draw_light(rng, scene.person), int(rng.integers(2**31))
    x0, y0, x1, y1 = camera.window
    bare, white = (
        renderer.render(s, [(camera, light)], np.random.default_rng(seed))[0][y0:y1, x0:x1]
        for s in (scene, with_discs(scene, dots, radius))
    )
    corner = np.array([x0, y0])
    places = {name: camera.project(at[None])[0] - corner for name, at, _ in dots}
    return Drawn(
        bare, white,
        {name: rim - corner for name, rim in rims.items()},
        places,
        f35_mm,
        hinge_off_mm(scene),
        _truth(scene, camera, places, light=float(bare.mean()), diameter_mm=2000 * radius),
    )  # fmt: skip


def _truth(
    scene: Scene, camera: Camera, places: dict[str, np.ndarray], *, light: float, diameter_mm: float
) -> dict[str, Any]:
    """What sample photos have beside them."""
    truth = truth_of(scene, camera, mirrored=False, light=light)
    knee_m = camera.turn @ _person(scene).leg.skin["knee"] + camera.shift
    for name in LEG_POINTS:
        truth["landmarks"][name]["marker_px"] = places[name].tolist()
    for name in MACHINE_POINTS:
        truth["machine"]["points"][name]["px"] = places[name].tolist()
    truth["camera"]["mm_per_px_at_knee"] = 1000 * float(knee_m[2]) / camera.focal_px
    return truth | {"dots": True, "dot_diameter_mm": diameter_mm}
