"""How much each setting of a machine matters, as one picture (SVG) that stands alone.

Draws what :class:`knee_angle.machine.sliding.Sensitivity` holds; lines are told apart by their
dashes and by the word at their end, never by colour alone.
"""

from __future__ import annotations

from knee_angle.language import say, tell
from knee_angle.machine.sliding import Sensitivity
from knee_angle.report.axes import Axes, range_of
from knee_angle.report.paper.drawing import Drawing

__all__ = ["sensitivity_svg"]

WIDTH, HEIGHT = 900.0, 470.0
TOP, RIGHT, LEFT = 82.0, 240.0, 72.0
INK, QUIET = "#141c26", "#586474"
LABEL_STEP = 0.1
"""Least distance of two lines' names, as a share of the axis."""
SETTINGS = {
    say("hinge distal (thigh section)"): ("#00695c", "1 0"),
    say("hinge anterior (height)"): ("#b4420a", "9 4"),
    say("support lower (shin strap)"): ("#3646a0", "2 4"),
}
"""Colour and dashes of each line, in the order of the result's fields."""


def sensitivity_svg(result: Sensitivity, *, support_mm: float, place: tuple[float, float]) -> str:
    """The picture as SVG text.

    Parameters
    ----------
    result : Sensitivity
        What is drawn.
    support_mm : float
        Where the lower leg is held, said in the subtitle.
    place : (float, float)
        Hinge offset (distal, anterior), mm, about which it was taken.
    """
    values = (result.per_distal_deg_mm, result.per_anterior_deg_mm, result.per_support_deg_mm)
    drawing = Drawing(WIDTH, HEIGHT)
    bars = [float(one) for one in result.frame_deg]
    heights = range_of([0.0, *(float(v) for curve in values for v in curve)])
    axes = Axes(drawing, (bars[0], bars[-1]), heights, top=TOP, right=RIGHT, left=LEFT)
    axes.bottom_axis(tell("flexion of the machine's bars, degrees (a true display)"))
    axes.left_axis(tell("degrees per mm"))
    for (colour, dashes), curve in zip(SETTINGS.values(), values, strict=True):
        points = [(x, float(y)) for x, y in zip(bars, curve, strict=True)]
        axes.line(points, colour, wide=2.6, dashes=dashes)
    _names(axes, [float(curve[-1]) for curve in values])
    _head(drawing, support_mm=support_mm, place=place)
    return drawing.svg()


def _head(drawing: Drawing, *, support_mm: float, place: tuple[float, float]) -> None:
    """What the picture shows, of which leg, and what goes before it."""
    distal, anterior = place
    head = tell("What a millimetre does to the knee")
    drawing.text(head, (16, 28), size=20, strong=True, colour=INK)
    told = (
        tell(
            "Change of bars minus knee; hinge {distal:g} mm distal and {anterior:g} mm anterior "
            "of the knee, leg held {support_mm:g} mm below it. Planar model.",
            distal=distal, anterior=anterior, support_mm=support_mm,
        ),
        tell(
            "Support for licensed staff. The prescription and local protocol rule; adjust only "
            "with the machine stopped."
        ),
    )  # fmt: skip
    for row, words in enumerate(told):
        drawing.text(words, (16, 48 + 16 * row), size=12, colour=QUIET)


def _names(axes: Axes, ends: list[float]) -> None:
    """Each line's name at its end, moved apart where ends are close."""
    low, high = axes.y
    step, last = LABEL_STEP * (high - low), -float("inf")
    order = sorted(zip(ends, SETTINGS, strict=True))
    for place, (end, name) in enumerate(order):
        last = max(min(end, high - step * (len(order) - 1 - place)), last + step)
        x, y = axes.at(axes.x[1], last)
        colour, _ = SETTINGS[name]
        axes.drawing.text(tell(name), (x + 10, y + 4), size=13, strong=True, colour=colour)
