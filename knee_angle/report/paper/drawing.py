"""Shapes and words as one SVG picture. Places are units of the picture, y down."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Literal

from knee_angle.language import tell

__all__ = ["INK", "LINE", "SOFT", "Drawing"]

INK, SOFT, LINE = "#141c26", "#56616a", "#c9d0d6"
FONT = "'Source Sans 3', system-ui, 'Segoe UI', Roboto, sans-serif"
Point = tuple[float, float]
Anchor = Literal["start", "middle", "end"]


@dataclass(slots=True)
class Drawing:
    """A picture that grows by one shape at a time; later ones lie above.

    Words are told when the file is made: in the language that is spoken then.
    """

    width: float
    height: float
    shapes: list[tuple[str, str]] = field(default_factory=list)

    def _add(self, shape: str, words: str = "") -> None:
        self.shapes.append((shape, words))

    def line(
        self, points: Sequence[Point], colour: str = INK, *, wide: float = 1.0, dashes: str = ""
    ) -> None:
        """A line through points, round at its corners."""
        where = " ".join(f"{_n(x)},{_n(y)}" for x, y in points)
        dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
        self._add(
            f'<polyline points="{where}" fill="none" stroke="{colour}" stroke-width="{_n(wide)}"'
            f'{dashed} stroke-linejoin="round" stroke-linecap="{"butt" if dashes else "round"}"/>'
        )

    def area(self, points: Sequence[Point], colour: str, *, opacity: float = 1.0) -> None:
        """A filled area."""
        where = " ".join(f"{_n(x)},{_n(y)}" for x, y in points)
        self._add(f'<polygon points="{where}" fill="{colour}" fill-opacity="{_n(opacity)}"/>')

    def circle(
        self,
        at: Point,
        radius: float,
        colour: str,
        *,
        filled: bool = True,
        wide: float = 1.0,
        opacity: float = 1.0,
    ) -> None:
        """A disc, or a ring of that width."""
        look = (
            f'fill="{colour}"' + (f' fill-opacity="{_n(opacity)}"' if opacity < 1 else "")
            if filled
            else f'fill="none" stroke="{colour}" stroke-width="{_n(wide)}"'
        )
        self._add(f'<circle cx="{_n(at[0])}" cy="{_n(at[1])}" r="{_n(radius)}" {look}/>')

    def text(
        self,
        words: str,
        at: Point,
        *,
        size: float = 10.0,
        colour: str = INK,
        anchor: Anchor = "start",
        strong: bool = False,
        edge: str = "",
        upright: bool = False,
    ) -> None:
        """Words with their baseline at a place.

        ``edge`` is a colour round the letters; ``upright`` words are read from below.
        """
        weight = ' font-weight="600"' if strong else ""
        turn = f' transform="rotate(-90 {_n(at[0])} {_n(at[1])})"' if upright else ""
        common = (
            f'x="{_n(at[0])}" y="{_n(at[1])}" font-family="{FONT}" font-size="{_n(size)}" '
            f'text-anchor="{anchor}"{weight}{turn}'
        )
        around = (
            f' stroke="{edge}" stroke-width="{_n(0.28 * size)}" stroke-linejoin="round" '
            'paint-order="stroke"'
            if edge
            else ""
        )
        self._add(f'<text {common} fill="{colour}"{around}>{{}}</text>', words)

    def jpeg(self, content: bytes) -> None:
        """A photo over the whole picture."""
        inside = base64.b64encode(content).decode()
        self._add(
            f'<image x="0" y="0" width="{_n(self.width)}" height="{_n(self.height)}" '
            f'preserveAspectRatio="none" href="data:image/jpeg;base64,{inside}"/>'
        )

    def framed(self, ratio: float, colour: str) -> Drawing:
        """The same in the middle of a ground of that width to height, nothing cut off."""
        width = max(self.width, self.height * ratio)
        height = max(self.height, self.width / ratio)
        ground = Drawing(width, height)
        ground.area([(0.0, 0.0), (width, 0.0), (width, height), (0.0, height)], colour)
        across, down = (width - self.width) / 2.0, (height - self.height) / 2.0
        ground.shapes += [
            (f'<g transform="translate({_n(across)} {_n(down)})">', ""), *self.shapes, ("</g>", "")
        ]  # fmt: skip
        return ground

    def beneath(self, other: Drawing) -> None:
        """Another picture below this one."""
        self.shapes += [
            (f'<g transform="translate(0 {_n(self.height)})">', ""), *other.shapes, ("</g>", "")
        ]  # fmt: skip
        self.height += other.height
        self.width = max(self.width, other.width)

    def svg(self) -> str:
        """The picture as a file of its own."""
        told = (
            shape.replace("{}", escape(tell(words))) if words else shape
            for shape, words in self.shapes
        )
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_n(self.width)} '
            f'{_n(self.height)}" width="{_n(self.width)}" height="{_n(self.height)}">'
            f"{''.join(told)}</svg>"
        )


def _n(value: float) -> str:
    """A number as short as it may be."""
    return f"{value:.2f}".rstrip("0").rstrip(".")
