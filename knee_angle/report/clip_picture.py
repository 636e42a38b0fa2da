"""The plots of a clip as one SVG picture that stands alone, with the words of `clip_plots`."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import Any

from knee_angle.language import say, say_as
from knee_angle.report.axes import Axes, range_of
from knee_angle.report.paper.drawing import Drawing

__all__ = ["against_knee", "over_time"]

WIDE, HIGH = 720.0, 330.0
TOP = 36.0
LIMIT, SAME = "#222222", "#888888"
NAMES = {
    "knee": say_as("line", "knee"),
    "bars": say_as("line", "bars"),
    "display": say_as("line", "display"),
}
Row = dict[str, Any]


def over_time(
    rows: Sequence[Row], limits: Sequence[float], *, colours: dict[str, str], title: str
) -> Drawing:
    """Knee, bars and display over the seconds, with bands, and prescribed limits dashed.

    Parameters
    ----------
    rows : sequence of dict
        ``of``, ``seconds``, ``deg``, ``low``, ``high``; ``piece``: counts what is drawn in one.
    limits : sequence of float
    colours : dict
        By ``of``.
    title : str
    """
    drawing = Drawing(WIDE, HIGH)
    heights = [row[name] for row in rows for name in ("low", "high")]
    axes = Axes(
        drawing, range_of(row["seconds"] for row in rows), range_of([*heights, *limits]),
        top=TOP, right=96.0,
    )  # fmt: skip
    axes.bottom_axis(say("seconds"))
    axes.left_axis(say("flexion (degrees)"))
    for limit in limits:
        axes.line([(axes.x[0], limit), (axes.x[1], limit)], LIMIT, wide=1.0, dashes="6 4")
    for place, (of, colour) in enumerate(colours.items()):
        own = [row for row in rows if row["of"] == of]
        if not own:
            continue
        if of == "display":
            for row in own:
                drawing.circle(axes.at(row["seconds"], row["deg"]), 2.6, colour, filled=False)
        else:
            dashes = "" if of == "knee" else "7 4"
            for _, piece in groupby(own, key=lambda row: row["piece"]):
                _band(drawing, axes, list(piece), colour, dashes=dashes)
        y = TOP + 14.0 + 20.0 * place
        drawing.text(NAMES[of], (WIDE - 84.0, y), size=13, strong=True, colour=colour)
    drawing.text(title, (axes.left, 22.0), size=14, strong=True)
    return drawing


def _band(drawing: Drawing, axes: Axes, rows: list[Row], colour: str, *, dashes: str) -> None:
    """A line with its band: one piece, without what was not measured before and after."""
    upper = [axes.at(row["seconds"], row["high"]) for row in rows]
    lower = [axes.at(row["seconds"], row["low"]) for row in rows]
    drawing.area([*upper, *reversed(lower)], colour, opacity=0.18)
    axes.line([(row["seconds"], row["deg"]) for row in rows], colour, dashes=dashes)


def against_knee(pairs: Sequence[Row], *, colour: str) -> Drawing:
    """The display against the knee, in the order of time; dashed: where both are the same."""
    drawing = Drawing(HIGH + 60.0, HIGH + 60.0)
    both = [row[name] for row in pairs for name in ("knee", "deg")]
    axes = Axes(drawing, range_of(both), range_of(both), top=TOP)
    axes.bottom_axis(say("knee (degrees)"))
    axes.left_axis(say("displayed (degrees)"))
    low, high = min(both), max(both)
    axes.line([(low, low), (high, high)], SAME, wide=1.4, dashes="4 4")
    way = [(row["knee"], row["deg"]) for row in pairs]
    axes.line(way, colour, wide=1.4)
    for at in way:
        drawing.circle(axes.at(*at), 2.6, colour)
    drawing.text(
        say("displayed against knee, in the order of time"),
        (axes.left, 22.0),
        size=14,
        strong=True,
    )
    return drawing
