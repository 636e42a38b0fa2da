"""A store whose pictures are encrypted says so, and names the key by its fingerprint."""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects.postgresql import TIMESTAMP

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

MOMENT = sa.DateTime().with_variant(TIMESTAMP(timezone=True), "postgresql")


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "encryption",
        sa.Column("fingerprint", sa.String(16), primary_key=True),
        sa.Column("key_file", sa.String(1024)),
        sa.Column("saved_at", MOMENT, nullable=False),
        sa.Column("who", sa.String(64), nullable=False),
    )
    said = "rows of encryption are never changed or deleted"
    if op.get_bind().dialect.name == "sqlite":
        for change in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER encryption_no_{change.lower()} BEFORE {change} ON encryption "
                f"BEGIN SELECT RAISE(ABORT, '{said}'); END"
            )
        return
    op.execute(
        "CREATE FUNCTION encryption_only_added() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{said}'; END $$"
    )
    op.execute(
        "CREATE TRIGGER encryption_only_added BEFORE UPDATE OR DELETE OR TRUNCATE ON encryption "
        "FOR EACH STATEMENT EXECUTE FUNCTION encryption_only_added()"
    )
