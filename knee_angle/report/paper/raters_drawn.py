"""A rater study's plot: every rating against its target's mean."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from knee_angle.agreement import Estimate
from knee_angle.agreement.reliability import Reliability
from knee_angle.language import joined, say
from knee_angle.report.axes import Axes, range_of
from knee_angle.report.paper.drawing import INK, SOFT, Drawing
from knee_angle.report.paper.raters_words import AboutRaters
from knee_angle.report.study_words import number

__all__ = ["SHARE", "ratings_drawn"]

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
