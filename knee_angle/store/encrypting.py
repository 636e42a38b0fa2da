"""Encrypting a store that is there: every kept picture, in one transaction, then the leftovers.

Another key likewise. A kill at any moment leaves the store as it was or done; run again, the
command does what is missing. What the pictures were before is overwritten in the database's own
files; copies elsewhere (backups, snapshots, a server's write-ahead log) are not in reach.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Engine

from knee_angle.errors import InvalidInput, StoreError
from knee_angle.language import say
from knee_angle.store import opening, schema
from knee_angle.store.keeping import Store
from knee_angle.store.sealing import Seal, about_row, is_sealed, kept_under, seal_of

__all__ = ["change_key", "encrypt_pictures", "refuse_beside"]

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
    _alone(connection)
    row = _newest(connection)
    if row is not None and row.fingerprint != seal.fingerprint:
        raise InvalidInput(
            say(
                "the store is encrypted already, under the key {fingerprint}, but the key that "
                "is named is {other}: give another key by --new-key",
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


def change_key(store: Store, seal: Seal, *, key_file: Path) -> tuple[int, int]:
    """Encrypt all kept pictures anew; how many were, and how many do not open and stay as they are.

    Parameters
    ----------
    store : Store
        Open and encrypted, its key at hand; others may use it meanwhile, and wait.
    seal : Seal
        The new key.
    key_file : Path
        Where the store is to look for it.

    Raises
    ------
    InvalidInput
        The store is not encrypted.
    StoreError
        Its key is not here, or it could not be done: the store is as it was.
    """
    now, place = store._now(), str(key_file.absolute())
    found = store._write(lambda connection: _changed(store, connection, seal, place, now))
    _overwrite_leftovers(store.engine)
    return found


def _changed(
    store: Store, connection: Connection, seal: Seal, place: str, now: datetime
) -> tuple[int, int]:
    _alone(connection)
    row = _newest(connection)
    if row is None:
        raise InvalidInput(
            say("the store is not encrypted, so it has no key to change: give its first by --key")
        )
    if row.fingerprint == seal.fingerprint:  # it was stopped after this, before the leftovers
        return 0, 0
    before = seal_of(connection)
    assert before is not None  # noqa: S101  it has a row
    known = connection.execute(sa.select(schema.encryption.c.fingerprint)).scalars()
    if seal.fingerprint in set(known):
        raise InvalidInput(
            say(
                "the key {fingerprint} was this store's before: name a file that is not there, and "
                "a new key is made",
                fingerprint=seal.fingerprint,
            )
        )
    told = {
        "fingerprint": seal.fingerprint, "key_file": place, "earlier": kept_under(seal, before),
    }  # fmt: skip
    later = max(now, row.saved_at + timedelta(microseconds=1))  # whatever the clock says
    store._insert(connection, schema.encryption, told, later)
    with _changeable(connection):
        new = sum(_of_table(connection, table, seal, before=before) for table in TABLES)
    total = sum(
        connection.execute(sa.select(sa.func.count()).select_from(table)).scalar_one()
        for table in TABLES
    )
    store._note(connection, "encrypted", f"{new} pictures, another key", now)
    return new, total - new


def _alone(connection: Connection) -> None:
    """Nobody keeps a picture meanwhile; SQLite's write has the file to itself."""
    if connection.dialect.name == "postgresql":
        names = ", ".join(table.name for table in (schema.encryption, *TABLES))
        connection.exec_driver_sql(f"LOCK TABLE {names} IN ACCESS EXCLUSIVE MODE")


def _newest(connection: Connection) -> sa.Row[Any] | None:
    """The row of the key that counts."""
    table = schema.encryption
    return connection.execute(sa.select(table).order_by(table.c.saved_at.desc())).first()


def _of_table(
    connection: Connection, table: sa.Table, seal: Seal, *, before: Seal | None = None
) -> int:
    """Seal each picture of a table, one at a time in memory; how many were.

    Sealed ones stay, or with the key before are sealed anew where they open.
    """
    keys = list(table.primary_key.columns)
    rows = connection.execute(sa.select(*keys)).all()
    new = 0
    for row in rows:
        here = sa.and_(*(key == value for key, value in zip(keys, row, strict=True)))
        content: bytes = connection.execute(sa.select(table.c.jpeg).where(here)).scalar_one()
        about = about_row(table.name, row)
        if is_sealed(content):
            try:
                if before is None:
                    continue
                content = before.opened(content, about=about)
            except StoreError:  # damaged: no key opens it; `store recheck` names it
                continue
        hidden = seal.sealed(content, about=about)
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
