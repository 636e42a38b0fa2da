"""The tables, as they are at the newest migration.

The migrations make them; a test holds the two against each other. Rows are only ever
added: triggers refuse UPDATE and DELETE on every table in both databases.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import TIMESTAMP
from sqlalchemy.engine import Dialect
from sqlalchemy.types import TypeDecorator, TypeEngine

from knee_angle.report.columns import kept_columns

__all__ = [
    "Utc",
    "audit",
    "check_photos",
    "check_withdrawals",
    "checks",
    "encryption",
    "json_text",
    "machine_cards",
    "machines",
    "measurement_withdrawals",
    "measurements",
    "metadata",
    "people",
    "photos",
    "picture_hashes",
    "prescriptions",
    "visit_photos",
    "visit_withdrawals",
    "visits",
]


class Utc(TypeDecorator[datetime]):
    """A moment: aware in Python, UTC in the database, never without its zone."""

    impl = sa.DateTime
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        """With the zone where the database has such a type."""
        if dialect.name == "postgresql":
            return dialect.type_descriptor(TIMESTAMP(timezone=True))
        return dialect.type_descriptor(sa.DateTime())

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """To UTC; a time without a zone is a mistake of ours."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise TypeError(f"a time must name its zone, but got {value.isoformat()}")
        moment = value.astimezone(UTC)
        return moment if dialect.name == "postgresql" else moment.replace(tzinfo=None)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Back to an aware moment in UTC."""
        if value is None:
            return None
        return value.astimezone(UTC) if dialect.name == "postgresql" else value.replace(tzinfo=UTC)


json_text = sa.JSON()
"""Kept as text in both databases (not JSONB): numbers come back digit for digit."""

metadata = sa.MetaData()

ALWAYS = {
    "side", "plane", "flexion_deg", "u_deg", "interval_low_deg", "interval_high_deg",
}  # fmt: skip
"""What every measurement has; the others hang on a displayed number."""


def _when() -> list[sa.Column[Any]]:
    return [
        sa.Column("saved_at", Utc, nullable=False),
        sa.Column("who", sa.String(64), nullable=False),
    ]


def _later(target: str) -> sa.ForeignKey:
    """A reference that is checked at the end: a restore adds rows in no special order."""
    return sa.ForeignKey(target, deferrable=True, initially="DEFERRED")


def _of_the_result() -> list[sa.Column[Any]]:
    """What lists and trends read of a result, by the one list of columns."""
    letters = {"side": 8}
    return [
        sa.Column(
            kept.name,
            sa.Double if column.kind == "number" else sa.String(letters.get(column.name, 16)),
            nullable=column.name not in ALWAYS,
        )
        for column, kept in kept_columns()
    ]


people = sa.Table("people", metadata, sa.Column("code", sa.String(16), primary_key=True), *_when())

machines = sa.Table(
    "machines", metadata, sa.Column("code", sa.String(16), primary_key=True), *_when()
)

prescriptions = sa.Table(
    "prescriptions",
    metadata,
    sa.Column("id", sa.String(32), primary_key=True),
    sa.Column("person", sa.ForeignKey("people.code"), nullable=False, index=True),
    sa.Column("from_day", sa.Date, nullable=False),
    sa.Column("flexion_deg", sa.Double),
    sa.Column("extension_deg", sa.Double),
    *_when(),
    # Names of the limits that no longer stand from that day on, with a space between.
    sa.Column("lifted", sa.String(32), nullable=False, server_default=""),
    # The knee they are for; empty: each.
    sa.Column("side", sa.String(8), nullable=False, server_default=""),
)

machine_cards = sa.Table(
    "machine_cards",
    metadata,
    sa.Column("id", sa.String(32), primary_key=True),
    sa.Column("machine", sa.ForeignKey("machines.code"), nullable=False, index=True),
    sa.Column("thigh_section_mm", sa.Double),
    sa.Column("shank_section_mm", sa.Double),
    sa.Column("check_every_days", sa.Integer),
    *_when(),
)

measurements = sa.Table(
    "measurements",
    metadata,
    sa.Column("id", sa.String(32), primary_key=True),
    sa.Column("person", sa.ForeignKey("people.code")),
    sa.Column("machine", sa.ForeignKey("machines.code")),
    sa.Column("corrects", _later("measurements.id"), unique=True),
    sa.Column("taken_at", Utc, nullable=False, index=True),
    sa.Column("taken_at_given", sa.Boolean, nullable=False),
    *_when(),
    *_of_the_result(),
    sa.Column("setup", json_text, nullable=False),
    sa.Column("photo_sha256", sa.String(64), nullable=False),
    sa.Column("software", sa.String(32), nullable=False),
    sa.Column("settings", json_text, nullable=False),
    sa.Column("measurement", json_text, nullable=False),
    sa.Column("contract", json_text, nullable=False),
    sa.Index("ix_measurements_person_taken_at_id", "person", "taken_at", "id"),
    sa.Index("ix_measurements_machine_taken_at", "machine", "taken_at"),
    sa.Index("ix_measurements_photo_sha256", "photo_sha256"),
)

photos = sa.Table(
    "photos",
    metadata,
    sa.Column("measurement", sa.ForeignKey("measurements.id"), primary_key=True),
    sa.Column("jpeg", sa.LargeBinary, nullable=False),
    sa.Column("left_px", sa.Double, nullable=False),
    sa.Column("top_px", sa.Double, nullable=False),
    sa.Column("px_per_px", sa.Double, nullable=False),
    *_when(),
)

checks = sa.Table(
    "checks",
    metadata,
    sa.Column("id", sa.String(32), primary_key=True),
    sa.Column("machine", sa.ForeignKey("machines.code"), nullable=False),
    sa.Column("person", sa.ForeignKey("people.code")),
    sa.Column("corrects", _later("checks.id"), unique=True),
    sa.Column("taken_at", Utc, nullable=False),
    *_when(),
    sa.Column("photos", sa.Integer, nullable=False),
    sa.Column("against", sa.String(8), nullable=False),
    sa.Column("offset_deg", sa.Double, nullable=False),
    sa.Column("gain", sa.Double, nullable=False),
    sa.Column("cov", json_text, nullable=False),
    sa.Column("low_deg", sa.Double, nullable=False),
    sa.Column("high_deg", sa.Double, nullable=False),
    sa.Column("largest_deg", sa.Double, nullable=False),
    sa.Column("largest_u_deg", sa.Double, nullable=False),
    sa.Column("tolerance_deg", sa.Double, nullable=False),
    sa.Column("verdict", sa.String(16), nullable=False),
    sa.Column("finding", sa.String(16), nullable=False),
    sa.Column("software", sa.String(32), nullable=False),
    sa.Column("settings", json_text, nullable=False),
    sa.Column("outcomes", json_text, nullable=False),
    sa.Column("photo_sha256", json_text, nullable=False),
    sa.Column("result", json_text, nullable=False),
    sa.Index("ix_checks_machine_taken_at", "machine", "taken_at"),
)

check_photos = sa.Table(
    "check_photos",
    metadata,
    sa.Column("checked", sa.ForeignKey("checks.id"), primary_key=True),
    sa.Column("name", sa.String(16), primary_key=True),
    sa.Column("jpeg", sa.LargeBinary, nullable=False),
    sa.Column("left_px", sa.Double, nullable=False),
    sa.Column("top_px", sa.Double, nullable=False),
    sa.Column("px_per_px", sa.Double, nullable=False),
    *_when(),
)

visits = sa.Table(
    "visits",
    metadata,
    sa.Column("id", sa.String(32), primary_key=True),
    sa.Column("person", sa.ForeignKey("people.code")),
    sa.Column("machine", sa.ForeignKey("machines.code")),
    sa.Column("corrects", _later("visits.id"), unique=True),
    sa.Column("taken_at", Utc, nullable=False),
    *_when(),
    sa.Column("side", sa.String(8), nullable=False),
    # Each setting's knee, and the covariance of those knees: what a course needs.
    sa.Column("knees", json_text, nullable=False),
    sa.Column("covariance", json_text, nullable=False),
    sa.Column("arc_deg", sa.Double),
    sa.Column("arc_u_deg", sa.Double),
    sa.Column("standing", sa.String(16)),
    sa.Column("finding", sa.String(16)),
    sa.Column("software", sa.String(32), nullable=False),
    sa.Column("settings", json_text, nullable=False),
    sa.Column("contract", json_text, nullable=False),
    sa.Index("ix_visits_person_taken_at", "person", "taken_at"),
    sa.Index("ix_visits_machine_taken_at", "machine", "taken_at"),
)

visit_photos = sa.Table(
    "visit_photos",
    metadata,
    sa.Column("measurement", sa.ForeignKey("measurements.id"), primary_key=True),
    sa.Column("visit", sa.ForeignKey("visits.id"), nullable=False, index=True),
    sa.Column("setting", sa.String(4), nullable=False),
    *_when(),
)

visit_withdrawals = sa.Table(
    "visit_withdrawals",
    metadata,
    sa.Column("withdrawn", sa.ForeignKey("visits.id"), primary_key=True),
    sa.Column("reason", sa.String(16), nullable=False),
    *_when(),
)

measurement_withdrawals = sa.Table(
    "measurement_withdrawals",
    metadata,
    sa.Column("withdrawn", sa.ForeignKey("measurements.id"), primary_key=True),
    sa.Column("reason", sa.String(16), nullable=False),
    *_when(),
)

check_withdrawals = sa.Table(
    "check_withdrawals",
    metadata,
    sa.Column("withdrawn", sa.ForeignKey("checks.id"), primary_key=True),
    sa.Column("reason", sa.String(16), nullable=False),
    *_when(),
)

# From its first row on every picture is encrypted, under the key of the newest (`sealing`).
encryption = sa.Table(
    "encryption",
    metadata,
    sa.Column("fingerprint", sa.String(16), primary_key=True),
    sa.Column("key_file", sa.String(1024)),
    # The key before, sealed under this one: for photos of visits that were open meanwhile.
    sa.Column("earlier", sa.String(160), nullable=False, server_default=""),
    *_when(),
)

# Of each picture as it was given; a picture that is gone is missed by its hash.
picture_hashes = sa.Table(
    "picture_hashes",
    metadata,
    sa.Column("about", sa.String(80), primary_key=True),
    sa.Column("sha256", sa.String(64), nullable=False),
    *_when(),
)

audit = sa.Table(
    "audit",
    metadata,
    sa.Column("id", sa.Integer, sa.Identity(), primary_key=True),
    sa.Column("at", Utc, nullable=False),
    sa.Column("who", sa.String(64), nullable=False),
    sa.Column("what", sa.String(32), nullable=False),
    sa.Column("about", sa.String(64), nullable=False),
)
