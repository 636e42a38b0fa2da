"""One write is one transaction with its line in the audit trail: the steps of every keeping."""

from __future__ import annotations

import hashlib
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, TypeVar, get_args

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Engine

from knee_angle.errors import InvalidInput
from knee_angle.language import say
from knee_angle.store import opening, schema, sealing
from knee_angle.store.records import WithdrawalReason, checked_code, utc

__all__ = ["Clock", "Json", "Writer", "checked_reason", "new_id"]

Json = dict[str, Any]
Clock = Callable[[], datetime]
T = TypeVar("T")


def checked_reason(reason: WithdrawalReason) -> None:
    """Refuse a reason that is none of the list: nobody can write a name there."""
    if reason not in get_args(WithdrawalReason):
        raise InvalidInput(
            say(
                "reason must be one of {get_args}, but got {reason!r}",
                get_args=", ".join(get_args(WithdrawalReason)),
                reason=reason,
            )
        )


def new_id() -> str:
    """An identifier for a row that is about to be kept."""
    return uuid.uuid4().hex


@dataclass(frozen=True)
class Writer:
    """An opened database, who writes, and the clock."""

    engine: Engine
    who: str
    clock: Clock

    def _now(self) -> datetime:
        return utc(self.clock(), what="the clock")

    @contextmanager
    def _reads(self) -> Iterator[Connection]:
        url = self.engine.url
        with opening.in_words(url), opening.rows_in_words(url), self.engine.connect() as connection:
            yield connection

    def _write(self, step: Callable[[Connection], T]) -> T:
        """Run a step in a transaction of its own: all of it is kept, or nothing."""
        try:
            return self._write_once(step)
        except opening.AlreadyThereError:
            # Another program kept the same row at this moment: the step sees it now.
            return self._write_once(step)

    def _write_once(self, step: Callable[[Connection], T]) -> T:
        with opening.in_words(self.engine.url), opening.writing(self.engine) as connection:
            return step(connection)

    def _entered(
        self, connection: Connection, table: sa.Table, machine: str, now: datetime
    ) -> datetime:
        """Now, or just after a machine's newest row: the later entry counts.

        The clock may have been set back in between.
        """
        newest = connection.execute(
            sa.select(sa.func.max(table.c.saved_at)).where(table.c.machine == machine)
        ).scalar_one()
        return now if newest is None else max(now, newest + timedelta(microseconds=1))

    def _insert(self, connection: Connection, table: sa.Table, row: Json, now: datetime) -> None:
        connection.execute(sa.insert(table).values(**row, saved_at=now, who=self.who))

    def _insert_picture(
        self, connection: Connection, table: sa.Table, row: Json, now: datetime
    ) -> None:
        """A picture's row, encrypted where the store is, and its hash."""
        about = sealing.about_row(table.name, [row[key.name] for key in table.primary_key])
        told = {"about": about, "sha256": hashlib.sha256(row["jpeg"]).hexdigest()}
        self._insert(connection, schema.picture_hashes, told, now)
        jpeg = sealing.sealed(connection, row["jpeg"], about=about)
        self._insert(connection, table, row | {"jpeg": jpeg}, now)

    def _note(self, connection: Connection, what: str, about: str, now: datetime) -> None:
        line = {"at": now, "who": self.who, "what": what, "about": about}
        connection.execute(sa.insert(schema.audit).values(**line))

    def _add_subject(self, table: sa.Table, code: str) -> str:
        now = self._now()

        def add(connection: Connection) -> None:
            if connection.execute(sa.select(table).where(table.c.code == code)).first() is None:
                self._insert(connection, table, {"code": code}, now)
                self._note(connection, f"added to {table.name}", code, now)

        self._write(add)
        return code

    def _knows(self, table: sa.Table, code: str) -> bool:
        with self._reads() as connection:
            found = connection.execute(sa.select(table.c.code).where(table.c.code == code)).first()
        return found is not None

    def _known(self, connection: Connection, table: sa.Table, code: str) -> str:
        what = "person" if table is schema.people else "machine"
        checked = checked_code(code, what=what)
        if connection.execute(sa.select(table.c.code).where(table.c.code == checked)).first():
            return checked
        raise InvalidInput(
            say(
                "the store knows no {what} {checked}: add it first (`knee-angle store "
                "{what} {checked}`), or correct the code",
                what=what,
                checked=checked,
            )
        )

    def _keep(
        self,
        connection: Connection,
        table: sa.Table,
        row: Json,
        now: datetime,
        *,
        entered: datetime | None = None,
    ) -> bool:
        """Add a measurement or check with its audit line; False where it is there already."""
        if self._is_there(connection, table, row):
            return False
        self._check_correctable(connection, table, row["corrects"])
        self._insert(connection, table, row, entered or now)
        verb = "kept" if row["corrects"] is None else "corrected"
        self._note(connection, f"{verb} {table.name[:-1]}", row["id"], now)
        return True

    def _is_there(self, connection: Connection, table: sa.Table, row: Json) -> bool:
        """Whether the same row is kept already; another one of that identifier is refused."""
        kept = connection.execute(sa.select(table).where(table.c.id == row["id"])).one_or_none()
        if kept is None:
            return False
        repeatable = {"taken_at", "software"}
        differs = [n for n, v in row.items() if n not in repeatable and getattr(kept, n) != v]
        if differs:
            raise InvalidInput(
                say(
                    "the row {row} is kept already with other values ({differs}): keep a "
                    "change as a correction",
                    row=row["id"],
                    differs=", ".join(differs),
                )
            )
        return True

    def _check_correctable(
        self, connection: Connection, table: sa.Table, corrects: str | None
    ) -> None:
        """A row can be corrected once, by the row that then counts."""
        if corrects is None:
            return
        if connection.execute(sa.select(table.c.id).where(table.c.id == corrects)).first() is None:
            raise InvalidInput(
                say("the store holds no row {corrects!r} to correct", corrects=corrects)
            )
        later = connection.execute(
            sa.select(table.c.id).where(table.c.corrects == corrects)
        ).scalar_one_or_none()
        if later is not None:
            raise InvalidInput(
                say(
                    "the row {corrects} was corrected by {later}: correct that one",
                    corrects=corrects,
                    later=later,
                )
            )

    def _withdraw(
        self, table: sa.Table, withdrawals: sa.Table, row_id: str, reason: WithdrawalReason
    ) -> None:
        checked_reason(reason)
        now = self._now()
        self._write(lambda c: self._no_longer(c, table, withdrawals, row_id, reason, now))

    def _no_longer(
        self,
        connection: Connection,
        table: sa.Table,
        withdrawals: sa.Table,
        row_id: str,
        reason: WithdrawalReason,
        now: datetime,
    ) -> None:
        """Add a withdrawal with its audit line, unless the row is withdrawn already."""
        if connection.execute(sa.select(table.c.id).where(table.c.id == row_id)).first() is None:
            raise InvalidInput(say("the store holds no row {row_id!r} to withdraw", row_id=row_id))
        there = sa.select(withdrawals.c.withdrawn).where(withdrawals.c.withdrawn == row_id)
        if connection.execute(there).first() is None:
            self._insert(connection, withdrawals, {"withdrawn": row_id, "reason": reason}, now)
            self._note(connection, f"withdrew {table.name[:-1]}", row_id, now)
