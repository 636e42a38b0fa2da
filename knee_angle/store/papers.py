"""Kept rows as papers to file: a visit, a person's course, a machine's certificate, the fleet.

From the store's rows alone: no photo and no model is asked for. A picture is shown where it was
kept. What a session may not see, its store refuses here, too.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime

from knee_angle import __version__
from knee_angle.errors import InvalidInput
from knee_angle.language import say
from knee_angle.machine.answer import VisitAnswer
from knee_angle.machine.control_chart import SETTLED, individuals_chart
from knee_angle.pipeline import answer_of_photo
from knee_angle.records import CropJpeg, Measurement, Side
from knee_angle.report.paper.blocks import Paper
from knee_angle.report.paper.certificate import CheckAbout, certificate_paper
from knee_angle.report.paper.course import course_paper
from knee_angle.report.paper.fleet import Checked, FleetRow, fleet_paper
from knee_angle.report.paper.visit import About, Shown, visit_paper
from knee_angle.report.visit_contract import visit_as_json
from knee_angle.store import KeptMeasurement, KeptVisit, Store, StoredCheck
from knee_angle.store.codec import to_json
from knee_angle.store.following import MOST_ROWS, course_of
from knee_angle.store.known import known_machine, known_person
from knee_angle.store.table import kept_row, row_of, written_out
from knee_angle.visit.course import (
    EVERY_DAYS,
    MIDDLE_DEG,
    difference_at,
    due,
)
from knee_angle.visit.zone import LocalZone

__all__ = ["Paper", "of_course", "of_fleet", "of_machine", "of_visit"]

CHECKS_CHARTED = 60
"""So many of a machine's checks are looked at for a change, as on the page."""


def of_visit(
    store: Store,
    *,
    person: str | None = None,
    row: str | None = None,
    pictures: bool = True,
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
    pictures : bool
        Whether photos that were kept may be shown.
    note : str
        A line for this paper alone; it is not kept.

    Raises
    ------
    InvalidInput
        Nothing is kept there.
    """
    visit, alone = _found(store, person, row)
    if visit is not None:
        with written_out(kept_row(visit.id)):
            return _together(store, visit, note, pictures=pictures)
    assert alone is not None  # noqa: S101  `_found` gives one of the two
    with written_out(kept_row(alone.id)):
        return _alone(store, alone, note, pictures=pictures)


def _found(
    store: Store, person: str | None, row: str | None
) -> tuple[KeptVisit | None, KeptMeasurement | None]:
    """The row that was asked for: a visit, or a photo of none."""
    every_row: list[KeptVisit | KeptMeasurement]
    if row is not None:
        every_row = [
            *store.visits(begins=row, all_rows=True, limit=MOST_ROWS),
            *store.measurements(begins=row, all_rows=True, limit=MOST_ROWS),
        ]
        if len({one.id for one in every_row}) != 1:
            raise InvalidInput(_no_row(row, len(every_row)))
        return _either(store, every_row[0])
    if person is None:
        raise InvalidInput(say("a visit's paper needs a person's code or a row: give one of them"))
    known_person(store, person)
    every_row = [
        *store.visits(person=person, limit=1), *store.measurements(person=person, limit=1)
    ]  # fmt: skip
    newest = max(every_row, key=lambda one: (one.taken_at, one.saved_at), default=None)
    if newest is None:
        raise InvalidInput(say("nothing is kept for {code}: keep a measurement first", code=person))
    return _either(store, newest)


def _no_row(row: str, found: int) -> str:
    """The refusal of a row that is none, or not one alone."""
    if found == 0:
        return say(
            "a row must be one of the store's, but none begins with {row!r}: `knee-angle store "
            "export` lists them",
            row=row,
        )
    return say(
        "a row must be one of the store's, but {found} begin with {row!r}: give more of its digits",
        row=row,
        found=found,
    )


def _either(
    store: Store, found: KeptVisit | KeptMeasurement
) -> tuple[KeptVisit | None, KeptMeasurement | None]:
    """The visit; a photo of one that stands stands for it."""
    if isinstance(found, KeptVisit):
        return found, None
    visits = () if found.setup.visit is None else store.visits(begins=found.setup.visit)
    joint = next((one for one in visits if found.id in one.measurements), None)
    return (joint, None) if joint is not None else (None, found)


def _together(store: Store, visit: KeptVisit, note: str, *, pictures: bool) -> Paper:
    full = store.visit(visit.id)
    names = [name for one in full.contract["settings"] for name in one["photos"]]
    photos = [
        Shown(
            name,
            store.measurement(row_id).measurement,
            store.photo(row_id) if pictures else None,
        )
        for name, row_id in zip(names, visit.measurements, strict=True)
    ]
    about = About(
        visit.person, visit.machine, visit.taken_at.astimezone(LocalZone()),
        saved_at=visit.saved_at.astimezone(UTC), row=visit.id,
        software=visit.software, note=note, stands=visit.counts, pictures=pictures,
    )  # fmt: skip
    return visit_paper(full.contract, photos, settings=full.settings, about=about)


def _alone(store: Store, row: KeptMeasurement, note: str, *, pictures: bool) -> Paper:
    """A photo that was kept alone, judged again as the visit that it is."""
    full = store.measurement(row.id)
    measured = replace(full.measurement, settings=full.settings)
    answer = answer_of_photo(measured)
    if not isinstance(answer, VisitAnswer):
        raise InvalidInput(
            say(
                "row {row} makes no paper of a visit: {reason}; {advice}",
                row=row.id[:12], reason=answer.reason, advice=answer.advice,
            )
        )  # fmt: skip
    about = About(
        row.person, row.machine, row.taken_at.astimezone(LocalZone()),
        saved_at=row.saved_at.astimezone(UTC), row=row.id, software=row.software,
        note=note, stands=row.counts, pictures=pictures,
    )  # fmt: skip
    return visit_paper(
        visit_as_json(answer, version=row.software),
        [Shown(measured.photo, measured, store.photo(row.id) if pictures else None)],
        settings=full.settings,
        about=about,
    )


def of_course(
    store: Store,
    person: str,
    *,
    side: Side | None = None,
    made_at: datetime | None = None,
    note: str = "",
) -> Paper:
    """The paper of a person's course over days, of each knee that was measured.

    Parameters
    ----------
    store : Store
    person : str
        A code.
    side : {"left", "right"}, optional
        That knee alone.
    made_at : datetime, optional
        When; now by default.
    note : str
        A line for this paper alone; it is not kept.

    Raises
    ------
    InvalidInput
        Nothing is kept of that knee.
    """
    known_person(store, person)
    code, knees = course_of(store, person, side=side)
    made = (datetime.now(UTC) if made_at is None else made_at).astimezone(LocalZone())
    with written_out(row_of(code)):
        return course_paper(code, knees, made_at=made, note=note)


def of_machine(
    store: Store,
    machine: str,
    *,
    row: str | None = None,
    pictures: bool = True,
    note: str = "",
) -> Paper:
    """The certificate of a machine check.

    Parameters
    ----------
    store : Store
    machine : str
        A code: its newest check that stands, where no row is named.
    row : str, optional
        The check's identifier; its first digits are enough.
    pictures : bool
        Whether photos that were kept may be shown: they are of patients' legs.
    note : str
        A line for this paper alone; it is not kept.

    Raises
    ------
    InvalidInput
        No such check is kept.
    """
    code = known_machine(store, machine)
    found = (
        store.checks(machine=code, limit=1)
        if row is None
        else store.checks(machine=code, begins=row, limit=MOST_ROWS, all_rows=True)
    )
    if not found:
        raise InvalidInput(
            say("no check is kept for {code}: check the machine first", code=code)
            if row is None
            else _no_row(row, 0)
        )
    if row is not None and len(found) > 1:
        raise InvalidInput(_no_row(row, len(found)))
    kept = found[0]
    with written_out(kept_row(kept.id)):
        full = store.check(kept.id)
        shown = _pictures(store, full) if pictures else {}
        about = replace(
            _about_check(store, full, pictures=shown, note=note), shows_pictures=pictures
        )
        return certificate_paper(
            full.result,
            full.outcomes,
            settings=full.settings,
            photo_sha256=full.photo_sha256,
            about=about,
        )


def _about_check(
    store: Store, check: StoredCheck, *, pictures: Mapping[str, CropJpeg], note: str
) -> CheckAbout:
    """Which check it is, and what its machine's card says."""
    kept = check.row
    every = store.machine_card(kept.machine).check_every_days or EVERY_DAYS
    zone = LocalZone()
    return CheckAbout(
        machine=kept.machine,
        taken_at=kept.taken_at.astimezone(zone),
        saved_at=kept.saved_at.astimezone(UTC),
        who=kept.who,
        row=kept.id,
        software=kept.software,
        made_by=__version__,
        inputs_sha256=_inputs_sha256(check),
        next_due=due(kept.taken_at, every_days=every, today=kept.taken_at.date(), zone=zone).on,
        every_days=every,
        pictures=pictures,
        note=note,
        stands=kept.counts,
    )


def _inputs_sha256(check: StoredCheck) -> str:
    """One hash of all that a check was computed from."""
    numbers = {
        name: one.displayed.deg
        for name, one in check.outcomes.items()
        if isinstance(one, Measurement) and one.displayed is not None
    }
    told = {
        "photos": [[digest, numbers.get(name)] for name, digest in check.photo_sha256.items()],
        "settings": to_json(check.settings),
    }
    return hashlib.sha256(
        json.dumps(told, sort_keys=True, separators=(",", ":")).encode()
    ).hexdigest()


def _pictures(store: Store, check: StoredCheck) -> dict[str, CropJpeg]:
    """Pictures of the check's photos: kept with it, else with a measurement of the same photo."""
    found = store.check_pictures(check.row.id)
    for name, digest in check.photo_sha256.items():
        if name in found:
            continue
        kept = next((one for one in store.of_photo(digest) if one.has_photo), None)
        picture = None if kept is None else store.photo(kept.id)
        if picture is not None:
            found[name] = picture
    return found


def of_fleet(store: Store, *, made_at: datetime | None = None, note: str = "") -> Paper:
    """The paper of every machine: its last verdict, and when its next check is due.

    Parameters
    ----------
    store : Store
    made_at : datetime, optional
        When; now by default.
    note : str
        A line for this paper alone; it is not kept.

    Raises
    ------
    InvalidInput
        The store knows no machine.
    """
    made = (datetime.now(UTC) if made_at is None else made_at).astimezone(LocalZone())
    codes = [subject.code for subject in store.machines()]
    if not codes:
        raise InvalidInput(
            say("the store knows no machine: add one first (`knee-angle store machine CODE`)")
        )
    with written_out(row_of(", ".join(codes))):
        rows = [_fleet_row(store, code, made.date()) for code in codes]
        return fleet_paper(rows, made_at=made, note=note)


def _has_changed(values: Sequence[tuple[float, float]]) -> bool:
    """Whether a rule of the control chart fires at the last of a machine's checks."""
    found = [value for value, _ in values]
    chart = individuals_chart(found, baseline=SETTLED if len(found) > SETTLED else None)
    return chart is not None and any(s.index == len(found) - 1 for s in chart.signals)


def _fleet_row(store: Store, code: str, today: date) -> FleetRow:
    checks = store.checks(machine=code, limit=CHECKS_CHARTED)
    every = store.machine_card(code).check_every_days or EVERY_DAYS
    last = checks[0] if checks else None
    when = due(
        None if last is None else last.taken_at, every_days=every, today=today, zone=LocalZone()
    )
    if last is None:
        return FleetRow(code, None, when, every)
    checked = Checked(
        on=last.taken_at.astimezone(LocalZone()).date(),
        verdict=last.verdict,
        finding=last.finding,
        bars_seen=last.against == "frame",
        largest_deg=last.largest_deg,
        largest_u_deg=last.largest_u_deg,
        tolerance_deg=last.tolerance_deg,
        changed=_has_changed(
            [
                difference_at(MIDDLE_DEG, offset_deg=one.offset_deg, gain=one.gain, cov=one.cov)
                for one in reversed(checks)
                if one.against == last.against and not one.at_one_place
            ]
        ),
    )
    return FleetRow(code, checked, when, every)
