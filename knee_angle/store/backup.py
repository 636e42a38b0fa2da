"""Backup and restore: every row of every table in one file, the same for both databases.

The file is JSON lines: a head (format, version of the tables, rows of each table), one
line a row, and a last line with the SHA-256 of all before it. A backup sees one moment,
however much is kept meanwhile. A restore goes into an empty store only, all or nothing.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Engine

from knee_angle.errors import InvalidInput, StoreError
from knee_angle.files import whole_file
from knee_angle.language import say
from knee_angle.store import opening, reading, restoring, schema

__all__ = ["read_backup", "restore_rows", "write_backup"]

Json = dict[str, Any]

FORMAT = "knee-angle store backup 1"
AT_ONCE = 500


def write_backup(engine: Engine, path: Path, *, software: str) -> dict[str, int]:
    """Write a backup; it appears under its name only when it is whole and on the disk.

    Returns
    -------
    dict
        Rows of each table.

    Raises
    ------
    InvalidInput
        The file exists already or cannot be written.
    """
    try:
        with whole_file(path, new=True) as file:
            return _write(engine, file, software=software)
    except FileExistsError:
        raise InvalidInput(
            say("{path} exists already: name a new file for the backup", path=path)
        ) from None
    except OSError as error:
        raise InvalidInput(
            say(
                "the backup {path} could not be written ({error}): free some space or name "
                "another folder; the store is as it was",
                path=path,
                error=error.strerror,
            )
        ) from None


def _write(engine: Engine, file: Any, *, software: str) -> dict[str, int]:
    digest = hashlib.sha256()

    def put(line: Json) -> None:
        text = json.dumps(line, allow_nan=False).encode() + b"\n"
        digest.update(text)
        file.write(text)

    url = engine.url
    with opening.in_words(url), opening.rows_in_words(url), _one_moment(engine) as connection:
        counts = reading.counts(connection)
        put(
            {
                "format": FORMAT,
                "tables": opening.revision_of(connection),
                "software": software,
                "rows": counts,
            }
        )
        for table in _in_order():
            query = sa.select(table).order_by(*table.primary_key.columns)
            for row in connection.execute(query).yield_per(AT_ONCE).mappings():
                put({"table": table.name, "row": {c: _as_text(v) for c, v in row.items()}})
    file.write(json.dumps({"sha256": digest.hexdigest()}).encode() + b"\n")
    return counts


def _one_moment(engine: Engine) -> Connection:
    """A connection whose every question is answered as of one moment."""
    if engine.dialect.name == "postgresql":
        engine = engine.execution_options(isolation_level="REPEATABLE READ")
    # SQLite's write-ahead log gives each transaction one moment by itself.
    return engine.connect()


def _in_order() -> Iterator[sa.Table]:
    """Tables, each after those that it points to."""
    yield from schema.metadata.sorted_tables


def _as_text(value: Any) -> Any:
    if isinstance(value, bytes):
        return {"base64": base64.b64encode(value).decode()}
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat()
    return value.isoformat() if isinstance(value, date) else value


def read_backup(path: Path) -> Iterator[Json]:
    """Every line of a backup but the last, the head first, once the file was found whole.

    Raises
    ------
    InvalidInput
        The file is missing, is no backup, is cut off or was changed.
    """
    try:
        whole = _is_whole(path)
    except OSError as error:
        raise InvalidInput(
            say("the backup {path} cannot be read ({error})", path=path, error=error.strerror)
        ) from None
    if not whole:
        raise InvalidInput(
            say(
                "{path} is no whole backup of ours (cut off, changed or another file): "
                "take another backup; nothing was changed",
                path=path,
            )
        )
    return _lines(path)


def _is_whole(path: Path) -> bool:
    """Whether the first line is our head and the last one the hash of all before it."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        first = last = file.readline()
        for line in file:
            digest.update(last)
            last = line
    try:
        head, told = json.loads(first), json.loads(last)
    except (ValueError, RecursionError):
        return False
    if not isinstance(head, dict) or not isinstance(told, dict):
        return False
    return head.get("format") == FORMAT and told.get("sha256") == digest.hexdigest()


def _lines(path: Path) -> Iterator[Json]:
    """Each line but the last; one that is no JSON object is refused when it is its turn."""
    with path.open("rb") as file:
        waiting = file.readline()
        for number, line in enumerate(file, 1):
            with _line_in_words(number):
                row = json.loads(waiting, parse_constant=_no_number)
                if not isinstance(row, dict):
                    raise TypeError(say("it is no JSON object"))
            yield row
            waiting = line


def _no_number(name: str) -> None:
    raise ValueError(f"{name} is no number")


@contextmanager
def _line_in_words(number: int) -> Iterator[None]:
    """Turn whatever is wrong with a line of the backup into one line for a person."""
    try:
        yield
    except StoreError:
        raise
    except _MALFORMED as error:
        first = str(error).partition("\n")[0][:200] or type(error).__name__
        raise InvalidInput(
            say(
                "line {number} of the backup cannot be restored ({first}): take another "
                "backup; nothing was changed",
                number=number,
                first=first,
            )
        ) from None


_MALFORMED = (
    ValueError, TypeError, KeyError, AttributeError, ArithmeticError, RecursionError, ExceptionGroup
)  # fmt: skip


def restore_rows(engine: Engine, lines: Iterator[Json]) -> dict[str, int]:
    """Put a backup's rows into an empty store, all or nothing; rows of each table.

    Raises
    ------
    InvalidInput
        A row of the backup cannot be one of ours.
    StoreError
        The store holds rows already, or the backup is of another version of the tables.
    """
    head = next(lines)
    with opening.in_words(engine.url), opening.writing(engine) as connection:
        _check_head(head, connection)
        if any(reading.counts(connection).values()):
            raise StoreError(
                say(
                    "the store {shown} holds rows already: restore into an empty one, for "
                    "instance by {env_url}=NEW-FILE; nothing was changed",
                    shown=opening.shown(engine.url),
                    env_url=opening.ENV_URL,
                )
            )
        for number, line in enumerate(lines, 2):
            with _line_in_words(number):
                table, row = restoring.checked_row(line)
                connection.execute(sa.insert(table).values(**row))
        found = reading.counts(connection)
        # Tables that came later are not named by a backup of before: none of their rows were kept.
        if found != dict.fromkeys(found, 0) | head["rows"]:
            raise StoreError(
                say(
                    "the backup names {head} rows, but holds {found}: refused",
                    head=head["rows"],
                    found=found,
                )
            )
        restoring.read_all(connection)
        if engine.dialect.name == "postgresql":
            # The audit trail's own numbering goes on after the rows that were put in.
            connection.exec_driver_sql(
                "SELECT setval(pg_get_serial_sequence('audit', 'id'), "
                "(SELECT coalesce(max(id), 0) + 1 FROM audit), false)"
            )
    return found


def _check_head(head: Json, connection: Connection) -> None:
    """Refuse a backup of tables that this software does not know."""
    tables, here = head.get("tables"), opening.revision_of(connection)
    if str(tables) not in opening.known_revisions():
        raise StoreError(
            say(
                "the backup holds tables of version {tables}, this software has {here}: "
                "restore it with knee-angle {get}, then update",
                tables=tables,
                here=here,
                get=head.get("software"),
            )
        )
    if not isinstance(head.get("rows"), dict):
        raise InvalidInput(
            say(
                "the first line of the backup does not say how many rows it holds: take "
                "another backup; nothing was changed"
            )
        )
