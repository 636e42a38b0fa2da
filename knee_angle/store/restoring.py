"""Rows of a backup, looked at closely before they count: a backup may come from anywhere."""

from __future__ import annotations

import base64
import math
from collections.abc import Iterator
from datetime import UTC, date, datetime
from typing import Any, get_args

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from knee_angle.errors import InvalidInput
from knee_angle.language import say
from knee_angle.store import reading, schema
from knee_angle.store.codec import from_json, to_json
from knee_angle.store.jpeg import refuse_metadata
from knee_angle.store.records import (
    End,
    KeptCheck,
    KeptMeasurement,
    KeptVisit,
    StoredVisit,
    WithdrawalReason,
    checked_code,
)
from knee_angle.store.table import csv_of, json_lines_of, visit_lines_of
from knee_angle.store.visits import stored_visits

__all__ = ["checked_row", "read_all"]

Json = dict[str, Any]

WHOLE_BELOW = 2**31
"""PostgreSQL's INTEGER ends there."""


def checked_row(line: Json) -> tuple[sa.Table, Json]:
    """The table and the values of one line of a backup, each of its column's own kind.

    Raises
    ------
    ValueError, TypeError
        Naming the column and what came.
    """
    table = schema.metadata.tables.get(str(line.get("table")))
    if table is None:
        raise ValueError(f"there is no table {_short(line.get('table'))}")
    given = line.get("row")
    if not isinstance(given, dict):
        raise TypeError(f"a row of {table.name} must be an object, but got {_short(given)}")
    if unknown := set(given) - set(table.columns.keys()):
        raise ValueError(f"{table.name} has no column {_short(min(unknown))}")
    row = {}
    for column in table.columns:
        if column.name not in given and column.server_default is not None:
            continue  # written before this column was there
        try:
            row[column.name] = _value(column, given[column.name])
        except KeyError:
            raise ValueError(f"{table.name} lacks {column.name}") from None
        except (ValueError, TypeError, OverflowError) as error:
            raise ValueError(f"{table.name}, {column.name}: {error}") from None
    if table in (schema.people, schema.machines):
        what = "person" if table is schema.people else "machine"
        row["code"] = checked_code(row["code"], what=what)
    return table, row


def _short(value: Any) -> str:
    return ascii(value)[:60]


def _value(column: sa.Column[Any], value: Any) -> Any:
    if value is None:
        if column.nullable:
            return None
        raise TypeError("it must not be empty")
    match column.type:
        case schema.Utc():
            found: Any = datetime.fromisoformat(_as(value, str))
            if found.tzinfo is None:
                raise ValueError(f"a time must name its zone, but got {_short(value)}")
            found = found.astimezone(UTC)  # the first and last hours of the calendar have none
        case sa.Date():
            found = date.fromisoformat(_as(value, str))
        case sa.LargeBinary():
            found = base64.b64decode(_as(_as(value, dict).get("base64"), str), validate=True)
        case sa.Boolean():
            found = _as(value, bool)
        case sa.Integer():
            found = _within(_as(value, int))
        case sa.Double():
            found = _finite(_as(value, int, float))
        case sa.String(length=longest):
            found = _text(_as(value, str), longest)
        case _:
            found = _as(value, dict, list)
    return found


def _as(value: Any, *kinds: type) -> Any:
    # True is an int to Python, but no number to us.
    if isinstance(value, kinds) and (bool in kinds or not isinstance(value, bool)):
        return value
    raise TypeError(f"it must be {' or '.join(k.__name__ for k in kinds)}, but got {_short(value)}")


def _within(value: int) -> int:
    if abs(value) < WHOLE_BELOW:
        return value
    raise ValueError(f"it must be a usual whole number, but got {_short(value)}")


def _finite(value: float) -> float:
    if math.isfinite(number := float(value)):
        return number
    raise ValueError(f"it must be a finite number, but got {_short(value)}")


def _text(value: str, longest: int | None) -> str:
    if longest is not None and len(value) > longest:
        raise ValueError(f"it must have at most {longest} letters, but got {_short(value)}")
    if "\0" in value:
        raise ValueError(f"it must be text, but got {_short(value)}")
    value.encode()  # half a surrogate pair is no text either
    return value


def read_all(connection: Connection) -> None:
    """Read every row as the commands and pages will: what they cannot use is refused now.

    Raises
    ------
    InvalidInput
        Naming the row.
    """
    try:
        for what in _readings(connection):
            at = what
    except (
        ValueError, TypeError, LookupError, AttributeError, ArithmeticError, RecursionError,
        ExceptionGroup,
    ) as error:  # fmt: skip
        first = str(error).partition("\n")[0][:200]
        raise InvalidInput(
            say(
                "the backup holds a row that cannot be used, after {at} ({first}): take "
                "another backup; nothing was changed",
                at=at,
                first=first,
            )
        ) from None


def _readings(connection: Connection) -> Iterator[str]:
    """What was read and found sound, piece by piece."""
    yield say("the beginning")
    for table, what in ((schema.people, "person"), (schema.machines, "machine")):
        for code in connection.execute(sa.select(table.c.code)).scalars():
            if table is schema.people:
                _check_prescriptions(connection, code)
            reading.machine_card(connection, code)
            yield f"{what} {code}"
    for one in reading.stored_measurements(connection, person=None, all_rows=True):
        from_json(to_json(one.row), KeptMeasurement)
        _check_sha256(one.photo_sha256)
        "".join((*csv_of([one]), *json_lines_of([one])))  # what exports will ask of it
        if one.row.has_photo and (photo := reading.photo(connection, one.row.id)) is not None:
            refuse_metadata(photo.jpeg)
        yield say("measurement {id}", id=one.row.id)
    for row_id in list(connection.execute(sa.select(schema.checks.c.id)).scalars()):
        check = reading.stored_check(connection, row_id)
        if check is not None:
            from_json(to_json(check.row), KeptCheck)
            for digest in dict(check.photo_sha256).values():
                _check_sha256(digest)
            for picture in reading.check_pictures(connection, row_id).values():
                refuse_metadata(picture.jpeg)
        yield say("machine check {row_id}", row_id=row_id)
    for visit in stored_visits(connection):
        _check_visit(visit)
        "".join(visit_lines_of([visit]))
        yield say("visit {id}", id=visit.row.id)
    for table in (
        schema.measurement_withdrawals, schema.check_withdrawals, schema.visit_withdrawals
    ):  # fmt: skip
        for row in connection.execute(sa.select(table)):
            _one_of(row.reason, get_args(WithdrawalReason))
            yield say("withdrawal {withdrawn}", withdrawn=row.withdrawn)


def _check_visit(visit: StoredVisit) -> None:
    from_json(to_json(visit.row), KeptVisit)
    dict(visit.contract)
    size = len(visit.row.knees)
    if size == 0 or [len(line) for line in visit.row.covariance] != [size] * size:
        raise ValueError(f"the covariance of {size} knees must be {size} by {size}")
    for value in (v for line in visit.row.covariance for v in line):
        _finite(_as(value, int, float))


def _check_prescriptions(connection: Connection, person: str) -> None:
    for row in reading.prescriptions(connection, person, side=None):
        for deg in (row.flexion_deg, row.extension_deg):
            if deg is not None and not -30 <= deg <= 180:
                raise ValueError(f"a prescribed limit must be between -30 and 180, but got {deg:g}")
    query = sa.select(schema.prescriptions.c.lifted).where(schema.prescriptions.c.person == person)
    for lifted in connection.execute(query).scalars():
        for name in lifted.split():
            _one_of(name, get_args(End))


def _check_sha256(digest: Any) -> None:
    if len(_as(digest, str)) != 64 or not set(digest) <= set("0123456789abcdef"):
        raise ValueError(f"a photo's hash must be 64 hexadecimal digits, but got {_short(digest)}")


def _one_of(word: str, words: tuple[str, ...]) -> None:
    if word not in words:
        raise ValueError(f"it must be one of {', '.join(words)}, but got {_short(word)}")
