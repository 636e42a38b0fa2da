"""Plots of a clip: angle against time with bands, display against knee. Drawn from the answer."""

from __future__ import annotations

from typing import Any

from knee_angle.assumptions import COVERAGE
from knee_angle.clip.answer import ClipAnswer
from knee_angle.report.clip_picture import against_knee, over_time

__all__ = ["clip_chart", "clip_svg"]

KNEE, BARS, SHOWN = "#0b5394", "#b45f06", "#38761d"
SHAPES = {"knee": KNEE, "bars": BARS, "display": SHOWN}
WIDE, HIGH = 620, 260


def clip_chart(answer: ClipAnswer) -> Any:
    """Knee, bars and display against time, and the display against the knee beneath.

    Bands are 95 % with all that they rest on; most of it is the same in every picture, so that
    the shape of a line is much surer than its height.
    """
    import altair as alt

    rows = _rows(answer)
    over_time = _over_time(alt, rows, answer)
    parts = [over_time]
    pairs = [row for row in rows if row["of"] == "display" and row["knee"] is not None]
    if pairs:
        parts.append(_against_knee(alt, pairs))
    return alt.vconcat(*parts).configure_view(stroke=None)


def _rows(answer: ClipAnswer) -> list[dict[str, Any]]:
    """What is drawn; a line breaks where pictures are not used: nothing is known between."""
    rows: list[dict[str, Any]] = []
    piece = 0
    for frame in answer.frames:
        if not frame.used:
            piece += 1
            continue
        for of, value, u in (
            ("knee", frame.knee_deg, frame.u_deg),
            ("bars", frame.bars_deg, frame.u_bars_deg),
            ("display", frame.displayed_deg, None),
        ):
            if value is not None:
                half = 0.0 if u is None else COVERAGE * u
                rows.append(
                    {
                        "of": of,
                        "piece": piece,
                        "seconds": frame.seconds,
                        "deg": value,
                        "low": value - half,
                        "high": value + half,
                        "knee": frame.knee_deg,
                    }
                )
    return rows


def _over_time(alt: Any, rows: list[dict[str, Any]], answer: ClipAnswer) -> Any:
    colour = alt.Color(
        "of:N", title=None, scale=alt.Scale(domain=list(SHAPES), range=list(SHAPES.values()))
    )
    base = alt.Chart(alt.Data(values=rows)).encode(
        x=alt.X("seconds:Q", title="seconds"), color=colour, detail="piece:N"
    )
    band = base.mark_area(opacity=0.18).encode(
        y=alt.Y("low:Q", title="flexion (degrees)"), y2="high:Q"
    )
    lines = base.transform_filter("datum.of != 'display'").mark_line().encode(y="deg:Q")
    dots = base.transform_filter("datum.of == 'display'").mark_point(size=22).encode(y="deg:Q")
    limits = [
        {"deg": limit}
        for limit in (answer.used.limit_extension_deg, answer.used.limit_flexion_deg)
        if limit is not None
    ]
    rules = alt.Chart(alt.Data(values=limits)).mark_rule(strokeDash=[6, 4]).encode(y="deg:Q")
    return alt.layer(band, lines, dots, rules).properties(
        width=WIDE, height=HIGH, title=f"{answer.clip}: {answer.side} knee, bands 95 %"
    )


def _against_knee(alt: Any, pairs: list[dict[str, Any]]) -> Any:
    low = min(min(row["knee"], row["deg"]) for row in pairs)
    high = max(max(row["knee"], row["deg"]) for row in pairs)
    ends = [{"knee": low, "deg": low}, {"knee": high, "deg": high}]
    order = [{**row, "order": k} for k, row in enumerate(pairs)]
    x = alt.X("knee:Q", title="knee (degrees)")
    y = alt.Y("deg:Q", title="displayed (degrees)")
    same = alt.Chart(alt.Data(values=ends)).mark_line(strokeDash=[4, 4], color="#888")
    way = alt.Chart(alt.Data(values=order)).mark_line(point=True, color=SHOWN)
    return alt.layer(same.encode(x=x, y=y), way.encode(x=x, y=y, order="order:Q")).properties(
        width=HIGH, height=HIGH, title="displayed against knee, in the order of time"
    )


def clip_svg(answer: ClipAnswer) -> str:
    """The plots as one SVG picture."""
    rows = _rows(answer)
    limits = (answer.used.limit_extension_deg, answer.used.limit_flexion_deg)
    whole = over_time(
        rows,
        [limit for limit in limits if limit is not None],
        colours=SHAPES,
        title=f"{answer.clip}: {answer.side} knee, bands 95 %",
    )
    pairs = [row for row in rows if row["of"] == "display" and row["knee"] is not None]
    if pairs:
        whole.beneath(against_knee(pairs, colour=SHOWN))
    return whole.svg()
