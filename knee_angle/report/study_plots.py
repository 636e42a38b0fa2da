"""The plots of a comparison, drawn from its results alone, as SVG.

Nothing is computed but which points are shown: above `MOST_POINTS` pairs a random sample
with a stated seed. Every line, band and interval comes from the study of all pairs.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import altair as alt
import numpy as np
import vl_convert

from knee_angle.agreement import FittedLine, NotComputed, Study, Subgroup
from knee_angle.agreement.limits import Limits
from knee_angle.report.study_words import About, number

__all__ = ["Plot", "study_plots"]

MOST_POINTS = 2000
SEED = 1

WIDTH, HEIGHT = 470, 320
INK, POINT, BIAS, LIMIT = "#222222", "#3b5b73", "#0b5d8a", "#a04a12"
"""Dark enough in grey too; lines also differ by their dashes."""

Row = dict[str, Any]
Chart = Any
"""An altair chart; its own types do not tell which kind a call returns."""


@dataclass(frozen=True, slots=True)
class Plot:
    """A picture with its title, what it shows in words, and a text in its place."""

    title: str
    caption: str
    alt_text: str
    svg: str


def study_plots(study: Study, about: About) -> tuple[Plot, ...]:
    """Every plot of a study, in the order of the report."""
    points, sampled = _points(study)
    plots = [
        _bland_altman(study, about, points, sampled),
        _compared(study, about, points, sampled),
        _by_angle(study, about, points, sampled),
    ]
    if study.subgroups:
        plots.append(_forest(study, about))
    return tuple(plots)


def _points(study: Study) -> tuple[list[Row], str]:
    """The points that are drawn, and what to say about them."""
    pairs = study.pairs
    rows, said = np.arange(pairs.n), ""
    if pairs.n > MOST_POINTS:
        rows = np.sort(np.random.default_rng(SEED).choice(pairs.n, MOST_POINTS, replace=False))
        said = (
            f" {MOST_POINTS:,} of {pairs.n:,} pairs are drawn, chosen at random (seed {SEED}); "
            "lines and bands are of all."
        )
    columns = (pairs.reference, pairs.compared, pairs.mean, pairs.difference)
    names = ("reference", "compared", "mean", "difference")
    chosen = [[round(float(v), 3) for v in column[rows]] for column in columns]
    values = [dict(zip(names, row, strict=True)) for row in zip(*chosen, strict=True)]
    return values, said


def _of(rows: list[Row]) -> Chart:
    return alt.Chart(alt.Data(values=rows))


def _scatter(points: list[Row], x: str, y: str, titles: tuple[str, str]) -> Chart:
    shown = len(points)
    # Named here and put in by _svg: altair would check every point against its schema.
    named = alt.Chart(alt.NamedData(name="points"))
    return named.mark_circle(
        color=POINT,
        size=60 if shown <= 100 else 30 if shown <= 500 else 14,
        opacity=0.75 if shown <= 500 else 0.35,
    ).encode(
        x=alt.X(f"{x}:Q", title=titles[0], scale=alt.Scale(zero=False, nice=True)),
        y=alt.Y(f"{y}:Q", title=titles[1], scale=alt.Scale(zero=False, nice=True)),
    )


def _bland_altman(study: Study, about: About, points: list[Row], sampled: str) -> Plot:
    limits = study.limits
    rows = [
        {
            "name": name,
            "value": estimate.value,
            "low": estimate.low,
            "high": estimate.high,
            "said": f"{words} {number(estimate, about.unit, sign=True)[0]}",
        }
        for name, words, estimate in (
            ("limit", "upper limit", limits.upper),
            ("bias", "bias", limits.bias),
            ("limit", "lower limit", limits.lower),
        )
    ]
    base = _of(rows)
    colour = alt.Color(
        "name:N", legend=None, scale=alt.Scale(domain=["bias", "limit"], range=[BIAS, LIMIT])
    )
    chart = alt.layer(
        base.mark_rect(opacity=0.16).encode(y="low:Q", y2="high:Q", color=colour),
        _zero(),
        _scatter(
            points, "mean", "difference",
            (_titled("mean of both", about), _titled(about.difference, about)),
        ),
        base.mark_rule(size=2).encode(
            y="value:Q",
            color=colour,
            strokeDash=alt.StrokeDash(
                "name:N", legend=None,
                scale=alt.Scale(domain=["bias", "limit"], range=[[1, 0], [6, 4]]),
            ),
        ),
        _said(base).mark_text(**AT_THE_RIGHT, stroke="white", strokeWidth=4),
        _said(base).mark_text(**AT_THE_RIGHT).encode(color=colour),
    )  # fmt: skip
    return Plot(
        "Differences against means",
        "Each point is a pair. Solid: the bias; dashed: the limits of agreement; shaded: their "
        f"95 % intervals.{sampled}",
        "Bland-Altman plot: " + ", ".join(str(row["said"]) for row in rows),
        _svg(chart, points),
    )


AT_THE_RIGHT: Row = {"align": "right", "dx": -4, "dy": -9, "fontSize": 13, "fontWeight": "bold"}


def _said(base: Chart) -> Chart:
    return base.encode(x=alt.value(WIDTH), y="value:Q", text="said:N")


def _compared(study: Study, about: About, points: list[Row], sampled: str) -> Plot:
    low, high = float(study.pairs.reference.min()), float(study.pairs.reference.max())
    ends: list[Row] = [
        {"kind": "identity", "reference": x, "compared": x, "said": "identity"} for x in (low, high)
    ]
    caption = "Dashed: where both read the same."
    if isinstance(study.deming, FittedLine):
        offset, gain = study.deming.offset.value, study.deming.gain.value
        ends += [
            {"kind": "line", "reference": x, "compared": offset + gain * x, "said": "Deming"}
            for x in (low, high)
        ]
        caption += (
            f" Solid: Deming's line, gain {number(study.deming.gain)[0]} "
            f"(95 % {number(study.deming.gain)[1]})."
        )
    lines = (
        _of(ends)
        .mark_line(size=2)
        .encode(
            x="reference:Q",
            y="compared:Q",
            color=alt.Color(
                "kind:N", legend=None,
                scale=alt.Scale(domain=["identity", "line"], range=[INK, LIMIT]),
            ),
            strokeDash=alt.StrokeDash(
                "kind:N", legend=None,
                scale=alt.Scale(domain=["identity", "line"], range=[[4, 4], [1, 0]]),
            ),
        )
    )  # fmt: skip
    titles = (_titled(about.reference_name, about), _titled(about.compared_name, about))
    chart = alt.layer(_scatter(points, "reference", "compared", titles), lines)
    return Plot(
        f"{about.compared_name.capitalize()} against {about.reference_name}",
        caption + sampled,
        f"Scatter of {about.compared_name} against {about.reference_name} with the identity line",
        _svg(chart, points),
    )


def _by_angle(study: Study, about: About, points: list[Row], sampled: str) -> Plot:
    width = study.settings.band_deg
    rows = []
    for group in study.bands:
        if isinstance(group.limits, NotComputed):
            continue
        start = float(group.label.split(" to ")[0])
        rows.append({"start": start, "end": start + width, **_interval_row(group.limits)})
    base = _of(rows)
    across = {"x": "start:Q", "x2": "end:Q"}
    chart = alt.layer(
        base.mark_rect(color=LIMIT, opacity=0.1).encode(**across, y="lower:Q", y2="upper:Q"),
        base.mark_rect(color=BIAS, opacity=0.25).encode(**across, y="low:Q", y2="high:Q"),
        _zero(),
        _scatter(
            points, "reference", "difference",
            (_titled(about.reference_name, about), _titled(about.difference, about)),
        ),
        base.mark_rule(color=BIAS, size=2).encode(**across, y="bias:Q"),
    )  # fmt: skip
    return Plot(
        f"Difference against {about.reference_name}",
        f"In bands of {width:g}{about.unit}: solid the bias, dark its 95 % interval, light the "
        f"limits of agreement. Bands with fewer than 3 pairs or persons have none.{sampled}",
        f"Difference against {about.reference_name} with the bias of each band",
        _svg(chart, points),
    )


def _forest(study: Study, about: About) -> Plot:
    groups: list[tuple[str, Limits]] = [(f"all ({study.pairs.n:,})", study.limits)]
    groups += [
        (_forest_label(group), group.limits)
        for group in study.subgroups
        if not isinstance(group.limits, NotComputed)
    ]
    rows = [{"group": label, **_interval_row(limits)} for label, limits in groups]
    order = [label for label, _ in groups]
    y = alt.Y(
        "group:N",
        sort=order,
        title=None,
        axis=alt.Axis(labelLimit=240, minExtent=_extent(order), grid=False),
    )
    base = _of(rows)
    chart = alt.layer(
        _zero(vertical=True),
        base.mark_rule(color=LIMIT, size=1.5).encode(
            x=alt.X("lower:Q", title=_titled(about.difference, about)), x2="upper:Q", y=y
        ),
        base.mark_bar(color=BIAS, opacity=0.35, height=11).encode(x="low:Q", x2="high:Q", y=y),
        base.mark_point(color=BIAS, filled=True, size=70, opacity=1).encode(x="bias:Q", y=y),
    )
    left = len(study.subgroups) + 1 - len(groups)
    small = f" {left} with fewer than 3 pairs or persons are not drawn." if left else ""
    return Plot(
        "Subgroups",
        "Point: bias of the subgroup; bar: its 95 % interval; thin line: its limits of agreement. "
        f"In brackets the pairs.{small}",
        "Forest plot: " + ", ".join(order),
        _svg(chart, width=WIDTH - _extent(order), height=max(28 * len(rows), 60)),
    )


def _extent(labels: list[str]) -> int:
    """Room for the longest label; the font of the reader's screen may be wide."""
    return min(8 * max(map(len, labels)) + 8, 250)


def _forest_label(group: Subgroup) -> str:
    return f"{group.column} {group.label} ({group.pairs.n:,})"


def _interval_row(limits: Limits) -> Row:
    return {
        "bias": limits.bias.value,
        "low": limits.bias.low,
        "high": limits.bias.high,
        "lower": limits.lower.value,
        "upper": limits.upper.value,
    }


def _zero(*, vertical: bool = False) -> Chart:
    rule = _of([{"zero": 0}]).mark_rule(color=INK, opacity=0.55)
    return rule.encode(x="zero:Q") if vertical else rule.encode(y="zero:Q")


def _titled(name: str, about: About) -> str:
    return f"{name} [{about.unit.strip()}]" if about.unit else name


def _svg(
    chart: Chart,
    points: list[Row] | None = None,
    *,
    width: int = WIDTH,
    height: int = HEIGHT,
) -> str:
    """The chart as SVG; nothing is fetched."""
    whole = (
        chart.properties(width=width, height=height)
        .configure(font="system-ui, sans-serif", background="white")
        .configure_axis(
            labelFontSize=13, titleFontSize=13, titleFontWeight="normal",
            labelOverlap="greedy", labelSeparation=10, tickCount=7,
            labelColor=INK, titleColor=INK, gridColor="#e4e4e4", domainColor="#999999",
        )
        .configure_view(stroke=None)
    )  # fmt: skip
    spec = whole.to_dict()
    spec["datasets"] = {**spec.get("datasets", {}), "points": points or []}
    return str(vl_convert.vegalite_to_svg(spec, allowed_base_urls=[]))
