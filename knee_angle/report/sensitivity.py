"""How much each setting of a machine matters, as one picture (SVG) that stands alone.

Draws what :class:`knee_angle.machine.sliding.Sensitivity` holds; lines are told apart by their
dashes and by the word at their end, never by colour alone.
"""

from __future__ import annotations

from typing import Any

import altair as alt
import vl_convert

from knee_angle.machine.sliding import Sensitivity

__all__ = ["sensitivity_svg"]

WIDTH, HEIGHT = 640, 340
INK, QUIET = "#141c26", "#586474"
LABEL_STEP = 0.1
"""Least distance of two lines' names, as a share of the axis."""
SETTINGS = {
    "hinge distal (thigh section)": ("#00695c", [1, 0]),
    "hinge anterior (height)": ("#b4420a", [9, 4]),
    "support lower (shin strap)": ("#3646a0", [2, 4]),
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
    rows = [
        {"bars": float(bars), "value": float(value), "setting": name}
        for name, curve in zip(SETTINGS, values, strict=True)
        for bars, value in zip(result.frame_deg, curve, strict=True)
    ]
    base = alt.Chart(alt.Data(values=rows)).encode(
        color=_by_setting(alt.Color, [colour for colour, _ in SETTINGS.values()])
    )
    lines = base.mark_line(size=2.6).encode(
        x=alt.X(
            "bars:Q",
            title="flexion of the machine's bars, degrees (a true display)",
            scale=alt.Scale(nice=False, zero=False),
        ),
        y=alt.Y("value:Q", title="degrees per mm"),
        strokeDash=_by_setting(alt.StrokeDash, [dash for _, dash in SETTINGS.values()]),
    )
    names = (
        alt.Chart(alt.Data(values=_names(result, values)))
        .mark_text(align="left", dx=10, fontSize=13, fontWeight="bold")
        .encode(
            x="bars:Q", y="value:Q", text="setting:N",
            color=_by_setting(alt.Color, [colour for colour, _ in SETTINGS.values()]),
        )
    )  # fmt: skip
    distal, anterior = place
    chart = alt.layer(lines, names).properties(
        width=WIDTH,
        height=HEIGHT,
        padding={"left": 16, "top": 16, "bottom": 12, "right": 16},
        title=alt.TitleParams(
            "What a millimetre does to the knee",
            subtitle=[
                f"Change of bars minus knee; hinge {distal:g} mm distal and {anterior:g} mm "
                f"anterior of the knee, leg held {support_mm:g} mm below it. Planar model.",
                "Support for licensed staff. The prescription and local protocol rule; "
                "adjust only with the machine stopped.",
            ],
            anchor="start", fontSize=20, subtitleColor=QUIET, color=INK,
        ),
    )  # fmt: skip
    spec = chart.configure(font="system-ui, sans-serif", background="white").configure_view(
        stroke=None
    )
    return str(vl_convert.vegalite_to_svg(spec.to_dict(), allowed_base_urls=[]))


def _by_setting(channel: Any, drawn: list[Any]) -> Any:
    return channel("setting:N", legend=None, scale=alt.Scale(domain=list(SETTINGS), range=drawn))


def _names(result: Sensitivity, values: tuple[Any, ...]) -> list[dict[str, Any]]:
    """Each line's name at its end, moved apart where ends are close."""
    low = min(0.0, *(float(curve.min()) for curve in values))
    high = max(0.0, *(float(curve.max()) for curve in values))
    step, last = LABEL_STEP * (high - low), -float("inf")
    ends = sorted((float(c[-1]), name) for c, name in zip(values, SETTINGS, strict=True))
    rows = []
    for place, (end, name) in enumerate(ends):
        last = max(min(end, high - step * (len(ends) - 1 - place)), last + step)
        rows.append({"bars": float(result.frame_deg[-1]), "value": last, "setting": name})
    return rows
