"""How much each setting of a machine matters, as one picture (SVG) that stands alone.

Draws what :class:`knee_angle.machine.sliding.Sensitivity` holds and computes nothing but places
on the canvas. Lines are told apart by their dashes and by the word at their end, never by
colour alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from knee_angle.machine.sliding import Sensitivity

__all__ = ["sensitivity_svg"]

Floats = NDArray[np.float64]

WIDTH, HEIGHT = 860.0, 520.0
LEFT, RIGHT, TOP, BOTTOM = 76.0, 172.0, 106.0, 92.0
"""White around the axes, px."""
INK, QUIET, GRID, PAPER = "#141c26", "#586474", "#e3e7ec", "#ffffff"
FONT = "font-family='Helvetica, Arial, sans-serif'"
LABEL_STEP = 36.0
"""Least distance of two lines' names, px."""


@dataclass(frozen=True, slots=True)
class _Curve:
    """One line: what it is, its values, how it is drawn."""

    name: str
    detail: str
    values: Floats
    colour: str
    dash: str


def sensitivity_svg(result: Sensitivity, *, support_mm: float, place: tuple[float, float]) -> str:
    """The picture as SVG text.

    Parameters
    ----------
    result : Sensitivity
        What is drawn.
    support_mm : float
        Where the lower leg is held, said in the subtitle.
    place : (float, float)
        Hinge offset (distal, anterior), mm, about which it was taken.
    """
    curves = (
        _Curve("hinge distal", "thigh section", result.per_distal_deg_mm, "#00695c", ""),
        _Curve("hinge anterior", "height", result.per_anterior_deg_mm, "#b4420a", "9 4"),
        _Curve("support lower", "shin strap", result.per_support_deg_mm, "#3646a0", "2 4"),
    )
    axes = _Axes.around(result.frame_deg, [curve.values for curve in curves])
    parts = [
        f"<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 {WIDTH:g} {HEIGHT:g}' "
        f"width='{WIDTH:g}' height='{HEIGHT:g}' role='img' "
        "aria-label='Degrees of fit error per millimetre of each setting'>",
        f"<rect width='{WIDTH:g}' height='{HEIGHT:g}' fill='{PAPER}'/>",
        *_titles(support_mm, place),
        *axes.drawn(),
        *(_line(axes, result.frame_deg, curve) for curve in curves),
        *_names(axes, curves),
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


@dataclass(frozen=True, slots=True)
class _Axes:
    """Values to px, with round ticks."""

    x_ticks: Floats
    y_ticks: Floats
    x_range: tuple[float, float]

    @classmethod
    def around(cls, x: Floats, values: Sequence[Floats]) -> _Axes:
        """Axes that hold everything, zero included."""
        low = min(0.0, *(float(v.min()) for v in values))
        high = max(0.0, *(float(v.max()) for v in values))
        first, last = float(x[0]), float(x[-1])
        inside = _round_ticks(first, last)
        return cls(
            inside[(inside >= first - 1e-9) & (inside <= last + 1e-9)],
            _round_ticks(low, high),
            (first, last),
        )

    def x(self, value: float) -> float:
        first, last = self.x_range
        return LEFT + (value - first) / (last - first) * (WIDTH - LEFT - RIGHT)

    def y(self, value: float) -> float:
        low, high = float(self.y_ticks[0]), float(self.y_ticks[-1])
        return HEIGHT - BOTTOM - (value - low) / (high - low) * (HEIGHT - TOP - BOTTOM)

    def drawn(self) -> list[str]:
        """Grid, ticks and what the axes mean."""
        left, right = LEFT, WIDTH - RIGHT
        parts = []
        for tick in self.y_ticks:
            y, zero = self.y(tick), abs(tick) < 1e-9
            colour, width = (QUIET, 1.4) if zero else (GRID, 1.0)
            parts.append(_segment(left, y, right, y, colour, width))
            parts.append(_text(left - 10, y + 4, _number(tick), anchor="end", colour=QUIET))
        for tick in self.x_ticks:
            x, y = self.x(tick), HEIGHT - BOTTOM
            parts.append(_segment(x, y, x, y + 5, QUIET, 1.0))
            parts.append(_text(x, y + 21, f"{_number(tick)}°", anchor="middle", colour=QUIET))
        middle = (left + right) / 2
        parts.append(
            _text(middle, HEIGHT - 46, "flexion of the machine's bars (a true display)",
                  anchor="middle")
        )  # fmt: skip
        parts.append(_text(left - 46, TOP - 14, "degrees per mm"))
        return parts


def _titles(support_mm: float, place: tuple[float, float]) -> list[str]:
    distal, anterior = place
    return [
        _text(30, 34, "What a millimetre does to the knee", size=20, weight=700),
        _text(
            30, 56,
            f"Change of frame minus knee; hinge {_number(distal)} mm distal and "
            f"{_number(anterior)} mm anterior of the knee, leg held {_number(support_mm)} mm below "
            "it. Planar model.",
            colour=QUIET,
        ),
        _text(
            30, HEIGHT - 16,
            "Support for licensed staff. The prescription and local protocol rule; adjust only "
            "with the machine stopped.",
            size=11, colour=QUIET,
        ),
    ]  # fmt: skip


def _line(axes: _Axes, x: Floats, curve: _Curve) -> str:
    points = " ".join(
        f"{axes.x(float(a)):.1f},{axes.y(float(b)):.1f}"
        for a, b in zip(x, curve.values, strict=True)
    )
    dash = f" stroke-dasharray='{curve.dash}'" if curve.dash else ""
    return (
        f"<polyline points='{points}' fill='none' stroke='{curve.colour}' stroke-width='2.6' "
        f"stroke-linejoin='round' stroke-linecap='round'{dash}/>"
    )


def _names(axes: _Axes, curves: Sequence[_Curve]) -> list[str]:
    """Each line's name at its end, moved apart where ends are close."""
    order = sorted(curves, key=lambda curve: axes.y(float(curve.values[-1])))
    parts, last = [], -math.inf
    room = HEIGHT - BOTTOM - LABEL_STEP * (len(order) - 1)
    for place, curve in enumerate(order):
        end = axes.y(float(curve.values[-1]))
        y = min(max(end, last + LABEL_STEP), room + LABEL_STEP * place)
        last = y
        x = WIDTH - RIGHT
        parts.append(_segment(x + 3, end, x + 13, y, curve.colour, 1.0))
        parts.append(_text(x + 17, y + 1, curve.name, colour=curve.colour, weight=700))
        parts.append(_text(x + 17, y + 16, curve.detail, size=12, colour=QUIET))
    return parts


def _round_ticks(low: float, high: float) -> Floats:
    """Four to eight round numbers that hold the range."""
    wide = (high - low) / 6
    power = 10.0 ** math.floor(math.log10(wide))
    step = next(s * power for s in (1.0, 2.0, 2.5, 5.0, 10.0) if s * power >= wide * 0.999)
    count = np.arange(math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9) + 1)
    return np.asarray(count * step)


def _number(value: float) -> str:
    """A number for a person: a true minus, no negative zero."""
    return f"{value + 0.0:.4g}".replace("-", "\u2212")


def _segment(x0: float, y0: float, x1: float, y1: float, colour: str, width: float) -> str:
    return (
        f"<line x1='{x0:.1f}' y1='{y0:.1f}' x2='{x1:.1f}' y2='{y1:.1f}' stroke='{colour}' "
        f"stroke-width='{width:g}'/>"
    )


def _text(
    x: float,
    y: float,
    words: str,
    *,
    size: float = 13,
    anchor: str = "start",
    colour: str = INK,
    weight: int = 400,
) -> str:
    return (
        f"<text x='{x:.1f}' y='{y:.1f}' {FONT} font-size='{size:g}' font-weight='{weight}' "
        f"text-anchor='{anchor}' fill='{colour}'>{words}</text>"
    )
