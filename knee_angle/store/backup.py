"""Backup and restore: every row of every table in one file, the same for both databases.

The file is JSON lines: a head (format, version of the tables, rows of each table), one
line a row, and a last line with the SHA-256 of all before it. A backup sees one moment,
however much is kept meanwhile. A restore goes into an empty store only, all or nothing.
"""

from __future__ import annotations

import base64
import hashlib
import json
import os
import tempfile
from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Engine

from knee_angle.errors import InvalidInput, StoreError
from knee_angle.store import opening, reading, schema

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
    if path.exists():
        raise InvalidInput(f"{path} exists already: name a new file for the backup")
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    except OSError as error:
        raise InvalidInput(f"{path} cannot be written ({error.strerror}): name another") from None
    unfinished = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            counts = _write(engine, file, software=software)
            file.flush()
            os.fsync(file.fileno())
        unfinished.rename(path)
    except OSError as error:
        raise InvalidInput(
            f"the backup {path} could not be written ({error.strerror}): free some space or name "
            "another folder; the store is as it was"
        ) from None
    finally:
        unfinished.unlink(missing_ok=True)
    return counts


def _write(engine: Engine, file: Any, *, software: str) -> dict[str, int]:
    digest = hashlib.sha256()

    def put(line: Json) -> None:
        text = json.dumps(line, allow_nan=False).encode() + b"\n"
        digest.update(text)
        file.write(text)

    with opening.in_words(engine.url), _one_moment(engine) as connection:
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


def _from_text(column: sa.Column[Any], value: Any) -> Any:
    if value is None:
        return None
    if isinstance(column.type, schema.Utc):
        return datetime.fromisoformat(value)
    if isinstance(column.type, sa.Date):
        return date.fromisoformat(value)
    if isinstance(column.type, sa.LargeBinary):
        return base64.b64decode(value["base64"])
    return value


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
        raise InvalidInput(f"the backup {path} cannot be read ({error.strerror})") from None
    if not whole:
        raise InvalidInput(
            f"{path} is no whole backup of ours (cut off, changed or another file): take another "
            "backup; nothing was changed"
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
    except ValueError:
        return False
    if not isinstance(head, dict) or not isinstance(told, dict):
        return False
    return head.get("format") == FORMAT and told.get("sha256") == digest.hexdigest()


def _lines(path: Path) -> Iterator[Json]:
    with path.open("rb") as file:
        for line in file:
            row = json.loads(line)
            if "sha256" not in row:
                yield row


def restore_rows(engine: Engine, lines: Iterator[Json]) -> dict[str, int]:
    """Put a backup's rows into an empty store, all or nothing; rows of each table.

    Raises
    ------
    StoreError
        The store holds rows already, or the backup is of another version of the tables.
    """
    head = next(lines)
    with opening.in_words(engine.url), opening.writing(engine) as connection:
        here = opening.revision_of(connection)
        if head["tables"] != here:
            raise StoreError(
                f"the backup holds tables of version {head['tables']}, this software has {here}: "
                f"restore it with knee-angle {head['software']}, then update"
            )
        if any(reading.counts(connection).values()):
            raise StoreError(
                f"the store {opening.shown(engine.url)} holds rows already: restore into an empty "
                f"one, for instance by {opening.ENV_URL}=NEW-FILE; nothing was changed"
            )
        for line in lines:
            table = schema.metadata.tables[line["table"]]
            row = {c.name: _from_text(c, line["row"][c.name]) for c in table.columns}
            connection.execute(sa.insert(table).values(**row))
        found = reading.counts(connection)
        if found != head["rows"]:
            raise StoreError(f"the backup names {head['rows']} rows, but holds {found}: refused")
        if engine.dialect.name == "postgresql":
            # The audit trail's own numbering goes on after the rows that were put in.
            connection.exec_driver_sql(
                "SELECT setval(pg_get_serial_sequence('audit', 'id'), "
                "(SELECT coalesce(max(id), 0) + 1 FROM audit), false)"
            )
    return found
