"""A rater study on paper: agreement within and between raters, flow, items, methods to paste."""

from __future__ import annotations

from knee_angle.agreement import Estimate
from knee_angle.agreement.rater_pairs import rater_pairs
from knee_angle.agreement.reliability import Reliability
from knee_angle.language import figure, joined, say, say_as, say_many
from knee_angle.report.flow_drawn import flow_drawn, flow_said
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
from knee_angle.report.paper.raters_drawn import SHARE, ratings_drawn
from knee_angle.report.paper.raters_words import (
    AboutRaters,
    cautions,
    flow_of,
    grras_told,
    methods_of,
    shape_of,
    size_said,
    stard_told,
)
from knee_angle.report.reporting import GRRAS, STARD, Item, answered
from knee_angle.report.study_words import coefficient, number

__all__ = ["METHODS", "raters_paper"]

METHODS = say("Methods, ready to paste")
MOST_ROWS = 200
"""So many rows left out are named on the paper."""
MOST_PAIRS = 15
"""So many pairs of raters are compared on the paper: those of six raters."""


def raters_paper(found: Reliability, about: AboutRaters) -> Paper:
    """The whole report."""
    blocks: list[Block] = [
        Banner(_head(found, about), _answer(found, about)),
        *(Words(text, lead=say("Caution:")) for text in cautions(found)),
        Heading(say("Figures")),
        _figures(found, about),
        Heading(say("Each rater")),
        _alone(found, about),
        *_pairs(found, about),
        _picture(found, about),
        Heading(say("Flow")),
        _flow(found, about),
        Heading(METHODS),
        *map(Words, methods_of(found, about)),
        Heading(say("What to report: GRRAS")),
        _items(
            answered(GRRAS, grras_told(found, about)),
            say("Kottner J et al. 2011, in our own words"),
        ),
        Heading(say("What to report: STARD 2015, where a rater study serves one of accuracy")),
        _items(answered(STARD, stard_told(about)), say("Bossuyt PM et al. 2015, in our own words")),
        Heading(say("Rows left out")),
        *_left_out(found),
        Heading(say("Settings")),
        _settings(about),
    ]
    title = say("Agreement within and between raters")
    return Paper(title, f"{about.table} · {about.made}", tuple(blocks), FOOT, page_word=PAGE)


def _head(found: Reliability, about: AboutRaters) -> str:
    value, interval = number(found.smallest_between, about.unit)
    return say(
        "Two raters differ by less than {value} in 95 of 100 cases ({interval})",
        value=value,
        interval=interval,
    )


def _answer(found: Reliability, about: AboutRaters) -> str:
    n, r, m = shape_of(found)
    within = found.smallest_within
    said = [size_said(n, r, m)]
    if within is not None:
        value, interval = number(within, about.unit)
        said.append(
            say(
                "Two ratings by one rater differ by less than {value} ({interval}).",
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


def _figures(found: Reliability, about: AboutRaters) -> Table:
    unit = about.unit
    rows: list[tuple[str, Estimate | None, str | None, str]] = [
        (
            say("SD of repeats, one rater"),
            found.within,
            unit,
            say("repeatability; SEM within a rater"),
        ),
        (
            say("smallest detectable difference, one rater"),
            found.smallest_within,
            unit,
            figure("1.96 √2 SD"),
        ),
        (
            say("SD of a rating by any rater"),
            found.between,
            unit,
            say("reproducibility; SEM of agreement"),
        ),
        (
            say("smallest detectable difference, two raters"),
            found.smallest_between,
            unit,
            figure("1.96 √2 SD"),
        ),
        (say("SD between raters"), found.rater, unit, say("part of the above")),
        (say("SD of a rater's own view of a target"), found.view, unit, say("part of the above")),
        (
            say("limits of agreement with the mean, ±"),
            found.from_mean,
            unit,
            say("of a rating about its target's mean"),
        ),
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


def _pairs(found: Reliability, about: AboutRaters) -> list[Block]:
    """Every two raters, where they are not too many."""
    pairs = rater_pairs(found.ratings)
    if len(pairs) > MOST_PAIRS:
        return []
    rows: list[Row] = []
    for one in pairs:
        bias, interval = number(one.limits.bias, about.unit, sign=True)
        low, below = number(one.limits.lower, about.unit, sign=True)
        high, above = number(one.limits.upper, about.unit, sign=True)
        rows.append((
            say("{second} less {first}", second=one.second, first=one.first),
            bias, interval, low, below, high, above,
        ))  # fmt: skip
    interval = say("95 % interval")
    head = (
        say("raters"), say("bias"), interval,
        say("lower limit"), interval, say("upper limit"), interval,
    )  # fmt: skip
    return [
        Heading(say("Every two raters: limits of agreement of one rating by each")),
        Table(head, tuple(rows), "lrlrlrl"),
    ]


def _picture(found: Reliability, about: AboutRaters) -> Picture:
    value, _ = number(found.from_mean, about.unit)
    return Picture(
        ratings_drawn(found, about),
        say("Each rating less the mean of all ratings of its target, against that mean, by rater."),
        say(
            "Each rating less its target's mean, against that mean; dashed: limits of agreement "
            "with the mean, ± {value}.",
            value=value,
        ),
        width_share=SHARE,
    )


def _flow(found: Reliability, about: AboutRaters) -> Picture:
    steps = flow_of(found, about)
    return Picture(flow_drawn(steps), flow_said(steps), width_share=SHARE)


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
