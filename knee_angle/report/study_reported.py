"""What a paper about a comparison has to report: the flow, items of GRRAS and STARD, methods."""

from __future__ import annotations

from collections import Counter

from knee_angle.agreement import Study
from knee_angle.language import figure, joined, retold, say
from knee_angle.report.flow_drawn import Step
from knee_angle.report.reporting import GRRAS, OURS, STARD, Item, answered, measurement_methods
from knee_angle.report.study_methods import methods
from knee_angle.report.study_words import About

__all__ = ["flow", "grras", "methods_to_paste", "stard"]

PASTE = say("see the methods to paste")


def flow(study: Study) -> tuple[Step, ...]:
    """From the table's rows to the pairs: every reason with how many rows it took away.

    A reason is told without what follows its colon, which is each photo's own.
    """
    pairs = study.pairs
    why = Counter(row.reason.partition(":")[0] for row in pairs.excluded)
    steps = [Step(say("rows in the table"), pairs.n + len(pairs.excluded))]
    steps += [Step(retold(reason), count, out=True) for reason, count in sorted(why.items())]
    steps.append(Step(say("pairs analysed"), pairs.n))
    if pairs.person is not None:
        steps.append(Step(say("persons"), pairs.units))
    if pairs.rater is not None:
        steps.append(Step(say("raters"), int(pairs.rater.max()) + 1))
    return tuple(steps)


def methods_to_paste(study: Study, about: About) -> tuple[str, ...]:
    """Paragraphs of measurement (where our columns are compared) and of statistics."""
    measured: tuple[str, ...] = ()
    if about.versions is not None and {about.reference, about.compared} & set(OURS):
        measured = (measurement_methods(about.versions, about.sources),)
    said = [
        say(
            "{name}: {words} ({source}.)",
            name=one.name,
            words=one.words,
            source=one.source.rstrip("."),
        )
        for one in methods(study, about)
    ]
    begun = say(
        "Differences are {compared} minus {reference}; {missing}. Intervals are two-sided, 95 %.",
        compared=about.compared,
        reference=about.reference,
        missing=_missing(about),
    )
    return (*measured, joined(" ", [begun, *said]))


def _missing(about: About) -> str:
    if about.missing == "drop":
        return say("rows without both values were left out and listed")
    return say("rows without both values were not allowed")


def grras(study: Study, about: About) -> tuple[tuple[Item, str], ...]:
    """The items of GRRAS, each with what this report says of it."""
    told = {
        "1": say(
            "agreement of {compared} and {reference}",
            compared=about.compared_name,
            reference=about.reference_name,
        ),
        "2": PASTE,
        "10": PASTE,
        "11": joined(", ", [_counted(one.name, one.count) for one in flow(study)[1:]]),
        "13": say("see the figures, each with its 95 % interval"),
        "15": say("every pair is a row of {table}", table=about.table),
    }
    return answered(GRRAS, told)


def _counted(what: str, count: int) -> str:
    return joined(" ", [figure(f"{count:,}"), what])


def stard(study: Study, about: About) -> tuple[tuple[Item, str], ...]:
    """The items of STARD 2015 that a table can answer, with what this report says."""
    within = ", ".join(f"±{one.tolerance:g}{about.unit}" for one in study.within)
    told = {
        "10a": joined(": ", [about.compared_name, PASTE]),
        "10b": joined(": ", [about.reference_name, PASTE]),
        "12a": say(
            "tolerances {within}; whether set beforehand is yours to write", within=figure(within)
        ),
        "14": PASTE,
        "15": say("a row without an angle has no value: see the flow"),
        "16": _missing(about),
        "19": say("see the flow"),
        "24": say("see the figures"),
    }
    return answered(STARD, told)
