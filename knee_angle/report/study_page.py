"""A comparison as one self-contained HTML page, to read on a phone and to print.

The page asks nothing of the network: style and pictures are inside, and its content security
policy forbids everything else.
"""

from __future__ import annotations

import base64
from dataclasses import replace
from importlib.resources import files

from jinja2 import Environment, StrictUndefined

from knee_angle.agreement import Study
from knee_angle.language import Sentence, current, figure, joined, say, say_as, tell
from knee_angle.report import study_words as words
from knee_angle.report.flow_drawn import flow_drawn, flow_said
from knee_angle.report.study_methods import methods, study_u
from knee_angle.report.study_plots import study_plots
from knee_angle.report.study_reported import flow, grras, methods_to_paste, stard
from knee_angle.report.study_words import About

__all__ = ["study_page"]

MOST_ROWS = 1000
"""So many rows left out stand on the page; the JSON output holds all."""


def study_page(study: Study, about: About) -> str:
    """The report of a study as HTML."""
    page = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, finalize=_told)
    page.globals |= {"tell": tell, "language": current().code}
    template = page.from_string(files(__package__).joinpath("study.html").read_text("utf-8"))
    excluded = study.pairs.excluded
    return template.render(
        about=about,
        rows=len(excluded) + study.pairs.n,
        pairs=study.pairs.n,
        persons=None if study.pairs.person is None else study.pairs.units,
        summary=words.summary(study, about),
        sections=_sections(words.figures(study, about)),
        tolerances=joined(", ", [figure(f"±{w.tolerance:g}{about.unit}") for w in study.within]),
        groups=words.subgroup_tables(study, about),
        plots=[(plot, _inside(plot.svg)) for plot in study_plots(study, about)],
        methods=methods(study, about),
        flow=flow(study),
        flow_picture=_inside(_flow_drawn(study)),
        paste=methods_to_paste(study, about),
        lists=[
            (say("GRRAS, its 15 items (Kottner J et al. 2011)"), grras(study, about)),
            (
                say("STARD 2015, its 30 items (Bossuyt PM et al. 2015)"),
                stard(study, about),
            ),
        ],
        cautions=words.cautions(study, about),
        excluded=excluded[:MOST_ROWS],
        excluded_count=len(excluded),
        settings=_settings(study, about),
        note=say_as("column", "note"),
        row_word=say_as("table", "row"),
    )


def _flow_drawn(study: Study) -> str:
    """The flow as a diagram; how many persons and raters stand in its last box."""
    steps = flow(study)
    last = 1 + sum(one.out for one in steps)
    analysed = replace(steps[last], detail=flow_said(steps[last + 1 :]))
    return flow_drawn((*steps[:last], analysed)).svg()


def _sections(figures: tuple[words.Figure, ...]) -> list[tuple[str, list[words.Figure]]]:
    names = dict.fromkeys(figure.section for figure in figures)
    return [(name, [figure for figure in figures if figure.section == name]) for name in names]


def _told(value: object) -> object:
    """What the page shows of a value: sentences in the language that is spoken."""
    return tell(value) if isinstance(value, Sentence) else value


def _inside(svg: str) -> str:
    """A picture as an address that holds it."""
    return "data:image/svg+xml;base64," + base64.b64encode(svg.encode()).decode()


def _settings(study: Study, about: About) -> list[tuple[str, str]]:
    chosen = study.settings
    return [
        (say("table"), about.table),
        (say("difference"), f"{about.compared} \u2212 {about.reference}"),
        (say("person"), about.person or say("not named: each pair is another person")),
        (say("rater"), about.rater or say("not named")),
        (say("rows without both values"), about.missing),
        (
            say("true value within a person"),
            chosen.true_value if about.person else say("not used"),
        ),
        (say("ratio of error variances (Deming)"), figure(f"{chosen.variance_ratio:g}")),
        (say("uncertainty of the reference"), about.u_reference or say("not used")),
        (say("uncertainty of the compared"), study_u(about)),
        (say("bands"), figure(f"{chosen.band_deg:g}{about.unit}")),
        (say("intervals"), say("95 %, two-sided")),
        (say("made"), about.made),
        (say("software"), f"knee_angle {about.version}"),
    ]
