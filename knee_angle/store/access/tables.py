"""What is remembered of accounts and sessions: tables in the store's database that change.

A password is there as its Argon2id hash, a session's and a pairing's secret as SHA-256: who
reads the database can sign in by none of them. None of this is about patients; no backup of
the store holds it.
"""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import sqlalchemy as sa

from knee_angle.store.schema import Utc

__all__ = ["CLOCKS_DIFFER", "accounts", "attempts", "metadata", "pairings", "sessions"]

metadata = sa.MetaData()
CLOCKS_DIFFER = timedelta(minutes=5)
"""So far the clocks of several servers may stand apart, our own. What was written down later
than that from now was written by a clock that has been set back since."""


def _made_at() -> sa.Column[Any]:
    return sa.Column("made_at", Utc, nullable=False)


accounts = sa.Table(
    "accounts",
    metadata,
    sa.Column("name", sa.String(32), primary_key=True),
    sa.Column("role", sa.String(16), nullable=False),
    # Empty: signs in by the hospital's provider alone.
    sa.Column("password", sa.String(256), nullable=False),
    # What the provider calls this person (a claim of its own choice); empty: no such way.
    sa.Column("subject", sa.String(255), nullable=False, index=True),
    _made_at(),
    # A removed account stays: its name in the audit trail never comes to mean another.
    sa.Column("removed_at", Utc),
)

sessions = sa.Table(
    "sessions",
    metadata,
    sa.Column("id", sa.String(16), primary_key=True),
    sa.Column("secret_sha256", sa.String(64), nullable=False, unique=True),
    sa.Column("account", sa.ForeignKey("accounts.name"), nullable=False, index=True),
    sa.Column("way", sa.String(16), nullable=False),
    sa.Column("device", sa.String(64), nullable=False),
    _made_at(),
    sa.Column("seen_at", Utc, nullable=False),
    sa.Column("ends_at", Utc, nullable=False),
    sa.Column("ended_at", Utc),
)

pairings = sa.Table(
    "pairings",
    metadata,
    sa.Column("secret_sha256", sa.String(64), primary_key=True),
    sa.Column("session", sa.ForeignKey("sessions.id"), nullable=False),
    _made_at(),
    sa.Column("ends_at", Utc, nullable=False),
    # The phone's session; the code counts once.
    sa.Column("used_by", sa.String(16)),
)

attempts = sa.Table(
    "sign_in_attempts",
    metadata,
    # SHA-256 of an account's name as typed, or of an address.
    sa.Column("about_sha256", sa.String(64), primary_key=True),
    sa.Column("failed", sa.Integer, nullable=False),
    sa.Column("last_at", Utc, nullable=False, index=True),
    sa.Column("wait_until", Utc, nullable=False),
)
