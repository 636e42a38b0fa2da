"""A table's two columns compared: what ``knee-angle agreement`` and `compare_methods` ask."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from knee_angle import __version__
from knee_angle.agreement import Pairs, Study, StudySettings, select_pairs, study_agreement
from knee_angle.angle.verdict import u_display_deg
from knee_angle.batch.versions import sources_of, versions_of
from knee_angle.errors import InvalidInput
from knee_angle.files.tables import Table, read_table
from knee_angle.language import say
from knee_angle.report.study_words import About
from knee_angle.settings import Settings

__all__ = ["study_of"]


def study_of(
    table: Path,
    *,
    compared: str,
    reference: str,
    person: str | None,
    rater: str | None,
    by: Sequence[str],
    missing: str,
    u_reference: str | None,
    u_compared: float | None,
    settings: Settings,
    chosen: StudySettings,
) -> tuple[Study, About]:
    """A table's comparison, and what it is about."""
    if settings.counts != "flexion" and "displayed_deg" not in (compared, reference):
        raise InvalidInput(
            say(
                "--counts is about the column displayed_deg, but {compared} and "
                "{reference} are compared: leave it out, or call the display's column "
                "displayed_deg",
                compared=compared,
                reference=reference,
            )
        )
    rows = read_table(table, counts=settings.counts, repeats=rater is not None)
    u_column = _u_column(rows, u_reference, reference)
    about = About(
        table=table.name,
        reference=reference,
        compared=compared,
        person=person,
        u_reference=u_column,
        missing=missing,
        version=__version__,
        made=datetime.now(UTC).date().isoformat(),
        u_compared=_u_compared(u_compared, compared, u_column, settings),
        rater=rater,
        versions=versions_of(table),
        sources=sources_of(rows),
    )
    study = study_agreement(
        _pairs(rows, about),
        settings=chosen,
        u_compared=about.u_compared,
        by={column: rows.labels(column) for column in by},
    )
    return study, about


def _pairs(rows: Table, about: About) -> Pairs:
    return select_pairs(
        reference=rows.numbers(about.reference),
        compared=rows.numbers(about.compared),
        person=None if about.person is None else rows.labels(about.person),
        rater=None if about.rater is None else rows.labels(about.rater),
        u_reference=None if about.u_reference is None else rows.numbers(about.u_reference),
        names=_names(rows),
        reasons=rows.labels("reason") if rows.has("reason") else None,
        missing="drop" if about.missing == "drop" else "refuse",
        words=(about.reference, about.compared),
    )


def _names(rows: Table) -> list[str] | None:
    """What each row is called: its photo, else its number."""
    if not rows.has("photo"):
        return None
    return [name or f"row {i}" for i, name in enumerate(rows.labels("photo"), start=1)]


def _u_column(rows: Table, given: str | None, reference: str) -> str | None:
    """Column of the reference's u: the one named, else the knee's own where the table has it."""
    if given is not None:
        return given
    return "u_deg" if reference == "flexion_deg" and rows.has("u_deg") else None


def _u_compared(
    given: float | None, compared: str, u_column: str | None, settings: Settings
) -> float | None:
    """U of the compared values, where the line with errors in both can be fitted."""
    if given is not None:
        return given
    if compared != "displayed_deg" or u_column is None:
        return None
    return u_display_deg(settings)
