"""Attempts to sign in are slowed, by account and by address, in all page servers together.

An attempt is counted before it is tried, in one transaction: many at once get no further
than many in a row. A name that no account has is slowed alike.
"""

from __future__ import annotations

import hashlib
import math
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from knee_angle.store.access import tables
from knee_angle.store.writing import Writer

__all__ = ["FREE", "LONGEST_WAIT_S", "Slowing", "wait_after_s"]

FREE = {"account": 5, "address": 20}
"""Attempts in a row that cost no wait. A ward's computers can share one address."""
FIRST_WAIT_S, LONGEST_WAIT_S = 5.0, 300.0
"""Seconds. At the longest wait a year allows 105,000 guesses at one account; our own."""
FORGOTTEN_AFTER = timedelta(hours=1)
"""After so long without an attempt the count begins anew."""
_T = tables.attempts


def wait_after_s(failed: int, *, free: int) -> float:
    """Seconds until the next attempt counts, after so many without success.

    Examples
    --------
    >>> [wait_after_s(n, free=5) for n in (4, 5, 6, 7, 30)]
    [0.0, 5.0, 10.0, 20.0, 300.0]
    """
    if failed < free:
        return 0.0
    return min(FIRST_WAIT_S * 2.0 ** min(failed - free, 20), LONGEST_WAIT_S)


class Slowing(Writer):
    """Counts attempts in the store's database."""

    def attempt(self, *, account: str, address: str) -> float:
        """Count an attempt that is about to be made.

        Returns
        -------
        float
            Seconds to wait; 0: it may be made. An attempt that has to wait is not counted.
        """
        now = self._now()
        keys = {
            _key("account", account): FREE["account"],
            _key("address", address): FREE["address"],
        }

        def count(connection: Connection) -> float:
            # Of before yesterday nothing is needed: what strangers type fills no disk.
            connection.execute(sa.delete(_T).where(_T.c.last_at < now - timedelta(days=1)))
            found = {
                row.about_sha256: row
                for row in connection.execute(
                    sa.select(_T).where(_T.c.about_sha256.in_(keys)).with_for_update()
                )
            }
            waits = [_wait_s(connection, row, now) for row in found.values()]
            if max(waits, default=0.0) > 0:
                return float(math.ceil(max(waits)))
            for key, free in keys.items():
                _count(connection, key, found.get(key), free=free, now=now)
            return 0.0

        return self._write(count)

    def succeeded(self, *, account: str, address: str) -> None:
        """Take back what the attempt cost: all of the account's, one of the address's."""
        now = self._now()

        def forget(connection: Connection) -> None:
            connection.execute(sa.delete(_T).where(_T.c.about_sha256 == _key("account", account)))
            at = _T.c.about_sha256 == _key("address", address)
            connection.execute(
                sa.update(_T)
                .where(at, _T.c.failed > 0)
                .values(failed=_T.c.failed - 1, wait_until=now)
            )

        self._write(forget)


def _wait_s(connection: Connection, row: sa.Row[Any], now: datetime) -> float:
    """Seconds that are left to wait; where the clock was set back, the whole wait from now on."""
    if row.last_at - now <= tables.CLOCKS_DIFFER:
        return float((row.wait_until - now).total_seconds())
    wait: timedelta = row.wait_until - row.last_at
    moved = sa.update(_T).where(_T.c.about_sha256 == row.about_sha256)
    connection.execute(moved.values(last_at=now, wait_until=now + wait))
    return wait.total_seconds()


def _count(
    connection: Connection, key: str, before: sa.Row[Any] | None, *, free: int, now: datetime
) -> None:
    fresh = before is None or now - before.last_at > FORGOTTEN_AFTER
    failed = 1 if fresh or before is None else before.failed + 1
    wait = timedelta(seconds=wait_after_s(failed, free=free))
    values = {"failed": failed, "last_at": now, "wait_until": now + wait}
    if before is None:
        connection.execute(sa.insert(_T).values(about_sha256=key, **values))
    else:
        connection.execute(sa.update(_T).where(_T.c.about_sha256 == key).values(**values))


def _key(what: str, value: str) -> str:
    return hashlib.sha256(f"{what} {value.strip().lower()[:255]}".encode()).hexdigest()
