"""Encrypting a store that is there: every kept picture, in one transaction, then the leftovers.

A kill at any moment leaves the store as it was or encrypted; run again, the command does what
is missing. What the pictures were before is overwritten in the database's own files; copies
elsewhere (backups, snapshots, a server's write-ahead log) are not in reach.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Engine

from knee_angle.errors import InvalidInput, StoreError
from knee_angle.language import say
from knee_angle.store import opening, schema
from knee_angle.store.keeping import Store
from knee_angle.store.sealing import Seal, about_row, is_sealed

__all__ = ["encrypt_pictures", "refuse_beside"]

TABLES = (schema.photos, schema.check_photos)


def refuse_beside(key_file: Path, engine: Engine) -> None:
    """Refuse a key in the folder of the store: whoever takes the one takes the other.

    Raises
    ------
    InvalidInput
        It would lie there.
    """
    if engine.dialect.name != "sqlite":
        return
    folder = Path(str(engine.url.database)).absolute().parent.resolve()
    if key_file.absolute().parent.resolve() == folder:
        raise InvalidInput(
            say(
                "the key must not lie beside the store, but both are in {folder}: name a key in "
                "another folder, best on another disk",
                folder=folder,
            )
        )


def encrypt_pictures(store: Store, seal: Seal, *, key_file: Path | None) -> int:
    """Encrypt all kept pictures, and from now on every one that is kept; how many were not yet.

    Parameters
    ----------
    store : Store
        Open; others may use it meanwhile, and wait.
    seal : Seal
        The key.
    key_file : Path or None
        Where the store is to look for it; None where the environment always names it.

    Raises
    ------
    InvalidInput
        The store is encrypted already, under another key.
    StoreError
        It could not be done: the store is as it was.
    """
    now = store._now()
    place = None if key_file is None else str(key_file.absolute())
    new = store._write(lambda connection: _encrypted(store, connection, seal, place, now))
    _overwrite_leftovers(store.engine)
    return new


def _encrypted(
    store: Store, connection: Connection, seal: Seal, place: str | None, now: datetime
) -> int:
    if connection.dialect.name == "postgresql":
        names = ", ".join(table.name for table in (schema.encryption, *TABLES))
        connection.exec_driver_sql(f"LOCK TABLE {names} IN ACCESS EXCLUSIVE MODE")
    row = connection.execute(sa.select(schema.encryption)).one_or_none()
    if row is not None and row.fingerprint != seal.fingerprint:
        raise InvalidInput(
            say(
                "the store is encrypted already, under the key {fingerprint}, but the key that "
                "is named is {other}: a store keeps its key",
                fingerprint=row.fingerprint,
                other=seal.fingerprint,
            )
        )
    if row is None:
        told = {"fingerprint": seal.fingerprint, "key_file": place}
        store._insert(connection, schema.encryption, told, now)
    with _changeable(connection):
        new = sum(_of_table(connection, table, seal) for table in TABLES)
    if row is None or new:
        store._note(connection, "encrypted", f"{new} pictures", now)
    return new


def _of_table(connection: Connection, table: sa.Table, seal: Seal) -> int:
    """Seal each picture of a table, one at a time in memory; how many were not."""
    keys = list(table.primary_key.columns)
    rows = connection.execute(sa.select(*keys)).all()
    new = 0
    for row in rows:
        here = sa.and_(*(key == value for key, value in zip(keys, row, strict=True)))
        content: bytes = connection.execute(sa.select(table.c.jpeg).where(here)).scalar_one()
        if is_sealed(content):
            continue
        hidden = seal.sealed(content, about=about_row(table.name, row))
        connection.execute(sa.update(table).where(here).values(jpeg=hidden))
        new += 1
    return new


@contextmanager
def _changeable(connection: Connection) -> Iterator[None]:
    """Without the triggers that keep these tables' rows from being changed; part of the write."""
    names = [table.name for table in TABLES]
    if connection.dialect.name == "postgresql":
        for name in names:
            connection.exec_driver_sql(f"ALTER TABLE {name} DISABLE TRIGGER USER")
        yield
        for name in names:
            connection.exec_driver_sql(f"ALTER TABLE {name} ENABLE TRIGGER USER")
        return
    master = sa.table("sqlite_master", *(sa.column(n) for n in ("type", "name", "tbl_name", "sql")))
    query = sa.select(master.c.name, master.c.sql).where(
        master.c.type == "trigger", master.c.tbl_name.in_(names)
    )
    triggers = connection.execute(query).all()
    for trigger in triggers:
        connection.exec_driver_sql(f'DROP TRIGGER "{trigger.name}"')
    yield
    for trigger in triggers:
        connection.exec_driver_sql(trigger.sql)


def _overwrite_leftovers(engine: Engine) -> None:
    """Write the database's files anew, so that no page holds a picture as it was before.

    Raises
    ------
    StoreError
        Another program holds the store: the pictures are encrypted, old pages may be left.
    """
    alone = engine.execution_options(isolation_level="AUTOCOMMIT")
    try:
        with opening.in_words(engine.url), _raw(alone) as run:
            if engine.dialect.name == "postgresql":
                run(f"VACUUM FULL {', '.join(table.name for table in TABLES)}")
                return
            run("VACUUM")
            busy, *_ = run("PRAGMA wal_checkpoint(TRUNCATE)")
    except StoreError as error:
        raise StoreError(_leftover(str(error))) from None
    if busy:
        raise StoreError(_leftover(say("another program reads it")))


def _leftover(why: str) -> str:
    return say(
        "the pictures are encrypted, but the database's file may still hold some as they were "
        "({why}): stop the other programs, then run this command again",
        why=why,
    )


@contextmanager
def _raw(engine: Engine) -> Iterator[Any]:
    """Statements that no transaction may hold; each gives its first row."""
    with engine.connect() as connection:
        driver = connection.connection.driver_connection
        assert driver is not None  # noqa: S101  an open connection has one

        def run(statement: str) -> tuple[Any, ...]:
            cursor = driver.cursor()
            try:
                cursor.execute(statement)
                row = cursor.fetchone() if cursor.description else None
                return tuple(row) if row is not None else ()
            finally:
                cursor.close()

        yield run
