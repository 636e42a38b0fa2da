"""The first tables, and the triggers that let rows be added only."""

from typing import Any

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects.postgresql import TIMESTAMP

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

MOMENT = sa.DateTime().with_variant(TIMESTAMP(timezone=True), "postgresql")
JSON_TEXT = sa.JSON()
TABLES = (
    "people",
    "machines",
    "prescriptions",
    "machine_cards",
    "measurements",
    "photos",
    "checks",
    "measurement_withdrawals",
    "check_withdrawals",
    "audit",
)


def upgrade() -> None:
    """Make the tables."""
    _subjects()
    _measurements()
    _checks()
    _trail()
    for table in TABLES:
        _only_add(table)


def _when() -> list[sa.Column[Any]]:
    return [
        sa.Column("saved_at", MOMENT, nullable=False),
        sa.Column("who", sa.String(64), nullable=False),
    ]


def _id() -> sa.Column[Any]:
    return sa.Column("id", sa.String(32), primary_key=True)


def _later(target: str) -> sa.ForeignKey:
    """A reference that is checked at the end: a restore adds rows in no special order."""
    return sa.ForeignKey(target, deferrable=True, initially="DEFERRED")


def _subjects() -> None:
    for table in ("people", "machines"):
        op.create_table(table, sa.Column("code", sa.String(16), primary_key=True), *_when())
    op.create_table(
        "prescriptions",
        _id(),
        sa.Column("person", sa.String(16), sa.ForeignKey("people.code"), nullable=False),
        sa.Column("from_day", sa.Date, nullable=False),
        sa.Column("flexion_deg", sa.Double),
        sa.Column("extension_deg", sa.Double),
        *_when(),
    )
    op.create_index("ix_prescriptions_person", "prescriptions", ["person"])
    op.create_table(
        "machine_cards",
        _id(),
        sa.Column("machine", sa.String(16), sa.ForeignKey("machines.code"), nullable=False),
        sa.Column("thigh_section_mm", sa.Double),
        sa.Column("shank_section_mm", sa.Double),
        sa.Column("check_every_days", sa.Integer),
        *_when(),
    )
    op.create_index("ix_machine_cards_machine", "machine_cards", ["machine"])


def _measurements() -> None:
    op.create_table(
        "measurements",
        _id(),
        sa.Column("person", sa.String(16), sa.ForeignKey("people.code")),
        sa.Column("machine", sa.String(16), sa.ForeignKey("machines.code")),
        sa.Column("corrects", sa.String(32), _later("measurements.id"), unique=True),
        sa.Column("taken_at", MOMENT, nullable=False),
        sa.Column("taken_at_given", sa.Boolean, nullable=False),
        *_when(),
        sa.Column("side", sa.String(8), nullable=False),
        sa.Column("plane", sa.String(16), nullable=False),
        *(sa.Column(name, sa.Double, nullable=False) for name in ("flexion_deg", "u_deg")),
        *(sa.Column(name, sa.Double, nullable=False) for name in ("low_deg", "high_deg")),
        sa.Column("displayed_deg", sa.Double),
        sa.Column("discrepancy_deg", sa.Double),
        sa.Column("discrepancy_u_deg", sa.Double),
        sa.Column("tolerance_deg", sa.Double),
        sa.Column("verdict", sa.String(16)),
        sa.Column("finding", sa.String(16)),
        sa.Column("setup", JSON_TEXT, nullable=False),
        sa.Column("photo_sha256", sa.String(64), nullable=False),
        sa.Column("software", sa.String(32), nullable=False),
        *(sa.Column(n, JSON_TEXT, nullable=False) for n in ("settings", "measurement", "contract")),
    )
    op.create_index("ix_measurements_taken_at", "measurements", ["taken_at"])
    for who in ("person", "machine"):
        op.create_index(f"ix_measurements_{who}_taken_at", "measurements", [who, "taken_at"])
    op.create_table(
        "photos",
        sa.Column("measurement", sa.String(32), sa.ForeignKey("measurements.id"), primary_key=True),
        sa.Column("jpeg", sa.LargeBinary, nullable=False),
        *(sa.Column(n, sa.Double, nullable=False) for n in ("left_px", "top_px", "px_per_px")),
        *_when(),
    )


def _checks() -> None:
    op.create_table(
        "checks",
        _id(),
        sa.Column("machine", sa.String(16), sa.ForeignKey("machines.code"), nullable=False),
        sa.Column("person", sa.String(16), sa.ForeignKey("people.code")),
        sa.Column("corrects", sa.String(32), _later("checks.id"), unique=True),
        sa.Column("taken_at", MOMENT, nullable=False),
        *_when(),
        sa.Column("photos", sa.Integer, nullable=False),
        sa.Column("against", sa.String(8), nullable=False),
        *(sa.Column(name, sa.Double, nullable=False) for name in ("offset_deg", "gain")),
        sa.Column("cov", JSON_TEXT, nullable=False),
        *(sa.Column(name, sa.Double, nullable=False) for name in ("low_deg", "high_deg")),
        *(sa.Column(name, sa.Double, nullable=False) for name in ("largest_deg", "largest_u_deg")),
        sa.Column("tolerance_deg", sa.Double, nullable=False),
        sa.Column("verdict", sa.String(16), nullable=False),
        sa.Column("finding", sa.String(16), nullable=False),
        sa.Column("software", sa.String(32), nullable=False),
        *(sa.Column(name, JSON_TEXT, nullable=False) for name in ("settings", "outcomes")),
        *(sa.Column(name, JSON_TEXT, nullable=False) for name in ("photo_sha256", "result")),
    )
    op.create_index("ix_checks_machine_taken_at", "checks", ["machine", "taken_at"])


def _trail() -> None:
    for table in ("measurement", "check"):
        op.create_table(
            f"{table}_withdrawals",
            sa.Column("withdrawn", sa.String(32), sa.ForeignKey(f"{table}s.id"), primary_key=True),
            sa.Column("reason", sa.String(16), nullable=False),
            *_when(),
        )
    op.create_table(
        "audit",
        sa.Column("id", sa.Integer, sa.Identity(), primary_key=True),
        sa.Column("at", MOMENT, nullable=False),
        sa.Column("who", sa.String(64), nullable=False),
        sa.Column("what", sa.String(32), nullable=False),
        sa.Column("about", sa.String(64), nullable=False),
    )


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
