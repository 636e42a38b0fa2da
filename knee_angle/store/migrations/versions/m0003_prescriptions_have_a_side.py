"""Prescriptions have a side: what one knee may do says nothing about the other."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column; rows that are there are for each side."""
    side = sa.Column("side", sa.String(8), nullable=False, server_default="")
    op.add_column("prescriptions", side)
