"""What happens to dots at a bedside, one accident to a picture; see `knee_angle.training.painted`.

Each takes a painted picture and its scene and gives a picture with what it moved: most keep
every dot where it was, a cut at the picture's edge moves them all.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import cv2
import numpy as np

from knee_angle.records import LEG_POINTS
from knee_angle.training.painted import Drawn

Floats = np.ndarray
DARK_MAGENTA = ((81, 27, 60), (108, 27, 60))
"""Two ends of what a dark magenta sticker looked like in a photo, sRGB."""


@dataclass(frozen=True)
class Photographed:
    """How a picture is taken, and whose dot an accident befell."""

    picture: Floats
    shift: tuple[float, float] = (0.0, 0.0)
    blur_px: float = 0.0
    quality: int = 85
    name: str | None = None


def _usual(picture: Floats, _: Drawn, rng: np.random.Generator) -> Photographed:
    blur = float(rng.choice([0, 0, 1, 2]))
    return Photographed(picture, blur_px=blur, quality=int(rng.integers(70, 96)))


def _blurred(picture: Floats, _: Drawn, rng: np.random.Generator) -> Photographed:
    """The phone moved by 3 to 5 px, and the file is small."""
    return Photographed(picture, blur_px=float(rng.uniform(3, 5)), quality=50)


def _shadowed(picture: Floats, drawn: Drawn, rng: np.random.Generator) -> Photographed:
    """A shadow's edge runs through one dot."""
    name = str(rng.choice(list(drawn.xy)))
    turn = rng.uniform(0, 2 * np.pi)
    y, x = np.mgrid[0 : picture.shape[0], 0 : picture.shape[1]] + 0.5
    off = (x - drawn.xy[name][0]) * np.cos(turn) + (y - drawn.xy[name][1]) * np.sin(turn)
    soft = rng.uniform(0.7, 4.0)
    lit = 1.0 / (1.0 + np.exp(-off / soft))
    dark = rng.uniform(0.45, 0.8)  # 0.17 to 0.6 of the light
    return Photographed(picture * (dark + (1 - dark) * lit)[..., None], name=name)


def _glaring(picture: Floats, drawn: Drawn, rng: np.random.Generator) -> Photographed:
    """The flash glares from a part of one or two dots."""
    result = np.array(picture, dtype=float)
    y, x = np.mgrid[0 : picture.shape[0], 0 : picture.shape[1]] + 0.5
    names = rng.choice(list(drawn.xy), size=int(rng.integers(1, 3)), replace=False)
    for name in names:
        radius = _radius(drawn, name)
        turn, far = rng.uniform(0, 2 * np.pi), rng.uniform(0.2, 0.8) * radius
        cx, cy = drawn.xy[name] + far * np.array([np.cos(turn), np.sin(turn)])
        spread = rng.uniform(0.25, 0.4) * radius
        result += 420.0 * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * spread**2))[..., None]
    return Photographed(np.clip(result, 0, 255), name=str(names[0]))


def _half_hidden(picture: Floats, drawn: Drawn, rng: np.random.Generator) -> Photographed:
    """A fold or a finger covers a third to a half of one dot."""
    name = str(rng.choice(LEG_POINTS))
    radius, turn = _radius(drawn, name), rng.uniform(0, 2 * np.pi)
    way = np.array([np.cos(turn), np.sin(turn)])
    side = np.array([-way[1], way[0]])
    start = drawn.xy[name] + rng.uniform(0.0, 0.3) * radius * way
    corners = [start + a * side + b * way for a, b in ((-3, 0), (3, 0), (2, 3), (-2, 3))]
    corners = [start + (c - start) * radius for c in corners]
    cover = np.zeros(picture.shape[:2], np.uint8)
    cv2.fillPoly(cover, [np.round(np.array(corners) * 16).astype(np.int32)], 255, shift=4)
    soft = cv2.GaussianBlur(cover, (0, 0), 0.8)[..., None] / 255.0
    far = np.clip((drawn.xy[name] + 4.0 * radius * way).astype(int), 0, None)
    row, column = min(far[1], picture.shape[0] - 1), min(far[0], picture.shape[1] - 1)
    colour = drawn.bare[row, column] * rng.uniform(0.8, 1.2)
    cloth = colour + cv2.GaussianBlur(rng.normal(0, 25, picture.shape), (0, 0), 2.0)
    return Photographed(np.clip(picture * (1 - soft) + cloth * soft, 0, 255), name=name)


def _at_the_edge(picture: Floats, drawn: Drawn, rng: np.random.Generator) -> Photographed:
    """The picture ends at, or within, the outermost dot on one side."""
    axis, far = int(rng.integers(2)), bool(rng.integers(2))
    name = (max if far else min)(drawn.xy, key=lambda one: drawn.xy[one][axis])
    radius = _radius(drawn, name)
    cut = drawn.xy[name][axis] + (1 if far else -1) * rng.uniform(-0.3, 1.3) * radius
    at = int(np.clip(round(cut), 1, picture.shape[1 - axis] - 1))
    if far:
        part = picture[:, :at] if axis == 0 else picture[:at]
        return Photographed(part, name=name)
    part = picture[:, at:] if axis == 0 else picture[at:]
    return Photographed(part, shift=(at, 0) if axis == 0 else (0, at), name=name)


def _radius(drawn: Drawn, name: str) -> float:
    return float(np.sqrt(cv2.contourArea(drawn.rims[name].astype(np.float32)) / np.pi))


ACCIDENTS: Mapping[
    str, Callable[[Floats, Drawn, np.random.Generator], Photographed]
] = {
    "plain": _usual,
    "blur 3-5 px, quality 50": _blurred,
    "dark magenta": _usual,
    "dark magenta, blur": _blurred,
    "a shadow's edge": _shadowed,
    "glare": _glaring,
    "half hidden": _half_hidden,
    "at the picture's edge": _at_the_edge,
}  # fmt: skip
"""Words to what happens."""
SPOILT = ("glare", "half hidden", "at the picture's edge")
"""Where the dot that it befell is not seen whole."""


def dark_magenta(rng: np.random.Generator) -> Floats:
    """A dark magenta sticker's colour, sRGB 0-1."""
    low, high = np.array(DARK_MAGENTA) / 255.0
    return np.asarray(low + (high - low) * rng.random())
