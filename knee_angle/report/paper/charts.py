"""Charts of kept figures as drawings: places on paper are all that is computed here."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from knee_angle.language import figure, say
from knee_angle.machine.difference import Difference
from knee_angle.report.axes import ticks
from knee_angle.report.paper.common import MARK_WORDS
from knee_angle.report.paper.drawing import INK, LINE, SOFT, Drawing
from knee_angle.visit.course import Day, KeptAngle, Mark, PrescribedLimits

__all__ = ["WASH", "Series", "check_chart", "course_chart"]

KNEE, DISPLAY, LIMIT, WASH = "#0b6e69", "#9a4a00", "#b01c1c", "#e9eef1"
WIDTH, HEIGHT, LOWER = 690.0, 300.0, 270.0
LEFT, RIGHT, TOP, BOTTOM = 44.0, 140.0, 28.0, 52.0
SIZE = 11.5
FEW_DAYS = 40
"""So many days are drawn with large marks."""
Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Label:
    """Words beside a value."""

    words: str
    y: float
    colour: str = SOFT
    strong: bool = False


@dataclass(frozen=True, slots=True)
class Axes:
    """From values to places on the drawing."""

    drawing: Drawing
    x: tuple[float, float]
    y: tuple[float, float]

    def at(self, x: float, y: float) -> Point:
        """The place of a value."""
        across = (x - self.x[0]) / (self.x[1] - self.x[0])
        up = (y - self.y[0]) / (self.y[1] - self.y[0])
        width = self.drawing.width - LEFT - RIGHT
        height = self.drawing.height - TOP - BOTTOM
        return LEFT + across * width, TOP + (1.0 - up) * height

    def grid(self, y_title: str, *, unit: str = "°") -> None:
        """Horizontal lines with their values."""
        for value in ticks(*self.y):
            x, y = self.at(self.x[0], value)
            self.drawing.line([(x, y), (self.drawing.width - RIGHT, y)], LINE, wide=0.7)
            label = figure(f"{value:g}{unit}".replace("-", "\u2212"))
            self.drawing.text(label, (x - 6, y + 4), size=SIZE, anchor="end", colour=SOFT)
        self.drawing.text(y_title, (0.0, SIZE), size=SIZE, colour=SOFT)

    def tick(self, x: float, label: str) -> None:
        """A value on the x axis."""
        px, py = self.at(x, self.y[0])
        self.drawing.line([(px, py), (px, py + 4)], SOFT, wide=0.8)
        self.drawing.text(label, (px, py + 17), size=SIZE, anchor="middle", colour=SOFT)

    def whisker(self, x: float, low: float, high: float, colour: str, *, wide: float) -> None:
        """An interval."""
        self.drawing.line([self.at(x, low), self.at(x, high)], colour, wide=wide)

    def right(self, labels: Sequence[Label]) -> None:
        """Words at the right edge, moved apart where two would meet."""
        x, least = self.drawing.width - RIGHT + 6, SIZE * 1.15
        told = sorted(labels, key=lambda label: -label.y)
        heights = [self.at(self.x[0], label.y)[1] for label in told]
        for number in range(1, len(heights)):
            heights[number] = max(heights[number], heights[number - 1] + least)
        heights.append(self.drawing.height - BOTTOM + least)
        for number in reversed(range(len(heights) - 1)):
            heights[number] = min(heights[number], heights[number + 1] - least)
        for label, y in zip(told, heights, strict=False):
            self.drawing.text(
                label.words, (x, y + 4), size=SIZE, colour=label.colour, strong=label.strong
            )


def _padded(values: Sequence[float], share: float = 0.06) -> tuple[float, float]:
    low, high = min(values), max(values)
    room = max((high - low) * share, 1.0)
    return low - room, high + room


# A course ----------------------------------------------------------------------------


def course_chart(days: Sequence[Day], marks: Sequence[Mark]) -> Drawing:
    """Flexion and extension over days with intervals, displays, limits and functional marks.

    Parameters
    ----------
    days : sequence of Day
        The earliest first; at least one.
    marks : sequence of Mark
        Drawn as dotted lines where they lie within what was measured.
    """
    drawing = Drawing(WIDTH, HEIGHT)
    first = days[0].day
    last = max((days[-1].day - first).days, 1)
    axes = Axes(drawing, (-0.03 * last - 0.3, 1.03 * last + 0.3), _padded(_heights(days)))
    axes.grid(say("degrees of flexion; bars are 95 % intervals"))
    for number in _day_ticks(last):
        axes.tick(number, f"{first + timedelta(days=number):%Y-%m-%d}")
    labels = _marks(axes, marks)
    _limits(axes, days, first)
    few = len(days) <= FEW_DAYS
    for end in ("flexion", "extension"):
        found = [((day.day - first).days, one) for day in days if (one := getattr(day, end))]
        _line_of(axes, found, dashed=end == "extension", few=few)
    axes.right([*labels, *_ends(days)])
    _names(axes)
    return drawing


def _heights(days: Sequence[Day]) -> list[float]:
    """Every value that is drawn."""
    found: list[float] = []
    for day in days:
        for reading in (day.flexion, day.extension):
            if reading is not None:
                found += [*reading.interval_deg]
                found += [] if reading.displayed_deg is None else [reading.displayed_deg]
        if day.limits is not None:
            limits = (day.limits.flexion_deg, day.limits.extension_deg)
            found += [deg for deg in limits if deg is not None]
    return found or [0.0, 90.0]


def _day_ticks(last: int) -> list[int]:
    step = max(1, math.ceil(last / 6))
    return list(range(0, last + 1, step))


def _marks(axes: Axes, marks: Sequence[Mark]) -> list[Label]:
    """What daily life takes, dotted; of two marks that lie close the upper one has its words."""
    shown = [mark for mark in marks if axes.y[0] < mark.deg < axes.y[1]]
    for mark in shown:
        ends = [axes.at(x, mark.deg) for x in axes.x]
        axes.drawing.line(ends, SOFT, wide=0.8, dashes="1.5 3.5")
    return [
        Label(MARK_WORDS[mark.words], mark.deg)
        for mark in shown
        if not any(other.deg > mark.deg and other.deg - mark.deg < 5 for other in shown)
    ]


def _limits(axes: Axes, days: Sequence[Day], first: date) -> None:
    """Prescribed limits over the days on which they were in force."""
    for end in ("flexion_deg", "extension_deg"):
        before: float | None = None
        for number, day in enumerate(days):
            deg = _limit(day.limits, end)
            if deg is not None:
                begin = float((day.day - first).days)
                until = axes.x[1]
                if number + 1 < len(days):
                    until = float((days[number + 1].day - first).days)
                axes.drawing.line([axes.at(begin, deg), axes.at(until, deg)], LIMIT, wide=1.8)
                if deg != before:
                    x, y = axes.at(begin, deg)
                    up = -5.0 if end == "flexion_deg" else 13.0
                    label = figure(f"{deg:g}°".replace("-", "\u2212"))
                    axes.drawing.text(
                        label, (x + 2, y + up), size=SIZE, colour=LIMIT, strong=True, edge="#ffffff"
                    )
            before = deg


def _limit(limits: PrescribedLimits | None, end: str) -> float | None:
    return None if limits is None else getattr(limits, end)


def _line_of(
    axes: Axes, found: Sequence[tuple[int, KeptAngle]], *, dashed: bool, few: bool
) -> None:
    """One end over days: its line, intervals, points, and the display's diamonds."""
    drawing = axes.drawing
    points = [axes.at(day, reading.deg) for day, reading in found]
    if few:
        for day, reading in found:
            axes.whisker(day, *reading.interval_deg, KNEE, wide=1.5)
    else:
        upper = [axes.at(day, reading.interval_deg[1]) for day, reading in found]
        lower = [axes.at(day, reading.interval_deg[0]) for day, reading in found]
        drawing.area([*upper, *reversed(lower)], KNEE, opacity=0.2)
    if len(points) > 1:
        drawing.line(points, KNEE, wide=1.3, dashes="5 3.5" if dashed else "")
    for day, reading in found:
        if reading.displayed_deg is not None:
            _diamond(drawing, axes.at(day, reading.displayed_deg), 4.4 if few else 1.5)
    for at in points:
        drawing.circle(at, 3.4 if few else 1.2, KNEE)


def _diamond(drawing: Drawing, at: Point, size: float) -> None:
    x, y = at
    corners = [(x, y - size), (x + size, y), (x, y + size), (x - size, y)]
    drawing.area(corners, "#ffffff")
    drawing.line([*corners, corners[0]], DISPLAY, wide=1.2)


def _names(axes: Axes) -> None:
    """What the shapes mean, beneath the chart."""
    drawing, y = axes.drawing, axes.drawing.height - 8.0
    x = LEFT + 4.0
    drawing.circle((x, y), 3.4, KNEE)
    drawing.text(say("knee"), (x + 8, y + 4), size=SIZE)
    _diamond(drawing, (x + 70, y), 4.4)
    drawing.text(say("display"), (x + 79, y + 4), size=SIZE)
    drawing.line([(x + 146, y), (x + 162, y)], LIMIT, wide=1.8)
    drawing.text(say("prescribed limit"), (x + 168, y + 4), size=SIZE)


def _ends(days: Sequence[Day]) -> list[Label]:
    """The names of both lines, where they end."""
    labels = []
    for end, word in (("flexion", say("flexion")), ("extension", say("extension"))):
        last = next((one for day in reversed(days) if (one := getattr(day, end))), None)
        if last is not None:
            labels.append(Label(word, last.deg, KNEE, strong=True))
    return labels


# A machine check ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Series:
    """One comparison of a check: its points, and the line through them with its band."""

    name: str
    points: tuple[Difference, ...]
    band: tuple[Difference, ...]
    display: bool
    """Whether it compares the display with the bars; else with the knee."""


def check_chart(series: Sequence[Series], *, tolerance_deg: float) -> Drawing:
    """Displayed minus measured over the range, with ±, lines, bands and the tolerance.

    Parameters
    ----------
    series : sequence of Series
    tolerance_deg : float
        What is allowed either way; the grey field.
    """
    drawing = Drawing(WIDTH, LOWER)
    every = [one for part in series for one in (*part.points, *part.band)]
    heights = [one.deg + sign * one.half_deg for one in every for sign in (-1.0, 1.0)]
    x = _padded([one.at_deg for one in every])
    axes = Axes(drawing, x, _padded([*heights, -tolerance_deg, tolerance_deg]))
    corners = [(x[0], -tolerance_deg), (x[1], -tolerance_deg), (x[1], tolerance_deg),
               (x[0], tolerance_deg)]  # fmt: skip
    drawing.area([axes.at(*corner) for corner in corners], WASH)
    axes.grid(say("display minus measured; bars and bands are 95 %"))
    middle = (LEFT + WIDTH - RIGHT) / 2.0
    drawing.text(
        say("measured angle, degrees of flexion"), (middle, LOWER - 14.0),
        size=SIZE, anchor="middle", colour=SOFT,
    )  # fmt: skip
    for value in ticks(*x, about=8):
        axes.tick(value, figure(f"{value:g}°".replace("-", "\u2212")))
    drawing.line([axes.at(x[0], 0.0), axes.at(x[1], 0.0)], INK, wide=0.9)
    for part in series:
        _series(axes, part)
    names = [
        Label(
            part.name,
            (part.band or part.points)[-1].deg,
            DISPLAY if part.display else KNEE,
            strong=True,
        )
        for part in series
    ]
    axes.right([*names, Label(say("allowed"), tolerance_deg)])
    return drawing


def _series(axes: Axes, part: Series) -> None:
    drawing, colour = axes.drawing, DISPLAY if part.display else KNEE
    if part.band:
        upper = [axes.at(one.at_deg, one.deg + one.half_deg) for one in part.band]
        lower = [axes.at(one.at_deg, one.deg - one.half_deg) for one in part.band]
        drawing.area([*upper, *reversed(lower)], colour, opacity=0.15)
        middle = [axes.at(one.at_deg, one.deg) for one in part.band]
        drawing.line(middle, colour, wide=1.4, dashes="" if part.display else "5 3.5")
    for one in part.points:
        low, high = one.deg - one.half_deg, one.deg + one.half_deg
        axes.whisker(one.at_deg, low, high, colour, wide=1.5)
    for one in part.points:
        at = axes.at(one.at_deg, one.deg)
        if part.display:
            _diamond(drawing, at, 4.6)
        else:
            drawing.circle(at, 3.4, colour)
