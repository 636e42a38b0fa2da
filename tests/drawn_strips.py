"""Strips of printed tags drawn into pictures under known poses, by exact homographies."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
from drawn_bars import paint
from numpy.typing import NDArray
from PIL import Image, ImageOps

if TYPE_CHECKING:
    from conftest import Scene

TAG_MM, GAP_MM = 50.0, 8.0
CELL_PX = 60
WHITE_PX = round(CELL_PX * 8 * GAP_MM / 2 / TAG_MM)
"""Half a gap of white on each side of a tag."""
F35_TAG, EXIF_IFD = 0xA405, 0x8769
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Strip:
    """A strip in space: numbers from left to right, middle and axes in any world, mm.

    ``moved_mm`` shifts the tag at one place (along, down); ``radius_mm`` bends the strip
    away from the camera about its upright middle line.
    """

    numbers: tuple[int, ...]
    middle: tuple[float, float, float]
    along: tuple[float, float, float]
    away: tuple[float, float, float]
    moved_mm: tuple[int, float, float] | None = None
    radius_mm: float | None = None
    places: tuple[int, ...] | None = None

    def corners_mm(self) -> Floats:
        """Corners (n, 4, 3) as printed, from top left clockwise."""
        square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * TAG_MM
        places = np.array(self.places or range(len(self.numbers)))
        flat = square + np.stack([places * (TAG_MM + GAP_MM), 0.0 * places], -1)[:, None]
        flat = flat - flat.reshape(-1, 2).mean(axis=0)
        if self.moved_mm is not None:
            which, along, down = self.moved_mm
            flat[which] += [along, down]
        along, away = (np.array(v) / np.linalg.norm(v) for v in (self.along, self.away))
        down = np.cross(away, along)
        x, y, z = flat[..., 0], flat[..., 1], np.zeros(flat.shape[:-1])
        if self.radius_mm is not None:
            x, z = (
                self.radius_mm * np.sin(x / self.radius_mm),
                self.radius_mm * (1 - np.cos(x / self.radius_mm)),
            )
        return np.asarray(
            np.array(self.middle) + x[..., None] * along + y[..., None] * down + z[..., None] * away
        )


def draw_strip(picture: NDArray[np.uint8], numbers: Sequence[int], corners_px: Floats) -> None:
    """Draw the tags of a strip, each on a card of its own; ``corners_px`` (n, 4, 2)."""
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    for number, four in zip(numbers, corners_px, strict=True):
        tag = cv2.aruco.generateImageMarker(family, number, 8 * CELL_PX)
        card = np.pad(tag, WHITE_PX, constant_values=255)
        inner = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * 8.0 * CELL_PX + WHITE_PX
        paint(picture, card, inner, four)


def on_photo(scene: Scene, *strips: Strip) -> bytes:
    """A sample photo as JPEG with strips added in its world, by the truth's camera."""
    with Image.open(scene.photo) as file:
        upright = ImageOps.exif_transpose(file)
        exif = upright.getexif()
        picture = np.array(upright.convert("RGB"))
    camera = scene.truth["camera"]
    for strip in strips:
        at = strip.corners_mm() @ np.array(camera["R"]).T + np.array(camera["t_mm"])
        px = at[..., :2] / at[..., 2:] * camera["fx"] + [camera["cx"], camera["cy"]]
        draw_strip(picture, strip.numbers, px)
    out = io.BytesIO()
    Image.fromarray(picture).save(out, "JPEG", quality=95, exif=exif)
    return out.getvalue()


def on_page(
    *strips: Strip, width_px: int = 1600, height_px: int = 1200, f35_mm: int = 26
) -> tuple[bytes, float]:
    """A grey page with strips in camera coordinates, as JPEG, and its focal length in px."""
    picture = np.full((height_px, width_px, 3), 120, np.uint8)
    focal_px = float(f35_mm / 43.2666 * np.hypot(width_px, height_px))
    for strip in strips:
        at = strip.corners_mm()
        px = at[..., :2] / at[..., 2:] * focal_px + [width_px / 2, height_px / 2]
        draw_strip(picture, strip.numbers, px)
    exif = Image.Exif()
    exif.get_ifd(EXIF_IFD)[F35_TAG] = f35_mm
    out = io.BytesIO()
    Image.fromarray(picture).save(out, "JPEG", quality=95, exif=exif)
    return out.getvalue(), focal_px
