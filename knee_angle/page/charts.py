"""Charts of what was followed, drawn from results; nothing is computed here.

Knee and display differ by shape and by colour, limits and marks carry their words, and a
table with the same numbers stands under every chart.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from textwrap import wrap
from typing import Any

import altair as alt

from knee_angle.language import current, figure, joined, say, say_as, tell
from knee_angle.machine.control_chart import ControlChart
from knee_angle.visit.course import Day, KeptAngle, Mark, PrescribedLimits

__all__ = ["check_chart", "control_chart", "person_chart"]

KNEE, DISPLAY, LIMIT, QUIET, INK = "#0b6e69", "#9a4a00", "#b01c1c", "#5b6673", "#141c26"
HEIGHT = 360
LEGEND = alt.Legend(
    title=None, orient="bottom", columns=2, labelFontSize=13, symbolSize=110, symbolOpacity=1
)
"""In two columns: three in a row are cut off on a phone."""
TITLE_CHARACTERS = 26
"""Of an axis' title in one line: more is higher than the chart."""
BESIDE: dict[float, tuple[str, ...]] = {
    67: (say_as("chart", "walking"),),
    83: (say_as("chart", "up stairs"),),
    95: (say_as("chart", "down stairs,"), say_as("chart", "chair")),
    110: (say_as("chart", "daily life"),),
}
"""Short words for the marks at the chart's right edge; those of 90 and 93 share a place."""

KNEE_KIND, DISPLAY_KIND = say("knee, 95 %"), say("machine's display")
EXPECTED, FIRED = say("as expected"), say("a rule fired")
ENDS = {"flexion": say("flexion"), "extension": say("extension")}
AGAINST = {
    "display minus bars": say("display minus bars"),
    "display minus knee": say("display minus knee"),
}
BAR = "M-1,-0.2L1,-0.2L1,0.2L-1,0.2Z"
"""A flat bar as a symbol's outline, for a line in the legend."""

Rows = list[dict[str, Any]]


def person_chart(days: Sequence[Day], marks: Sequence[Mark]) -> alt.LayerChart:
    """A person's flexion and extension over days, knee and display, with ± and limits.

    Parameters
    ----------
    days : sequence of Day
        The earliest first; at least one.
    marks : sequence of Mark
        Functional marks to draw.
    """
    span = _span([day.day for day in days])
    x = alt.X("day:T", title=None, scale=alt.Scale(domain=span), axis=_days(span))
    scale = alt.Scale(zero=False, padding=12)
    y = alt.Y("deg:Q", title=tell("degrees of flexion"), scale=scale, axis=_numbers())
    points = _points(days)
    kinds = [tell(KNEE_KIND), tell(DISPLAY_KIND), tell("prescribed limit")]
    base = _chart(points).encode(x=x, y=y)
    knee = base.transform_filter(f"datum.kind == {json.dumps(kinds[0])}")
    layers = [
        _mark_layer(marks),
        *_limit_layers(days, span),
        knee.mark_line(color=KNEE, strokeWidth=1.6).encode(
            y=_bare("deg"),
            strokeDash=alt.StrokeDash(
                "end:N",
                scale=alt.Scale(domain=[tell(ENDS[end]) for end in ENDS], range=[[1, 0], [6, 4]]),
                legend=None,
            ),
        ),
        _end_words(days),
        knee.mark_rule(color=KNEE, strokeWidth=2).encode(y=_bare("low"), y2="high:Q"),
        base.mark_point(size=85, filled=True, opacity=1).encode(
            color=alt.Color(
                "kind:N", scale=alt.Scale(domain=kinds, range=[KNEE, DISPLAY, LIMIT]), legend=LEGEND
            ),
            shape=alt.Shape(
                "kind:N",
                scale=alt.Scale(domain=kinds, range=["circle", "diamond", BAR]),
                legend=LEGEND,
            ),
            tooltip=[
                alt.Tooltip("day:T", title=tell("day"), format=tell("%-d %b %Y")),
                alt.Tooltip("end:N", title=tell("end")),
                alt.Tooltip("kind:N", title=tell("what")),
                alt.Tooltip("words:N", title=tell("angle")),
            ],
        ),
    ]
    words = tell("Flexion and extension over days; the table below holds the numbers.")
    # Degrees stand at the left edge, the marks' words at the right one.
    return _finished(alt.layer(*layers).resolve_axis(y="independent"), words)


def control_chart(
    times: Sequence[datetime],
    intervals: Sequence[tuple[float, float]],
    values: Sequence[float],
    chart: ControlChart | None,
    *,
    title: str,
) -> alt.LayerChart:
    """One quantity of a machine over its checks, with ±, limits and the rules that fired.

    Parameters
    ----------
    times, values, intervals : sequence
        One a check, the earliest first.
    chart : ControlChart or None
        Of the same values; without it only the values are drawn.
    title : str
        What the quantity is, with its unit.
    """
    rows = _checks(times, intervals, values, chart)
    span = _span([at.date() for at in times])
    x = alt.X("day:T", title=None, scale=alt.Scale(domain=span), axis=_days(span))
    beside = wrap(title, TITLE_CHARACTERS)
    y = alt.Y("value:Q", title=beside, scale=alt.Scale(zero=False, padding=14), axis=_numbers())
    base = _chart(rows).encode(x=x, y=y)
    kinds = [tell(EXPECTED), tell(FIRED)]
    layers = [
        *_control_lines(chart),
        base.mark_line(color=KNEE, strokeWidth=1.4).encode(y=_bare("value")),
        base.mark_rule(color=KNEE, strokeWidth=2).encode(y=_bare("low"), y2="high:Q"),
        base.mark_point(size=95, filled=True, opacity=1).encode(
            color=alt.Color(
                "kind:N", scale=alt.Scale(domain=kinds, range=[KNEE, LIMIT]), legend=LEGEND
            ),
            shape=alt.Shape(
                "kind:N",
                scale=alt.Scale(domain=kinds, range=["circle", "triangle-up"]),
                legend=LEGEND,
            ),
            tooltip=[
                alt.Tooltip("day:T", title=tell("check"), format=tell("%-d %b %Y")),
                alt.Tooltip("told:N", title=title),
                alt.Tooltip("words:N", title=tell("rule")),
            ],
        ),
    ]
    words = tell("{title} over checks; the table below holds the numbers.", title=title)
    return _finished(alt.layer(*layers).resolve_axis(y="independent"), words)


def check_chart(rows: Rows, bands: Rows, *, tolerance_deg: float) -> alt.LayerChart:
    """What a display says more than bars and knee over the range, with ±, lines and tolerance.

    Parameters
    ----------
    rows, bands : list of dict
        ``kind``, ``at`` (the measured angle), ``deg``, ``low``, ``high``: the points, and the
        lines through them.
    tolerance_deg : float
        What is allowed either way.
    """
    kinds = sorted({row["kind"] for row in rows})
    named = [tell(AGAINST[kind]) for kind in kinds]
    bands = [{**row, "kind": tell(AGAINST[row["kind"]])} for row in bands]
    rows = [
        {
            **row, "kind": tell(AGAINST[row["kind"]]), "told": tell("{deg:+.1f}", deg=row["deg"]),
            "told_at": tell("{deg:.1f}", deg=row["at"]),
        }
        for row in rows
    ]  # fmt: skip
    colours = {"display minus bars": DISPLAY, "display minus knee": KNEE}
    shapes = {"display minus bars": "diamond", "display minus knee": "circle"}
    colour = alt.Color(
        "kind:N", scale=alt.Scale(domain=named, range=[colours[k] for k in kinds]), legend=LEGEND
    )
    shape = alt.Shape(
        "kind:N", scale=alt.Scale(domain=named, range=[shapes[k] for k in kinds]), legend=LEGEND
    )
    minus = tell("display minus measured, degrees")
    x = alt.X(
        "at:Q", title=tell("measured angle, degrees"), scale=alt.Scale(zero=False, padding=14),
        axis=_numbers(),
    )  # fmt: skip
    y = alt.Y("deg:Q", title=minus, scale=alt.Scale(padding=10), axis=_numbers())
    allowed = _chart([{"low": -tolerance_deg, "high": tolerance_deg}]).mark_rect(
        color=QUIET, opacity=0.13
    )
    line = _chart(bands).encode(x=x, color=colour)
    base = _chart(rows).encode(x=x, y=y, color=colour)
    layers = [
        allowed.encode(y=alt.Y("low:Q", title=minus), y2="high:Q"),
        _chart([{"zero": 0}]).mark_rule(color=INK, strokeWidth=1).encode(y="zero:Q"),
        line.mark_area(opacity=0.16).encode(y="low:Q", y2="high:Q"),
        line.mark_line(strokeWidth=1.4).encode(y="deg:Q"),
        base.mark_rule(strokeWidth=2).encode(y="low:Q", y2="high:Q"),
        base.mark_point(size=95, filled=True, opacity=1).encode(
            shape=shape,
            tooltip=[
                alt.Tooltip("kind:N", title=tell("what")),
                alt.Tooltip("told_at:N", title=tell("at")),
                alt.Tooltip("told:N", title=tell("difference")),
            ],
        ),
    ]
    words = tell(
        "Display minus bars and minus knee over the range; the table below holds the numbers."
    )
    return _finished(alt.layer(*layers), words)


def _checks(
    times: Sequence[datetime],
    intervals: Sequence[tuple[float, float]],
    values: Sequence[float],
    chart: ControlChart | None,
) -> list[dict[str, Any]]:
    """One row a check, with the rules that fired there."""
    fired: dict[int, list[str]] = {}
    for signal in () if chart is None else chart.signals:
        fired.setdefault(signal.index, []).append(signal.words)
    return [
        {
            "day": at.isoformat(),
            "value": value,
            "told": tell("{value:.2f}", value=value),
            "low": low,
            "high": high,
            "kind": tell(FIRED if number in fired else EXPECTED),
            "words": tell(joined("; ", fired.get(number, [say("none")]))),
        }
        for number, (at, value, (low, high)) in enumerate(
            zip(times, values, intervals, strict=True)
        )
    ]


def _bare(field: str) -> alt.Y:
    """Another layer on the same scale, without a second axis."""
    return alt.Y(f"{field}:Q", axis=None)


def _chart(rows: Rows) -> alt.Chart:
    return alt.Chart(alt.Data(values=rows))


def _span(days: Sequence[date]) -> list[str]:
    """First and last day with half a day's room, as axis domain."""
    room = max(timedelta(days=1), (max(days) - min(days)) / 20)
    first, last = (datetime(d.year, d.month, d.day) for d in (min(days), max(days)))
    return [(first - room).isoformat(), (last + room).isoformat()]


def _days(span: list[str]) -> alt.Axis:
    """Whole days, some six of them: never one twice."""
    first, last = (datetime.fromisoformat(one) for one in span)
    step = alt.TimeIntervalStep(interval="day", step=max(1, round((last - first).days / 6)))
    return alt.Axis(format=tell("%-d %b"), labelOverlap=True, tickCount=step, grid=False)


def _numbers() -> alt.Axis:
    """Numbers with the language's decimal sign."""
    decimal = current().decimal
    if decimal == ".":
        return alt.Axis()
    return alt.Axis(labelExpr=f"replace(datum.label, '.', {json.dumps(decimal)})")


def _points(days: Sequence[Day]) -> Rows:
    rows: Rows = []
    for day in days:
        for end, reading in (("flexion", day.flexion), ("extension", day.extension)):
            if reading is not None:
                rows += _both(day.day, end, reading)
    return rows


def _both(day: date, end: str, reading: KeptAngle) -> Rows:
    low, high = reading.interval_deg
    at = datetime(day.year, day.month, day.day).isoformat()
    rows: Rows = [
        {
            "day": at, "end": tell(ENDS[end]), "kind": tell(KNEE_KIND), "deg": reading.deg,
            "low": low, "high": high,
            "words": tell(
                "{deg:.1f}° ({low:.1f}° to {high:.1f}°)", deg=reading.deg, low=low, high=high
            ),
        }
    ]  # fmt: skip
    if reading.displayed_deg is not None:
        rows.append(
            {
                "day": at, "end": tell(ENDS[end]), "kind": tell(DISPLAY_KIND),
                "deg": reading.displayed_deg, "words": tell(figure(f"{reading.displayed_deg:g}°")),
            }
        )  # fmt: skip
    return rows


def _limit_layers(days: Sequence[Day], span: list[str]) -> list[alt.Chart]:
    """Prescribed limits as lines over the days on which they were in force, with words."""
    rows: Rows = []
    for name, pick in (("flexion", 0), ("extension", 1)):
        steps = [(day.day, _limit(day.limits, pick)) for day in days]
        for number, (day, deg) in enumerate(steps):
            if deg is None:
                continue
            until = steps[number + 1][0] if number + 1 < len(steps) else None
            last = until is None or steps[number + 1][1] != deg
            rows.append(
                {
                    "from": datetime(day.year, day.month, day.day).isoformat(),
                    "to": span[1] if until is None else f"{until.isoformat()}T00:00:00",
                    "deg": deg,
                    "words": tell(figure(f"{deg:g}°")) if last else "",
                    "up": name == "flexion",
                }
            )
    base = _chart(rows).encode(y=_bare("deg"))
    # At the line's end, where no point of its beginning lies beneath it.
    words = base.encode(x="to:T")
    above = words.mark_text(
        align="right", dx=-3, fontSize=12, color=LIMIT, fontWeight="bold", dy=-8
    )
    below = words.mark_text(
        align="right", dx=-3, fontSize=12, color=LIMIT, fontWeight="bold", dy=10
    )
    return [
        base.mark_rule(color=LIMIT, strokeWidth=2).encode(x="from:T", x2="to:T"),
        above.encode(text="words:N").transform_filter("datum.up"),
        below.encode(text="words:N").transform_filter("!datum.up"),
    ]


def _end_words(days: Sequence[Day]) -> alt.Chart:
    """Which line is which end, said at its first point."""
    rows: Rows = []
    for end, dy in (("flexion", -16), ("extension", 18)):
        found = [(day.day, one) for day in days if (one := getattr(day, end)) is not None]
        if found:
            day, one = found[0]
            at = datetime(day.year, day.month, day.day).isoformat()
            rows.append({"day": at, "y": one.deg, "end": tell(ENDS[end]), "dy": dy})
    base = _chart(rows).encode(x="day:T", y=alt.Y("y:Q", axis=None), text="end:N")
    words: alt.Chart = base.mark_text(
        align="left", dx=8, dy=alt.expr("datum.dy"), fontSize=13, fontWeight="bold", color=KNEE
    )
    return words


def _limit(limits: PrescribedLimits | None, pick: int) -> float | None:
    return None if limits is None else (limits.flexion_deg, limits.extension_deg)[pick]


def _mark_layer(marks: Sequence[Mark]) -> alt.Chart:
    """Dotted lines at the marks, with their words at the right edge of the chart."""
    words = ": ".join(
        f"datum.value == {deg} ? {json.dumps([tell(line) for line in lines])}"
        for deg, lines in BESIDE.items()
    )
    axis = alt.Axis(
        orient="right", values=list(BESIDE), labelExpr=f"{words} : ''", title=None,
        labelFontSize=11, labelColor=QUIET, ticks=False, domain=False, grid=False,
        labelOverlap=False, labelLineHeight=12,
    )  # fmt: skip
    rows: Rows = [{"deg": mark.deg} for mark in marks]
    rule = _chart(rows).mark_rule(color=QUIET, strokeDash=[2, 4], strokeWidth=1)
    drawn: alt.Chart = rule.encode(y=alt.Y("deg:Q", axis=axis))
    return drawn


def _control_lines(chart: ControlChart | None) -> list[alt.Chart]:
    """Limits and mean as lines, with their words at the right edge of the chart."""
    if chart is None:
        return []
    middle = (chart.low + chart.centre) / 2, (chart.centre + chart.high) / 2
    axis = alt.Axis(
        orient="right", values=[chart.low, chart.centre, chart.high], title=None,
        labelExpr=f"datum.value < {middle[0]} ? {json.dumps(tell('lower limit').split())} : "
        f"datum.value > {middle[1]} ? {json.dumps(tell('upper limit').split())} : "
        f"{json.dumps([tell('mean')])}",
        labelFontSize=12, labelColor=QUIET, ticks=False, domain=False, grid=False,
        labelOverlap=False,
    )  # fmt: skip
    limits = _chart([{"value": chart.low}, {"value": chart.high}])
    mean = _chart([{"value": chart.centre}])
    return [
        limits.mark_rule(color=LIMIT, strokeDash=[7, 4], strokeWidth=1.6).encode(
            y=alt.Y("value:Q", axis=axis)
        ),
        mean.mark_rule(color=QUIET, strokeWidth=1.2).encode(y=_bare("value")),
    ]


def _finished(chart: Any, description: str) -> alt.LayerChart:
    # Ink on white in the dark theme too, legends with it: Streamlit would write them light.
    whole: alt.LayerChart = chart.properties(
        height=HEIGHT,
        width="container",
        description=description,
        background="#ffffff",
    ).configure_axis(labelFontSize=13, titleFontSize=13, labelColor=INK, titleColor=INK)
    return whole.configure_legend(labelColor=INK, titleColor=INK)
