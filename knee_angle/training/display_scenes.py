"""Pictures with panels in them, and pictures with everything else that has digits or edges.

Backgrounds are real pictures without displays (scikit-image's and scikit-learn's, see the model
card) and surfaces of noise; on them clutter, then panels, then light, lens and sensor.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from knee_angle.training.display_panels import Number, Panel, draw_label, draw_panel

__all__ = ["Scene", "World", "draw_scene", "load_world", "real_backgrounds"]

Rgb = NDArray[np.uint8]
Floats = NDArray[np.float64]
PICTURES = (
    "astronaut", "brick", "camera", "cell", "chelsea", "clock_motion", "coffee", "coins", "color",
    "grass", "gravel", "hubble_deep_field", "moon", "motorcycle_left", "motorcycle_right",
    "retina", "rocket", "text",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class World:
    """What scenes are made of: background pictures and fonts."""

    backgrounds: tuple[Rgb, ...]
    fonts: tuple[Path, ...]


@dataclass(frozen=True, slots=True)
class Scene:
    """A picture, the numbers wholly seen in it, places where one is seen in part, and print.

    `printed` are digits that no display shows, where something may lie over them; corners in
    reading order, pixels.
    """

    rgb: Rgb
    numbers: tuple[Number, ...]
    unclear: tuple[Floats, ...]
    printed: tuple[Floats, ...] = ()


def real_backgrounds() -> tuple[Rgb, ...]:
    """Pictures of scikit-image and scikit-learn, as their packages bring them."""
    import skimage
    import sklearn.datasets

    folders = [
        Path(skimage.__file__).parent / "data",
        Path(sklearn.datasets.__file__).parent / "images",
    ]
    names = (*PICTURES, "china", "flower")
    paths = [p for f in folders for p in sorted(f.iterdir()) if p.stem in names]
    read = [cv2.imread(str(p), cv2.IMREAD_COLOR) for p in paths if p.suffix in {".png", ".jpg"}]
    return tuple(np.ascontiguousarray(p[..., ::-1]) for p in read if p is not None)


def load_world(fonts: Path, backgrounds: Path) -> World:
    """Fonts and pictures of two folders."""
    faces = tuple(sorted([*fonts.glob("*.ttf"), *fonts.glob("*.otf")]))
    pictures = [cv2.imread(str(p), cv2.IMREAD_COLOR) for p in sorted(backgrounds.glob("*.jpg"))]
    seen = tuple(np.ascontiguousarray(p[..., ::-1]) for p in pictures if p is not None)
    return World(seen, faces)


def _surface(rng: np.random.Generator, size: int) -> Rgb:
    """A surface with a gradient and soft noise."""
    picture = np.empty((size, size, 3), np.float32)
    picture[:] = rng.uniform(10, 245, 3) if rng.random() < 0.5 else rng.uniform(10, 245)
    coarse = rng.normal(0, rng.uniform(0, 30), (int(rng.integers(2, 12)),) * 2).astype(np.float32)
    picture += cv2.resize(coarse, (size, size), interpolation=cv2.INTER_CUBIC)[..., None]
    return np.clip(picture, 0, 255).astype(np.uint8)


def _background(rng: np.random.Generator, world: World, size: int) -> Rgb:
    if not world.backgrounds or rng.random() < 0.35:
        return _surface(rng, size)
    whole = world.backgrounds[int(rng.integers(len(world.backgrounds)))]
    side = int(rng.uniform(0.25, 1.0) * min(whole.shape[:2]))
    y, x = (int(rng.integers(0, n - side + 1)) for n in whole.shape[:2])
    part = whole[y : y + side, x : x + side]
    if rng.random() < 0.5:
        part = part[:, ::-1]
    part = np.rot90(part, int(rng.integers(4)))
    way = cv2.INTER_AREA if side > size else cv2.INTER_LINEAR
    return np.array(cv2.resize(np.ascontiguousarray(part), (size, size), interpolation=way))


def _shapes(rng: np.random.Generator, picture: Rgb) -> None:
    """Bars, plates, discs, cables: what stands about in a room."""
    size = picture.shape[0]
    for _ in range(int(rng.integers(0, 9))):
        colour = tuple(int(v) for v in np.clip(rng.uniform(0, 255) + rng.normal(0, 40, 3), 0, 255))
        a, b = (tuple(int(v) for v in rng.integers(-20, size + 20, 2)) for _ in range(2))
        kind = rng.random()
        if kind < 0.4:
            cv2.line(picture, a, b, colour, int(rng.integers(1, max(2, size // 14))), cv2.LINE_AA)
        elif kind < 0.6:
            cv2.circle(picture, a, int(rng.integers(2, size // 6)), colour,
                       int(rng.choice([-1, 2])), cv2.LINE_AA)  # fmt: skip
        else:
            box = cv2.boxPoints((a, tuple(float(v) for v in rng.uniform(4, size / 2, 2)),
                                 float(rng.uniform(0, 180))))  # fmt: skip
            cv2.fillPoly(picture, [box.astype(np.int32)], colour, cv2.LINE_AA)


def _tag(rng: np.random.Generator) -> Rgb:
    """A printed tag, or four in a row."""
    family = cv2.aruco.getPredefinedDictionary(
        int(rng.choice([cv2.aruco.DICT_APRILTAG_36h11, cv2.aruco.DICT_4X4_250]))
    )
    side, count = 64, int(rng.choice([1, 4]))
    row = np.full((side + 20, count * (side + 12) + 8), 255, np.uint8)
    for i in range(count):
        tag = cv2.aruco.generateImageMarker(family, int(rng.integers(0, 200)), side)
        row[10 : 10 + side, 10 + i * (side + 12) : 10 + i * (side + 12) + side] = tag
    return np.repeat(row[..., None], 3, 2)


def _dial(rng: np.random.Generator) -> Rgb:
    """A clock's face or a protractor's scale: printed numbers around, and hands."""
    side = 180
    face = np.full((side, side, 3), int(rng.integers(150, 255)), np.uint8)
    ink = tuple(int(v) for v in rng.uniform(0, 90, 3))
    clock = rng.random() < 0.6
    names = [str(i) for i in range(1, 13)] if clock else [str(10 * i) for i in range(15)]
    for i, name in enumerate(names):
        angle = 2 * np.pi * (i + 1) / len(names) - np.pi / 2
        at = side / 2 + 70 * np.array([np.cos(angle), np.sin(angle)])
        cv2.putText(face, name, (int(at[0]) - 8, int(at[1]) + 5), int(rng.integers(0, 5)), 0.42,
                    ink, 1, cv2.LINE_AA)  # fmt: skip
    for length in (40, 58):
        angle = rng.uniform(0, 2 * np.pi)
        end = side / 2 + length * np.array([np.cos(angle), np.sin(angle)])
        cv2.line(face, (side // 2, side // 2), (int(end[0]), int(end[1])), ink, 3, cv2.LINE_AA)
    return face


def _plate(rng: np.random.Generator, world: World) -> tuple[Rgb, list[Floats]]:
    """Something flat that is no display: a tag, a dial, a ruler, print, keys, a dark screen.

    And the corners of the digits printed on it.
    """
    kind = rng.random()
    if kind < 0.25:
        return _tag(rng), []
    if kind < 0.42:
        return _dial(rng), []
    printed: list[Floats] = []
    height, width = (int(v) for v in rng.integers(60, 220, 2))
    plate = np.empty((height, width, 3), np.uint8)
    plate[:] = rng.uniform(0, 255, 3) if rng.random() < 0.4 else int(rng.integers(160, 256))
    if kind < 0.55:
        for x in range(4, width, 9):
            long = int(rng.integers(8, 11)) * (2 if (x - 4) % 45 == 0 else 1)
            cv2.line(plate, (x, 0), (x, long), (20, 20, 20), 1)
    if kind < 0.85 and world.fonts:
        for _ in range(int(rng.integers(1, 7))):
            printed += draw_label(rng, plate, world.fonts, int(rng.integers(12, 44)))
    elif kind < 0.93:  # a display that is off, or its frame
        colour = tuple(int(v) for v in rng.uniform(0, 70, 3))
        cv2.rectangle(plate, (12, 12), (width - 12, height // 2 + 10), colour, -1)
    else:
        for x in range(8, width - 20, 30):
            for y in range(8, height - 20, 30):
                cv2.rectangle(
                    plate, (x, y), (x + 20, y + 20), (60, 60, 60), int(rng.choice([-1, 1]))
                )
    return plate, printed


def _turn(rng: np.random.Generator) -> float:
    """How far a panel is turned in the picture, radians: mostly upright, else any way."""
    dice = rng.random()
    if dice < 0.62:
        return float(rng.normal(0, np.radians(16)))
    if dice < 0.78:
        return float(rng.integers(4) * np.pi / 2 + rng.normal(0, np.radians(10)))
    return float(rng.uniform(-np.pi, np.pi))


def _corners(rng: np.random.Generator, width: float, height: float) -> Floats:
    """A flat thing's corners seen obliquely, shape (4, 2), about its middle, not yet scaled."""
    yaw, pitch = np.radians(np.clip(rng.normal(0, 22, 2), -50, 50))
    flat = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * np.array([width, height]) / 2
    x, y, z = flat[:, 0], flat[:, 1], np.zeros(4)
    x, z = x * np.cos(yaw) - z * np.sin(yaw), x * np.sin(yaw) + z * np.cos(yaw)
    y, z = y * np.cos(pitch) - z * np.sin(pitch), y * np.sin(pitch) + z * np.cos(pitch)
    far = 1 + z / (max(width, height) * rng.uniform(3, 12))
    seen = np.stack([x, y], 1) / far[:, None]
    turn = _turn(rng)
    c, s = np.cos(turn), np.sin(turn)
    return seen @ np.array([[c, s], [-s, c]])


def _put(
    picture: Rgb, panel: Rgb, alpha: NDArray[np.uint8], corners: Floats
) -> tuple[Floats, NDArray[np.uint8]]:
    """Lays a flat thing into a picture, in place; its map and where it covers."""
    h, w = panel.shape[:2]
    ends = np.array([(0, 0), (w, 0), (w, h), (0, h)], np.float64)
    shrink = np.linalg.norm(corners[1] - corners[0]) / w
    if shrink < 0.7:
        k = max(shrink * 1.3, 0.03)
        panel = cv2.resize(panel, None, fx=k, fy=k, interpolation=cv2.INTER_AREA)
        alpha = cv2.resize(alpha, (panel.shape[1], panel.shape[0]), interpolation=cv2.INTER_AREA)
    small = np.array([panel.shape[1] / w, panel.shape[0] / h])
    full = cv2.getPerspectiveTransform(ends.astype(np.float32), corners.astype(np.float32))
    centre = np.array([[1, 0, -0.5], [0, 1, -0.5], [0, 0, 1]])
    move = centre @ full @ np.diag([1 / small[0], 1 / small[1], 1]) @ np.linalg.inv(centre)
    low = np.maximum(np.floor(corners.min(0)).astype(int) - 1, 0)
    high = np.minimum(np.ceil(corners.max(0)).astype(int) + 1, picture.shape[1::-1])
    covers = np.zeros(picture.shape[:2], np.uint8)
    if (high <= low).any():
        return full, covers
    move = np.array([[1, 0, -low[0]], [0, 1, -low[1]], [0, 0, 1]]) @ move
    size = tuple(int(v) for v in high - low)
    seen = cv2.warpPerspective(panel, move, size, flags=cv2.INTER_LINEAR,
                               borderMode=cv2.BORDER_REPLICATE)  # fmt: skip
    over = cv2.warpPerspective(alpha, move, size, flags=cv2.INTER_LINEAR)
    part = picture[low[1] : high[1], low[0] : high[0]]
    blend = over[..., None].astype(np.float32) / 255
    part[:] = (part + (seen.astype(np.float32) - part) * blend).astype(np.uint8)
    covers[low[1] : high[1], low[0] : high[0]] = over
    return full, covers


def _glare(rng: np.random.Generator, picture: Rgb, quad: Floats) -> None:
    """A lamp or window mirrored in a display, in place."""
    size = max(6.0, float(np.linalg.norm(quad[1] - quad[0])))
    at = quad.mean(0) + rng.normal(0, 0.6, 2) * size
    box = cv2.boxPoints((tuple(float(v) for v in at),
                         tuple(float(v) for v in rng.uniform(0.15, 2.2, 2) * size),
                         float(rng.uniform(0, 180))))  # fmt: skip
    veil = np.zeros(picture.shape[:2], np.float32)
    cv2.fillPoly(veil, [box.astype(np.int32)], 1.0)
    soft = rng.uniform(0.5, 0.3 * size + 1)
    veil = cv2.GaussianBlur(veil, (0, 0), soft) * rng.uniform(0.1, 0.75)
    picture[:] = (picture + (255.0 - picture) * veil[..., None]).astype(np.uint8)


def _camera(rng: np.random.Generator, picture: Rgb, digit_px: float) -> Rgb:
    """Light, lens and sensor: what a phone makes of a scene."""
    seen = picture.astype(np.float32)
    if rng.random() < 0.5:
        sigma = rng.uniform(0.2, 0.11 * digit_px + 0.4)
        seen = cv2.GaussianBlur(seen, (0, 0), sigma)
    if rng.random() < 0.15:
        length = max(2, int(rng.uniform(0.05, 0.28) * digit_px) + 1)
        kernel = np.zeros((2 * length + 1,) * 2, np.float32)
        way = rng.uniform(0, np.pi)
        end = (int(length + length * np.cos(way)), int(length + length * np.sin(way)))
        cv2.line(kernel, (2 * length - end[0], 2 * length - end[1]), end, 1.0, 1, cv2.LINE_AA)
        seen = cv2.filter2D(seen, -1, kernel / kernel.sum())
    size = seen.shape[0]
    light = cv2.resize(rng.uniform(0.75, 1.2, (2, 2)).astype(np.float32), (size, size))
    seen = seen * (light * rng.uniform(0.45, 1.25))[..., None]
    seen = 255 * np.clip(seen / 255, 0, 1) ** rng.uniform(0.7, 1.4)
    seen = seen * rng.uniform(0.9, 1.1, 3).astype(np.float32)
    if rng.random() < 0.3:
        seen = seen * rng.uniform(0.5, 0.95) + rng.uniform(5, 90)
    grain = rng.uniform(0, 9) if rng.random() < 0.8 else rng.uniform(9, 20)
    noise = rng.standard_normal((size, size, 1), dtype=np.float32)
    seen = seen + grain * noise
    if rng.random() < 0.25:  # phones sharpen
        soft = cv2.GaussianBlur(seen, (0, 0), rng.uniform(0.7, 1.8))
        seen = seen + rng.uniform(0.3, 1.5) * (seen - soft)
    out = np.clip(seen, 0, 255).astype(np.uint8)
    if rng.random() < 0.7:
        quality = [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(40, 96))]
        out = cv2.imdecode(cv2.imencode(".jpg", out, quality)[1], cv2.IMREAD_COLOR)
    return np.ascontiguousarray(out)


def draw_scene(
    rng: np.random.Generator,
    world: World,
    *,
    size: int,
    panels: int,
    digit_px: tuple[float, float],
    clutter: int = 3,
) -> Scene:
    """A picture with so many panels.

    Parameters
    ----------
    rng : Generator
        Chooses everything.
    world : World
        Backgrounds and fonts.
    size : int
        Width and height, pixels.
    panels, clutter : int
        Displays, and at most so many flat things that are none.
    digit_px : (float, float)
        Smallest and largest height of the first line's digits, by its logarithm.
    """
    picture = _background(rng, world, size)
    _shapes(rng, picture)
    printed: list[Floats] = []
    for _ in range(int(rng.integers(0, clutter + 1))):
        plate, digits = _plate(rng, world)
        corners = _corners(rng, plate.shape[1], plate.shape[0])
        corners = corners * np.exp(rng.uniform(np.log(0.15), np.log(2.0)))
        full = np.full(plate.shape[:2], 255, np.uint8)
        flat, _ = _put(picture, plate, full, corners + rng.uniform(0, size, 2))
        printed += [cv2.perspectiveTransform(q[None], flat)[0] for q in digits]
    found: list[Number] = []
    unclear: list[Floats] = []
    height = float(np.exp(rng.uniform(*np.log(digit_px))))
    for _ in range(panels):
        panel = draw_panel(rng, world.fonts)
        placed, digits, covers = _place(rng, picture, panel, height)
        printed += digits
        hidden = [n for n in found if _covered(n.quad, covers)]
        unclear += [n.quad for n in hidden]
        found = [n for n in found if not any(n is h for h in hidden)]
        for number in placed:
            if _inside(number.quad, size):
                found.append(number)
            else:
                unclear.append(number.quad)
        height = float(np.exp(rng.uniform(*np.log(digit_px))))
    for number in found:
        if rng.random() < 0.2:
            _glare(rng, picture, number.quad)
    sizes = [np.linalg.norm(n.quad[3] - n.quad[0]) for n in found]
    out = _camera(rng, picture, float(min(sizes, default=12.0)))
    seen = [q for q in printed if _inside(q, size)]
    return Scene(out, tuple(found), tuple(unclear), tuple(seen))


def _place(
    rng: np.random.Generator, picture: Rgb, panel: Panel, height: float
) -> tuple[list[Number], list[Floats], NDArray[np.uint8]]:
    """Puts a panel somewhere with its first line's digits so high; its numbers and print there."""
    h, w = panel.rgb.shape[:2]
    corners = _corners(rng, w, h)
    ends = np.array([(0, 0), (w, 0), (w, h), (0, h)], np.float32)
    quads = [n.quad for n in panel.numbers] or [ends.astype(np.float64) / 4]
    flat = cv2.getPerspectiveTransform(ends, corners.astype(np.float32))
    first = cv2.perspectiveTransform(quads[0][None], flat)[0]
    seen = float(np.linalg.norm(first[3] + first[2] - first[0] - first[1])) / 2
    corners, first = corners * height / seen, first * height / seen
    reach = np.abs(first - first.mean(0)).max(0) + 2
    size = picture.shape[0]
    room = np.maximum(size - 2 * reach, 1)
    at = np.minimum(reach, size / 2) + rng.uniform(0, 1, 2) * room - first.mean(0)
    full, covers = _put(picture, panel.rgb, panel.alpha, corners + at)
    numbers = [
        Number(n.says, cv2.perspectiveTransform(n.quad[None], full)[0]) for n in panel.numbers
    ]
    digits = [cv2.perspectiveTransform(q[None], full)[0] for q in panel.printed]
    return numbers, digits, covers


def _inside(quad: Floats, size: int) -> bool:
    return bool((quad > 1).all() and (quad < size - 1).all())


def _covered(quad: Floats, covers: NDArray[np.uint8]) -> bool:
    """Whether a later panel lies over a number or close to it."""
    mask = np.zeros_like(covers)
    grown = quad.mean(0) + (quad - quad.mean(0)) * 1.25
    cv2.fillPoly(mask, [np.round(grown).astype(np.int32)], 1)
    return bool((covers[mask > 0] > 0).any())
