"""Photos with exact truth to judge by, of bodies and seeds that no training saw.

Each is one picture as a phone takes it: of the shape of its sensor, the lens in the middle,
its focal length and size in the EXIF, the leg where it happens to be. ``NAME.jpg`` has its
truth in ``NAME.json``, in the form of the sample photos, and under ``drawn`` what the picture
was made of.
Neither dots nor tags are in them. Photos without a leg have no true flexion.
"""

from __future__ import annotations

import json
import math
import multiprocessing
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import repeat
from pathlib import Path
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from knee_angle.angle import geometry
from knee_angle.assumptions import CAMERA_SHAPES
from knee_angle.records import LEG_POINTS, MACHINE_POINTS
from knee_angle.training.bodies import Bank, girth, load_bank
from knee_angle.training.pictures import load_pictures, spare_pictures
from knee_angle.training.renderer import Renderer
from knee_angle.training.samples import bend_deg
from knee_angle.training.scene import (
    Camera,
    Scene,
    as_phone,
    blocked,
    build_scene,
    camera_on,
    draw_camera,
    draw_focal,
    draw_light,
)
from knee_angle.training.stream import Source

__all__ = ["KINDS", "Order", "draw_photos"]

Floats = NDArray[np.float64]
Rgb = NDArray[np.uint8]
Kind = Literal["bed", "free", "none"]
KINDS: tuple[Kind, ...] = ("bed", "free", "none")
NOTHING = ("room", "arm", "upper body", "drawing", "library picture")
SENSOR = CAMERA_SHAPES[0]
EXIF_IFD, EXIF_F35, EXIF_WIDE, EXIF_HIGH = 0x8769, 0xA405, 0xA002, 0xA003


@dataclass(frozen=True)
class Order:
    """What to draw.

    Parameters
    ----------
    kind : {"bed", "free", "none"}
        A patient in bed, somebody anywhere, or pictures without a leg.
    count, seed : int
        Photo ``n`` depends on ``seed`` and ``n`` alone.
    size : int
        Longer side, pixels.
    reshaped : float
        Share of people whose legs have a shape that no body of the bank has.
    """

    kind: Kind
    count: int
    seed: int
    size: int = 640
    reshaped: float = 0.0


def draw_photos(order: Order, *, source: Source, folder: Path, workers: int) -> None:
    """Draws the photos into a folder, with so many processes."""
    folder.mkdir(parents=True, exist_ok=True)
    shares = [range(w, order.count, workers) for w in range(workers)]
    if workers == 1:
        _draw_share(order, source, folder, shares[0])
        return
    with multiprocessing.get_context("fork").Pool(workers) as pool:
        pool.starmap(
            _draw_share,
            zip(repeat(order), repeat(source), repeat(folder), shares, strict=False),
        )


def _draw_share(order: Order, source: Source, folder: Path, numbers: range) -> None:
    """One process's photos."""
    bank, pictures = load_bank(source.bank), load_pictures(source.pictures)
    renderer = Renderer(size=order.size, pictures=pictures, device=source.device)
    for number in numbers:
        rng = np.random.default_rng([order.seed, KINDS.index(order.kind), number])
        if order.kind == "none":
            picture, truth, f35_mm = _without_leg(bank, renderer, len(pictures), rng, number)
        else:
            picture, truth, f35_mm = _with_leg(bank, renderer, len(pictures), rng, order)
        _write(folder / f"{order.kind}_{number:04d}", picture, truth, f35_mm)
    renderer.release()


def _write(name: Path, picture: Rgb, truth: dict[str, Any], f35_mm: float | None) -> None:
    """One photo as a phone keeps it, its truth beside it."""
    image = Image.fromarray(np.ascontiguousarray(picture))
    exif = Image.Exif()
    if f35_mm is not None:
        told = exif.get_ifd(EXIF_IFD)
        told[EXIF_F35], (told[EXIF_WIDE], told[EXIF_HIGH]) = round(f35_mm), image.size
    image.save(name.with_suffix(".jpg"), quality=88, exif=exif)
    name.with_suffix(".json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")


def _with_leg(
    bank: Bank, renderer: Renderer, count: int, rng: np.random.Generator, order: Order
) -> tuple[Rgb, dict[str, Any], float]:
    """One leg whose hip, knee and ankle are in the photo; every second one a left leg."""
    kind, share = order.kind, order.reshaped
    while True:
        scene = build_scene(bank, rng, pictures=count, kind=kind, marks=False, reshaped_share=share)
        f35_mm = draw_focal(rng)
        for _ in range(8):
            camera = draw_camera(scene, rng, size=renderer.size)
            if camera.framing == "elsewhere":
                continue
            camera = _of_a_sensor(camera, upright=bool(rng.random() < 0.4))
            camera = as_phone(scene, camera, f35_mm=f35_mm)
            if _inside(scene, camera) and blocked(scene, camera.position) < 2:
                picture = _shoot(renderer, scene, camera, rng)
                mirrored = bool(rng.random() < 0.5)
                truth = truth_of(scene, camera, mirrored=mirrored, light=float(picture.mean()))
                return (picture[:, ::-1] if mirrored else picture), truth, f35_mm


def _of_a_sensor(camera: Camera, *, upright: bool) -> Camera:
    """The camera with its picture trimmed to 4:3: of other shapes it would count as cropped."""
    x0, y0, x1, y1 = camera.window
    wide, high = x1 - x0, y1 - y0
    shape = SENSOR if wide > high or (wide == high and not upright) else 1 / SENSOR
    wide, high = min(wide, round(high * shape)), min(high, round(wide / shape))
    x0, y0 = x0 + (x1 - x0 - wide) // 2, y0 + (y1 - y0 - high) // 2
    return replace(camera, window=(x0, y0, x0 + wide, y0 + high))


def _inside(scene: Scene, camera: Camera) -> bool:
    """Whether hip, knee and ankle are all in the photo."""
    at = camera.project(np.array([scene.points[n] for n in LEG_POINTS]))
    return bool((at > camera.window[:2]).all() and (at < camera.window[2:]).all())


def _shoot(renderer: Renderer, scene: Scene, camera: Camera, rng: np.random.Generator) -> Rgb:
    """The photo alone, without the canvas around it."""
    light = draw_light(rng, scene.person)
    picture = renderer.render(scene, [(camera, light)], rng)[0]
    x0, y0, x1, y1 = camera.window
    return picture[y0:y1, x0:x1]


def truth_of(scene: Scene, camera: Camera, *, mirrored: bool, light: float) -> dict[str, Any]:
    """What is true of a photo of one leg, as the sample photos have it.

    Directions are given in the camera's own frame: ``camera.R`` is the identity.
    """
    person = scene.person
    if person is None:
        message = "a photo without a person has no leg to be true of"
        raise ValueError(message)
    leg, wide = person.leg, camera.window[2] - camera.window[0]

    def pixel(point: Floats) -> list[float]:
        x, y = camera.project(point[None])[0] - camera.window[:2]
        return [float(wide - x if mirrored else x), float(y)]

    normal = camera.turn @ leg.normal
    ray = camera.turn @ leg.skin["knee"] + camera.shift
    facing = float(normal @ ray) / float(np.linalg.norm(ray))
    normal = (normal if facing < 0 else -normal) * ([-1, 1, 1] if mirrored else [1, 1, 1])
    bend = bend_deg(leg)
    flat = float(geometry.flexion_deg(*(pixel(leg.skin[n]) for n in LEG_POINTS)))
    seen = [n for n in MACHINE_POINTS if n in scene.points]
    return {
        "true_knee_flexion_deg": bend,
        "projected_2d_knee_angle_deg": flat,
        "side": "left" if mirrored else "right",
        "framing": camera.framing,
        "dots": False,
        "tags": False,
        "landmarks": {n: {"skin_px": pixel(leg.skin[n])} for n in LEG_POINTS},
        "machine": {
            "displayed_angle_int": None,
            "points": {n: {"px": pixel(scene.points[n])} for n in seen},
        },
        "sagittal_normal": normal.tolist(),
        "camera": {"R": np.eye(3).tolist()},
        "drawn": {
            "lying": scene.lying,
            "tone": scene.tone,
            "sex": person.body.sex,
            "girth": girth(person.body),
            "hip_covered": scene.hip_covered,
            "machine": bool(seen),
            "bars_minus_leg_deg": _misfit_deg(scene, abs(bend)) if seen else None,
            "light": light,
            "view_deg": math.degrees(math.acos(min(1.0, abs(facing)))),
        },
    }


def _misfit_deg(scene: Scene, flexion_deg: float) -> float:
    """By how much the machine's bars are bent more than the leg, degrees."""
    bars = np.array([scene.points[n] for n in MACHINE_POINTS])
    return float(geometry.flexion_deg(*bars)) - flexion_deg


def _without_leg(
    bank: Bank, renderer: Renderer, count: int, rng: np.random.Generator, number: int
) -> tuple[Rgb, dict[str, Any], float | None]:
    """One picture without a whole leg, of each kind of `NOTHING` in turn."""
    kind = NOTHING[number % len(NOTHING)]
    truth = {"true_knee_flexion_deg": None, "dots": False, "tags": False, "drawn": {"shows": kind}}
    if kind == "drawing":
        return _drawing(rng, renderer.size), truth, None
    if kind == "library picture":
        return _library_picture(rng, number // len(NOTHING)), truth, None
    f35_mm = draw_focal(rng)
    take: dict[str, Callable[[], tuple[Scene, Camera] | None]] = {
        "room": lambda: _room(bank, renderer, count, rng),
        "arm": lambda: _part(bank, renderer, count, rng, arm=True),
        "upper body": lambda: _part(bank, renderer, count, rng, arm=False),
    }
    while True:
        view = take[kind]()
        if view is not None:
            camera = view[1] if kind != "room" else as_phone(*view, f35_mm=f35_mm)
            return _shoot(renderer, view[0], camera, rng), truth, f35_mm


def _room(
    bank: Bank, renderer: Renderer, count: int, rng: np.random.Generator
) -> tuple[Scene, Camera]:
    """A bed or a room, perhaps with a machine in it, and nobody."""
    scene = build_scene(bank, rng, pictures=count, kind="empty")
    return scene, draw_camera(scene, rng, size=renderer.size)


def _part(
    bank: Bank, renderer: Renderer, count: int, rng: np.random.Generator, *, arm: bool
) -> tuple[Scene, Camera] | None:
    """An arm, or a person above the hips; None where more than one point of a leg shows."""
    kind = "bed" if rng.random() < 0.5 else "free"
    scene = build_scene(bank, rng, pictures=count, kind=kind, marks=False)
    person = scene.person
    if person is None:
        return None
    regions = person.body.regions
    part = regions[:, 1] > 0.5 if arm else regions[:, 0] < -0.3
    if arm:
        part &= person.vertices[:, 1] < np.median(person.vertices[:, 1])
    some = person.vertices[part]
    base = some[rng.integers(len(some), size=12)]
    camera = camera_on(scene, rng, size=renderer.size, framing="elsewhere", base=base)
    leg = person.leg
    places = [*(leg.skin[n] for n in LEG_POINTS), person.other_hip, person.other_ankle]
    at = camera.project(np.array(places))
    inside = np.all((at > camera.window[:2]) & (at < camera.window[2:]), axis=1)
    return (scene, camera) if inside[:3].sum() <= 1 and not inside[3:].all() else None


def _drawing(rng: np.random.Generator, size: int) -> Rgb:
    """Flat shapes, strokes and letters in bright colours on a plain ground: a cartoon."""
    high, wide = size * 3 // 4, size
    picture = np.full((high, wide, 3), rng.integers(120, 256, 3), np.uint8)

    def place() -> tuple[int, int]:
        return int(rng.integers(0, wide)), int(rng.integers(0, high))

    for _ in range(int(rng.integers(6, 30))):
        colour = tuple(int(v) for v in rng.integers(0, 256, 3))
        shape, width = rng.integers(5), int(rng.integers(1, 24))
        if shape == 0:
            cv2.rectangle(picture, place(), place(), colour, -1)
        elif shape == 1:
            cv2.circle(picture, place(), int(rng.integers(8, size // 5)), colour, -1)
        elif shape == 2:
            cv2.line(picture, place(), place(), colour, width, cv2.LINE_AA)
        elif shape == 3:
            corners = np.array([place() for _ in range(int(rng.integers(3, 7)))], np.int32)
            cv2.fillPoly(picture, [corners], colour, cv2.LINE_AA)
        else:
            word = "".join(chr(int(c)) for c in rng.integers(65, 91, 5))
            cv2.putText(
                picture, word, place(), 0, float(rng.uniform(0.6, 4)), colour, width // 4 + 1
            )
    return picture


def _library_picture(rng: np.random.Generator, number: int) -> Rgb:
    """A picture of a library that shows no leg: first whole, then parts of it."""
    known = spare_pictures()
    picture = known[number % len(known)]
    if number < len(known):
        return picture
    high, wide = picture.shape[:2]
    share = rng.uniform(0.4, 0.8)
    y, x = (int(rng.uniform(0, (1 - share) * n)) for n in (high, wide))
    return picture[y : y + int(share * high), x : x + int(share * wide)]
