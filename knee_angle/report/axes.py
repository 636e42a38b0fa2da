"""The axes of a plot: from values to places on a drawing, with ticks and titles."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from knee_angle.report.paper.drawing import Drawing

__all__ = ["Axes", "range_of", "ticks"]

INK, GRID, DOMAIN = "#222222", "#e4e4e4", "#999999"
SIZE = 13.0
Point = tuple[float, float]
Range = tuple[float, float]


def ticks(low: float, high: float, *, about: int = 6) -> list[float]:
    """Round values between two others.

    Examples
    --------
    >>> ticks(-7.0, 128.0)
    [0.0, 25.0, 50.0, 75.0, 100.0, 125.0]
    """
    raw = (high - low) / about
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1.0, 2.0, 2.5, 5.0, 10.0) if m * power >= raw * (1 - 1e-9))
    first = math.ceil(low / step - 1e-9) * step
    return [round(first + n * step, 9) + 0.0 for n in range(int((high - first) / step + 1e-9) + 1)]


def range_of(values: Iterable[float], *, share: float = 0.05) -> Range:
    """From the least to the largest value, with room at both ends; never empty."""
    found = [float(value) for value in values]
    low, high = min(found), max(found)
    room = (high - low) * share or max(abs(high) * share, 0.5)
    return low - room, high + room


@dataclass(frozen=True, slots=True)
class Axes:
    """A plot's area on a drawing.

    Parameters
    ----------
    drawing : Drawing
    x, y : (float, float)
        Ranges of the values.
    left, right, top, bottom : float
        Room beside the area.
    """

    drawing: Drawing
    x: Range
    y: Range
    left: float = 58.0
    right: float = 14.0
    top: float = 12.0
    bottom: float = 48.0

    @property
    def width(self) -> float:
        """Of the area."""
        return self.drawing.width - self.left - self.right

    @property
    def height(self) -> float:
        """Of the area."""
        return self.drawing.height - self.top - self.bottom

    def at(self, x: float, y: float) -> Point:
        """The place of a value."""
        across = (x - self.x[0]) / (self.x[1] - self.x[0])
        up = (y - self.y[0]) / (self.y[1] - self.y[0])
        return self.left + across * self.width, self.top + (1.0 - up) * self.height

    def line(
        self, points: Sequence[Point], colour: str, *, wide: float = 2.0, dashes: str = ""
    ) -> None:
        """A line through values."""
        self.drawing.line([self.at(*p) for p in points], colour, wide=wide, dashes=dashes)

    def box(self, x: Range, y: Range, colour: str, *, opacity: float) -> None:
        """A filled rectangle."""
        corners = [(x[0], y[0]), (x[1], y[0]), (x[1], y[1]), (x[0], y[1])]
        self.drawing.area([self.at(*corner) for corner in corners], colour, opacity=opacity)

    def bottom_axis(self, title: str, *, grid: bool = True) -> None:
        """Ticks, values and title of x."""
        for value in ticks(*self.x, about=7):
            x, foot = self.at(value, self.y[0])
            if grid:
                self.drawing.line([(x, self.top), (x, foot)], GRID, wide=1.0)
            self.drawing.line([(x, foot), (x, foot + 5)], DOMAIN, wide=1.0)
            self.drawing.text(said(value), (x, foot + 19), size=SIZE, anchor="middle", colour=INK)
        ends = [self.at(end, self.y[0]) for end in self.x]
        self.drawing.line(ends, DOMAIN, wide=1.0)
        middle = self.left + self.width / 2
        below = self.drawing.height - 8
        self.drawing.text(title, (middle, below), size=SIZE, anchor="middle", colour=INK)

    def left_axis(self, title: str) -> None:
        """Ticks, values and title of y."""
        for value in ticks(*self.y, about=7):
            start, y = self.at(self.x[0], value)
            self.drawing.line([(start, y), (start + self.width, y)], GRID, wide=1.0)
            self.drawing.text(
                said(value), (start - 7, y + 4.5), size=SIZE, anchor="end", colour=INK
            )
        self.drawing.line([self.at(self.x[0], end) for end in self.y], DOMAIN, wide=1.0)
        self.drawing.text(
            title, (13.0, self.top + self.height / 2), size=SIZE, anchor="middle", colour=INK,
            upright=True,
        )  # fmt: skip


def said(value: float) -> str:
    """A value of an axis, with a true minus."""
    return f"{value:,g}".replace("-", "\u2212")
