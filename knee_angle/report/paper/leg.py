"""A photo with its points, axes and arc as a drawing; without a kept photo the points alone."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from io import BytesIO

from knee_angle.angle import words
from knee_angle.machine.unjudged import bars_are_guessed
from knee_angle.records import BarsAlone, CropJpeg, Landmark, Measurement
from knee_angle.report.paper.drawing import INK, LINE, Drawing

__all__ = ["bars_drawing", "leg_drawing"]

LEG, BARS = "#00c2a8", "#ffb020"
"""As in the overlay of the commands."""
LEG_ON_WHITE, BARS_ON_WHITE = "#00796b", "#9a5b00"
LONGEST_PX = 1100
"""Enough for 300 dots an inch at the width that it is printed."""
MARGIN = 0.18
ANGLE_SIZES = (1.0, 0.85, 0.7, 0.6, 0.5, 0.4, 0.3, 0.2)
"""How large the angle's marks are drawn, by which of them the picture has room for."""
Point = tuple[float, float]
Places = Callable[[Point], Point]


def leg_drawing(
    measured: Measurement,
    crop: CropJpeg | None,
    *,
    longest_px: int = LONGEST_PX,
    emphasis: float = 1.0,
    number: bool = True,
) -> Drawing:
    """The leg as it was measured.

    Parameters
    ----------
    measured : Measurement
        Its points are full-size px of the upright photo.
    crop : CropJpeg or None
        The picture, where it was kept.
    longest_px : int
        The picture is made smaller to this.
    emphasis : float
        How many times as bold lines and number are: for small pictures.
    number : bool
        Whether the knee's angle stands beside its arc.
    """
    usual = _angle(measured, 1.0)
    points = [_xy(point) for point in measured.landmarks.points.values()]
    pen = _pen(crop, [*points, usual.beyond, *usual.arc], longest_px=longest_px, emphasis=emphasis)
    leg, bars = (LEG_ON_WHITE, BARS_ON_WHITE) if crop is None else (LEG, BARS)
    _machine(pen, measured, bars)
    _leg(pen, measured, leg, number=number)
    return pen.drawing


def bars_drawing(
    bars: BarsAlone, crop: CropJpeg | None, *, longest_px: int, emphasis: float
) -> Drawing:
    """What showed the bars of an empty machine: three dots, or the outlines of two tags."""
    pen = _pen(crop, list(bars.seen_px), longest_px=longest_px, emphasis=emphasis)
    colour = BARS_ON_WHITE if crop is None else BARS
    if bars.motion is None:
        pen.line(list(bars.seen_px), colour, 1.2)
        for point in bars.seen_px:
            pen.ring(point, colour, 3.0)
        return pen.drawing
    for quad in (bars.seen_px[:4], bars.seen_px[4:]):
        pen.line([*quad, quad[0]], colour, 1.2)
    return pen.drawing


def _pen(crop: CropJpeg | None, places: list[Point], *, longest_px: int, emphasis: float) -> _Pen:
    """What draws on the kept picture, or on a blank ground around these places."""
    drawing, place = _bare(places) if crop is None else _photo(crop, longest_px)
    unit = emphasis * max(drawing.height / 210.0, drawing.width / 420.0)
    return _Pen(drawing, place, unit, "#ffffff" if crop is None else INK)


class _Pen:
    """Draws full-size places with an edge, so that a line is seen on any ground."""

    def __init__(self, drawing: Drawing, place: Places, unit: float, edge: str) -> None:
        self.drawing, self.place, self.unit, self.edge = drawing, place, unit, edge

    def holds(self, points: list[Point]) -> bool:
        """Whether all these places lie in the picture, with room for a line's width."""
        room = 2.0 * self.unit
        return all(
            room <= x <= self.drawing.width - room and room <= y <= self.drawing.height - room
            for x, y in map(self.place, points)
        )

    def line(self, points: list[Point], colour: str, wide: float, *, dashed: bool = False) -> None:
        at = [self.place(point) for point in points]
        dashes = f"{5 * self.unit:.1f} {4 * self.unit:.1f}" if dashed else ""
        self.drawing.line(at, self.edge, wide=(wide + 1.2) * self.unit, dashes=dashes)
        self.drawing.line(at, colour, wide=wide * self.unit, dashes=dashes)

    def ring(self, point: Point, colour: str, radius: float) -> None:
        at = self.place(point)
        self.drawing.circle(at, radius * self.unit, self.edge, filled=False, wide=2.6 * self.unit)
        self.drawing.circle(at, radius * self.unit, colour, filled=False, wide=1.5 * self.unit)
        self.drawing.circle(at, 0.9 * self.unit, "#ffffff" if self.edge == INK else colour)


def _photo(crop: CropJpeg, longest_px: int) -> tuple[Drawing, Places]:
    from PIL import Image

    from knee_angle.report.kept_picture import opened_picture

    with opened_picture(crop.jpeg) as picture:
        width, height = picture.size
        shrink = max(1.0, max(picture.size) / longest_px)
        small = picture.convert("RGB").resize(
            (round(width / shrink), round(height / shrink)), Image.Resampling.LANCZOS
        )
    content = BytesIO()
    small.save(content, "JPEG", quality=85)
    drawing = Drawing(float(width), float(height))
    drawing.jpeg(content.getvalue())

    def place(point: Point) -> Point:
        return (
            (point[0] - crop.left_px) / crop.px_per_px,
            (point[1] - crop.top_px) / crop.px_per_px,
        )

    return drawing, place


def _bare(places: list[Point]) -> tuple[Drawing, Places]:
    """A blank ground around what is drawn."""
    xs, ys = zip(*places, strict=True)
    room = MARGIN * max(max(xs) - min(xs), max(ys) - min(ys))
    left, top = min(xs) - room, min(ys) - room
    width, height = max(xs) - left + room, max(ys) - top + room
    drawing = Drawing(width, height)
    corners = [(0.0, 0.0), (width, 0.0), (width, height), (0.0, height)]
    drawing.area(corners, "#f1f4f6")
    drawing.line([*corners, corners[0]], LINE, wide=max(width, height) / 320)
    return drawing, lambda point: (point[0] - left, point[1] - top)


def _machine(pen: _Pen, measured: Measurement, colour: str) -> None:
    if measured.machine is None:
        return
    points = measured.machine.points
    shown = [_xy(points[name]) for name in ("thigh_bar", "hinge", "shank_bar") if name in points]
    if len(shown) > 1:
        pen.line(shown, colour, 1.2, dashed=bars_are_guessed(measured.machine))
    for point in shown:
        pen.ring(point, colour, 3.0)


@dataclass(frozen=True, slots=True)
class _Angle:
    """The end of the thigh's line beyond the knee, the arc to the lower leg, the number's place."""

    beyond: Point
    arc: list[Point]
    number: Point


def _angle(measured: Measurement, size: float) -> _Angle:
    """The angle's marks, that many times as large as usual."""
    hip, knee, ankle = (_xy(measured.landmarks.points[n]) for n in ("hip", "knee", "ankle"))
    carried = 0.55 * size
    beyond = (knee[0] + carried * (knee[0] - hip[0]), knee[1] + carried * (knee[1] - hip[1]))
    start = math.atan2(knee[1] - hip[1], knee[0] - hip[0])
    end = math.atan2(ankle[1] - knee[1], ankle[0] - knee[0])
    turn = (end - start + math.pi) % (2 * math.pi) - math.pi
    radius = 0.34 * size * math.dist(knee, ankle)
    arc = [_round(knee, radius, start + turn * step / 40) for step in range(41)]
    return _Angle(beyond, arc, _round(knee, 1.75 * radius, start + turn / 2))


def _leg(pen: _Pen, measured: Measurement, colour: str, *, number: bool) -> None:
    hip, knee, ankle = (_xy(measured.landmarks.points[n]) for n in ("hip", "knee", "ankle"))
    # As large as the picture has room for: a knee lies near its upper edge.
    tried = (_angle(measured, size) for size in ANGLE_SIZES)
    fits = (one for one in tried if pen.holds([one.beyond, *one.arc]))
    angle = next(fits, _angle(measured, ANGLE_SIZES[-1]))
    pen.line([knee, angle.beyond], colour, 1.2, dashed=True)
    pen.line([hip, knee, ankle], colour, 2.4)
    pen.line(angle.arc, colour, 1.6)
    for point in (hip, knee, ankle):
        pen.ring(point, colour, 4.2)
    if number:
        _number(pen, measured, angle.number)


def _number(pen: _Pen, measured: Measurement, place: Point) -> None:
    (x, y), size = pen.place(place), 17 * pen.unit
    pen.drawing.text(
        words.degrees(measured.knee.deg),
        (min(max(x, 1.6 * size), pen.drawing.width - 1.6 * size),
         min(max(y + 0.35 * size, 1.1 * size), pen.drawing.height - 0.4 * size)),
        size=size, anchor="middle", strong=True,
        colour="#ffffff" if pen.edge == INK else INK, edge=pen.edge,
    )  # fmt: skip


def _round(middle: Point, radius: float, turned: float) -> Point:
    return middle[0] + radius * math.cos(turned), middle[1] + radius * math.sin(turned)


def _xy(point: Landmark) -> Point:
    return point.x_px, point.y_px
