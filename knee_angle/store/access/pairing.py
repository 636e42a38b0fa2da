"""Pairing: a signed-in computer shows a code, a phone scans it and is signed in.

The code's secret has 256 random bits, lives two minutes and counts once, in all page
servers together. The phone gets a session of the same account; it can pair no further one.
"""

from __future__ import annotations

import secrets
from datetime import timedelta

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from knee_angle.language import say
from knee_angle.store.access import tables
from knee_angle.store.access.roles import NotAllowed
from knee_angle.store.access.sessions import Session, begun, sha256_of
from knee_angle.store.writing import Writer

__all__ = ["LIVES", "Pairing"]

LIVES = timedelta(minutes=2)
"""Long enough to unlock a phone and open its camera; our own."""
_P, _S, _A = tables.pairings, tables.sessions, tables.accounts


class Pairing(Writer):
    """The codes in a store's database."""

    def offer(self, session: Session) -> str:
        """A new code's secret, for the phone of whoever is signed in here.

        Raises
        ------
        NotAllowed
            A phone that was paired itself, or an admin's account.
        """
        if session.way == "paired" or session.role == "admin":
            why = say("a paired phone") if session.way == "paired" else say("an admin's account")
            raise NotAllowed(
                say("{why} pairs no phone: sign in on a computer with your own account", why=why)
            )
        secret, now = secrets.token_urlsafe(32), self._now()

        def offer(connection: Connection) -> None:
            # Whoever asks for a new code wants the old one to open nothing.
            old = sa.update(_P).where(_P.c.session == session.id, _P.c.used_by.is_(None))
            connection.execute(old.values(ends_at=now))
            row = {"secret_sha256": sha256_of(secret), "session": session.id}
            connection.execute(sa.insert(_P).values(**row, made_at=now, ends_at=now + LIVES))
            self._note(connection, "offered a pairing", f"{session.account} {session.id}", now)

        self._write(offer)
        return secret

    def redeem(self, secret: str, *, device: str) -> tuple[str, Session] | None:
        """Sign a phone in: its session's secret and session; None where the code opens nothing.

        It has ended, was used, is none, or the session of the computer that showed it
        has ended; the phone's ends with that at the latest.
        """
        own, now = secrets.token_urlsafe(32), self._now()

        def redeem(connection: Connection) -> tuple[str, Session] | None:
            query = (
                sa.select(_S.c.account, _S.c.ends_at)
                .select_from(_P.join(_S, _S.c.id == _P.c.session))
                .join(_A, _A.c.name == _S.c.account)
                .where(_P.c.secret_sha256 == sha256_of(secret), _P.c.used_by.is_(None))
                .where(_P.c.made_at <= now + tables.CLOCKS_DIFFER)
                .where(_P.c.ends_at > now, _S.c.ended_at.is_(None), _S.c.ends_at > now)
                .where(_A.c.removed_at.is_(None))
                .with_for_update()
            )
            computer = connection.execute(query).one_or_none()
            if computer is None:
                return None
            session = begun(
                self, connection, computer.account, own, way="paired", device=device, now=now,
                ends_at=computer.ends_at,
            )  # fmt: skip
            used = sa.update(_P).where(
                _P.c.secret_sha256 == sha256_of(secret), _P.c.used_by.is_(None)
            )
            if connection.execute(used.values(used_by=session.id)).rowcount != 1:
                connection.rollback()
                return None
            return own, session

        return self._write(redeem)
