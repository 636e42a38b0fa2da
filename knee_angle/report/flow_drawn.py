"""How many went on and how many were left out, as a diagram (STARD 2015, item 19)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from knee_angle.language import figure, joined, say
from knee_angle.report.paper.drawing import LINE, SOFT, Drawing

__all__ = ["Step", "flow_drawn", "flow_said"]

WIDTH, SIZE = 520.0, 13.0
Point = tuple[float, float]
BOX = (252.0, 42.0)
GAP, LINE_PX = 30.0, 19.0
ASIDE = 26.0
"""Where what was left out begins, to the right of the way down."""


@dataclass(frozen=True, slots=True)
class Step:
    """A step of the flow: so many go on, or (``out``) are left behind."""

    what: str
    count: int
    out: bool = False
    detail: str = ""

    @property
    def name(self) -> str:
        """What it is, in words of its own."""
        return say("left out: {reason}", reason=self.what) if self.out else self.what


def flow_said(steps: Sequence[Step]) -> str:
    """The same in words, for who cannot see it."""
    return joined("; ", [joined(": ", [one.name, figure(f"{one.count:,}")]) for one in steps])


def flow_drawn(steps: Sequence[Step]) -> Drawing:
    """The flow: what went on downwards, what was left out beside it."""
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
