"""Visits: all photos of one leg and machine kept at once, with their joint answer beside them.

Each photo keeps a row of its own, as if it were kept alone; the visit's row holds what only
all of them together say. Rows of photos are named after the visit and the photo, so that a
visit that is kept twice is kept once.
"""

from __future__ import annotations

import uuid
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Row

from knee_angle.errors import InvalidInput
from knee_angle.language import say
from knee_angle.machine.answer import VisitAnswer
from knee_angle.settings import Settings
from knee_angle.store import reading, schema
from knee_angle.store.codec import from_json
from knee_angle.store.jpeg import refuse_metadata
from knee_angle.store.records import (
    KeptKnee,
    KeptTogether,
    KeptVisit,
    PhotoToKeep,
    StoredVisit,
    WithdrawalReason,
    checked_code,
    utc,
)
from knee_angle.store.rows import measurement_columns, photo_columns, visit_columns
from knee_angle.store.writing import Json, Writer, checked_reason

__all__ = ["Visits", "row_of", "stored_visits"]

_V, _VW, _VP = schema.visits, schema.visit_withdrawals, schema.visit_photos
_LATER = _V.alias("later")


def row_of(visit_id: str, sha256: str) -> str:
    """The identifier of a photo's row in a visit: the same photo has one row there."""
    return uuid.uuid5(uuid.UUID(visit_id), sha256).hex


class Visits(Writer):
    """The part of a store that keeps visits."""

    def save_visit(
        self,
        answer: VisitAnswer | None,
        photos: Sequence[PhotoToKeep],
        *,
        visit_id: str,
        settings: Settings,
        person: str | None = None,
        machine: str | None = None,
        corrects: str | None = None,
        gone: Collection[str] = (),
    ) -> KeptTogether:
        """Keep all photos of a visit and their joint answer: all of it or nothing.

        Raises what `save_measurement` raises: then nothing was kept.

        Parameters
        ----------
        answer : VisitAnswer or None
            As `knee_angle.pipeline.answer_of_visit` gave it; None where the photos could not
            be judged together, and each keeps its own answer alone.
        photos : sequence of PhotoToKeep
            Every photo that was measured.
        visit_id : str
            From `new_id`: kept again under it, the visit is kept once.
        settings : Settings
            For photos that name none of their own.
        person, machine : str, optional
            Codes that the store knows.
        corrects : str, optional
            The visit that this one replaces. Its photos' rows that no photo here corrects no
            longer count.
        gone : collection of str
            Further rows of photos that no longer count.
        """
        now = self._now()
        rows = [_photo_row(one, visit_id, settings, now) for one in photos]
        named = {one.name: row["id"] for one, row in zip(photos, rows, strict=True)}
        joint = None if answer is None else _joint_row(answer, named, rows, visit_id, corrects)
        for one in photos:
            if one.picture is not None:
                refuse_metadata(one.picture.jpeg)

        def keep(connection: Connection) -> KeptTogether:
            whose = {
                "person": person and self._known(connection, schema.people, person),
                "machine": machine and self._known(connection, schema.machines, machine),
            }
            before = {*gone, *_photos_of(connection, corrects)}
            for one, row in zip(photos, rows, strict=True):
                self._keep_photo(connection, one, row | whose, now)
            self._leave_out(connection, rows, before, now)
            if joint is not None:
                self._keep_joint(connection, joint | whose, now)
            return KeptTogether(
                tuple(reading.kept_measurement(connection, row["id"]) for row in rows),
                None if joint is None else kept_visit(connection, visit_id),
            )

        return self._write(keep)

    def _keep_photo(
        self, connection: Connection, one: PhotoToKeep, row: Json, now: datetime
    ) -> None:
        new = self._keep(connection, schema.measurements, row, now)
        if new and one.picture is not None:
            picture = photo_columns(one.picture, row["id"])
            self._insert_picture(connection, schema.photos, picture, now)

    def _keep_joint(self, connection: Connection, joint: Json, now: datetime) -> None:
        """The joint row, and which photo's row stands at which of its settings."""
        if not self._keep(connection, _V, joint, now):
            return
        for knee in joint["knees"]:
            for row_id in knee["measurements"]:
                part = {"measurement": row_id, "visit": joint["id"], "setting": knee["setting"]}
                self._insert(connection, _VP, part, now)

    def _leave_out(
        self, connection: Connection, rows: Sequence[Json], before: Collection[str], now: datetime
    ) -> None:
        """Rows of before that nothing corrects no longer count."""
        for row_id in sorted(set(before) - {row["corrects"] for row in rows}):
            self._no_longer(
                connection, schema.measurements, schema.measurement_withdrawals, row_id,
                "wrong_photo", now,
            )  # fmt: skip

    def visits(
        self,
        *,
        person: str | None = None,
        machine: str | None = None,
        limit: int = 1000,
        all_rows: bool = False,
        begins: str | None = None,
    ) -> tuple[KeptVisit, ...]:
        """Visits that stand with every photo of theirs, newest first; see `measurements`."""
        query = _visit_rows(full=False).order_by(_V.c.taken_at.desc(), _V.c.saved_at.desc())
        if person is not None:
            query = query.where(_V.c.person == checked_code(person))
        if machine is not None:
            query = query.where(_V.c.machine == checked_code(machine, what="machine"))
        if begins is not None:
            query = query.where(reading.beginning(_V.c.id, begins))
        if not all_rows:
            query = query.where(_LATER.c.id.is_(None), _VW.c.withdrawn.is_(None), _whole())
        with self._reads() as connection:
            return tuple(_kept(row) for row in connection.execute(query.limit(limit)))

    def visit(self, row_id: str) -> StoredVisit:
        """One visit in full.

        Raises
        ------
        InvalidInput
            No such row.
        """
        with self._reads() as connection:
            query = _visit_rows(full=True).where(_V.c.id == row_id)
            found = connection.execute(query).one_or_none()
        if found is None:
            raise InvalidInput(
                say("the store holds no visit {row_id!r}: list them first", row_id=row_id)
            )
        return _stored(found)

    def stored_visits(self, *, all_rows: bool = False) -> Iterator[StoredVisit]:
        """Every visit in full, oldest first: for exports."""
        with self._reads() as connection:
            for one in stored_visits(connection):
                if all_rows or one.row.counts:
                    yield one

    def kept_under(self, visit_id: str, hashes: Collection[str]) -> KeptTogether | None:
        """What was kept under a visit's identifier, or None: asked after a save broke off.

        Parameters
        ----------
        visit_id : str
        hashes : collection of str
            SHA-256 of its photos.
        """
        ids = [row_of(visit_id, sha256) for sha256 in hashes]
        with self._reads() as connection:
            found = sa.select(schema.measurements.c.id).where(schema.measurements.c.id.in_(ids))
            rows = list(connection.execute(found).scalars())
            if not rows:
                return None
            joint = connection.execute(_visit_rows(full=False).where(_V.c.id == visit_id)).first()
            return KeptTogether(
                tuple(reading.kept_measurement(connection, row_id) for row_id in sorted(rows)),
                None if joint is None else _kept(joint),
            )

    def withdraw_visit(self, row_id: str, reason: WithdrawalReason) -> None:
        """Let a visit and all its photos no longer count; they stay in the store."""
        checked_reason(reason)
        now = self._now()

        def withdraw(connection: Connection) -> None:
            self._no_longer(connection, _V, _VW, row_id, reason, now)
            for photo in _photos_of(connection, row_id):
                self._no_longer(
                    connection, schema.measurements, schema.measurement_withdrawals, photo,
                    reason, now,
                )  # fmt: skip

        self._write(withdraw)


def _photo_row(one: PhotoToKeep, visit_id: str, settings: Settings, now: datetime) -> Json:
    sha256 = one.measurement.photo_sha256 or ""
    columns = measurement_columns(
        one.measurement,
        sha256,
        one.measurement.settings or settings,
        replace(one.setup, visit=visit_id),
    )
    return {
        "id": row_of(visit_id, sha256),
        "corrects": one.corrects,
        "taken_at": now if one.taken_at is None else utc(one.taken_at, what="taken_at"),
        "taken_at_given": one.taken_at is not None,
        **columns,
    }


def _joint_row(
    answer: VisitAnswer,
    named: Mapping[str, str],
    rows: Sequence[Json],
    visit_id: str,
    corrects: str | None,
) -> Json:
    if missing := {p.name for p in answer.estimate.photos} - set(named):
        raise InvalidInput(
            say(
                "a visit keeps every photo that its answer rests on, but {missing} did not "
                "come: hand over all of them",
                missing=", ".join(sorted(missing)),
            )
        )
    taken_at = max(row["taken_at"] for row in rows)
    own = {"id": visit_id, "corrects": corrects, "taken_at": taken_at}
    return own | visit_columns(answer, named)


def _photos_of(connection: Connection, visit_id: str | None) -> list[str]:
    """The rows of a visit's photos that still stand, with those that corrected one alone."""
    if visit_id is None:
        return []
    of_visits = sa.select(_VP.c.measurement)
    rows = set(connection.execute(of_visits.where(_VP.c.visit == visit_id)).scalars())
    kept, gone = schema.measurements.c, schema.measurement_withdrawals.c.withdrawn
    newest = rows
    while newest:
        later = sa.select(kept.id).where(kept.corrects.in_(newest), kept.id.not_in(of_visits))
        newest = set(connection.execute(later).scalars()) - rows
        rows = rows | newest
    fallen = set(connection.execute(sa.select(gone).where(gone.in_(rows))).scalars())
    return sorted(rows - fallen)


def _whole() -> sa.ColumnElement[bool]:
    """Whether the row of every photo of a visit still stands."""
    later = schema.measurements.alias("photo_later")
    gone = schema.measurement_withdrawals.alias("photo_gone")
    fallen = (
        sa.select(_VP.c.measurement)
        .select_from(
            _VP.outerjoin(later, later.c.corrects == _VP.c.measurement).outerjoin(
                gone, gone.c.withdrawn == _VP.c.measurement
            )
        )
        .where(
            _VP.c.visit == _V.c.id, sa.or_(later.c.id.is_not(None), gone.c.withdrawn.is_not(None))
        )
    )
    return ~sa.exists(fallen.correlate(_V))


def _visit_rows(*, full: bool) -> sa.Select[Any]:
    columns = [c for c in _V.c if full or c.name not in ("settings", "contract")]
    return sa.select(
        *columns,
        _LATER.c.id.label("corrected_by"),
        _VW.c.withdrawn.is_not(None).label("withdrawn"),
        _whole().label("whole"),
    ).select_from(
        _V.outerjoin(_LATER, _LATER.c.corrects == _V.c.id).outerjoin(
            _VW, _VW.c.withdrawn == _V.c.id
        )
    )


def kept_visit(connection: Connection, row_id: str) -> KeptVisit:
    """The list row of a visit that is there."""
    return _kept(connection.execute(_visit_rows(full=False).where(_V.c.id == row_id)).one())


def stored_visits(connection: Connection) -> Iterator[StoredVisit]:
    """Every visit in full, oldest first."""
    query = _visit_rows(full=True).order_by(_V.c.taken_at, _V.c.saved_at, _V.c.id)
    for row in connection.execute(query):
        yield _stored(row)


def _stored(row: Row[Any]) -> StoredVisit:
    return StoredVisit(_kept(row), row.contract, from_json(row.settings, Settings))


def _kept(row: Row[Any]) -> KeptVisit:
    return KeptVisit(
        id=row.id,
        taken_at=row.taken_at,
        saved_at=row.saved_at,
        who=row.who,
        person=row.person,
        machine=row.machine,
        side=row.side,
        knees=tuple(from_json(knee, KeptKnee) for knee in row.knees),
        covariance=tuple(tuple(line) for line in row.covariance),
        arc_deg=row.arc_deg,
        arc_u_deg=row.arc_u_deg,
        standing=row.standing,
        finding=row.finding,
        corrects=row.corrects,
        corrected_by=row.corrected_by,
        withdrawn=bool(row.withdrawn),
        whole=bool(row.whole),
        software=row.software,
    )
