"""Whether a photo was kept before is asked for each photo of a visit: found without a scan."""

from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the index."""
    op.create_index("ix_measurements_photo_sha256", "measurements", ["photo_sha256"])
