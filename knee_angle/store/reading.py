"""Questions to the store. Lists read only the columns that they show."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date, datetime
from typing import Any, get_args

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Row

from knee_angle.machine.check import MachineCheck
from knee_angle.machine.empty import EmptyCheck
from knee_angle.machine.prescribed import LegSettings
from knee_angle.records import CropJpeg, Measurement, Side
from knee_angle.report.columns import kept_columns
from knee_angle.settings import Settings
from knee_angle.store import schema, sealing
from knee_angle.store.codec import from_json, outcome_from_json
from knee_angle.store.records import (
    AuditLine,
    End,
    KeptCheck,
    KeptMeasurement,
    MachineCard,
    Prescription,
    SetUp,
    StoredCheck,
    StoredMeasurement,
    Subject,
)
from knee_angle.store.sealing import about_row

__all__ = [
    "audit_lines",
    "beginning",
    "check_pictures",
    "checks",
    "counts",
    "first_taken",
    "kept_check",
    "kept_measurement",
    "latest_checks",
    "leg_settings",
    "machine_card",
    "measurements",
    "of_photo",
    "photo",
    "prescription_on",
    "prescriptions",
    "stored_check",
    "stored_measurement",
    "stored_measurements",
    "subjects",
]

SIDES: tuple[Side, ...] = get_args(Side)
_FULL = ("settings", "measurement", "contract", "outcomes", "result")
"""Columns that only a whole record needs."""

_M, _MW, _P = schema.measurements, schema.measurement_withdrawals, schema.photos
_M_LATER = _M.alias("later")
_C, _CW = schema.checks, schema.check_withdrawals
_C_LATER = _C.alias("later")


def _measurement_rows(*, full: bool) -> sa.Select[Any]:
    columns = [c for c in _M.c if full or c.name not in _FULL]
    return sa.select(
        *columns,
        _M_LATER.c.id.label("corrected_by"),
        _MW.c.withdrawn.is_not(None).label("withdrawn"),
        _P.c.measurement.is_not(None).label("has_photo"),
    ).select_from(
        _M.outerjoin(_M_LATER, _M_LATER.c.corrects == _M.c.id)
        .outerjoin(_MW, _MW.c.withdrawn == _M.c.id)
        .outerjoin(_P, _P.c.measurement == _M.c.id)
    )


def _check_rows(*, full: bool) -> sa.Select[Any]:
    columns = [c for c in _C.c if full or c.name not in _FULL]
    return sa.select(
        *columns,
        _C_LATER.c.id.label("corrected_by"),
        _CW.c.withdrawn.is_not(None).label("withdrawn"),
    ).select_from(
        _C.outerjoin(_C_LATER, _C_LATER.c.corrects == _C.c.id).outerjoin(
            _CW, _CW.c.withdrawn == _C.c.id
        )
    )


def beginning(column: sa.Column[Any], digits: str) -> sa.ColumnElement[bool]:
    """Whether a row's identifier begins so; by its index, which LIKE would not use."""
    # Identifiers are hexadecimal: "g" comes after every digit that may follow.
    return sa.and_(
        column >= digits, column < f"{digits}g", sa.func.substr(column, 1, len(digits)) == digits
    )


def measurements(
    connection: Connection,
    *,
    person: str | None,
    machine: str | None,
    since: datetime | None,
    limit: int,
    all_rows: bool,
    begins: str | None = None,
) -> tuple[KeptMeasurement, ...]:
    """Newest first; see `Store.measurements`."""
    query = _measurement_rows(full=False).order_by(_M.c.taken_at.desc(), _M.c.saved_at.desc())
    if begins is not None:
        query = query.where(beginning(_M.c.id, begins))
    if person is not None:
        query = query.where(_M.c.person == person)
    if machine is not None:
        query = query.where(_M.c.machine == machine)
    if since is not None:
        query = query.where(_M.c.taken_at >= since)
    if not all_rows:
        query = query.where(_M_LATER.c.id.is_(None), _MW.c.withdrawn.is_(None))
    return tuple(_kept(row) for row in connection.execute(query.limit(limit)))


def first_taken(connection: Connection) -> dict[str, datetime]:
    """When each person's first measurement that stands was taken."""
    query = (
        sa.select(_M.c.person, sa.func.min(_M.c.taken_at, type_=schema.Utc()).label("first"))
        .select_from(
            _M.outerjoin(_M_LATER, _M_LATER.c.corrects == _M.c.id).outerjoin(
                _MW, _MW.c.withdrawn == _M.c.id
            )
        )
        .where(_M.c.person.is_not(None), _M_LATER.c.id.is_(None), _MW.c.withdrawn.is_(None))
        .group_by(_M.c.person)
    )
    return {row.person: row.first for row in connection.execute(query)}


def of_photo(connection: Connection, sha256: str) -> tuple[KeptMeasurement, ...]:
    """Measurements of one photo that stand, newest first."""
    query = (
        _measurement_rows(full=False)
        .where(_M.c.photo_sha256 == sha256, _M_LATER.c.id.is_(None), _MW.c.withdrawn.is_(None))
        .order_by(_M.c.saved_at.desc())
    )
    return tuple(_kept(row) for row in connection.execute(query))


def kept_measurement(connection: Connection, row_id: str) -> KeptMeasurement:
    """The list row of a measurement that is there."""
    return _kept(connection.execute(_measurement_rows(full=False).where(_M.c.id == row_id)).one())


def kept_check(connection: Connection, row_id: str) -> KeptCheck:
    """The list row of a machine check that is there."""
    return _kept_check(connection.execute(_check_rows(full=False).where(_C.c.id == row_id)).one())


def stored_measurement(connection: Connection, row_id: str) -> StoredMeasurement | None:
    """One measurement in full."""
    row = connection.execute(_measurement_rows(full=True).where(_M.c.id == row_id)).one_or_none()
    return None if row is None else _stored(row)


def stored_measurements(
    connection: Connection, *, person: str | None, all_rows: bool, nobodys: bool = False
) -> Iterator[StoredMeasurement]:
    """Every measurement in full, oldest first, in pieces; see `Store.stored_measurements`."""
    query = _measurement_rows(full=True).order_by(_M.c.taken_at, _M.c.saved_at, _M.c.id)
    if person is not None:
        query = query.where(_M.c.person == person)
    if nobodys:
        query = query.where(_M.c.person.is_(None))
    if not all_rows:
        query = query.where(_M_LATER.c.id.is_(None), _MW.c.withdrawn.is_(None))
    for row in connection.execute(query).yield_per(200):
        yield _stored(row)


def _stored(row: Row[Any]) -> StoredMeasurement:
    return StoredMeasurement(
        row=_kept(row),
        measurement=from_json(row.measurement, Measurement),
        settings=from_json(row.settings, Settings),
        photo_sha256=row.photo_sha256,
        contract=row.contract,
    )


def photo(connection: Connection, row_id: str) -> CropJpeg | None:
    """The kept picture of a measurement."""
    row = connection.execute(sa.select(_P).where(_P.c.measurement == row_id)).one_or_none()
    return None if row is None else _picture(connection, row, about_row(_P.name, [row_id]))


def check_pictures(connection: Connection, row_id: str) -> dict[str, CropJpeg]:
    """The kept pictures of a check, by the photos' names in it."""
    table = schema.check_photos
    rows = connection.execute(sa.select(table).where(table.c.checked == row_id))
    return {
        row.name: _picture(connection, row, about_row(table.name, [row_id, row.name]))
        for row in rows.all()
    }


def _picture(connection: Connection, row: Row[Any], about: str) -> CropJpeg:
    jpeg = sealing.opened(connection, row.jpeg, about=about)
    return CropJpeg(jpeg, row.left_px, row.top_px, row.px_per_px)


def checks(
    connection: Connection,
    *,
    machine: str | None,
    limit: int,
    all_rows: bool,
    begins: str | None = None,
) -> tuple[KeptCheck, ...]:
    """Newest first; see `Store.checks`."""
    query = _check_rows(full=False).order_by(_C.c.taken_at.desc(), _C.c.saved_at.desc())
    if begins is not None:
        query = query.where(beginning(_C.c.id, begins))
    if machine is not None:
        query = query.where(_C.c.machine == machine)
    if not all_rows:
        query = query.where(_C_LATER.c.id.is_(None), _CW.c.withdrawn.is_(None))
    return tuple(_kept_check(row) for row in connection.execute(query.limit(limit)))


def latest_checks(connection: Connection) -> tuple[KeptCheck, ...]:
    """Every machine's newest check that stands, by machine."""
    order = sa.func.row_number().over(
        partition_by=_C.c.machine, order_by=(_C.c.taken_at.desc(), _C.c.saved_at.desc())
    )
    standing = (
        _check_rows(full=False)
        .add_columns(order.label("place"))
        .where(_C_LATER.c.id.is_(None), _CW.c.withdrawn.is_(None))
        .subquery()
    )
    query = sa.select(standing).where(standing.c.place == 1).order_by(standing.c.machine)
    return tuple(_kept_check(row) for row in connection.execute(query))


def stored_check(connection: Connection, row_id: str) -> StoredCheck | None:
    """One machine check in full."""
    row = connection.execute(_check_rows(full=True).where(_C.c.id == row_id)).one_or_none()
    if row is None:
        return None
    with_leg = "knee_line" in row.result
    return StoredCheck(
        row=_kept_check(row),
        result=from_json(row.result, MachineCheck)
        if with_leg
        else from_json(row.result, EmptyCheck),
        outcomes={name: outcome_from_json(value) for name, value in row.outcomes.items()},
        settings=from_json(row.settings, Settings),
        photo_sha256=row.photo_sha256,
    )


def prescriptions(
    connection: Connection, person: str, *, side: Side | None
) -> tuple[Prescription, ...]:
    """Rows that bind a knee, by first day and then by entry, each with what is in force then.

    With no side all rows, each with the tighter of the two knees' limits.
    """
    table = schema.prescriptions
    query = (
        sa.select(table)
        .where(table.c.person == person)
        .order_by(table.c.from_day, table.c.saved_at, table.c.id)
    )
    found: list[Prescription] = []
    flexion: dict[Side, float | None] = {"left": None, "right": None}
    extension: dict[Side, float | None] = {"left": None, "right": None}
    for row in connection.execute(query):
        lifted = _lifted(row)
        own = _one_side(row.side)
        for knee in SIDES if own is None else (own,):
            flexion[knee] = _standing(flexion[knee], row.flexion_deg, lifted="flexion" in lifted)
            extension[knee] = _standing(
                extension[knee], row.extension_deg, lifted="extension" in lifted
            )
        if side is None or own is None or own == side:
            asked = SIDES if side is None else (side,)
            high = min((v for k in asked if (v := flexion[k]) is not None), default=None)
            low = max((v for k in asked if (v := extension[k]) is not None), default=None)
            entered = (row.saved_at, row.who, lifted, own)
            found.append(Prescription(row.person, row.from_day, high, low, *entered))
    return tuple(found)


def _one_side(kept: str) -> Side | None:
    """The knee that a row is for; None where it is for each."""
    if kept not in ("", *SIDES):
        raise ValueError(f"a prescription's side must be left, right or empty, but got {kept!r}")
    return next((side for side in SIDES if side == kept), None)


def _standing(before: float | None, named: float | None, *, lifted: bool) -> float | None:
    """A limit after a row: a row that does not name it leaves it as it was."""
    if lifted:
        return None
    return before if named is None else named


def _lifted(row: Row[Any]) -> tuple[End, ...]:
    names: tuple[End, ...] = get_args(End)
    lifted = tuple(name for name in names if name in row.lifted.split())
    # The first tables had no such column: the tick for "no limit" left both values empty.
    nothing_named = not lifted and row.flexion_deg is None and row.extension_deg is None
    return names if nothing_named else lifted


def prescription_on(rows: Sequence[Prescription], day: date) -> Prescription | None:
    """The row in force on a day, of rows as `prescriptions` orders them."""
    begun = [row for row in rows if row.from_day <= day]
    return begun[-1] if begun else None


def leg_settings(
    found: Mapping[Side, Prescription | None],
    over: Callable[[Mapping[str, float | None]], Settings],
) -> LegSettings:
    """See `Store.leg_settings`: one knee's limits stand for both where it has the only ones."""
    bound = [side for side, row in found.items() if row is not None]
    only = bound[0] if len(bound) == 1 else None
    rows = {side: row if only is None else found[only] for side, row in found.items()}
    limits: dict[Side, dict[str, float | None]] = {
        side: {
            "limit_flexion_deg": None if row is None else row.flexion_deg,
            "limit_extension_deg": None if row is None else row.extension_deg,
        }
        for side, row in rows.items()
    }
    nothing = only is None or not any(v is not None for v in limits[only].values())
    left, right = over(limits["left"]), over(limits["right"])
    return LegSettings(left, right, None if nothing else only)


def machine_card(connection: Connection, machine: str) -> MachineCard:
    """The newest card, or an empty one."""
    table = schema.machine_cards
    query = (
        sa.select(table)
        .where(table.c.machine == machine)
        .order_by(table.c.saved_at.desc(), table.c.id)
        .limit(1)
    )
    row = connection.execute(query).one_or_none()
    if row is None:
        return MachineCard(machine)
    return MachineCard(machine, row.thigh_section_mm, row.shank_section_mm, row.check_every_days)


def subjects(connection: Connection, *, table: sa.Table, rows: sa.Table) -> tuple[Subject, ...]:
    """Every code of `table` with the rows of `rows` that stand, by code."""
    later = rows.alias("later")
    withdrawn = _MW if rows is _M else _CW
    column = rows.c.person if table is schema.people else rows.c.machine
    standing = (
        sa.select(column, sa.func.count().label("rows"), sa.func.max(rows.c.taken_at).label("last"))
        .select_from(
            rows.outerjoin(later, later.c.corrects == rows.c.id).outerjoin(
                withdrawn, withdrawn.c.withdrawn == rows.c.id
            )
        )
        .where(later.c.id.is_(None), withdrawn.c.withdrawn.is_(None))
        .group_by(column)
        .subquery()
    )
    query = (
        sa.select(table.c.code, standing.c.rows, standing.c.last)
        .select_from(table.outerjoin(standing, standing.c[column.name] == table.c.code))
        .order_by(table.c.code)
    )
    return tuple(Subject(r.code, r.rows or 0, r.last) for r in connection.execute(query))


def audit_lines(
    connection: Connection, *, limit: int, who: str | None = None, about: str | None = None
) -> tuple[AuditLine, ...]:
    """The audit trail, newest first; of one account, about one code or row."""
    query = sa.select(schema.audit).order_by(schema.audit.c.id.desc()).limit(limit)
    if who is not None:
        query = query.where(schema.audit.c.who == who)
    if about is not None:
        query = query.where(sa.func.lower(schema.audit.c.about) == about.lower())
    return tuple(AuditLine(r.at, r.who, r.what, r.about) for r in connection.execute(query))


def counts(connection: Connection) -> dict[str, int]:
    """Rows of every table."""
    return {
        name: connection.execute(sa.select(sa.func.count()).select_from(table)).scalar_one()
        for name, table in schema.metadata.tables.items()
    }


def _kept(row: Row[Any]) -> KeptMeasurement:
    return KeptMeasurement(
        id=row.id,
        taken_at=row.taken_at,
        taken_at_given=row.taken_at_given,
        saved_at=row.saved_at,
        who=row.who,
        person=row.person,
        machine=row.machine,
        **{kept.name: getattr(row, kept.name) for _, kept in kept_columns()},
        setup=SetUp(**{**row.setup, "ticks": tuple(row.setup["ticks"])}),
        corrects=row.corrects,
        corrected_by=row.corrected_by,
        withdrawn=bool(row.withdrawn),
        has_photo=bool(row.has_photo),
        software=row.software,
    )


def _kept_check(row: Row[Any]) -> KeptCheck:
    return KeptCheck(
        id=row.id,
        taken_at=row.taken_at,
        saved_at=row.saved_at,
        who=row.who,
        machine=row.machine,
        person=row.person,
        photos=row.photos,
        against=row.against,
        offset_deg=row.offset_deg,
        gain=row.gain,
        cov=tuple(row.cov),
        range_deg=(row.low_deg, row.high_deg),
        largest_deg=row.largest_deg,
        largest_u_deg=row.largest_u_deg,
        tolerance_deg=row.tolerance_deg,
        verdict=row.verdict,
        finding=row.finding,
        corrects=row.corrects,
        corrected_by=row.corrected_by,
        withdrawn=bool(row.withdrawn),
        software=row.software,
    )
