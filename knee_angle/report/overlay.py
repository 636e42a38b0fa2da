"""The overlay: the photo with points, axes, arc and the answer beneath it.

Draws what a result holds and computes nothing but places on the canvas.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from functools import cache
from importlib.resources import files
from io import BytesIO

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from knee_angle.angle import geometry, words
from knee_angle.language import tell
from knee_angle.machine.unjudged import bars_are_guessed, guessed
from knee_angle.photo.reading import Photo
from knee_angle.records import MACHINE_POINTS, Frame, Landmark, Measurement, Verdict

__all__ = ["as_jpeg", "overlay"]

LEG = (0, 194, 168)
MACHINE = (255, 176, 32)
INK = (20, 28, 38)
PAPER = (255, 255, 255)
QUIET = (88, 100, 116)
VERDICT_INK = {"within": (14, 110, 74), "outside": (176, 28, 28), "undecided": (120, 84, 0)}
SUPERSAMPLE = 2
"""Lines are drawn twice as large and reduced, which smooths them."""

Point = tuple[float, float]
Colour = tuple[int, int, int]
Row = tuple[str, str, Verdict | None]


def overlay(
    photo: Photo,
    result: Measurement,
    *,
    panel: bool = True,
) -> Image.Image:
    """The reduced photo with the result drawn in, and a panel beneath.

    Parameters
    ----------
    photo : Photo
        The photo that was measured.
    result : Measurement
        Its result; positions are full-size px and are reduced here.
    panel : bool
        Whether the answer stands beneath the photo in words.

    Returns
    -------
    PIL.Image.Image
        RGB, as wide as ``photo.small``.
    """
    height, width = photo.small.shape[:2]
    canvas = Image.fromarray(photo.small).resize(
        (width * SUPERSAMPLE, height * SUPERSAMPLE), Image.Resampling.BICUBIC
    )
    pen = _Pen(canvas, photo)
    _tags(pen, result)
    _machine(pen, result)
    _leg(pen, result)
    picture = canvas.resize((width, height), Image.Resampling.LANCZOS)
    if not panel:
        return picture
    answer = _panel(width, _rows(result))
    whole = Image.new("RGB", (width, height + answer.height), PAPER)
    whole.paste(picture, (0, 0))
    whole.paste(answer, (0, height))
    return whole


def as_jpeg(picture: Image.Image) -> bytes:
    """The picture's file, for a person to look at."""
    content = BytesIO()
    picture.save(content, "JPEG", quality=90)
    return content.getvalue()


class _Pen:
    """Draws in the enlarged canvas; takes full-size pixels of the photo."""

    def __init__(self, canvas: Image.Image, photo: Photo) -> None:
        self.draw = ImageDraw.Draw(canvas)
        self.scale = (SUPERSAMPLE / photo.scale_x, SUPERSAMPLE / photo.scale_y)
        self.unit = max(canvas.size) / 800.0
        """About one pixel of an 800 px wide picture."""

    def at(self, point: Point) -> Point:
        return point[0] * self.scale[0], point[1] * self.scale[1]

    def line(self, points: Sequence[Point], colour: Colour, width: float) -> None:
        placed = [self.at(p) for p in points]
        for ink, extra in ((INK, 1.6), (colour, 0.0)):
            thick = max(1, round((width + extra) * self.unit))
            self.draw.line(placed, fill=ink, width=thick, joint="curve")

    def dashes(self, start: Point, end: Point, colour: Colour, width: float) -> None:
        length = math.dist(self.at(start), self.at(end))
        count = max(1, int(length / (9 * self.unit)))
        for k in range(count):
            a, b = (k / count, (k + 0.55) / count)
            self.line([_between(start, end, a), _between(start, end, b)], colour, width)

    def ring(self, point: Landmark, colour: Colour, radius: float) -> None:
        x, y = self.at((point.x_px, point.y_px))
        for ink, wide, pen in ((INK, radius + 0.9, 3.0), (colour, radius, 1.8)):
            r, thick = wide * self.unit, max(1, round(pen * self.unit))
            self.draw.ellipse((x - r, y - r, x + r, y + r), outline=ink, width=thick)
        r = 0.9 * self.unit
        self.draw.ellipse((x - r, y - r, x + r, y + r), fill=PAPER)

    def label(self, point: Point, text: str, size: float) -> None:
        font = _font(size * self.unit)
        stroke = max(1, round(1.1 * self.unit))
        self.draw.text(
            self.at(point),
            text,
            font=font,
            fill=PAPER,
            anchor="mm",
            stroke_width=stroke,
            stroke_fill=INK,
        )


def _font(size: float) -> ImageFont.FreeTypeFont:
    """The papers' font: Pillow's own has neither umlauts nor a true minus."""
    return ImageFont.truetype(BytesIO(_face()), size)


@cache
def _face() -> bytes:
    return files("knee_angle.report").joinpath("paper/fonts/SourceSans3-Regular.ttf").read_bytes()


def _between(start: Point, end: Point, share: float) -> Point:
    return start[0] + share * (end[0] - start[0]), start[1] + share * (end[1] - start[1])


def _xy(point: Landmark) -> Point:
    return point.x_px, point.y_px


def _tags(pen: _Pen, result: Measurement) -> None:
    for quad in result.tags:
        pen.line([*quad, quad[0]], MACHINE, 1.0)
    on_bars = result.leg.bar_tags
    for quad in () if on_bars is None else (on_bars.thigh_px, on_bars.shank_px):
        start, end = _between(quad[0], quad[3], 0.5), _between(quad[1], quad[2], 0.5)
        pen.line([_between(start, end, -0.6), _between(start, end, 1.6)], MACHINE, 1.6)


def _machine(pen: _Pen, result: Measurement) -> None:
    if result.machine is None:
        return
    points = result.machine.points
    guessed = bars_are_guessed(result.machine)
    # A bar runs from the hinge: without it nothing lies between the bars' points.
    for start, end in itertools.pairwise(MACHINE_POINTS):
        if start in points and end in points:
            ends = _xy(points[start]), _xy(points[end])
            if guessed:
                pen.dashes(*ends, MACHINE, 1.2)
            else:
                pen.line(list(ends), MACHINE, 1.2)
    for point in points.values():
        pen.ring(point, MACHINE, 3.0)


def _leg(pen: _Pen, result: Measurement) -> None:
    hip, knee, ankle = (result.landmarks.points[n] for n in ("hip", "knee", "ankle"))
    beyond = _between(_xy(hip), _xy(knee), 1.55)
    pen.dashes(_xy(knee), beyond, LEG, 1.2)
    pen.line([_xy(hip), _xy(knee), _xy(ankle)], LEG, 2.6)
    _arc(pen, result)
    for point in (hip, knee, ankle):
        pen.ring(point, LEG, 4.2)


def _arc(pen: _Pen, result: Measurement) -> None:
    """The flexion: from the thigh's continuation to the shank, with its number."""
    hip, knee, ankle = (np.array(_xy(result.landmarks.points[n])) for n in ("hip", "knee", "ankle"))
    start_deg = geometry.direction_deg(knee - hip)
    turn_deg = (geometry.direction_deg(ankle - knee) - start_deg + 180) % 360 - 180
    radius = 0.34 * float(np.linalg.norm(ankle - knee))
    sweep = np.linspace(0, turn_deg, 40)[:, None]
    unit = geometry.turned(np.tile([[1.0, 0.0]], (40, 1)), by_deg=start_deg + sweep[:, 0])
    pen.line([(float(x), float(y)) for x, y in knee + radius * unit], LEG, 1.8)
    middle = geometry.turned((1.0, 0.0), by_deg=start_deg + turn_deg / 2)
    place = knee + 1.75 * radius * middle
    pen.label((float(place[0]), float(place[1])), tell(words.degrees(result.knee.deg)), 25)


def _panel(width: int, answer: Sequence[Row]) -> Image.Image:
    """The answer in words and numbers, under the photo."""
    unit = width / 100.0
    body, small = (_font(max(12.0, s * unit)) for s in (2.3, 1.85))
    gap = max(17.0, 3.0 * unit)
    left, right, y = 2.4 * unit, 22 * unit, 0.55 * gap
    measuring = ImageDraw.Draw(Image.new("RGB", (1, 1)))
    caution = _wrapped(measuring, tell(words.CAUTION), small, width - 2 * left)
    room = width - right - gap - left
    rows = [
        (name, _wrapped(measuring, text, body, room), verdict) for name, text, verdict in answer
    ]
    height = (sum(len(lines) for _, lines, _ in rows) + 1.0 + 0.75 * len(caution)) * gap
    panel = Image.new("RGB", (width, round(height)), PAPER)
    pen = ImageDraw.Draw(panel)
    for name, lines, verdict in rows:
        ink = VERDICT_INK[verdict] if verdict else INK
        pen.text((left, y), name, font=body, fill=QUIET)
        if verdict:
            _shape(pen, words.VERDICT_SHAPES[verdict], (right, y + 0.2 * gap), 0.62 * gap, ink)
        for line in lines:
            pen.text((right + (gap if verdict else 0), y), line, font=body, fill=ink)
            y += gap
    for line in caution:
        pen.text((left, y + 0.15 * gap), line, font=small, fill=QUIET)
        y += 0.75 * gap
    return panel


def _rows(result: Measurement) -> list[Row]:
    low, high = result.knee.interval_deg
    rows: list[Row] = [
        *((tell("Alarm"), tell(alarm), "outside") for alarm in result.alarms),
        (
            tell("Knee"),
            tell(
                "{knee},  95 %: {low} to {high}",
                knee=words.degrees(result.knee.deg),
                low=words.degrees(low),
                high=words.degrees(high),
            ),
            None,
        ),
    ]
    if result.displayed is not None and result.comparison is not None:
        difference, shown = result.comparison, result.displayed.deg
        rows += [
            (
                tell("Display"),
                tell(words.degrees(shown)) + tell(words.shown_as(shown, result.settings)),
                None,
            ),
            (
                tell("Difference"),
                tell(words.with_u(difference.discrepancy_deg, difference.u_deg, sign=True)),
                None,
            ),
            (
                tell("Verdict"),
                tell(
                    "{verdict} (tolerance {tolerance_deg:g}°)",
                    verdict=words.VERDICT_WORDS[difference.verdict],
                    tolerance_deg=difference.tolerance_deg,
                ),
                _tone(result, difference.verdict),
            ),
        ]
    if result.finding is not None:
        rows.append((tell("Finding"), tell(words.finding_words(result.finding)), None))
    if result.machine is not None and result.machine.frame is not None:
        rows += _bars_rows(result.machine.frame)
    rows.append((tell("Points"), tell(words.sources(result.landmarks)), None))
    rows.append((tell("Plane"), tell(words.PLANE_WORDS[result.plane]), None))
    return rows


def _bars_rows(frame: Frame) -> list[Row]:
    """The bars' angle and the hinge; of guessed ones that they are no more than that."""
    if guessed(frame):
        told = tell("dashed: {guess}", guess=words.guessed_bars(frame))
        return [(tell("Bars"), told, None)]
    return [
        (tell("Bars"), tell(words.with_u(frame.deg, frame.u_deg)), None),
        (tell("Hinge"), tell(words.hinge_place(frame)), None),
    ]


def _tone(result: Measurement, verdict: Verdict) -> Verdict | None:
    """The verdict's colour: no green answer under an alarm or beside a fault."""
    fault = result.finding is not None and result.finding.kind in words.FAULTS
    return None if verdict == "within" and (result.alarms or fault) else verdict


def _shape(pen: ImageDraw.ImageDraw, kind: str, at: Point, size: float, ink: Colour) -> None:
    x, y = at
    if kind == "circle":
        pen.ellipse((x, y, x + size, y + size), fill=ink)
    elif kind == "triangle":
        pen.polygon([(x, y + size), (x + size, y + size), (x + size / 2, y)], fill=ink)
    else:
        pen.rectangle((x, y + 0.38 * size, x + size, y + 0.62 * size), fill=ink)


def _wrapped(
    pen: ImageDraw.ImageDraw,
    text: str,
    font: ImageFont.FreeTypeFont | ImageFont.ImageFont,
    width: float,
) -> list[str]:
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and pen.textlength(longer, font=font) <= width:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines
