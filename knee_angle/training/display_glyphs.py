"""Lines of digits as displays show them: segments, dots and printed fonts, drawn as masks.

A line is drawn at `DIGIT_PX` pixels a digit's height. What it says stands beside it in the
characters of `knee_angle.photo.display.line.CHARACTERS`: every letter is ``a``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

__all__ = ["DIGIT_PX", "SEGMENTS", "Line", "dot_line", "font_line", "segment_line"]

DIGIT_PX = 40
"""Height of a digit as drawn, before the panel is turned and made smaller."""
MARGIN_PX = 12
Mask = NDArray[np.uint8]

SEGMENTS: dict[str, tuple[str, ...]] = {
    "0": ("abcdef",), "1": ("bc", "bc", "bc", "bc", "bc", "bc", "bc", "ef"),
    "2": ("abdeg",), "3": ("abcdg",), "4": ("bcfg",), "5": ("acdfg",),
    "6": ("acdefg", "acdefg", "acdefg", "cdefg"), "7": ("abc", "abc", "abcf"),
    "8": ("abcdefg",), "9": ("abcdfg", "abcdfg", "abcdfg", "abcfg"), "-": ("g",), " ": ("",),
    "C": ("adef",), "E": ("adefg",), "F": ("aefg",), "L": ("def",), "r": ("eg",), "P": ("abefg",),
    "H": ("bcefg",), "n": ("ceg",), "t": ("defg",),
}  # fmt: skip
"""Lit segments of each sign, the usual shape first (facts: a top, then clockwise, g middle)."""

DOTS = {
    "0": "0E11191513110E", "1": "040C040404040E", "2": "0E11010204081F", "3": "1F02040201110E",
    "4": "02060A121F0202", "5": "1F101E0101110E", "6": "0608101E11110E", "7": "1F010204080808",
    "8": "0E11110E11110E", "9": "0E11110F01020C", "-": "0000001F000000", " ": "00000000000000",
}  # fmt: skip
"""Five by seven dots, a byte a row, as character displays have them (from memory)."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of text.

    Parameters
    ----------
    mask, ghost : ndarray of uint8, shape (H, W)
        How far each pixel is lit; segments that are off but show a little.
    says : str
        What it says, in the recogniser's characters.
    box : (float, float, float, float)
        Left, top, right, bottom of what is lit, digits' height only, pixels of the mask.
    """

    mask: Mask
    ghost: Mask
    says: str
    box: tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class _Shape:
    """How a seven-segment digit is built, in shares of its height."""

    width: float
    thick: float
    gap: float
    slant: float
    ends: str
    pitch: float
    close_one: bool
    bad_segment: dict[str, float]
    ring: float


def _shape(rng: np.random.Generator) -> _Shape:
    """A shape of segments at random; one display in eight has segments that die."""
    width = rng.uniform(0.44, 0.68)
    bad: dict[str, float] = {}
    if rng.random() < 0.12:
        weak = rng.uniform(0.25, 0.8) if rng.random() < 0.85 else 0.0
        bad[str(rng.choice(list("abcdefg")))] = weak
    return _Shape(
        width, rng.uniform(0.14, 0.34) * width, rng.choice([0.0, rng.uniform(0.005, 0.04)]),
        rng.choice([0.0, rng.uniform(0.05, 0.22)]),
        str(rng.choice(["point", "mitre", "square", "round"])),
        width + rng.uniform(0.1, 0.34), bool(rng.random() < 0.12), bad, rng.uniform(0.07, 0.2),
    )  # fmt: skip


def _bar(shape: _Shape, name: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The two ends of a segment's middle line; origin at the digit's top left."""
    half, w = shape.thick / 2, shape.width
    left, right, top, mid, low = half, w - half, half, 0.5, 1 - half
    ends = {
        "a": ((left, top), (right, top)), "g": ((left, mid), (right, mid)),
        "d": ((left, low), (right, low)), "f": ((left, top), (left, mid)),
        "b": ((right, top), (right, mid)), "e": ((left, mid), (left, low)),
        "c": ((right, mid), (right, low)),
    }[name]  # fmt: skip
    return np.array(ends[0]), np.array(ends[1])


def _outline(shape: _Shape, name: str) -> NDArray[np.float64]:
    """A segment's polygon, shape (N, 2), shares of the digit's height."""
    a, b = _bar(shape, name)
    along = (b - a) / np.linalg.norm(b - a)
    across = np.array([-along[1], along[0]]) * shape.thick / 2
    a, b = a + along * shape.gap, b - along * shape.gap
    inner = along * shape.thick / 2
    if shape.ends == "point" or (shape.ends == "mitre" and name == "g"):
        return np.array([a, a + inner + across, b - inner + across, b, b - inner - across,
                         a + inner - across])  # fmt: skip
    if shape.ends == "mitre":
        centre = np.array([shape.width / 2, 0.5])
        out = across if np.dot((a + b) / 2 + across - centre, (a + b) / 2 - centre) > np.dot(
            (a + b) / 2 - across - centre, (a + b) / 2 - centre) else -across  # fmt: skip
        return np.array([a - inner + out, b + inner + out, b - inner - out, a + inner - out])
    cut = inner * 0.45
    return np.array([a + cut + across, b - cut + across, b - cut - across, a + cut - across])


def _fill(mask: Mask, outline: NDArray[np.float64], level: float) -> None:
    points = np.round(outline * 16).astype(np.int32)
    cv2.fillPoly(mask, [points], int(255 * level), cv2.LINE_AA, 4)


def _placed(shape: _Shape, outline: NDArray[np.float64], x: float) -> NDArray[np.float64]:
    """An outline of shares of a digit in pixels of the line, slanted."""
    slanted = outline + np.stack([(1 - outline[:, 1]) * shape.slant, 0 * outline[:, 1]], 1)
    return slanted * DIGIT_PX + np.array([x, MARGIN_PX])


def _sign(
    masks: tuple[Mask, Mask], shape: _Shape, sign: str, x: float, lit: str, *, ghosts: bool
) -> float:
    """Draws one sign at x; how far the next one is, in shares of the digit's height."""
    mask, ghost = masks
    if sign in ".:":
        size = max(shape.thick, 0.09) * 0.55
        for y in (1 - size,) if sign == "." else (0.3, 0.72):
            centre = _placed(shape, np.array([[size - 0.05, y]]), x)[0]
            cv2.circle(mask, tuple(int(v * 16) for v in centre), int(size * DIGIT_PX * 16), 255,
                       -1, cv2.LINE_AA, 4)  # fmt: skip
        return 2 * size + 0.06
    if sign == "°" and lit == "ring":
        size = shape.ring
        centre = _placed(shape, np.array([[size, size]]), x)[0]
        cv2.circle(
            mask,
            tuple(int(v * 16) for v in centre),
            int(size * DIGIT_PX * 13),
            255,
            max(1, int(min(shape.thick * 0.6, 0.55 * size) * DIGIT_PX)),
            cv2.LINE_AA,
            4,
        )
        return 2 * size + 0.1
    lit = "abfg" if sign == "°" else lit
    for name in "abcdefg":
        outline = _placed(shape, _outline(shape, name), x)
        if name in lit:
            _fill(mask, outline, shape.bad_segment.get(name, 1.0))
        elif ghosts:
            _fill(ghost, outline, 1.0)
    return shape.pitch


def segment_line(rng: np.random.Generator, text: str) -> Line:
    """A line in seven segments; letters that these cannot show are refused.

    Parameters
    ----------
    rng : Generator
        Chooses shape, ghosts and weak segments.
    text : str
        Of the signs of `SEGMENTS`, ``.``, ``:`` and ``°``.
    """
    shape = _shape(rng)
    ahead = "  "[: int(rng.integers(0, 3))] if rng.random() < 0.3 else ""
    ghosts = bool(ahead) or rng.random() < 0.3
    ring = "ring" if rng.random() < 0.9 else "abfg"
    pick = {sign: ways[int(rng.integers(len(ways)))] for sign, ways in SEGMENTS.items()}
    size = DIGIT_PX + 2 * MARGIN_PX, int(DIGIT_PX * (1.1 * (len(ahead + text)) + 0.6)) + 24
    masks = np.zeros(size, np.uint8), np.zeros(size, np.uint8)
    x = float(MARGIN_PX)
    for sign in ahead + text:
        if sign == "1" and shape.close_one and pick["1"] == "bc":
            x -= (shape.width - shape.thick - 0.05) * DIGIT_PX * 0.7
        lit = ring if sign == "°" else pick.get(sign, "")
        x += DIGIT_PX * _sign(masks, shape, sign, x, lit, ghosts=ghosts)
    if shape.ends == "round":
        masks = (cv2.blur(masks[0], (5, 5)), masks[1])
        masks = (np.clip(masks[0] * 1.6 - 40, 0, 255).astype(np.uint8), masks[1])
    return _line(masks[0], masks[1], text, MARGIN_PX, MARGIN_PX + DIGIT_PX)


def _says(text: str) -> str:
    """A text in the recogniser's characters: a letter or rarer sign is ``a``."""
    kept = [c if c in "0123456789-.°:" else "a" for c in text if c != " "]
    return "".join(kept)


def _line(mask: Mask, ghost: Mask, text: str, top: float, bottom: float) -> Line:
    lit = np.flatnonzero(mask.max(0) > 40)
    left, right = (float(lit[0]), float(lit[-1] + 1)) if len(lit) else (0.0, 1.0)
    return Line(mask, ghost, _says(text), (left, top, right, bottom))


@lru_cache(maxsize=256)
def _font(path: str, size: int) -> Any:
    return ImageFont.truetype(path, size)


@lru_cache(maxsize=64)
def _digit_box(path: str, size: int) -> tuple[int, int]:
    """Top and bottom of the digit 0 in a font."""
    _, top, _, bottom = _font(path, size).getbbox("0")
    return int(top), int(bottom)


def _printed(path: Path, text: str, height: int, spacing: float) -> tuple[Mask, float, float]:
    """Text in a font with digits so high: mask, top and bottom of its digits."""
    top, bottom = _digit_box(str(path), 100)
    size = max(6, round(100 * height / (bottom - top)))
    font = _font(str(path), size)
    top, bottom = _digit_box(str(path), size)
    gaps = [font.getlength(c) + spacing * height for c in text]
    margin = max(3, height // 4)
    picture = Image.new("L", (int(sum(gaps)) + 2 * margin + height // 2, bottom + 2 * margin))
    draw = ImageDraw.Draw(picture)
    x = float(margin)
    for sign, gap in zip(text, gaps, strict=True):
        draw.text((x, margin), sign, fill=255, font=font)
        x += gap
    return np.asarray(picture), margin + top, margin + bottom


def font_line(rng: np.random.Generator, text: str, fonts: Sequence[Path]) -> Line:
    """A line in one of the fonts."""
    path = fonts[int(rng.integers(len(fonts)))]
    spacing = float(rng.choice([0.0, rng.uniform(0.0, 0.15)]))
    mask, top, bottom = _printed(path, text, DIGIT_PX, spacing)
    slant = float(rng.choice([0.0, 0.0, rng.uniform(0, 0.2)]))
    if slant:
        move = np.array([[1, -slant, slant * bottom], [0, 1, 0]])
        width = mask.shape[1] + int(slant * bottom)
        mask = cv2.warpAffine(mask, move, (width, mask.shape[0]))
    return _line(mask, np.zeros_like(mask), text, top, bottom)


def _bitmap(rng: np.random.Generator, text: str, fonts: Sequence[Path]) -> tuple[Mask, int, int]:
    """Text as few dots: its dots, top and bottom row of the digits."""
    if rng.random() < 0.6 and all(c in DOTS or c in ".:°" for c in text):
        columns: list[NDArray[np.uint8]] = []
        for sign in text:
            if sign in ".:":
                rows = [6] if sign == "." else [2, 5]
                cell = np.zeros((7, 2), np.uint8)
                cell[rows, 0] = 1
            elif sign == "°":
                cell = np.zeros((7, 4), np.uint8)
                cell[[0, 1, 1, 2], [1, 0, 2, 1]] = 1
            else:
                rows_of = bytes.fromhex(DOTS[sign])
                bits = [[row >> (4 - i) & 1 for i in range(5)] + [0] for row in rows_of]
                cell = np.array(bits, np.uint8)
            columns.append(cell)
        dots = np.concatenate(columns, 1) if columns else np.zeros((7, 1), np.uint8)
        return np.pad(dots, 2), 2, 9
    path = fonts[int(rng.integers(len(fonts)))]
    mask, top, bottom = _printed(path, text, int(rng.integers(8, 19)), 0.08)
    return (mask > 110).astype(np.uint8), int(top), int(bottom)


def dot_line(rng: np.random.Generator, text: str, fonts: Sequence[Path]) -> Line:
    """A line of dots or square pixels, as matrix and graphic displays show them."""
    dots, top, bottom = _bitmap(rng, text, fonts)
    step = max(3, round(DIGIT_PX / (bottom - top)))
    kind = rng.choice(["round", "square", "whole"])
    cell = np.zeros((step, step), np.uint8)
    if kind == "round":
        cv2.circle(cell, (step // 2, step // 2), max(1, math.ceil(step * 0.42)), 255, -1)
    else:
        gap = 0 if kind == "whole" else max(1, step // 5)
        cell[: step - gap, : step - gap] = 255
    big = np.kron(dots, cell).astype(np.uint8)
    ghost = np.kron(np.ones_like(dots), cell).astype(np.uint8) if rng.random() < 0.4 else big * 0
    line = _line(big, ghost, text, top * step, bottom * step)
    scale = DIGIT_PX / ((bottom - top) * step)
    if abs(scale - 1) < 0.05:
        return line
    size = (max(1, round(big.shape[1] * scale)), max(1, round(big.shape[0] * scale)))
    resized: Callable[[Mask], Mask] = lambda m: np.asarray(  # noqa: E731
        cv2.resize(m, size, interpolation=cv2.INTER_AREA), np.uint8
    )
    return Line(resized(big), resized(ghost), line.says,
                tuple(v * scale for v in line.box))  # type: ignore[arg-type]  # fmt: skip
