"""Displays drawn for the tests, in fonts that no training saw."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import cv2
import numpy as np
import reportlab

from knee_angle.training.display_glyphs import segment_line
from knee_angle.training.display_scenes import Scene, World, draw_scene

FONTS = Path(reportlab.__file__).parent / "fonts"


@cache
def world() -> World:
    """Surfaces of noise for backgrounds; the fonts that reportlab brings."""
    return World((), (FONTS / "Vera.ttf", FONTS / "VeraBd.ttf"))


def drawn(seed: int, *, panels: int = 1, digit_px: tuple[float, float] = (16.0, 44.0)) -> Scene:
    """A picture of 512 px with so many displays."""
    rng = np.random.default_rng([2027, seed])
    return draw_scene(rng, world(), size=512, panels=panels, digit_px=digit_px, clutter=4)


def in_segments(text: str) -> np.ndarray:
    """A unit on a wall that shows a number in red segments of 40 px, always of one shape."""
    line = segment_line(np.random.default_rng(2), text)
    lit = line.mask[..., None] / 255.0
    picture = np.full((240, 320, 3), 205.0)
    picture[40:190, 50:290] = (90, 96, 104)
    picture[70:160, 70:270] = (18, 14, 16)
    high, wide = lit.shape[:2]
    glass = picture[85 : 85 + high, 80 : 80 + wide]
    glass += lit * (np.array([255, 70, 50]) - glass)
    return np.rint(cv2.GaussianBlur(picture, (0, 0), 1.0)).astype(np.uint8)
