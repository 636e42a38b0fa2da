"""Accounts: a name, a role, and how it may sign in."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Row

from knee_angle.errors import InvalidInput
from knee_angle.language import say
from knee_angle.store.access import passwords, tables
from knee_angle.store.access.roles import Role, checked_role
from knee_angle.store.writing import Writer

__all__ = ["Account", "Accounts", "checked_name"]

NAME = re.compile(r"[a-z0-9]+([.-][a-z0-9]+)*")
NAME_LONGEST = 32
_A = tables.accounts


def checked_name(name: str) -> str:
    """An account's name in small letters.

    Raises
    ------
    InvalidInput
        It is none.

    Examples
    --------
    >>> checked_name(" Ward3.Therapist-1 ")
    'ward3.therapist-1'
    """
    given = name.strip().lower()
    if not 2 <= len(given) <= NAME_LONGEST or not NAME.fullmatch(given):
        raise InvalidInput(
            say(
                "an account's name must have 2 to {name_longest} letters a to z, digits, "
                "dots and dashes, such as therapist-1, but got {name!r}",
                name_longest=NAME_LONGEST,
                name=name,
            )
        )
    return given


@dataclass(frozen=True, slots=True)
class Account:
    """Who may sign in.

    Parameters
    ----------
    name : str
    role : Role
    has_password : bool
    subject : str
        What the hospital's provider calls the person; empty where it may not vouch.
    made_at : datetime
    """

    name: str
    role: Role
    has_password: bool
    subject: str
    made_at: datetime


class Accounts(Writer):
    """The accounts in a store's database; each change stands in the audit trail."""

    def add(self, name: str, *, role: str, password: str = "", subject: str = "") -> Account:
        """Make an account that signs in by a password, by the provider, or by both.

        Raises
        ------
        InvalidInput
            The name is taken (by a removed account too) or none, the role or password
            cannot be, or there would be no way to sign in.
        """
        row: dict[str, Any] = {"name": checked_name(name), "role": checked_role(role)}
        if not password and not subject.strip():
            raise InvalidInput(say("an account needs a password, or the provider's subject"))
        if len(subject) > 255:
            raise InvalidInput(
                say(
                    "a subject must have at most 255 letters, but got {n_subject}",
                    n_subject=len(subject),
                )
            )
        row |= {"subject": subject.strip(), "password": ""}
        if password:
            checked = passwords.checked_password(password, account=row["name"])
            row["password"] = passwords.hashed(checked)
        now = self._now()

        def make(connection: Connection) -> Account:
            if connection.execute(sa.select(_A).where(_A.c.name == row["name"])).first():
                raise InvalidInput(
                    say(
                        "the account {name} is there already, or was: choose another name, so "
                        "that the audit trail stays clear",
                        name=row["name"],
                    )
                )
            if row["subject"] and self._by_subject(connection, row["subject"]):
                raise InvalidInput(
                    say("another account has the subject {row!r} already", row=row["subject"])
                )
            connection.execute(sa.insert(_A).values(**row, made_at=now))
            self._note(connection, f"account: {row['role']}", row["name"], now)
            return self._here(connection, row["name"])

        return self._write(make)

    def all(self) -> tuple[Account, ...]:
        """Every account that was not removed, by name."""
        with self._reads() as connection:
            query = sa.select(_A).where(_A.c.removed_at.is_(None)).order_by(_A.c.name)
            return tuple(_account(row) for row in connection.execute(query))

    def give_role(self, name: str, role: str) -> Account:
        """Give an account another role; its sessions end."""
        return self._change(name, {"role": checked_role(role)}, f"account: {role}")

    def give_password(self, name: str, password: str) -> Account:
        """Give an account another password; its sessions end."""
        checked = passwords.checked_password(password, account=checked_name(name))
        return self._change(name, {"password": passwords.hashed(checked)}, "account: password")

    def remove(self, name: str) -> None:
        """Let an account sign in no longer; its sessions end, its name stays taken."""
        gone = {"removed_at": self._now(), "password": "", "subject": ""}
        self._change(name, gone, "account: removed")

    def by_subject(self, subject: str) -> Account | None:
        """The account for which the provider vouches, where there is one."""
        with self._reads() as connection:
            return self._by_subject(connection, subject) if subject else None

    def by_password(self, name: str, password: str) -> Account | None:
        """The account, where name and password fit; unknown names take the same time."""
        typed = name.strip().lower()
        given = typed if NAME.fullmatch(typed[: NAME_LONGEST + 1]) else ""
        with self._reads() as connection:
            query = sa.select(_A).where(_A.c.name == given)
            row = connection.execute(query.where(_A.c.removed_at.is_(None))).one_or_none()
        right = passwords.fits(password, "" if row is None else row.password)
        return _account(row) if right and row is not None else None

    def _change(self, name: str, values: dict[str, Any], told: str) -> Account:
        given, now = checked_name(name), self._now()

        def change(connection: Connection) -> Account:
            account = self._here(connection, given)
            connection.execute(sa.update(_A).where(_A.c.name == given).values(**values))
            self._end_sessions(connection, given, now)
            self._note(connection, told, given, now)
            return account

        return self._write(change)

    def _end_sessions(self, connection: Connection, name: str, now: datetime) -> None:
        of = tables.sessions.c
        connection.execute(
            sa.update(tables.sessions)
            .where(of.account == name, of.ended_at.is_(None))
            .values(ended_at=now)
        )

    def _here(self, connection: Connection, name: str) -> Account:
        query = sa.select(_A).where(_A.c.name == name, _A.c.removed_at.is_(None))
        row = connection.execute(query).one_or_none()
        if row is None:
            raise InvalidInput(
                say("there is no account {name}: `knee-angle accounts list` lists them", name=name)
            )
        return _account(row)

    def _by_subject(self, connection: Connection, subject: str) -> Account | None:
        query = sa.select(_A).where(_A.c.subject == subject, _A.c.removed_at.is_(None))
        row = connection.execute(query).one_or_none()
        return None if row is None else _account(row)


def _account(row: Row[Any]) -> Account:
    return Account(row.name, checked_role(row.role), bool(row.password), row.subject, row.made_at)
