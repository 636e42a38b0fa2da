"""``knee-angle agreement``: how far display and knee agree, over a table of photos."""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from knee_angle.cli.app import app, for_programs
from knee_angle.cli.options import Format, Output, positive
from knee_angle.cli.settings import DISPLAY, takes_settings
from knee_angle.errors import InvalidInput
from knee_angle.files import naming, write_whole
from knee_angle.language import say, tell
from knee_angle.settings import Settings

if TYPE_CHECKING:
    from knee_angle.agreement import LimitsPlan, Study
    from knee_angle.report.study_words import About

__all__ = ["agreement"]


class Missing(StrEnum):
    """What to do with rows that are no pairs."""

    REFUSE = "refuse"
    DROP = "drop"


class TrueValue(StrEnum):
    """Whether what is measured changes between the pairs of one person."""

    VARIES = "varies"
    CONSTANT = "constant"


TableArgument = Annotated[
    Path,
    typer.Argument(
        help="CSV or Parquet table with a row for each photo; or the word plan.",
        show_default=False,
    ),
]
Compared = Annotated[str, typer.Option(help="Column that is compared.")]
Reference = Annotated[str, typer.Option(help="Column it is compared with.")]
Person = Annotated[
    str | None, typer.Option(help="Column of the persons' codes, where some have several rows.")
]
Rater = Annotated[
    str | None, typer.Option(help="Column of who measured, where raters share persons.")
]
By = Annotated[list[str] | None, typer.Option(help="Column of subgroups; repeatable.")]
WithinDeg = Annotated[
    list[float] | None,
    typer.Option(help="Tolerance for the share within, degrees; repeatable. [5, 10]"),
]
MissingRows = Annotated[
    Missing, typer.Option(help="Rows without both values: refuse the table, or drop and list.")
]
TrueAngle = Annotated[
    TrueValue, typer.Option(help="Does the angle change between the rows of one person?")
]
VarianceRatio = Annotated[
    float, typer.Option(help="Deming: error variance of compared over that of reference.")
]
UReference = Annotated[
    str | None,
    typer.Option(help="Column of the reference's u. [u_deg, where the reference is the knee]"),
]
UCompared = Annotated[
    float | None, typer.Option(help="u of the compared values. [a display's, from its step]")
]
BandDeg = Annotated[float, typer.Option(help="Width of the bands of the reference, degrees.")]
Report = Annotated[Path | None, typer.Option(help="Write the report to this file.")]
PlannedSd = Annotated[float, typer.Option(help="With plan: expected SD of a difference.")]
PlannedHalfWidth = Annotated[
    float, typer.Option(help="With plan: wanted half-width of a limit's interval.")
]
PlannedRepeats = Annotated[
    int, typer.Option(help="With plan: pairs of each person; above 1 it plans persons.")
]
PlannedBetween = Annotated[
    float,
    typer.Option(help="With plan and repeats: share of the variance that lies between persons."),
]
Assurance = Annotated[
    float | None, typer.Option(help="With plan: probability to reach it; else on average.")
]


@app.command()
@takes_settings(*DISPLAY)
def agreement(
    table: TableArgument,
    compared: Compared = "displayed_deg",
    reference: Reference = "flexion_deg",
    person: Person = None,
    rater: Rater = None,
    by: By = None,
    within: WithinDeg = None,
    missing: MissingRows = Missing.REFUSE,
    true_value: TrueAngle = TrueValue.VARIES,
    variance_ratio: VarianceRatio = 1.0,
    u_reference: UReference = None,
    u_compared: UCompared = None,
    band: BandDeg = 30,
    html: Report = None,
    sd: PlannedSd = 4.0,
    half_width: PlannedHalfWidth = 1.5,
    assurance: Assurance = None,
    repeats: PlannedRepeats = 1,
    between: PlannedBetween = 0.5,
    output: Output = Format.TEXT,
    *,
    settings: Settings,
) -> None:
    """Compare display and knee over many photos; "agreement plan" says how many are needed."""
    if table == Path("plan"):
        planned = Planned(sd, half_width, assurance, repeats, between)
        print(_plan(planned, output=output))
        return
    from knee_angle.agreement import StudySettings
    from knee_angle.batch.study import study_of

    study, about = study_of(
        table,
        compared=compared,
        reference=reference,
        person=person,
        rater=rater,
        by=by or (),
        missing=missing.value,
        u_reference=u_reference,
        u_compared=None if u_compared is None else positive("--u-compared", u_compared),
        settings=settings,
        chosen=StudySettings(
            tolerances_deg=tuple(positive("--within", x) for x in within or (5.0, 10.0)),
            true_value=true_value.value,
            variance_ratio=positive("--variance-ratio", variance_ratio),
            band_deg=positive("--band", band),
        ),
    )
    _answer(study, about, html=html, output=output)


def _answer(study: Study, about: About, *, html: Path | None, output: Format) -> None:
    """Write the report where one is wanted, print the figures, and say what was written."""
    if html is not None:
        _write(html, study, about)
    if output is Format.JSON:
        from knee_angle.report.study_json import study_as_json

        print(json.dumps(for_programs(study_as_json(study, about)), allow_nan=False))
    else:
        from knee_angle.report.study_text import study_text

        print(study_text(study, about))
    if html is not None:
        print(
            tell("written: {html}", html=html),
            file=sys.stderr if output is Format.JSON else sys.stdout,
        )


def _write(path: Path, study: Study, about: About) -> None:
    from knee_angle.report.study_page import study_page

    with naming(path):
        write_whole(path, study_page(study, about))


@dataclass(frozen=True)
class Planned:
    """What "agreement plan" is asked."""

    sd: float
    half_width: float
    assurance: float | None
    repeats: int
    between: float

    def answer(self) -> LimitsPlan:
        """The number of pairs, or of persons with repeats."""
        from knee_angle.agreement import plan_limits, plan_limits_with_repeats

        sd, half = positive("--sd", self.sd), positive("--half-width", self.half_width)
        if self.repeats == 1:
            return plan_limits(sd=sd, half_width=half, assurance=self.assurance)
        if self.assurance is not None:
            raise InvalidInput(say("--assurance is for one pair a person: leave out --repeats"))
        return plan_limits_with_repeats(
            sd=sd, half_width=half, repeats=self.repeats, between=self.between
        )


def _plan(asked: Planned, *, output: Format) -> str:
    """How many pairs, in words or as JSON."""
    from knee_angle import __version__
    from knee_angle.report.study_json import plan_as_json
    from knee_angle.report.study_text import plan_text

    plan = asked.answer()
    if output is Format.JSON:
        return json.dumps(for_programs(plan_as_json(plan, version=__version__)))
    return tell(plan_text(plan))
