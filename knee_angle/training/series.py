"""Draws two visits of one person in one rigid machine, the truth beside each photo.

Visit ``d`` has sections that fit the leg, visit ``e`` a lower-leg section 30 mm short
(:mod:`knee_angle.training.seated`). The same seed and body give the same scenes; pixels may
differ by rounding between two makes of OpenGL.
"""

from __future__ import annotations

import json
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from knee_angle.training.bodies import build_bank, load_bank
from knee_angle.training.renderer import Renderer
from knee_angle.training.scene import Camera, Light, Scene
from knee_angle.training.seated import (
    BARS_DEG,
    F35_MM,
    FAULTS_MM,
    GAMMA,
    Visit,
    hand_held,
    shot_of,
    visit_of,
)
from knee_angle.training.series_truth import truth_of

__all__ = ["draw_series", "draw_visit"]

Rgb = NDArray[np.uint8]

FINER = 2
"""A photo is drawn so many times larger and averaged in linear light, as a sensor does."""
EXIF_IFD, EXIF_F35 = 0x8769, 0xA405


def draw_series(folder: Path, *, seed: int, bank: Path | None = None, width: int = 1280) -> None:
    """Draws all photos of both visits with their truth into a folder.

    Parameters
    ----------
    folder : Path
    seed : int
    bank : Path, optional
        Kept bodies, whose first is used; without, one is made with ``anny`` from the seed.
    width : int
        Of a photo, pixels; 4:3.
    """
    folder.mkdir(parents=True, exist_ok=True)
    if bank is None:
        with tempfile.TemporaryDirectory() as place:
            kept = Path(place) / "bank.npz"
            build_bank(kept, count=1, seed=seed)
            body = load_bank(kept)[0]
    else:
        body = load_bank(bank)[0]
    renderer = Renderer(size=width * FINER, pictures=_wallpaper())
    for letter in FAULTS_MM:
        draw_visit(visit_of(body, letter, seed), renderer, folder)
    renderer.release()


def _wallpaper() -> Rgb:
    """The one picture that walls may show: an even pale page, nobody's work."""
    return np.full((1, 8, 8, 3), 215, np.uint8)


def draw_visit(visit: Visit, renderer: Renderer, folder: Path) -> None:
    """Draws the photos of one visit with their truth."""
    hand = np.random.default_rng([visit.seed, ord(visit.letter)])
    for number, nominal in enumerate(BARS_DEG, start=1):
        bars = round(nominal + hand.uniform(-0.49, 0.49), 2)
        shot = shot_of(visit, number, bars)
        camera = hand_held(shot, hand, width=renderer.size // FINER)
        same_skin = np.random.default_rng([visit.seed, 3])
        picture = _photo(renderer, shot.scene, camera, visit.light, same_skin)
        name = folder / f"series_{visit.letter}_{number}"
        exif = Image.Exif()
        exif.get_ifd(EXIF_IFD)[EXIF_F35] = round(F35_MM)
        Image.fromarray(picture).save(name.with_suffix(".jpg"), quality=85, exif=exif)
        truth = truth_of(visit, shot, camera, name.name)
        name.with_suffix(".json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")


def _photo(
    renderer: Renderer, scene: Scene, camera: Camera, light: Light, rng: np.random.Generator
) -> Rgb:
    """The photo, drawn finer and averaged in linear light."""
    x0, y0, x1, y1 = camera.window
    fine = replace(
        camera,
        focal_px=camera.focal_px * FINER,
        centre_px=(camera.centre_px[0] * FINER, camera.centre_px[1] * FINER),
        size=camera.size * FINER,
        window=(x0 * FINER, y0 * FINER, x1 * FINER, y1 * FINER),
    )
    drawn = renderer.render(scene, [(fine, light)], rng)[0]
    part = drawn[y0 * FINER : y1 * FINER, x0 * FINER : x1 * FINER].astype(np.float32) / 255
    high, wide = y1 - y0, x1 - x0
    linear = (part**GAMMA).reshape(high, FINER, wide, FINER, 3).mean((1, 3))
    return np.asarray(np.clip(255 * linear ** (1 / GAMMA) + 0.5, 0, 255), np.uint8)
