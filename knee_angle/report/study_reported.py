"""What a paper about a comparison has to report: the flow, items of GRRAS and STARD, methods."""

from __future__ import annotations

from collections import Counter

from knee_angle.agreement import Study
from knee_angle.report.reporting import GRRAS, STARD, Item, answered, measurement_methods
from knee_angle.report.study_methods import methods
from knee_angle.report.study_words import About

__all__ = ["flow", "grras", "methods_to_paste", "stard"]

OURS = ("flexion_deg", "frame_deg", "flat_flexion_deg")
"""Columns that this software measures."""


def flow(study: Study) -> tuple[tuple[str, int], ...]:
    """From the table's rows to the pairs: every reason with how many rows it took away.

    A reason is told without what follows its colon, which is each photo's own.
    """
    pairs = study.pairs
    why = Counter(row.reason.partition(":")[0] for row in pairs.excluded)
    steps = [("rows in the table", pairs.n + len(pairs.excluded))]
    steps += [(f"left out: {reason}", count) for reason, count in sorted(why.items())]
    steps.append(("pairs analysed", pairs.n))
    if pairs.person is not None:
        steps.append(("persons", pairs.units))
    if pairs.rater is not None:
        steps.append(("raters", int(pairs.rater.max()) + 1))
    return tuple(steps)


def methods_to_paste(study: Study, about: About) -> tuple[str, ...]:
    """Paragraphs of measurement (where our columns are compared) and of statistics."""
    measured: tuple[str, ...] = ()
    if about.versions is not None and {about.reference, about.compared} & set(OURS):
        measured = (measurement_methods(about.versions),)
    said = [f"{one.name}: {one.words} ({one.source.rstrip('.')}.)" for one in methods(study, about)]
    begun = (
        f"Differences are {about.compared} minus {about.reference}; rows without both values were "
        + ("left out and listed" if about.missing == "drop" else "not allowed")
        + ". Intervals are two-sided, 95 %."
    )
    return (*measured, " ".join([begun, *said]))


def grras(study: Study, about: About) -> tuple[tuple[Item, str], ...]:
    """The items of GRRAS, each with what this report says of it."""
    told = {
        "1": f"agreement of {about.compared_name} and {about.reference_name}",
        "2": "see the methods to paste",
        "10": "see the methods to paste",
        "11": ", ".join(f"{count:,} {what}" for what, count in flow(study)[1:]),
        "13": "see the figures, each with its 95 % interval",
        "15": f"every pair is a row of {about.table}",
    }
    return answered(GRRAS, told)


def stard(study: Study, about: About) -> tuple[tuple[Item, str], ...]:
    """The items of STARD 2015 that a table can answer, with what this report says."""
    within = ", ".join(f"±{one.tolerance:g}{about.unit}" for one in study.within)
    told = {
        "10a": f"{about.compared_name}: see the methods to paste",
        "10b": f"{about.reference_name}: see the methods to paste",
        "12a": f"tolerances {within}; whether set beforehand is yours to write",
        "14": "see the methods to paste",
        "16": "rows without both values were "
        + ("left out and listed" if about.missing == "drop" else "not allowed"),
        "19": "see the flow",
        "24": "see the figures",
    }
    return answered(STARD, told)
