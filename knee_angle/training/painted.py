"""Photos with six adhesive dots at known places, painted in any pigment and photographed.

A scene is drawn twice, bare and with white dots: what differs is what is seen of a dot, so
that "visible" means seen by an eye and not just within the picture.
"""

from __future__ import annotations

import colorsys
import io
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from PIL import Image

from knee_angle.records import LEG_POINTS

WHITE = 0.95
"""sRGB of the white dots, 0-1."""
LEAST_SEEN = 0.8
"""Share of a dot that differs clearly from the picture without it."""
CLEAR_RGB = 40.0
EXIF_IFD, EXIF_F35 = 0x8769, 0xA405


@dataclass(frozen=True)
class Drawn:
    """One scene as it is, and with white dots; canvas pixels are the photo's.

    ``rims`` (24, 2) and ``xy`` (2,) are where each dot's rim and centre lie, by name;
    ``truth`` is what sample photos have beside them.
    """

    bare: np.ndarray
    white: np.ndarray
    rims: dict[str, np.ndarray]
    xy: dict[str, np.ndarray]
    f35_mm: float
    offset_mm: float
    truth: Mapping[str, Any] = field(default_factory=dict)

    @property
    def segment_px(self) -> float:
        """Mean length of thigh and shank in the picture."""
        leg = np.array([self.xy[name] for name in LEG_POINTS])
        return float(np.linalg.norm(np.diff(leg, axis=0), axis=1).mean())

    @property
    def diameter_px(self) -> float:
        """Of the smallest dot, as a disc of the same area."""
        return smallest_px(self.rims)

    def painted(self, rgb: np.ndarray) -> np.ndarray:
        """The picture with its dots in another pigment (sRGB 0-1), under the same light."""
        linear = (self.white / 255.0) ** 2.2 * (rgb**2.2 / WHITE**2.2)
        dots = 255.0 * np.clip(linear, 0, 1) ** (1 / 2.2)
        cover = np.zeros(self.bare.shape[:2], np.float32)
        for rim in self.rims.values():
            cover = np.maximum(cover, filled(rim, cover.shape))
        seen = cv2.dilate(self.differs(self.white).astype(np.uint8), np.ones((3, 3), np.uint8))
        cover = (cover * seen)[..., None]
        return np.asarray(self.bare * (1 - cover) + dots * cover)

    def differs(self, picture: np.ndarray, by_rgb: float = 4.0) -> np.ndarray:
        """Where a picture shows something else than the bare one."""
        return np.linalg.norm(picture.astype(float) - self.bare, axis=2) > by_rgb

    def seen(self, picture: np.ndarray) -> dict[str, float]:
        """Share of each dot that an eye sees in a picture."""
        clear = self.differs(picture, CLEAR_RGB)
        inner = {name: filled(rim, clear.shape) > 0.95 for name, rim in self.rims.items()}
        return {n: float(clear[m].mean()) if m.any() else 0.0 for n, m in inner.items()}

    def visible(self, picture: np.ndarray) -> bool:
        """Whether all six dots are plainly there."""
        return min(self.seen(picture).values()) >= LEAST_SEEN

    def befallen(self, picture: np.ndarray, bare: np.ndarray, shift: tuple[float, float]) -> Drawn:
        """The scene after something befell it: its picture without dots, and what moved."""
        moved = {n: rim - shift for n, rim in self.rims.items()}
        at = {n: xy - shift for n, xy in self.xy.items()}
        return Drawn(bare, picture, moved, at, self.f35_mm, self.offset_mm, self.truth)


def smallest_px(rims: dict[str, np.ndarray]) -> float:
    """Diameter of the smallest dot, as a disc of the same area."""
    area = min(cv2.contourArea(rim.astype(np.float32)) for rim in rims.values())
    return 2 * math.sqrt(area / math.pi)


def filled(rim: np.ndarray, shape: tuple[int, ...]) -> np.ndarray:
    """Share of each pixel within an outline, 0 to 1."""
    fine = np.zeros((shape[0], shape[1]), np.uint8)
    x0, y0 = np.maximum(np.floor(rim.min(axis=0)).astype(int) - 1, 0)
    x1, y1 = np.ceil(rim.max(axis=0)).astype(int) + 2
    part = np.zeros((max(y1 - y0, 1) * 8, max(x1 - x0, 1) * 8), np.uint8)
    cv2.fillPoly(part, [np.round((rim - (x0, y0)) * 8).astype(np.int32)], 255)
    part = cv2.resize(part, None, fx=1 / 8, fy=1 / 8, interpolation=cv2.INTER_AREA)
    part = part[: max(shape[0] - y0, 0), : max(shape[1] - x0, 0)]
    fine[y0 : y0 + part.shape[0], x0 : x0 + part.shape[1]] = part
    return fine.astype(np.float32) / 255.0


def pigment(rng: np.random.Generator) -> np.ndarray:
    """A sticker's colour, sRGB 0-1: mostly vivid, one in eight black."""
    if rng.random() < 0.125:
        return np.full(3, rng.uniform(0.02, 0.1))
    rgb = colorsys.hsv_to_rgb(rng.uniform(), rng.uniform(0.7, 1.0), rng.uniform(0.35, 1.0))
    return np.array(rgb)


def photographed(
    picture: np.ndarray, rng: np.random.Generator, *, f35_mm: float,
    blur_px: float = 0.0, quality: int = 90, noise_rgb: float = 2.0,
) -> bytes:  # fmt: skip
    """As a phone keeps it: a straight motion, noise, JPEG."""
    if blur_px > 0.0:
        picture = smeared(picture, blur_px, rng.uniform(0, 180))
    noisy = picture + rng.normal(0, noise_rgb, picture.shape)
    image = Image.fromarray(np.clip(noisy, 0, 255).astype(np.uint8))
    exif = Image.Exif()
    exif.get_ifd(EXIF_IFD)[EXIF_F35] = round(f35_mm)
    data = io.BytesIO()
    image.save(data, "JPEG", quality=quality, exif=exif)
    return data.getvalue()


def smeared(picture: np.ndarray, length_px: float, angle_deg: float) -> np.ndarray:
    """A straight motion of the phone while the shutter was open."""
    size = 2 * math.ceil(length_px / 2) + 3
    fine = np.zeros((size * 16, size * 16), np.float32)
    turn = math.radians(angle_deg)
    way = 8.0 * length_px * np.array([math.cos(turn), math.sin(turn)])
    one, other = (np.round(size * 8.0 + s * way).astype(int).tolist() for s in (-1, 1))
    cv2.line(fine, one, other, (1.0,), 16)
    kernel = cv2.resize(fine, (size, size), interpolation=cv2.INTER_AREA)
    return cv2.filter2D(np.asarray(picture, np.float32), -1, kernel / kernel.sum())
