"""Clips of the trainer's own people in its rigid machine, for benches: too slow for the suite.

One person and machine by a seed (`training.seated`), two cycles, a hand that sways and shakes,
the display drawn late and with its own gain. Truth is the chain's.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, replace
from typing import Any
from unittest.mock import patch

import cv2
import numpy as np

from knee_angle.training import seated, series
from knee_angle.training.meshes import Soup
from knee_angle.training.renderer import Renderer
from knee_angle.training.rigid import DOT_M
from knee_angle.training.scene import Camera
from knee_angle.training.series import _photo, _wallpaper

BARE = {("d", True): 1, ("d", False): 3, ("e", True): 2, ("e", False): 4}
"""Number of a shot whose hinge wears no cover, by visit and whether the strip is on."""


TRIES = 9


@dataclass(frozen=True)
class Rendered:
    """A clip to be rendered; angles in degrees, times in seconds."""

    seed: int = 4
    letter: str = "d"
    dots: bool = True
    strip: bool = True
    seconds: float = 16.0
    per_second: float = 4.0
    cycle_s: float = 8.0
    bars_deg: tuple[float, float] = (10.0, 95.0)
    width: int = 960
    finer: int = 1
    lag_s: float = 0.3
    gain: float = 1.04
    offset_deg: float = -2.0
    person_s: tuple[float, float] | None = (6.1, 7.4)
    exposure_s: tuple[float, float] | None = (11.0, 13.0)

    def times(self) -> np.ndarray:
        return np.arange(round(self.seconds * self.per_second)) / self.per_second

    def bars_at(self, seconds: Any) -> np.ndarray:
        low, high = self.bars_deg
        return low + (high - low) * (1 - np.cos(2 * np.pi * np.asarray(seconds) / self.cycle_s)) / 2

    def displayed_at(self, seconds: Any) -> np.ndarray:
        return np.rint(self.offset_deg + self.gain * self.bars_at(seconds - self.lag_s))


@contextmanager
def _as_wanted(clip: Rendered, shown: str) -> Iterator[None]:
    """Another number on the display; no dots where none are wanted."""
    add, disc = seated.add_rigid, Soup.disc

    def with_number(*args: Any, **named: Any) -> Any:
        return add(*args, **{**named, "shown": shown})

    def without_dots(self: Soup, place: Any, normal: Any, radius: float, *rest: Any) -> None:
        if radius != DOT_M / 2:
            disc(self, place, normal, radius, *rest)

    with ExitStack() as stack:
        stack.enter_context(patch.object(seated, "add_rigid", with_number))
        if not clip.dots:
            stack.enter_context(patch.object(Soup, "disc", without_dots))
        yield


def rendered(clip: Rendered, body: Any) -> Iterator[tuple[float, np.ndarray, float]]:
    """Every frame: its time, its picture (RGB), and the knee's true flexion."""
    number = BARE[clip.letter, clip.strip]
    visit, held, chance = _held(clip, body, number)
    renderer = Renderer(size=clip.width * clip.finer, pictures=_wallpaper())
    phases = chance.uniform(0, 2 * np.pi, 6)
    noise = chance.normal(0.0, 2.5, (clip.width * 3 // 4 + 64, clip.width, 1))
    for k, seconds in enumerate(clip.times()):
        with _as_wanted(clip, f"{clip.displayed_at(seconds):.0f}"):
            shot = seated.shot_of(visit, number, float(clip.bars_at(seconds)))
        camera = _moved(held, float(seconds), phases)
        skin = np.random.default_rng([visit.seed, 3])
        with patch.object(series, "FINER", clip.finer):
            picture = _photo(renderer, shot.scene, camera, visit.light, skin)
        start = (7 * k) % 64
        yield (
            float(seconds),
            _lit(clip, picture, float(seconds), noise[start : start + len(picture)]),
            shot.knee_deg,
        )
    renderer.release()


def _held(
    clip: Rendered, body: Any, number: int
) -> tuple[seated.Visit, Camera, np.random.Generator]:
    """A visit with a place beside the bed from which the whole leg is seen; not all have one."""
    for again in range(TRIES):
        visit = seated.visit_of(body, clip.letter, clip.seed + 1000 * again)
        chance = np.random.default_rng([clip.seed, 9 + again])
        middle = seated.shot_of(visit, number, float(np.mean(clip.bars_deg)))
        with suppress(ValueError):
            return visit, seated.hand_held(middle, chance, width=clip.width), chance
    message = f"seed {clip.seed}: none of {TRIES} beds has a place that sees the whole leg"
    raise ValueError(message)


def _moved(held: Camera, seconds: float, phases: np.ndarray) -> Camera:
    """The phone as a hand holds it: some millimetres slowly, some tenths of a degree quickly."""
    quick = [
        math.radians(0.3) * math.sin(2 * np.pi * rate * seconds + f)
        for rate, f in zip((1.7, 2.3, 1.3), phases[:3], strict=True)
    ]
    slow = [
        0.012 * math.sin(2 * np.pi * seconds / period + f)
        for period, f in zip((7, 9, 11), phases[3:], strict=True)
    ]
    turn = cv2.Rodrigues(np.array(quick))[0] @ held.turn
    return replace(held, turn=turn, shift=-turn @ (held.position + slow))


def _lit(clip: Rendered, picture: np.ndarray, seconds: float, noise: np.ndarray) -> np.ndarray:
    high, wide = picture.shape[:2]
    if clip.person_s is not None and clip.person_s[0] <= seconds <= clip.person_s[1]:
        share = (seconds - clip.person_s[0]) / (clip.person_s[1] - clip.person_s[0])
        at, half = round((-0.1 + 1.2 * share) * wide), wide // 9
        picture = picture.copy()
        cv2.rectangle(picture, (at - half, 0), (at + half, high), (60, 70, 95), -1)
    bright = clip.exposure_s is not None and clip.exposure_s[0] <= seconds <= clip.exposure_s[1]
    return np.clip(picture * (1.16 if bright else 1.0) + noise, 0, 255).astype(np.uint8)
