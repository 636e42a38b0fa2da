"""Panels with numbers on them: what a control unit, a pump, a monitor or a clock shows.

A panel is drawn flat and front on; `display_scenes` turns it and puts it into a picture.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from knee_angle.training.display_glyphs import DIGIT_PX, Line, dot_line, font_line, segment_line

__all__ = ["Number", "Panel", "draw_label", "draw_panel", "some_text"]

Rgb = NDArray[np.uint8]
Floats = NDArray[np.float64]
WORDS = (
    "STOP", "START", "FLEX", "EXT", "Speed", "Time", "min", "Force", "MENU", "OK", "ON", "Pause",
    "LEVEL", "Range", "hold", "VTBI", "Rate", "mL/h", "bpm", "ALARM", "RUN", "AB", "Beugung", "x",
)  # fmt: skip
UNITS = ("C", "s", "min", "mm", "%", "mL/h", "bpm", "kg", "h", "V", "/min")


@dataclass(frozen=True, slots=True)
class Number:
    """A line of a panel and where it stands.

    Parameters
    ----------
    says : str
        In the recogniser's characters.
    quad : ndarray, shape (4, 2)
        Corners in reading order from the top left, clockwise; pixels.
    """

    says: str
    quad: Floats


@dataclass(frozen=True, slots=True)
class Panel:
    """A device's face: picture, what is not its background, its numbers, and printed digits.

    What is printed on a device is no display, however much it looks like one.
    """

    rgb: Rgb
    alpha: NDArray[np.uint8]
    numbers: tuple[Number, ...]
    printed: tuple[Floats, ...] = ()


def some_text(rng: np.random.Generator) -> str:
    """What a line may say: mostly an angle as a machine shows it, else any number."""
    dice = rng.random()
    if dice < 0.5:
        shown = str(int(rng.integers(-15, 151)))
        if rng.random() < 0.12:
            shown += f".{rng.integers(0, 10)}"
    elif dice < 0.78:
        digits = int(rng.integers(1, 4))
        shown = "".join(str(rng.integers(0, 10)) for _ in range(digits))
        if rng.random() < 0.2:
            shown += f".{rng.integers(0, 10)}"
    elif dice < 0.86:
        return f"{rng.integers(0, 24):02d}:{rng.integers(0, 60):02d}"
    elif dice < 0.9:
        shown = str(rng.integers(1000, 9999))
    else:
        shown = "".join(str(rng.choice(list("01689"))) for _ in range(int(rng.integers(1, 4))))
    if rng.random() < 0.08 and not shown.startswith("-"):
        shown = "-" + shown
    return shown + "°" if rng.random() < 0.62 else shown


def _lit_line(rng: np.random.Generator, style: str, text: str, fonts: Sequence[Path]) -> Line:
    if style == "segments":
        return segment_line(rng, text)
    if rng.random() < 0.14 and ":" not in text:
        text += str(rng.choice(["", " "])) + str(rng.choice(UNITS))
    if rng.random() < 0.06:
        text = str(rng.choice(["F:", "E", "Ext ", "P"])) + text
    return font_line(rng, text, fonts) if style == "font" else dot_line(rng, text, fonts)


def _colours(rng: np.random.Generator) -> tuple[Floats, Floats, bool]:
    """Background and lit colour of a window, and whether it shines."""

    def tint(low: float, high: float, spread: float) -> Floats:
        return np.clip(rng.uniform(low, high) + rng.normal(0, spread, 3), 0, 255)

    kind = rng.random()
    lamp = np.array([(255, 60, 40), (255, 150, 30), (80, 255, 90), (90, 170, 255),
                     (240, 245, 255), (255, 230, 90), (60, 240, 255)])  # fmt: skip
    if kind < 0.38:  # LED or lit signs on dark
        colour = lamp[int(rng.integers(len(lamp)))] * rng.uniform(0.55, 1.0)
        return tint(4, 70, 10), np.clip(colour + rng.normal(0, 12, 3), 0, 255), True
    if kind < 0.66:  # reflective LCD: dark signs on grey-green
        back = tint(120, 225, 14)
        return back, back * rng.uniform(0.08, 0.55), False
    if kind < 0.86:  # negative LCD: light signs on blue, black or a colour
        back = np.clip(rng.uniform(10, 110, 3) * np.array([0.7, 0.9, 1.4]), 0, 255)
        return back, back + (255 - back) * rng.uniform(0.45, 1.0), True
    back = tint(30, 230, 40)  # weak contrast of any kind
    step = rng.uniform(28, 75) * rng.choice([-1, 1])
    return back, np.clip(back + step + rng.normal(0, 8, 3), 0, 255), False


def _trimmed(rng: np.random.Generator, line: Line) -> Line:
    """The line with less room around it, where no ghosts stand there."""
    if line.ghost.any():
        return line
    left, top, right, bottom = line.box
    room = rng.integers(1, 14, 4)
    lit = np.flatnonzero(line.mask.any(1))
    high, low = (int(lit[0]), int(lit[-1]) + 1) if len(lit) else (int(top), int(bottom))
    x0, y0 = max(0, int(left) - int(room[0])), max(0, min(int(top), high) - int(room[1]))
    x1, y1 = int(right) + int(room[2]), max(int(bottom), low) + int(room[3])
    part = line.mask[y0:y1, x0:x1]
    return Line(part, line.ghost[y0:y1, x0:x1], line.says,
                (left - x0, top - y0, right - x0, bottom - y0))  # fmt: skip


def _window(rng: np.random.Generator, lines: Sequence[Line]) -> tuple[Rgb, list[Number]]:
    """A window with its lines, each at its own size, none nearer than a digit to the next."""
    back, lit, shines = _colours(rng)
    lines = [_trimmed(rng, line) for line in lines]
    sizes = [1.0] + [float(rng.uniform(0.4, 1.0)) for _ in lines[1:]]
    side = bool(rng.random() < 0.35)
    masks = [
        (cv2.resize(line.mask, None, fx=k, fy=k, interpolation=cv2.INTER_AREA),
         cv2.resize(line.ghost, None, fx=k, fy=k, interpolation=cv2.INTER_AREA))
        for line, k in zip(lines, sizes, strict=True)
    ]  # fmt: skip
    pad = int(rng.integers(0, 10) if rng.random() < 0.45 else rng.integers(4, 60))
    gap = int(DIGIT_PX * rng.uniform(0.9, 1.6))
    if side:
        height = max(m.shape[0] for m, _ in masks) + 2 * pad
        width = sum(m.shape[1] + gap for m, _ in masks) + 2 * pad
    else:
        height = sum(m.shape[0] + gap // 3 for m, _ in masks) + 2 * pad
        width = max(m.shape[1] for m, _ in masks) + 2 * pad
        width += int(rng.integers(0, 90))
    on = np.zeros((height, width), np.float32)
    off = np.zeros((height, width), np.float32)
    numbers, at = [], pad
    for line, k, (mask, ghost) in zip(lines, sizes, masks, strict=True):
        h, w = mask.shape
        x, y = (at, pad) if side else (int(rng.integers(pad, max(pad + 1, width - w - pad))), at)
        on[y : y + h, x : x + w] = mask[: height - y, : width - x] / 255
        off[y : y + h, x : x + w] = ghost[: height - y, : width - x] / 255
        left, top, right, bottom = (v * k for v in line.box)
        if line.says and any(c.isdigit() for c in line.says):
            corners = [(left, top), (right, top), (right, bottom), (left, bottom)]
            numbers.append(Number(line.says, np.array(corners) + (x, y)))
        at += w + gap if side else h + gap // 3
    level = rng.uniform(0.02, 0.16) if rng.random() < 0.8 else 0.0
    shine = np.linspace(rng.uniform(0.85, 1.15), rng.uniform(0.85, 1.15), width)[None, :, None]
    picture = back * shine + (lit - back) * np.maximum(on, level * off)[..., None]
    if shines and rng.random() < 0.5:
        glow = cv2.GaussianBlur(on, (0, 0), rng.uniform(3, 10))
        picture = picture + lit * glow[..., None] * rng.uniform(0.1, 0.4)
    picture = _striped(rng, picture) if rng.random() < 0.2 else picture
    picture = _washed_out(rng, picture) if rng.random() < 0.25 else picture
    return np.clip(picture, 0, 255).astype(np.uint8), numbers


def _striped(rng: np.random.Generator, picture: Floats) -> Floats:
    """Stripes of a multiplexed display between two exposures, or the grid of a screen's cells.

    Seen through a camera's own grid the latter gives moiré.
    """
    h, w = picture.shape[:2]
    y, x = np.mgrid[:h, :w]
    if rng.random() < 0.5:
        turn, long = rng.normal(0, 0.15), rng.uniform(0.3, 3.0) * DIGIT_PX
        wave = np.sin(2 * np.pi * ((y + np.tan(turn) * x) / long + rng.random()))
        return np.asarray(picture * (1 - rng.uniform(0.1, 0.55) * (0.5 + 0.5 * wave))[..., None])
    step, deep = rng.uniform(2.2, 6.0), rng.uniform(0.08, 0.4)
    grid = np.maximum(np.cos(2 * np.pi * x / step), np.cos(2 * np.pi * y / step))
    return np.asarray(picture * (1 - deep * np.clip(grid, 0, 1))[..., None])


def _washed_out(rng: np.random.Generator, picture: Floats) -> Floats:
    """Light that lies over the whole window, a little more at one end."""
    w = picture.shape[1]
    veil = rng.uniform(0.15, 0.75) * np.linspace(rng.uniform(0.7, 1), rng.uniform(0.7, 1), w)
    colour = rng.uniform(150, 255) + rng.normal(0, 12, 3)
    return np.asarray(picture + (colour - picture) * veil[None, :, None])


def draw_label(
    rng: np.random.Generator, picture: Rgb, fonts: Sequence[Path], size: int
) -> list[Floats]:
    """Prints a word or a number at a random place of a picture, in place: no display.

    Returns the corners of its digits' line, shape (4, 2); nothing where there is no digit.
    """
    text = str(rng.choice(WORDS)) if rng.random() < 0.6 else some_text(rng)
    line = font_line(rng, text, fonts)
    scale = size / DIGIT_PX
    mask = cv2.resize(line.mask, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    h, w = (min(a, b) for a, b in zip(mask.shape, picture.shape[:2], strict=True))
    y = int(rng.integers(0, picture.shape[0] - h + 1))
    x = int(rng.integers(0, picture.shape[1] - w + 1))
    part = picture[y : y + h, x : x + w].astype(np.float32)
    ink = rng.uniform(0, 255, 3)
    part += (ink - part) * (mask[:h, :w, None] / 255)
    picture[y : y + h, x : x + w] = part.astype(np.uint8)
    if not any(c.isdigit() for c in text):
        return []
    left, top, right, bottom = (v * scale for v in line.box)
    return [np.array([(left, top), (right, top), (right, bottom), (left, bottom)]) + (x, y)]


def _body(
    rng: np.random.Generator, window: Rgb, fonts: Sequence[Path]
) -> tuple[Rgb, int, int, list[Floats]]:
    """The device around a window: bezel, buttons, words; where the window lies, and print."""
    h, w = window.shape[:2]
    room = rng.uniform(0.04, 0.5, 2) * np.array([h, w])
    below = int(rng.uniform(0, 1.8) * h) if rng.random() < 0.6 else int(room[0])
    height, width = h + int(room[0]) + below, w + 2 * int(room[1])
    if rng.random() < 0.3:
        width += int(rng.uniform(0, 1.2) * w)
    body = np.empty((height, width, 3), np.uint8)
    if rng.random() < 0.45:
        body[:] = np.clip(rng.uniform(140, 245) + rng.normal(0, 12, 3), 0, 255)
    else:
        body[:] = np.clip(rng.uniform(15, 235) + rng.normal(0, 25, 3), 0, 255)
    top, left = int(room[0]), int(room[1])
    printed: list[Floats] = []
    for _ in range(int(rng.integers(0, 4))):
        printed += draw_label(rng, body, fonts, int(rng.integers(12, 34)))
    _buttons(rng, body, top + h)
    edge = int(rng.integers(0, 9))
    colour = tuple(int(v) for v in rng.uniform(0, 255, 3) * rng.choice([0.15, 1.0]))
    cv2.rectangle(body, (left - edge, top - edge), (left + w + edge, top + h + edge), colour, -1)
    body[top : top + h, left : left + w] = window
    return body, left, top, printed


def _buttons(rng: np.random.Generator, body: Rgb, below: int) -> None:
    """Round or square buttons under a window."""
    if body.shape[0] - below < 30:
        return
    for _ in range(int(rng.integers(0, 6))):
        size = int(rng.integers(10, 34))
        x, y = int(rng.integers(0, body.shape[1])), int(rng.integers(below, body.shape[0]))
        colour = tuple(int(v) for v in rng.uniform(0, 255, 3))
        if rng.random() < 0.7:
            cv2.circle(body, (x, y), size, colour, -1, cv2.LINE_AA)
        else:
            cv2.rectangle(body, (x - size, y - size // 2), (x + size, y + size // 2), colour, -1)


def draw_panel(
    rng: np.random.Generator, fonts: Sequence[Path], *, lines: int | None = None
) -> Panel:
    """A device's face with its numbers, flat; pixels continuous, y down."""
    style = str(rng.choice(["segments", "font", "dots"], p=[0.62, 0.2, 0.18]))
    count = lines or int(rng.choice([1, 2, 3, 4], p=[0.68, 0.18, 0.09, 0.05]))
    drawn = [_lit_line(rng, style, some_text(rng), fonts) for _ in range(count)]
    if rng.random() < 0.1:
        drawn.append(font_line(rng, str(rng.choice(WORDS)), fonts))
    window, numbers = _window(rng, drawn)
    if rng.random() < 0.12:
        return Panel(window, np.full(window.shape[:2], 255, np.uint8), tuple(numbers))
    body, left, top, printed = _body(rng, window, fonts)
    alpha = np.zeros(body.shape[:2], np.uint8)
    radius = int(rng.uniform(0, 0.12) * min(body.shape[:2]))
    h, w = body.shape[:2]
    cv2.rectangle(alpha, (radius, 0), (w - radius, h), 255, -1)
    cv2.rectangle(alpha, (0, radius), (w, h - radius), 255, -1)
    for x in (radius, w - radius):
        for y in (radius, h - radius):
            cv2.circle(alpha, (x, y), radius, 255, -1, cv2.LINE_AA)
    moved = [Number(n.says, n.quad + (left, top)) for n in numbers]
    return Panel(body, alpha, tuple(moved), tuple(printed))
