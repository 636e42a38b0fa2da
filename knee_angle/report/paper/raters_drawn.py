"""A rater study's pictures: every rating against its target's mean, and the flow of ratings."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from knee_angle.agreement import Estimate
from knee_angle.agreement.reliability import Reliability
from knee_angle.language import figure, joined, say
from knee_angle.report.axes import Axes, range_of
from knee_angle.report.paper.drawing import INK, LINE, SOFT, Drawing
from knee_angle.report.paper.raters_words import AboutRaters, Step, flow_of
from knee_angle.report.study_words import number

__all__ = ["SHARE", "flow_drawn", "ratings_drawn"]

COLOURS = ("#0b5d8a", "#a04a12", "#3f7d3a", "#7a3e8c", "#444444", "#8a6d00")
WIDTH, HEIGHT, HEAD = 520.0, 320.0, 30.0
"""Narrow, so that its letters can be read on a phone; on paper it takes `SHARE` of the width."""
SHARE = 0.8
RIGHT = 58.0
SIZE = 13.0
MARK = 3.4
Point = tuple[float, float]


def ratings_drawn(found: Reliability, about: AboutRaters) -> Drawing:
    """Every rating less its target's mean, against that mean, with the limits of agreement."""
    y = found.ratings.values
    means = y.mean(axis=(1, 2))
    away = y - means[:, None, None]
    limit = found.from_mean
    drawing = Drawing(WIDTH, HEIGHT)
    most = max(float(np.abs(away).max()), limit.value)
    axes = Axes(drawing, range_of(means.tolist()), range_of((-most, most)), right=RIGHT, top=HEAD)
    sign = f" ({about.unit})" if about.unit else ""
    axes.left_axis(joined("", [say("rating less its target's mean"), sign]))
    axes.bottom_axis(joined("", [say("mean of all ratings of the target"), sign]))
    axes.line([(axes.x[0], 0.0), (axes.x[1], 0.0)], INK, wide=1.0)
    for end in (-1, 1):
        height = end * limit.value
        axes.line([(axes.x[0], height), (axes.x[1], height)], SOFT, wide=1.4, dashes="6 4")
        low, high = sorted(end * one for one in limit.interval)
        value, _ = number(Estimate(height, (low, high)), about.unit, sign=True)
        beside = axes.at(axes.x[1], height)
        drawing.text(value, (beside[0] + 6, beside[1] + 4), size=SIZE, colour=INK, strong=True)
    for k in range(len(found.ratings.raters)):
        for target, mean in enumerate(means.tolist()):
            for one in away[target, k].tolist():
                _mark(drawing, axes.at(mean, one), k)
    _legend(drawing, found.ratings.raters, axes.left)
    return drawing


def _legend(drawing: Drawing, raters: tuple[str, ...], left: float) -> None:
    """Who has which mark; what does not fit in a line is left to the table."""
    at = left + 6
    for k, name in enumerate(raters):
        wide = 22 + 8.0 * len(name)
        if at + wide > drawing.width:
            drawing.text("…", (at, HEAD - 13), size=SIZE, colour=SOFT)
            return
        _mark(drawing, (at, HEAD - 17), k)
        drawing.text(name, (at + 9, HEAD - 13), size=SIZE, colour=INK)
        at += wide


def _mark(drawing: Drawing, at: Point, rater: int) -> None:
    """A rater's own mark: told apart by its shape too, not by colour alone."""
    colour = COLOURS[rater % len(COLOURS)]
    _MARKS[rater % len(_MARKS)](drawing, at, colour)


def _disc(drawing: Drawing, at: Point, colour: str) -> None:
    drawing.circle(at, MARK, colour)


def _ring(drawing: Drawing, at: Point, colour: str) -> None:
    drawing.circle(at, MARK, colour, filled=False, wide=1.6)


def _shape(*corners: Point) -> Callable[[Drawing, Point, str], None]:
    """A filled shape; corners in sizes of a mark."""

    def drawn(drawing: Drawing, at: Point, colour: str) -> None:
        drawing.area([(at[0] + x * MARK, at[1] + y * MARK) for x, y in corners], colour)

    return drawn


_MARKS: tuple[Callable[[Drawing, Point, str], None], ...] = (
    _disc,
    _ring,
    _shape((-1.15, 0.95), (1.15, 0.95), (0.0, -1.15)),
    _shape((-0.95, -0.95), (0.95, -0.95), (0.95, 0.95), (-0.95, 0.95)),
    _shape((0.0, -1.3), (1.3, 0.0), (0.0, 1.3), (-1.3, 0.0)),
)


# The flow ----------------------------------------------------------------------------

BOX = (252.0, 42.0)
GAP, LINE_PX = 30.0, 19.0
ASIDE = 26.0
"""Where what was left out begins, to the right of the way down."""


def flow_drawn(found: Reliability, about: AboutRaters) -> Drawing:
    """The flow of ratings: what went on downwards, what was left out beside it."""
    steps = flow_of(found, about)
    drawing = Drawing(WIDTH, 0.0)
    middle, y = BOX[0] / 2 + 1.0, 1.0
    gone: list[Step] = []
    for place, step in enumerate(steps):
        if step.out:
            gone.append(step)
            continue
        if place:
            y = _way_down(drawing, (middle, y), gone)
            gone = []
        _boxed(drawing, (middle - BOX[0] / 2, y), step)
        y += BOX[1]
    drawing.height = y + 2.0
    return drawing


def _boxed(drawing: Drawing, corner: Point, step: Step) -> None:
    """What goes on, with its number."""
    (x, y), (wide, high) = corner, BOX
    _frame(drawing, corner, BOX)
    middle = x + wide / 2
    base = y + (18.0 if step.detail else high / 2 + 5.0)
    said = _numbered(step)
    drawing.text(said, (middle, base), size=SIZE, anchor="middle", strong=True)
    if step.detail:
        drawing.text(
            step.detail, (middle, base + 16.0), size=SIZE - 1.5, anchor="middle", colour=SOFT
        )


def _way_down(drawing: Drawing, start: Point, gone: list[Step]) -> float:
    """An arrow to the next box, and what was left out on the way; where that box begins."""
    x, y = start
    high = LINE_PX * len(gone) + 8.0
    end = y + (GAP if not gone else high + GAP)
    _arrow(drawing, (x, y), (x, end))
    if gone:
        top = y + (end - y - high) / 2
        _arrow(drawing, (x, top + high / 2), (x + ASIDE, top + high / 2))
        left = x + ASIDE
        _frame(drawing, (left, top), (WIDTH - left - 1.0, high))
        for line, step in enumerate(gone):
            at = (left + 10.0, top + 17.0 + LINE_PX * line)
            drawing.text(_numbered(step), at, size=SIZE - 1.0)
    return end


def _frame(drawing: Drawing, corner: Point, size: Point) -> None:
    (x, y), (wide, high) = corner, size
    around = [(x, y), (x + wide, y), (x + wide, y + high), (x, y + high), (x, y)]
    drawing.line(around, LINE, wide=1.2)


def _arrow(drawing: Drawing, start: Point, end: Point) -> None:
    """A line with a head; level or straight down."""
    drawing.line([start, end], SOFT, wide=1.2)
    x, y = end
    head = [(x, y), (x - 4, y - 7), (x + 4, y - 7)]
    if start[1] == end[1]:
        head = [(x, y), (x - 7, y - 4), (x - 7, y + 4)]
    drawing.area(head, SOFT)


def _numbered(step: Step) -> str:
    return joined(": ", [step.what, figure(f"{step.count:,}")])
