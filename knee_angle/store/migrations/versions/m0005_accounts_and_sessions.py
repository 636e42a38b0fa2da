"""Accounts, sessions, pairings and slowed attempts: for a page that serves a network.

These rows change, other than the store's own: no trigger keeps them, no backup holds them.
"""

from typing import Any

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects.postgresql import TIMESTAMP

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

MOMENT = sa.DateTime().with_variant(TIMESTAMP(timezone=True), "postgresql")


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "accounts",
        sa.Column("name", sa.String(32), primary_key=True),
        *_texts(role=16, password=256, subject=255),
        *_moments("made_at"),
        sa.Column("removed_at", MOMENT),
    )
    op.create_index("ix_accounts_subject", "accounts", ["subject"])
    op.create_table(
        "sessions",
        sa.Column("id", sa.String(16), primary_key=True),
        sa.Column("secret_sha256", sa.String(64), nullable=False, unique=True),
        sa.Column("account", sa.String(32), sa.ForeignKey("accounts.name"), nullable=False),
        *_texts(way=16, device=64),
        *_moments("made_at", "seen_at", "ends_at"),
        sa.Column("ended_at", MOMENT),
    )
    op.create_index("ix_sessions_account", "sessions", ["account"])
    op.create_table(
        "pairings",
        sa.Column("secret_sha256", sa.String(64), primary_key=True),
        sa.Column("session", sa.String(16), sa.ForeignKey("sessions.id"), nullable=False),
        *_moments("made_at", "ends_at"),
        sa.Column("used_by", sa.String(16)),
    )
    op.create_table(
        "sign_in_attempts",
        sa.Column("about_sha256", sa.String(64), primary_key=True),
        sa.Column("failed", sa.Integer, nullable=False),
        *_moments("last_at", "wait_until"),
    )
    op.create_index("ix_sign_in_attempts_last_at", "sign_in_attempts", ["last_at"])


def _texts(**letters: int) -> list[sa.Column[Any]]:
    return [sa.Column(name, sa.String(most), nullable=False) for name, most in letters.items()]


def _moments(*names: str) -> list[sa.Column[Any]]:
    return [sa.Column(name, MOMENT, nullable=False) for name in names]
