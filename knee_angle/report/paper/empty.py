"""A certificate's tables of an empty machine, and the lines that every check's ± has."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from statistics import median

from knee_angle.angle.verdict import u_display_deg
from knee_angle.language import figure, joined, say
from knee_angle.machine.empty import EmptyCheck
from knee_angle.records import NotMeasured, Outcome
from knee_angle.report.paper.blocks import Row, Table
from knee_angle.report.paper.common import deg, photo_words, spread
from knee_angle.settings import Settings

__all__ = ["bars_budget", "bars_table", "budget_table", "display_row", "shared_row", "u_cell"]


def bars_table(result: EmptyCheck, outcomes: Mapping[str, Outcome]) -> Table:
    """Every setting: display, bars, and what the display says more."""
    photos: dict[float, list[str]] = {}
    for name in result.photos:
        one = outcomes[name]
        if isinstance(one, NotMeasured) and one.bars and one.bars.displayed_deg is not None:
            photos.setdefault(one.bars.displayed_deg, []).append(photo_words(name))
    rows: list[Row] = [
        (
            figure(f"{shown:g}°"),
            say("{value} {spread}", value=deg(bars), spread=spread(u)),
            deg(shown - bars, sign=True),
            joined(", ", photos.get(shown, ())),
        )
        for shown, bars, u in zip(result.displayed_deg, result.bars_deg, result.u_deg, strict=True)
    ]
    return Table(
        head=(say("Display"), say("Bars ± (95 %)"), say("Display − bars"), say("Photo")),
        rows=tuple(rows),
        align="rrrl",
        widths=(0.9, 1.5, 1.2, 3.0),
        caption=say("Each setting, degrees of flexion; photos of one number are repeats."),
    )


def bars_budget(result: EmptyCheck, settings: Settings) -> Table:
    """What goes into the ± of the line, from the covariance of its settings."""
    cov = result.reading.cov_x
    n = len(cov)
    shared = max(max((cov[i][j] for i in range(n) for j in range(n) if i != j), default=0.0), 0.0)
    own = median(math.sqrt(max(cov[i][i] - shared, 0.0)) for i in range(n))
    return budget_table(
        [
            display_row(settings),
            shared_row(math.sqrt(shared)),
            (say("Bars at one setting, beyond that"), u_cell(own), say("median of the settings")),
        ]
    )


def display_row(settings: Settings) -> Row:
    """The line of the display itself."""
    return (
        say("Display's step and movement"),
        u_cell(u_display_deg(settings)),
        say("each reading"),
    )


def shared_row(u_deg: float) -> Row:
    """The line of what all photos of a machine share."""
    return (
        say("How points and tags lie on the bars"),
        u_cell(u_deg),
        say("all photos alike: it moves the offset and more photos do not shrink it"),
    )


def u_cell(u_deg: float) -> str:
    """A standard uncertainty."""
    return say("{u_deg:.2f}°", u_deg=u_deg)


def budget_table(rows: Sequence[Row]) -> Table:
    """The lines under their heads."""
    return Table(
        head=(say("From"), say("u"), say("Counts in")),
        rows=tuple(rows),
        align="lrl",
        widths=(2.2, 0.6, 3.0),
        caption=say(
            "Standard uncertainties (k = 1), degrees. The lines' ± come from all settings "
            "together, with what photos share counted once."
        ),
    )
