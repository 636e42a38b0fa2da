"""Prescriptions name the limits that they lift: what a row does not name goes on standing."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column; rows that are there lift no limit by name."""
    lifted = sa.Column("lifted", sa.String(32), nullable=False, server_default="")
    op.add_column("prescriptions", lifted)
