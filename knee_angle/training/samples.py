"""Pictures with their truth, as arrays of fixed shape that training can keep in bulk."""

from __future__ import annotations

import math
import zlib
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from knee_angle.angle import geometry
from knee_angle.records import LEG_POINTS
from knee_angle.training.bodies import Bank, girth
from knee_angle.training.posing import Leg
from knee_angle.training.renderer import Renderer
from knee_angle.training.scene import (
    FRAMINGS,
    POINTS,
    Camera,
    Scene,
    build_scene,
    draw_camera,
    draw_light,
)

__all__ = ["META", "Sample", "bend_deg", "label", "samples"]

Floats = NDArray[np.float32]
META = (
    "framing",
    "lying",
    "flexion_deg",
    "tone",
    "female",
    "hip_covered",
    "light",
    "tilt_deg",
    "machine",
    "size_index",
    "bend_deg",
)


@dataclass(frozen=True)
class Sample:
    """One picture with its truth.

    Parameters
    ----------
    picture : ndarray, shape (S, S, 3), uint8
        RGB.
    points : ndarray, shape (8, 2), float32
        Pixels of the canvas; NaN where a point does not exist.
    window : ndarray, shape (4,), float32
        The part of the canvas that the photo covers: x0, y0, x1, y1.
    camera : ndarray, shape (3,), float32
        Focal length and principal point, pixels of the canvas.
    normal : ndarray, shape (3,), float32
        The leg's flexion axis in the camera's frame, on the camera's side; NaN
        without a leg.
    meta : ndarray, shape (11,), float32
        What :data:`META` names; ``framing`` by its place in ``FRAMINGS``, ``bend_deg`` the
        flexion by the skin points about ``normal``, NaN without a leg.
    """

    picture: NDArray[np.uint8]
    points: Floats
    window: Floats
    camera: Floats
    normal: Floats
    meta: Floats


def bend_deg(leg: Leg) -> float:
    """True flexion in the leg's own plane by its skin points, degrees: what a photo is of."""
    across = np.eye(3) - np.outer(leg.normal, leg.normal)
    bend = float(geometry.flexion_deg(*(across @ leg.skin[n] for n in LEG_POINTS)))
    return math.copysign(bend, leg.flexion_deg)


def label(scene: Scene, camera: Camera, picture: NDArray[np.uint8]) -> Sample:
    """The truth of one picture."""
    points = np.full((len(POINTS), 2), np.nan, np.float32)
    names = [n for n in POINTS if n in scene.points]
    if names:
        rows = [POINTS.index(n) for n in names]
        points[rows] = camera.project(np.array([scene.points[n] for n in names]))
    normal, tilt, female, flexion, size = np.full(3, np.nan), 0.0, 0.0, 0.0, 0.0
    bend = math.nan
    if scene.person is not None:
        leg = scene.person.leg
        ray = camera.turn @ leg.skin["knee"] + camera.shift
        normal = camera.turn @ leg.normal
        facing = float(normal @ ray) / float(np.linalg.norm(ray))
        normal = normal if facing < 0 else -normal
        bend = bend_deg(leg) if facing < 0 else -bend_deg(leg)
        tilt = float(np.degrees(np.arccos(min(1.0, abs(facing)))))
        female, flexion = float(scene.person.body.sex == "female"), leg.flexion_deg
        size = girth(scene.person.body)
    x0, y0, x1, y1 = camera.window
    values = {
        "framing": FRAMINGS.index(camera.framing),
        "lying": float(scene.lying),
        "flexion_deg": flexion,
        "tone": scene.tone,
        "female": female,
        "hip_covered": float(scene.hip_covered),
        "light": float(picture[y0:y1, x0:x1].mean()),
        "tilt_deg": tilt,
        "machine": float("hinge" in scene.points),
        "size_index": size,
        "bend_deg": bend,
    }
    return Sample(
        picture,
        points,
        np.array(camera.window, np.float32),
        np.array([camera.focal_px, *camera.centre_px], np.float32),
        normal.astype(np.float32),
        np.array([values[name] for name in META], np.float32),
    )


def samples(
    bank: Bank,
    renderer: Renderer,
    *,
    pictures: int,
    seed: int | list[int],
    shots: int = 2,
    kind: str | None = None,
) -> Iterator[Sample]:
    """Endless pictures; the same seed gives the same ones.

    Parameters
    ----------
    shots : int
        Pictures of one scene, each with its own camera and light: building a scene
        costs more than drawing it.
    kind : {"bed", "free", "empty"}, optional
        See :func:`knee_angle.training.scene.build_scene`.
    """
    rng = np.random.default_rng(seed)
    while True:
        scene = build_scene(bank, rng, pictures=pictures, kind=kind)
        views = [
            (draw_camera(scene, rng, size=renderer.size), draw_light(rng, scene.person))
            for _ in range(shots)
        ]
        for (camera, _), picture in zip(views, renderer.render(scene, views, rng), strict=True):
            yield label(scene, camera, picture)


def fingerprint(sample: Sample) -> int:
    """A checksum of the picture's bytes."""
    return zlib.crc32(sample.picture.tobytes())
