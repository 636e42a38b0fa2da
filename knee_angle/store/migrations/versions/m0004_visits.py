"""Visits: the joint answer of all photos of one leg and machine, beside its photos' rows."""

from typing import Any

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects.postgresql import TIMESTAMP

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

MOMENT = sa.DateTime().with_variant(TIMESTAMP(timezone=True), "postgresql")
NEW = ("visits", "visit_photos", "visit_withdrawals")


def upgrade() -> None:
    """Make the tables; photos that were kept under a visit before keep their own answers."""
    _visits()
    op.create_table(
        "visit_photos",
        sa.Column("measurement", sa.String(32), sa.ForeignKey("measurements.id"), primary_key=True),
        sa.Column("visit", sa.String(32), sa.ForeignKey("visits.id"), nullable=False),
        sa.Column("setting", sa.String(4), nullable=False),
        *_when(),
    )
    op.create_index("ix_visit_photos_visit", "visit_photos", ["visit"])
    op.create_table(
        "visit_withdrawals",
        sa.Column("withdrawn", sa.String(32), sa.ForeignKey("visits.id"), primary_key=True),
        sa.Column("reason", sa.String(16), nullable=False),
        *_when(),
    )
    for table in NEW:
        _only_add(table)


def _visits() -> None:
    later = sa.ForeignKey("visits.id", deferrable=True, initially="DEFERRED")
    op.create_table(
        "visits",
        sa.Column("id", sa.String(32), primary_key=True),
        sa.Column("person", sa.String(16), sa.ForeignKey("people.code")),
        sa.Column("machine", sa.String(16), sa.ForeignKey("machines.code")),
        sa.Column("corrects", sa.String(32), later, unique=True),
        sa.Column("taken_at", MOMENT, nullable=False),
        *_when(),
        sa.Column("side", sa.String(8), nullable=False),
        *(sa.Column(name, sa.JSON(), nullable=False) for name in ("knees", "covariance")),
        *(sa.Column(name, sa.Double) for name in ("arc_deg", "arc_u_deg")),
        *(sa.Column(name, sa.String(16)) for name in ("standing", "finding")),
        sa.Column("software", sa.String(32), nullable=False),
        *(sa.Column(name, sa.JSON(), nullable=False) for name in ("settings", "contract")),
    )
    for who in ("person", "machine"):
        op.create_index(f"ix_visits_{who}_taken_at", "visits", [who, "taken_at"])


def _when() -> list[sa.Column[Any]]:
    return [
        sa.Column("saved_at", MOMENT, nullable=False),
        sa.Column("who", sa.String(64), nullable=False),
    ]


def _only_add(table: str) -> None:
    """Refuse to change or delete a row of the table, whoever asks."""
    said = f"rows of {table} are never changed or deleted"
    if op.get_bind().dialect.name == "sqlite":
        for change in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{change.lower()} BEFORE {change} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, '{said}'); END"
            )
        return
    op.execute(
        f"CREATE FUNCTION {table}_only_added() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{said}'; END $$"
    )
    op.execute(
        f"CREATE TRIGGER {table}_only_added BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
        f"FOR EACH STATEMENT EXECUTE FUNCTION {table}_only_added()"
    )
