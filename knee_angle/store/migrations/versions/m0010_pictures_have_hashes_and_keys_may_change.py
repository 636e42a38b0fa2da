"""Each picture's hash is kept apart from it, and a store may get another key."""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects.postgresql import TIMESTAMP

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None

MOMENT = sa.DateTime().with_variant(TIMESTAMP(timezone=True), "postgresql")


def upgrade() -> None:
    """Make the table and the column."""
    op.add_column(
        "encryption", sa.Column("earlier", sa.String(160), nullable=False, server_default="")
    )
    op.create_table(
        "picture_hashes",
        sa.Column("about", sa.String(80), primary_key=True),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("saved_at", MOMENT, nullable=False),
        sa.Column("who", sa.String(64), nullable=False),
    )
    said = "rows of picture_hashes are never changed or deleted"
    if op.get_bind().dialect.name == "sqlite":
        for change in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER picture_hashes_no_{change.lower()} BEFORE {change} ON "
                f"picture_hashes BEGIN SELECT RAISE(ABORT, '{said}'); END"
            )
        return
    op.execute(
        "CREATE FUNCTION picture_hashes_only_added() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{said}'; END $$"
    )
    op.execute(
        "CREATE TRIGGER picture_hashes_only_added BEFORE UPDATE OR DELETE OR TRUNCATE ON "
        "picture_hashes FOR EACH STATEMENT EXECUTE FUNCTION picture_hashes_only_added()"
    )
