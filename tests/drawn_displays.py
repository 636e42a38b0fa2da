"""Displays drawn for the tests, in fonts that no training saw."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import reportlab

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
