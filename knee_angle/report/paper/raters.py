"""A rater study on paper: agreement within and between raters, flow, items, methods to paste."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np

from knee_angle.agreement import Estimate
from knee_angle.agreement.reliability import Reliability
from knee_angle.language import figure, joined, retold, say, say_as, say_many, without_stop
from knee_angle.report.paper.blocks import (
    Banner,
    Block,
    Cell,
    Heading,
    Pairs,
    Paper,
    Picture,
    Row,
    Table,
    Words,
)
from knee_angle.report.paper.common import FOOT, PAGE
from knee_angle.report.paper.drawing import INK, LINE, SOFT, Drawing
from knee_angle.report.reporting import (
    GRRAS,
    STARD,
    Item,
    Versions,
    answered,
    measurement_methods,
)
from knee_angle.report.study_words import coefficient, number

__all__ = ["METHODS", "AboutRaters", "analysis_methods", "raters_paper", "rating_methods"]

COLOURS = ("#0b5d8a", "#a04a12", "#3f7d3a", "#7a3e8c", "#444444", "#8a6d00")
METHODS = say("Methods, ready to paste")
ABOVE = say("see the methods above")
MOST_ROWS = 200
"""So many rows left out are named on the paper."""


@dataclass(frozen=True, slots=True)
class AboutRaters:
    """Where a rater study comes from.

    Parameters
    ----------
    table : str
        Name of the table.
    value, target, rater : str
        Its columns.
    missing : str
        "refuse" or "drop".
    rows : int
        Rows of the table.
    made : str
        Date of the analysis, ISO 8601.
    versions : Versions
    blind : bool
        Whether points were placed on the blind page, in an order drawn from ``seed``.
    seed : int or None
    covered : (int, int) or None
        In how many of the study's photos the display was covered.
    found : int
        In how many of those it was found by software.
    between : int or None
        How many photos came between a photo and its repeat, at least; None without repeats.
    """

    table: str
    value: str
    target: str
    rater: str
    missing: str
    rows: int
    made: str
    versions: Versions
    blind: bool = False
    seed: int | None = None
    covered: tuple[int, int] | None = None
    found: int = 0
    between: int | None = None

    @property
    def unit(self) -> str:
        """The unit sign that the column's name tells, or nothing."""
        return "°" if self.value.endswith("_deg") else ""


def raters_paper(found: Reliability, about: AboutRaters) -> Paper:
    """The whole report."""
    blocks: list[Block] = [
        Banner(_head(found, about), _answer(found, about)),
        *(Words(text, lead=say("Caution:")) for text in cautions(found)),
        Heading(say("Figures")),
        _figures(found, about),
        Heading(say("Each rater")),
        _alone(found, about),
        _picture(found, about),
        Heading(say("Flow")),
        _flow(found, about),
        Heading(METHODS),
        Words(measurement_methods(about.versions)),
        Words(rating_methods(found, about)),
        Words(analysis_methods(found)),
        Heading(say("What to report: GRRAS")),
        _items(
            answered(GRRAS, _grras(found, about)), say("Kottner J et al. 2011, in our own words")
        ),
        Heading(say("What to report: STARD 2015, where a rater study serves one of accuracy")),
        _items(answered(STARD, _stard(about)), say("Bossuyt PM et al. 2015, in our own words")),
        Heading(say("Rows left out")),
        *_left_out(found),
        Heading(say("Settings")),
        _settings(about),
    ]
    title = say("Agreement within and between raters")
    return Paper(title, f"{about.table} · {about.made}", tuple(blocks), FOOT, page_word=PAGE)


def _shape(found: Reliability) -> tuple[int, int, int]:
    n, r, m = found.ratings.values.shape
    return int(n), int(r), int(m)


def _head(found: Reliability, about: AboutRaters) -> str:
    value, interval = number(found.smallest_between, about.unit)
    return say(
        "Two raters differ by less than {value} in 95 of 100 cases ({interval})",
        value=value,
        interval=interval,
    )


def _answer(found: Reliability, about: AboutRaters) -> str:
    n, r, m = _shape(found)
    within = found.smallest_within
    said = [_size(n, r, m)]
    if within is not None:
        value, interval = number(within, about.unit)
        said.append(
            say(
                "One rater differs from an own rating before by less than {value} ({interval}).",
                value=value,
                interval=interval,
            )
        )
    value, interval = coefficient(found.icc_between)
    said.append(
        say(
            "Intraclass correlation between raters {value} ({interval}).",
            value=value,
            interval=interval,
        )
    )
    return joined(" ", said)


def _size(n: int, r: int, m: int) -> str:
    return say_many(
        "{n} targets, {r} raters, {count} rating each.",
        "{n} targets, {r} raters, {count} ratings each.",
        m,
        n=n,
        r=r,
    )


def cautions(found: Reliability) -> tuple[str, ...]:
    """What to keep in mind."""
    n, r, m = _shape(found)
    said = []
    if r < 5:
        said.append(
            say(
                "only {raters} raters: how much raters differ is hardly known from so few, and the "
                "wide intervals say so.",
                raters=r,
            )
        )
    if n < 30:
        said.append(say("only {n} targets: few to know the scatter from.", n=n))
    if m == 1:
        said.append(say("with one rating each, agreement within raters cannot be told."))
    said.append(
        say("an intraclass correlation grows with the range of the angles: read the degrees first.")
    )
    return tuple(said)


def _figures(found: Reliability, about: AboutRaters) -> Table:
    unit = about.unit
    rows: list[tuple[str, Estimate | None, str | None, str]] = [
        (say("SD of repeats, one rater"), found.within, unit, say("repeatability")),
        (
            say("smallest detectable difference, one rater"),
            found.smallest_within,
            unit,
            figure("1.96 √2 SD"),
        ),
        (say("SD of a rating by any rater"), found.between, unit, say("reproducibility")),
        (
            say("smallest detectable difference, two raters"),
            found.smallest_between,
            unit,
            figure("1.96 √2 SD"),
        ),
        (say("SD between raters"), found.rater, unit, say("part of the above")),
        (say("SD of a rater's own view of a target"), found.view, unit, say("part of the above")),
        (say("SD between targets"), found.target, unit, say("what is to be told apart")),
        (say("intraclass correlation within a rater"), found.icc_within, None, say("one rating")),
        (
            say("intraclass correlation between raters"),
            found.icc_between,
            None,
            say("ICC(A,1), one rating"),
        ),
    ]
    told = tuple(
        (name, Cell(value, strong=True), interval, note)
        for name, one, sign, note in rows
        if one is not None
        for value, interval in [number(one, sign) if sign is not None else coefficient(one)]
    )
    head = (say("figure"), say("value"), say("95 % interval"), say_as("column", "note"))
    return Table(head, told, "lrll")


def _alone(found: Reliability, about: AboutRaters) -> Table:
    rows: list[Row] = []
    for one in found.alone:
        value, interval = number(one.deviation, about.unit, sign=True)
        repeat = ("", "") if one.repeat is None else number(one.repeat, about.unit)
        rows.append((one.rater, value, interval, *repeat))
    head = (
        say("rater"),
        say("deviation from all"),
        say("95 % interval"),
        say("SD of repeats"),
        say("95 % interval"),
    )
    return Table(head, tuple(rows), "lrlrl")


def _picture(found: Reliability, about: AboutRaters) -> Picture:
    """Every rating's distance from its target's mean, against that mean."""
    y = found.ratings.values
    means = y.mean(axis=(1, 2))
    away = y - means[:, None, None]
    most = 1.1 * max(float(np.abs(away).max()), 1.96 * found.between.value, 1e-9)
    low, high = float(means.min()), float(means.max())
    drawing = Drawing(640, 300)

    def place(x: float, dy: float) -> tuple[float, float]:
        return 60 + 560 * (x - low) / max(high - low, 1e-9), 140 - 115 * dy / most

    for level in (-1.96, 0.0, 1.96):
        height = level * found.between.value
        ends = [place(low, height), place(high, height)]
        drawing.line(ends, LINE if level else SOFT, dashes="6 4" if level else "")
        drawing.text(
            figure(f"{height:+.1f}"), (54, ends[0][1] + 4), size=11, anchor="end", colour=SOFT
        )
    for k, name in enumerate(found.ratings.raters):
        colour = COLOURS[k % len(COLOURS)]
        for target in range(len(means)):
            for dy in away[target, k]:
                drawing.circle(place(float(means[target]), float(dy)), 3, colour, filled=k % 2 == 0)
        drawing.circle((70 + 90 * k, 286), 4, colour, filled=k % 2 == 0)
        drawing.text(name, (80 + 90 * k, 290), size=12, colour=INK)
    for x in (low, high):
        at = place(x, 0)[0], 270.0
        drawing.text(f"{x:.0f}{about.unit}", at, size=11, anchor="middle", colour=SOFT)
    return Picture(
        drawing,
        say("Each rating less the mean of all ratings of its target, against that mean, by rater."),
        say(
            "Each rating less its target's mean, against that mean; dashed: ± 1.96 SD of a rating "
            "by any rater."
        ),
    )


def _flow(found: Reliability, about: AboutRaters) -> Table:
    n, r, m = _shape(found)
    why = Counter(row.reason.partition(":")[0] for row in found.ratings.excluded)
    rows: list[Row] = [(say("ratings in the table"), f"{about.rows}")]
    rows += [
        (say("left out: {reason}", reason=retold(reason)), f"{count}")
        for reason, count in sorted(why.items())
    ]
    rows += [
        (say("ratings analysed"), f"{n * r * m}"),
        (say("targets × raters × repeats"), f"{n} × {r} × {m}"),
    ]
    return Table((say("step"), say("number")), tuple(rows), "lr")


def _left_out(found: Reliability) -> list[Block]:
    excluded = found.ratings.excluded
    if not excluded:
        return [Words(say("None: every row of the table is analysed."))]
    rows = tuple((f"{one.row}", one.name, one.reason) for one in excluded[:MOST_ROWS])
    said = say_many(
        "{count} row is in no figure above.", "{count} rows are in no figure above.", len(excluded)
    )
    if len(excluded) > MOST_ROWS:
        said = joined(" ", [said, say("The first {most} are named.", most=MOST_ROWS)])
    head = (say_as("table", "row"), say("rating"), say("reason"))
    return [Words(said), Table(head, rows, "rll")]


def _items(items: tuple[tuple[Item, str], ...], source: str) -> Table:
    rows = tuple((item.number, item.section, item.asks, answer) for item, answer in items)
    head = (say("item"), say("section"), say("asks for"), say("here"))
    return Table(head, rows, "llll", caption=source)


def rating_methods(found: Reliability, about: AboutRaters) -> str:
    """How the ratings came about, as a paragraph of a paper."""
    n, r, m = _shape(found)
    how = say_many(
        "Hip, knee and ankle were placed by hand by {r} raters in {n} photographs, {count} time "
        "each.",
        "Hip, knee and ankle were placed by hand by {r} raters in {n} photographs, {count} times "
        "each.",
        m,
        r=r,
        n=n,
    )
    if not about.blind:
        return how
    said = [
        how,
        say(
            "Raters saw no angle and neither other raters' nor their own earlier points; "
            "{display}; each had an order of the photographs drawn at random (seed {seed}).",
            display=_display_covered(about),
            seed=about.seed,
        ),
    ]
    if about.between is not None:
        said.append(
            say(
                "All photographs came once before one came again, with at least {between} others "
                "between a photograph and its repeat.",
                between=about.between,
            )
        )
    return joined(" ", said)


def _display_covered(about: AboutRaters) -> str:
    """What raters could read off the machine itself."""
    covered, photos = about.covered or (0, 0)
    if covered == photos:
        said = say("the machine's display was covered in the photographs")
    else:
        said = say(
            "the machine's display was covered in {covered} of {photos} photographs",
            covered=covered,
            photos=photos,
        )
    if not about.found:
        return said
    return joined(
        ", ", [said, say("in {found} of them where software had found it", found=about.found)]
    )


def analysis_methods(found: Reliability) -> str:
    """How raters were compared, as a paragraph of a paper."""
    own = say("Target, rater, the rater's own view of the target and repeat")
    if _shape(found)[2] == 1:
        own = say("Target, rater, the rater's own view of the target")
    return say(
        "{effects} were taken as random effects; their variances come from the mean squares of "
        "the two-way table (Eliasziw et al., Phys Ther 1994;74:777-788). Repeatability is the "
        "standard deviation of repeats by one rater, reproducibility that of a rating by any "
        "rater; the smallest detectable difference is 1.96 √2 times either. The intraclass "
        "correlation between raters is of absolute agreement and single ratings, ICC(A,1). "
        "Intervals are 95 % generalised confidence intervals (Weerahandi, J Am Stat Assoc "
        "1993;88:899-905).",
        effects=own,
    )


def _grras(found: Reliability, about: AboutRaters) -> dict[str, str]:
    n, r, m = _shape(found)
    told = {
        "1": say("agreement within and between raters"),
        "2": say("knee_angle {version}, see the methods above", version=about.versions.software),
        "10": ABOVE,
        "11": without_stop(_size(n, r, m)),
        "13": say("see the figures, each with its 95 % interval"),
        "15": say("every rating is a row of {table}", table=about.table),
    }
    if about.blind:
        told["8"] = say(
            "repeats after all photographs, at least {between} others in between; blind to angle "
            "and other points; {display}",
            between=about.between,
            display=_display_covered(about),
        )
        if about.between is None:
            told["8"] = say(
                "blind to angle and other points; {display}", display=_display_covered(about)
            )
        told["9"] = say("independent: nobody saw another rating, nor an own one before")
    return told


def _stard(about: AboutRaters) -> dict[str, str]:
    whole = say("targets that are not whole were not allowed")
    if about.missing == "drop":
        whole = say("targets that are not whole were left out and listed")
    told = {
        "10a": ABOVE,
        "14": ABOVE,
        "16": whole,
        "19": say("see the flow"),
        "24": say("see the figures"),
    }
    if about.blind:
        display = _display_covered(about)
        told["13a"] = say("nothing but the photograph; {display}", display=display)
    return told


def _settings(about: AboutRaters) -> Pairs:
    seed = say("not told") if about.seed is None else f"{about.seed}"
    columns = f"{about.value}, {about.target}, {about.rater}"
    return Pairs(
        (
            (say("table"), about.table),
            (say("value, target, rater"), columns),
            (say("targets that are not whole"), about.missing),
            (say("intervals"), say("95 %, two-sided")),
            (say("seed of the orders"), seed),
            (say("made"), about.made),
            (say("software"), f"knee_angle {about.versions.software}"),
            (say("leg network weights (SHA-256)"), about.versions.weights),
        )
    )
