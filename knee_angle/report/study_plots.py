"""The plots of a comparison, drawn from its results alone, as SVG.

Nothing is computed but which points are shown: above `MOST_POINTS` pairs a random sample
with a stated seed. Every line, band and interval comes from the study of all pairs.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from knee_angle.agreement import FittedLine, NotComputed, Study, Subgroup
from knee_angle.agreement.limits import Limits
from knee_angle.language import capital, joined, say, tell
from knee_angle.report.axes import Axes, range_of
from knee_angle.report.paper.drawing import Drawing
from knee_angle.report.study_words import About, number

__all__ = ["Plot", "study_plots"]

MOST_POINTS = 2000
SEED = 1

WIDTH, HEIGHT = 540.0, 380.0
INK, POINT, BIAS, LIMIT = "#222222", "#3b5b73", "#0b5d8a", "#a04a12"
"""Dark enough in grey too; lines also differ by their dashes."""

LONGEST_LABEL = 30
"""Letters of a group's name that stand beside the plot; the table holds the whole."""

Row = dict[str, Any]
Pairs = list[tuple[float, float]]


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
        said = say(
            "{drawn:,} of {n:,} pairs are drawn, chosen at random (seed {seed}); lines and bands "
            "are of all.",
            drawn=MOST_POINTS,
            n=pairs.n,
            seed=SEED,
        )
    columns = (pairs.reference, pairs.compared, pairs.mean, pairs.difference)
    names = ("reference", "compared", "mean", "difference")
    chosen = [[round(float(v), 3) for v in column[rows]] for column in columns]
    values = [dict(zip(names, row, strict=True)) for row in zip(*chosen, strict=True)]
    return values, said


def _xy(points: list[Row], x: str, y: str) -> Pairs:
    return [(row[x], row[y]) for row in points]


def _axes(points: Pairs, x: list[float], y: list[float], titles: tuple[str, str]) -> Axes:
    """Axes that hold the points and further values."""
    axes = Axes(
        Drawing(WIDTH, HEIGHT),
        range_of([*(px for px, _ in points), *x]),
        range_of([*(py for _, py in points), *y]),
    )
    axes.bottom_axis(titles[0])
    axes.left_axis(titles[1])
    return axes


def _scatter(axes: Axes, points: Pairs) -> None:
    """Every point; many are small and let others shine through."""
    shown = len(points)
    radius = 4.4 if shown <= 100 else 3.1 if shown <= 500 else 2.1
    for point in points:
        axes.drawing.circle(axes.at(*point), radius, POINT, opacity=0.75 if shown <= 500 else 0.35)


def _zero(axes: Axes) -> None:
    """Where both read the same, if that is within the plot."""
    if axes.y[0] <= 0.0 <= axes.y[1]:
        axes.line([(axes.x[0], 0.0), (axes.x[1], 0.0)], INK, wide=1.0)


def _bland_altman(study: Study, about: About, points: list[Row], sampled: str) -> Plot:
    limits = study.limits
    rows = [
        (words, estimate, colour, dashes)
        for words, estimate, colour, dashes in (
            (say("upper limit"), limits.upper, LIMIT, "6 4"),
            (say("bias"), limits.bias, BIAS, ""),
            (say("lower limit"), limits.lower, LIMIT, "6 4"),
        )
    ]
    pairs = _xy(points, "mean", "difference")
    ends = [end for _, one, _, _ in rows for end in (one.low, one.high, one.value)]
    titles = (_titled(say("mean of both"), about), _titled(about.difference, about))
    axes = _axes(pairs, [], [end for end in ends if np.isfinite(end)], titles)
    for _, one, colour, _ in rows:
        if np.isfinite(one.low) and np.isfinite(one.high):
            axes.box(axes.x, (one.low, one.high), colour, opacity=0.16)
    _zero(axes)
    _scatter(axes, pairs)
    said = [
        joined(" ", [words, number(one, about.unit, sign=True)[0]]) for words, one, _, _ in rows
    ]
    for (_, one, colour, dashes), told in zip(rows, said, strict=True):
        axes.line([(axes.x[0], one.value), (axes.x[1], one.value)], colour, dashes=dashes)
        x, y = axes.at(axes.x[1], one.value)
        axes.drawing.text(
            tell(told),
            (x - 4, y - 6),
            size=13,
            anchor="end",
            strong=True,
            colour=colour,
            edge="#ffffff",
        )
    return Plot(
        say("Differences against means"),
        _caption(
            say(
                "Each point is a pair. Solid: the bias; dashed: the limits of agreement; shaded: "
                "their 95 % intervals."
            ),
            sampled,
        ),
        joined("", [say("Bland-Altman plot: "), joined(", ", said)]),
        axes.drawing.svg(),
    )


def _compared(study: Study, about: About, points: list[Row], sampled: str) -> Plot:
    low, high = float(study.pairs.reference.min()), float(study.pairs.reference.max())
    identity = [(low, low), (high, high)]
    captions, line = [say("Dashed: where both read the same.")], []
    if isinstance(study.deming, FittedLine):
        offset, gain = study.deming.offset.value, study.deming.gain.value
        line = [(x, offset + gain * x) for x in (low, high)]
        gained, interval = number(study.deming.gain)
        captions.append(
            say(
                "Solid: Deming's line, gain {gain} (95 % {interval}).",
                gain=gained,
                interval=interval,
            )
        )
    pairs = _xy(points, "reference", "compared")
    titles = (_titled(about.reference_name, about), _titled(about.compared_name, about))
    axes = _axes(pairs, [low, high], [y for _, y in (*identity, *line)], titles)
    _scatter(axes, pairs)
    axes.line(identity, INK, dashes="4 4")
    if line:
        axes.line(line, LIMIT)
    return Plot(
        say(
            "{compared} against {reference}",
            compared=capital(about.compared_name),
            reference=about.reference_name,
        ),
        _caption(*captions, sampled),
        say(
            "Scatter of {compared} against {reference} with the identity line",
            compared=about.compared_name,
            reference=about.reference_name,
        ),
        axes.drawing.svg(),
    )


def _by_angle(study: Study, about: About, points: list[Row], sampled: str) -> Plot:
    width = study.settings.band_deg
    bands: list[tuple[float, Limits]] = [
        (float(group.label.split(" to ")[0]), group.limits)
        for group in study.bands
        if not isinstance(group.limits, NotComputed)
    ]
    pairs = _xy(points, "reference", "difference")
    titles = (_titled(about.reference_name, about), _titled(about.difference, about))
    heights = [
        end
        for _, limits in bands
        for end in (limits.lower.value, limits.upper.value, limits.bias.low, limits.bias.high)
    ]
    edges = [edge for start, _ in bands for edge in (start, start + width)]
    axes = _axes(pairs, edges, [*(end for end in heights if np.isfinite(end)), 0.0], titles)
    for start, limits in bands:
        across, bias = (start, start + width), limits.bias
        axes.box(across, (limits.lower.value, limits.upper.value), LIMIT, opacity=0.1)
        if np.isfinite(bias.low) and np.isfinite(bias.high):
            axes.box(across, (bias.low, bias.high), BIAS, opacity=0.25)
    _zero(axes)
    _scatter(axes, pairs)
    for start, limits in bands:
        level = limits.bias.value
        axes.line([(start, level), (start + width, level)], BIAS)
    return Plot(
        say("Difference against {reference}", reference=about.reference_name),
        _caption(
            say(
                "In bands of {width:g}{unit}: solid the bias, dark its 95 % interval, light the "
                "limits of agreement. Bands with fewer than 3 pairs or persons have none.",
                width=width,
                unit=about.unit,
            ),
            sampled,
        ),
        say(
            "Difference against {reference} with the bias of each band",
            reference=about.reference_name,
        ),
        axes.drawing.svg(),
    )


def _forest(study: Study, about: About) -> Plot:
    groups: list[tuple[str, Limits]] = [(tell("all ({n:,})", n=study.pairs.n), study.limits)]
    groups += [
        (_forest_label(group), group.limits)
        for group in study.subgroups
        if not isinstance(group.limits, NotComputed)
    ]
    order = [label for label, _ in groups]
    values = [
        end
        for _, limits in groups
        for end in (limits.lower.value, limits.upper.value, limits.bias.low, limits.bias.high)
    ]
    height = max(28.0 * len(groups), 60.0) + 60.0
    axes = Axes(
        Drawing(WIDTH, height), range_of([*(v for v in values if np.isfinite(v)), 0.0]),
        (len(groups) - 0.5, -0.5), left=float(_extent(order)) + 12.0,
    )  # fmt: skip
    axes.bottom_axis(_titled(about.difference, about))
    axes.line([(0.0, axes.y[0]), (0.0, axes.y[1])], INK, wide=1.0)
    for place, (label, limits) in enumerate(groups):
        _forest_row(axes, float(place), label, limits)
    left = len(study.subgroups) + 1 - len(groups)
    small = ""
    if left:
        small = say("{left} with fewer than 3 pairs or persons are not drawn.", left=left)
    return Plot(
        say("Subgroups"),
        _caption(
            say(
                "Point: bias of the subgroup; bar: its 95 % interval; thin line: its limits of "
                "agreement. In brackets the pairs."
            ),
            small,
        ),
        joined("", [say("Forest plot: "), ", ".join(order)]),
        axes.drawing.svg(),
    )


def _forest_row(axes: Axes, place: float, label: str, limits: Limits) -> None:
    """One group: its limits, the interval of its bias, its bias and its name."""
    bias = limits.bias
    axes.line([(limits.lower.value, place), (limits.upper.value, place)], LIMIT, wide=1.5)
    if np.isfinite(bias.low) and np.isfinite(bias.high):
        axes.box((bias.low, bias.high), (place - 0.2, place + 0.2), BIAS, opacity=0.35)
    axes.drawing.circle(axes.at(bias.value, place), 4.6, BIAS)
    y = axes.at(bias.value, place)[1]
    short = label if len(label) <= LONGEST_LABEL else f"{label[: LONGEST_LABEL - 1]}…"
    axes.drawing.text(short, (axes.left - 9, y + 4.5), size=13, anchor="end", colour=INK)


def _extent(labels: list[str]) -> int:
    """Room for the longest label; the font of the reader's screen may be wide."""
    return min(8 * max(map(len, labels)) + 8, 250)


def _forest_label(group: Subgroup) -> str:
    return f"{group.column} {group.label} ({group.pairs.n:,})"


def _titled(name: str, about: About) -> str:
    """An axis's title, told."""
    return f"{tell(name)} [{about.unit.strip()}]" if about.unit else tell(name)


def _caption(*parts: str) -> str:
    return joined(" ", [part for part in parts if part])
