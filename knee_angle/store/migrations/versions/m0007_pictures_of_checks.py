"""Pictures of a check's photos, where keeping them was asked for: a certificate shows them."""

from typing import Any

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects.postgresql import TIMESTAMP

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

MOMENT = sa.DateTime().with_variant(TIMESTAMP(timezone=True), "postgresql")


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "check_photos",
        sa.Column("checked", sa.String(32), sa.ForeignKey("checks.id"), primary_key=True),
        sa.Column("name", sa.String(16), primary_key=True),
        sa.Column("jpeg", sa.LargeBinary, nullable=False),
        *(
            sa.Column(name, sa.Double, nullable=False)
            for name in ("left_px", "top_px", "px_per_px")
        ),
        *_when(),
    )
    _only_add("check_photos")


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
