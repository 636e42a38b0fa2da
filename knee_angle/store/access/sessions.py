"""Sessions: who is signed in, on which device, until when.

A session's secret is 256 random bits that only the browser's cookie holds; here stands its
SHA-256. A new secret is made at every sign-in, so nobody can have set it before.
"""

from __future__ import annotations

import hashlib
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Literal

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Row

from knee_angle.errors import InvalidInput
from knee_angle.language import say
from knee_angle.store.access import tables
from knee_angle.store.access.accounts import Account
from knee_angle.store.access.roles import Role, checked_role
from knee_angle.store.writing import Writer

__all__ = ["ABSOLUTE", "IDLE", "Session", "Sessions", "Way", "sha256_of"]

Way = Literal["password", "provider", "paired"]

ABSOLUTE = timedelta(hours=12)
"""The longest a session lasts (NIST SP 800-63B, AAL2: 12 hours; from memory)."""
IDLE: dict[Way, timedelta] = {
    "password": timedelta(minutes=30),
    "provider": timedelta(minutes=30),
    "paired": timedelta(hours=2),
}
"""Without a touch a session ends (AAL2: 30 minutes; from memory). A phone locks itself and
lies in a pocket between two beds: two hours, our own."""
SEEN_EVERY = timedelta(seconds=30)
"""How often a touch is written down."""
_S, _A = tables.sessions, tables.accounts


@dataclass(frozen=True, slots=True)
class Session:
    """One signed-in browser.

    Parameters
    ----------
    id : str
        Names it in lists; it opens nothing.
    account, role
        Whose it is, and what that account may do now.
    way : Way
        How it was signed in.
    device : str
        What the browser says it is, shortened.
    made_at, seen_at, ends_at : datetime
    """

    id: str
    account: str
    role: Role
    way: Way
    device: str
    made_at: datetime
    seen_at: datetime
    ends_at: datetime


class Sessions(Writer):
    """The sessions in a store's database."""

    def begin(self, account: Account, *, way: Way, device: str) -> tuple[str, Session]:
        """Sign an account in: the new session's secret, and the session."""
        secret, now = secrets.token_urlsafe(32), self._now()

        def make(connection: Connection) -> Session:
            # Ended long ago: nothing asks for it any more.
            old = sa.delete(tables.pairings).where(
                tables.pairings.c.ends_at < now - timedelta(days=90)
            )
            connection.execute(old)
            return begun(self, connection, account.name, secret, way=way, device=device, now=now)

        return secret, self._write(make)

    def of(self, secret: str) -> Session | None:
        """The session of a cookie that counts now; None: sign in."""
        with self._reads() as connection:
            row = connection.execute(
                _query().where(_S.c.secret_sha256 == sha256_of(secret))
            ).first()
        return self._counts(row)

    def by_id(self, session: str) -> Session | None:
        """The session of that identifier, where it counts now."""
        with self._reads() as connection:
            return self._counts(connection.execute(_query().where(_S.c.id == session)).first())

    def touched(self, session: Session) -> None:
        """Somebody used it just now."""
        now = self._now()
        if now - session.seen_at < SEEN_EVERY:
            return
        touch = sa.update(_S).where(_S.c.id == session.id, _S.c.ended_at.is_(None))
        self._write(lambda connection: connection.execute(touch.values(seen_at=now)))

    def standing(self, account: str | None = None) -> tuple[Session, ...]:
        """Sessions that count now, newest first; of one account, or of all."""
        query = _query().where(_S.c.ended_at.is_(None), _S.c.ends_at > self._now())
        if account is not None:
            query = query.where(_S.c.account == account)
        with self._reads() as connection:
            rows = connection.execute(query.order_by(_S.c.made_at.desc())).all()
        return tuple(session for row in rows if (session := self._counts(row)) is not None)

    def end(self, session: str, *, told: str = "signed out") -> None:
        """End a session; one that has ended stays so.

        Raises
        ------
        InvalidInput
            There is none of that identifier.
        """
        now = self._now()

        def end(connection: Connection) -> None:
            row = connection.execute(sa.select(_S).where(_S.c.id == session)).first()
            if row is None:
                raise InvalidInput(
                    say(
                        "there is no session {session!r}: `knee-angle accounts sessions` lists "
                        "them",
                        session=session,
                    )
                )
            if row.ended_at is None:
                connection.execute(sa.update(_S).where(_S.c.id == session).values(ended_at=now))
                self._note(connection, told, f"{row.account} session {session}", now)

        self._write(end)

    def _counts(self, row: Row[Any] | None) -> Session | None:
        if row is None or row.ended_at is not None or row.removed_at is not None:
            return None
        session = _session(row)
        now = self._now()
        if now >= session.ends_at or now - session.seen_at >= IDLE[session.way]:
            return None
        if session.seen_at - now > tables.CLOCKS_DIFFER:
            return None
        return session


def begun(
    writer: Writer,
    connection: Connection,
    account: str,
    secret: str,
    *,
    way: Way,
    device: str,
    now: datetime,
    ends_at: datetime | None = None,
) -> Session:
    """Write a new session down, with its line in the audit trail; `ABSOLUTE` unless told."""
    row = {
        "id": secrets.token_hex(6), "secret_sha256": sha256_of(secret), "account": account,
        "way": way, "device": _device(device),
        "made_at": now, "seen_at": now, "ends_at": now + ABSOLUTE if ends_at is None else ends_at,
    }  # fmt: skip
    connection.execute(sa.insert(_S).values(**row))
    writer._note(connection, f"signed in: {way}", f"{account} session {row['id']}", now)
    return _session(connection.execute(_query().where(_S.c.id == row["id"])).one())


def sha256_of(secret: str) -> str:
    """How a secret of 256 random bits is kept: it needs no salt."""
    return hashlib.sha256(secret.encode()).hexdigest()


DEVICES = ("iPhone", "iPad", "Android", "Windows", "Macintosh", "Linux")


def _device(said: str) -> str:
    """What a browser says of itself, as one word: no more is needed to know it again."""
    return next((name for name in DEVICES if name in said), "browser")


def _query() -> sa.Select[Any]:
    return sa.select(_S, _A.c.role, _A.c.removed_at).join(_A, _A.c.name == _S.c.account)


def _session(row: Row[Any]) -> Session:
    return Session(
        row.id, row.account, checked_role(row.role), row.way, row.device,
        row.made_at, row.seen_at, row.ends_at,
    )  # fmt: skip
