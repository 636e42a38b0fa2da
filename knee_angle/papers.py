"""Kept rows as papers to file: a visit, a person's course, a machine's certificate, the fleet.

From the store's rows alone: no photo and no model is asked for. A picture is shown where it was
kept. What a session may not see, its store refuses here, too.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC

from knee_angle.errors import InvalidInput
from knee_angle.machine.answer import VisitAnswer
from knee_angle.pipeline import answer_of_photo
from knee_angle.report.paper.blocks import Paper
from knee_angle.report.paper.visit import About, Shown, visit_paper
from knee_angle.report.visit_contract import visit_as_json
from knee_angle.store import KeptMeasurement, KeptVisit, Store
from knee_angle.visit.zone import LocalZone

__all__ = ["Paper", "of_visit"]

MOST_ROWS = 100_000
"""So many of the newest rows are looked through."""


def of_visit(
    store: Store,
    *,
    person: str | None = None,
    row: str | None = None,
    note: str = "",
) -> Paper:
    """The paper of one visit: all its photos together, or one photo that was kept alone.

    Parameters
    ----------
    store : Store
    person : str, optional
        A code: the newest visit of that person, where no row is named.
    row : str, optional
        The visit's identifier, or that of a photo's row; its first digits are enough.
    note : str
        A line for this paper alone; it is not kept.

    Raises
    ------
    InvalidInput
        Nothing is kept there.
    """
    visit, alone = _found(store, person, row)
    if visit is not None:
        return _together(store, visit, note)
    return _alone(store, alone, note)


def _found(
    store: Store, person: str | None, row: str | None
) -> tuple[KeptVisit | None, KeptMeasurement | None]:
    """The row that was asked for: a visit, or a photo of none."""
    if row is None and person is None:
        raise InvalidInput("a visit's paper needs a person's code or a row: give one of them")
    named = row is not None
    visits = store.visits(person=person, all_rows=named, limit=MOST_ROWS)
    photos = store.measurements(person=person, all_rows=named, limit=MOST_ROWS)
    every_row: list[KeptVisit | KeptMeasurement] = [*visits, *photos]
    if row is not None:
        found = [one for one in every_row if one.id.startswith(row)]
        if len({one.id for one in found}) != 1:
            raise InvalidInput(
                f"a row must be one of the store's, but {row!r} begins "
                f"{'none' if not found else f'{len(found)} of them'}: `knee-angle store export` "
                "lists them"
            )
        return _either(found[0], visits)
    newest = max(every_row, key=lambda one: (one.taken_at, one.saved_at), default=None)
    if newest is None:
        raise InvalidInput(f"nothing is kept for {person}: keep a measurement first")
    return _either(newest, visits)


def _either(
    found: KeptVisit | KeptMeasurement, visits: tuple[KeptVisit, ...]
) -> tuple[KeptVisit | None, KeptMeasurement | None]:
    """The visit; a photo of one that stands stands for it."""
    if isinstance(found, KeptVisit):
        return found, None
    joint = next((one for one in visits if one.counts and found.id in one.measurements), None)
    return (joint, None) if joint is not None else (None, found)


def _together(store: Store, visit: KeptVisit, note: str) -> Paper:
    full = store.visit(visit.id)
    names = [name for one in full.contract["settings"] for name in one["photos"]]
    photos = [
        Shown(name, store.measurement(row_id).measurement, store.photo(row_id))
        for name, row_id in zip(names, visit.measurements, strict=True)
    ]
    about = About(
        visit.person, visit.machine, visit.taken_at.astimezone(LocalZone()),
        saved_at=visit.saved_at.astimezone(UTC), who=visit.who, row=visit.id,
        software=visit.software, note=note, stands=visit.counts,
    )  # fmt: skip
    return visit_paper(full.contract, photos, settings=full.settings, about=about)


def _alone(store: Store, row: KeptMeasurement | None, note: str) -> Paper:
    """A photo that was kept alone, judged again as the visit that it is."""
    assert row is not None  # noqa: S101  `_found` gives one of the two
    full = store.measurement(row.id)
    measured = replace(full.measurement, settings=full.settings)
    answer = answer_of_photo(measured)
    if not isinstance(answer, VisitAnswer):
        raise InvalidInput(
            f"row {row.id[:12]} makes no paper of a visit: {answer.reason}; {answer.advice}"
        )
    about = About(
        row.person, row.machine, row.taken_at.astimezone(LocalZone()),
        saved_at=row.saved_at.astimezone(UTC), who=row.who, row=row.id, software=row.software,
        note=note, stands=row.counts,
    )  # fmt: skip
    return visit_paper(
        visit_as_json(answer, version=row.software),
        [Shown(measured.photo, measured, store.photo(row.id))],
        settings=full.settings,
        about=about,
    )
