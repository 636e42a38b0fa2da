"""One printed page, drawn to scale as vectors: lengths in mm from its top left corner, y down.

The same calls give the same bytes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from typing import Literal

from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas

from knee_angle import __version__
from knee_angle.language import say, tell

__all__ = ["INK", "MARGIN_MM", "NUMBER_PT", "RULE_MM", "SMALL_PT", "Colour", "PrintedPage"]

Colour = tuple[float, float, float]

CAUTION = say("Measurement support for licensed staff. The prescription and local protocol rule.")

INK: Colour = (0.0, 0.0, 0.0)
SOFT: Colour = (0.36, 0.38, 0.41)
LINE: Colour = (0.66, 0.68, 0.71)

MARGIN_MM = 14.0
PT_PER_MM = 72 / 25.4
SMALL_PT, BODY_PT, NUMBER_PT, TITLE_PT = 8.0, 9.5, 11.0, 19.0
LEADING_MM = 4.6
RULE_MM = 100.0


@dataclass(frozen=True, eq=False)
class PrintedPage:
    """One page, measured in mm from its top left corner."""

    canvas: Canvas
    stream: BytesIO
    width_mm: float
    height_mm: float

    @classmethod
    def new(cls, width_mm: float, height_mm: float, *, title: str) -> PrintedPage:
        """A blank page; the PDF asks the viewer not to scale it."""
        stream = BytesIO()
        size = (width_mm * PT_PER_MM, height_mm * PT_PER_MM)
        canvas = Canvas(stream, pagesize=size, invariant=True, pageCompression=1)
        canvas.setTitle(title)
        canvas.setAuthor("knee_angle")
        canvas.setCreator(f"knee_angle {__version__}")
        canvas.setProducer(f"knee_angle {__version__}")
        canvas.setSubject(tell(CAUTION))
        canvas.setViewerPreference("PrintScaling", "None")
        return cls(canvas, stream, width_mm, height_mm)

    def finish(self) -> bytes:
        """Write the foot, and give the PDF."""
        y_mm = self.height_mm - MARGIN_MM
        self.line(MARGIN_MM, y_mm - 5.0, self.width_mm - MARGIN_MM, y_mm - 5.0)
        self.text(tell(CAUTION), MARGIN_MM, y_mm, size_pt=SMALL_PT, colour=SOFT)
        right_mm = self.width_mm - MARGIN_MM
        version = f"knee_angle {__version__}"
        self.text(version, right_mm, y_mm, size_pt=SMALL_PT, colour=SOFT, anchor="end")
        self.canvas.showPage()
        self.canvas.save()
        return self.stream.getvalue()

    def head(self, title: str, subtitle: str) -> None:
        """Title and what the sheet is for."""
        self.text(title, MARGIN_MM, MARGIN_MM + 5.5, font="Helvetica-Bold", size_pt=TITLE_PT)
        self.text(subtitle, MARGIN_MM, MARGIN_MM + 12.5, colour=SOFT)

    def text(
        self,
        words: str,
        x_mm: float,
        y_mm: float,
        *,
        font: str = "Helvetica",
        size_pt: float = BODY_PT,
        colour: Colour = INK,
        anchor: Literal["start", "middle", "end"] = "start",
    ) -> None:
        """One line; ``y_mm`` is its baseline."""
        share = {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor]
        left_pt = x_mm * PT_PER_MM - share * stringWidth(words, font, size_pt)
        self.canvas.setFont(font, size_pt)
        self.canvas.setFillColorRGB(*colour)
        self.canvas.drawString(left_pt, self._up(y_mm), words)

    def wrapped(self, words: str, x_mm: float, y_mm: float, width_mm: float) -> None:
        """Small centred lines, downwards from ``y_mm``."""
        lines = simpleSplit(tell(words), "Helvetica", SMALL_PT, width_mm * PT_PER_MM)
        for number, line in enumerate(lines):
            at_mm = y_mm + number * 3.4
            self.text(line, x_mm, at_mm, size_pt=SMALL_PT, colour=SOFT, anchor="middle")

    def steps(self, steps: Sequence[str], x_mm: float, y_mm: float, width_mm: float) -> float:
        """A numbered list, downwards from the baseline ``y_mm``; returns the next one."""
        indent_mm = 6.0
        for number, step in enumerate(steps, start=1):
            self.text(f"{number}", x_mm, y_mm, font="Helvetica-Bold")
            for line in simpleSplit(
                tell(step), "Helvetica", BODY_PT, (width_mm - indent_mm) * PT_PER_MM
            ):
                self.text(line, x_mm + indent_mm, y_mm)
                y_mm += LEADING_MM
            y_mm += 1.2
        return y_mm

    def rule(self, x_mm: float, y_mm: float) -> None:
        """A rule of 100 mm from ``x_mm``, with what to do about it above."""
        self.text(tell("Check the print"), x_mm, y_mm, font="Helvetica-Bold")
        self.text(
            tell("This rule must be 100 mm long, to within {most_mm} mm.", most_mm=0.5),
            x_mm, y_mm + LEADING_MM,
        )  # fmt: skip
        base_mm = y_mm + 2 * LEADING_MM + 8.0
        self.line(x_mm, base_mm, x_mm + RULE_MM, base_mm, colour=INK, width_mm=0.2)
        for mark in range(int(RULE_MM) + 1):
            tick_mm = 5.0 if mark % 10 == 0 else 3.6 if mark % 5 == 0 else 2.2
            at_mm = x_mm + mark
            self.line(at_mm, base_mm - tick_mm, at_mm, base_mm, colour=INK, width_mm=0.15)
            if mark % 10 == 0:
                self.text(f"{mark}", at_mm, base_mm + 4.0, size_pt=SMALL_PT, anchor="middle")

    def line(
        self,
        x0_mm: float,
        y0_mm: float,
        x1_mm: float,
        y1_mm: float,
        *,
        colour: Colour = LINE,
        width_mm: float = 0.2,
    ) -> None:
        """A straight line, its middle on the two points."""
        self.canvas.setStrokeColorRGB(*colour)
        self.canvas.setLineWidth(width_mm * PT_PER_MM)
        self.canvas.line(x0_mm * PT_PER_MM, self._up(y0_mm), x1_mm * PT_PER_MM, self._up(y1_mm))

    def cut_line(self, x_mm: float, y_mm: float, width_mm: float, height_mm: float) -> None:
        """A dashed rectangle."""
        self.canvas.setStrokeColorRGB(*LINE)
        self.canvas.setLineWidth(0.2 * PT_PER_MM)
        self.canvas.setDash(2 * PT_PER_MM, 1.5 * PT_PER_MM)
        self.canvas.rect(*self._box(x_mm, y_mm, width_mm, height_mm), stroke=1, fill=0)
        self.canvas.setDash()

    def dot(self, x_mm: float, y_mm: float, diameter_mm: float, colour: Colour) -> None:
        """A round dot about its centre, and a fine ring to cut along."""
        x_pt, y_pt = x_mm * PT_PER_MM, self._up(y_mm)
        self.canvas.setFillColorRGB(*colour)
        self.canvas.circle(x_pt, y_pt, diameter_mm / 2 * PT_PER_MM, stroke=0, fill=1)
        self.canvas.setStrokeColorRGB(*LINE)
        self.canvas.setLineWidth(0.1 * PT_PER_MM)
        self.canvas.circle(x_pt, y_pt, (diameter_mm / 2 + 1.5) * PT_PER_MM, stroke=1, fill=0)

    def polygon(self, corners_mm: Sequence[tuple[float, float]]) -> None:
        """A filled black area with straight edges."""
        path = self.canvas.beginPath()
        (x_mm, y_mm), *rest = corners_mm
        path.moveTo(x_mm * PT_PER_MM, self._up(y_mm))
        for x_mm, y_mm in rest:
            path.lineTo(x_mm * PT_PER_MM, self._up(y_mm))
        path.close()
        self.canvas.setFillColorRGB(*INK)
        self.canvas.drawPath(path, stroke=0, fill=1)

    def rectangles(
        self, boxes: Sequence[tuple[float, float, float, float]], colour: Colour
    ) -> None:
        """Filled rectangles (left, top, width, height) as one area."""
        path = self.canvas.beginPath()
        for box in boxes:
            path.rect(*self._box(*box))
        self.canvas.setFillColorRGB(*colour)
        self.canvas.drawPath(path, stroke=0, fill=1)

    def _box(
        self, x_mm: float, y_mm: float, width_mm: float, height_mm: float
    ) -> tuple[float, float, float, float]:
        lower_pt = self._up(y_mm + height_mm)
        return x_mm * PT_PER_MM, lower_pt, width_mm * PT_PER_MM, height_mm * PT_PER_MM

    def _up(self, y_mm: float) -> float:
        """PDF counts upwards, in points."""
        return (self.height_mm - y_mm) * PT_PER_MM
