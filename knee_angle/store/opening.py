"""Opening a store: where it is, its pragmas, its migrations, and every database error in words.

SQLite: WAL (readers never wait), FULL sync (an acknowledged save survives a power
cut), foreign keys. A write takes the lock when it begins, so two writers wait for each
other instead of failing half-way. PostgreSQL: any URL that SQLAlchemy takes, through
psycopg (extra ``postgres``).
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import quote

import platformdirs
import sqlalchemy as sa
from sqlalchemy import event
from sqlalchemy.engine import URL, Connection, Engine, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, IntegrityError, NoSuchModuleError
from sqlalchemy.pool import NullPool

from knee_angle.errors import InvalidInput, KneeAngleError, NoStoreYet, StoreError
from knee_angle.language import say

__all__ = [
    "ENV_URL",
    "AlreadyThereError",
    "check_pages",
    "default_url",
    "in_words",
    "known_revisions",
    "look_first",
    "migrate",
    "opened_engine",
    "read_only_engine",
    "revision_of",
    "rows_in_words",
    "shown",
    "writing",
]


class AlreadyThereError(StoreError):
    """The row, or its place, is taken."""


ENV_URL = "KNEE_ANGLE_STORE"
"""Environment variable that names another store: a URL, or a path for SQLite."""
WAIT_S = 15.0
"""How long a write waits for another writer; a save takes milliseconds."""
MIGRATIONS = Path(__file__).with_name("migrations")
MIGRATION_LOCK = 5_418_002
"""PostgreSQL advisory lock held while migrating; any number, always the same."""


def default_url(given: str | Path | None = None) -> URL:
    """The store's URL: as given, else the environment's, else the user's data folder.

    Raises
    ------
    InvalidInput
        A URL of a database that is neither SQLite nor PostgreSQL; or none was given and the
        account has no home.
    """
    text = str(given or os.environ.get(ENV_URL, ""))
    try:
        if not text:
            text = str(Path(platformdirs.user_data_dir("knee-angle")) / "measurements.db")
        text.encode()  # half a letter from the environment is in no file's name or URL
        if "://" not in text:
            return URL.create("sqlite", database=str(Path(text).expanduser()))
    except UnicodeEncodeError:
        raise InvalidInput(
            say("the store's place is no text: correct {env_url}", env_url=ENV_URL)
        ) from None
    except RuntimeError:  # how platformdirs and pathlib say that there is no home
        raise InvalidInput(
            say(
                "the store has no place, as this account has no home folder: name a file "
                "in {env_url}",
                env_url=ENV_URL,
            )
        ) from None
    try:
        url = make_url(text)
    except (ArgumentError, ValueError):
        raise InvalidInput(
            say("the store's URL cannot be read: write it like sqlite:///FILE")
        ) from None
    if url.get_backend_name() == "postgresql":
        return url.set(drivername="postgresql+psycopg")
    if url.get_backend_name() == "sqlite" and url.database not in (None, "", ":memory:"):
        return url.set(drivername="sqlite")
    raise InvalidInput(
        say(
            "the store must be a SQLite file or a postgresql:// URL, but got {render_as_string}",
            render_as_string=url.render_as_string(hide_password=True),
        )
    )


def shown(url: URL) -> str:
    """The URL for a person: a path for SQLite, without the password for PostgreSQL."""
    if url.get_backend_name() == "sqlite":
        return str(url.database)
    return url.render_as_string(hide_password=True)


def opened_engine(url: URL) -> Engine:
    """An engine for the URL with our settings on every connection; touches no table.

    Raises
    ------
    StoreError
        Where the folder cannot be made, or psycopg is missing.
    """
    if url.get_backend_name() == "sqlite":
        _make_folder(Path(str(url.database)))
        engine = sa.create_engine(url, connect_args={"timeout": WAIT_S})
        event.listen(engine, "connect", _set_up_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
        return engine
    try:
        return sa.create_engine(url, connect_args={"connect_timeout": 10})
    except (ModuleNotFoundError, NoSuchModuleError):
        raise StoreError(
            say("PostgreSQL needs the package psycopg: install knee-angle[postgres]")
        ) from None


OUR_TABLES = {"people", "machines", "prescriptions", "measurements", "audit"}
"""Tables of ours that every version has."""


def look_first(url: URL, *, create: bool) -> None:
    """Refuse what is not ours, and nothing at all where no store may be made; changes nothing.

    Raises
    ------
    NoStoreYet
        There is no store, and none may be made.
    StoreError
        Another program's tables are there, or the store cannot be read.
    """
    tables = _tables_at(url)
    # A migration that was rolled back can leave that table, empty.
    if tables <= {"alembic_version"}:
        if create:
            return
        raise NoStoreYet(
            say(
                "there is no store at {shown}: correct the path (--store or {env_url}), or "
                "make one by `knee-angle store person CODE` or `knee-angle store machine "
                "CODE`",
                shown=shown(url),
                env_url=ENV_URL,
            ),
            place=shown(url),
        )
    if not {"alembic_version", *OUR_TABLES} <= tables:
        raise StoreError(
            say(
                "the store {shown} cannot be used: what is there belongs to another "
                "program, and was not changed. Name a new file or an empty database "
                "(--store or {env_url})",
                shown=shown(url),
                env_url=ENV_URL,
            )
        )


def _tables_at(url: URL) -> set[str]:
    """Names of the tables that are there, read without changing a byte."""
    if url.get_backend_name() == "sqlite":
        path = Path(str(url.database))
        with suppress(OSError):  # what may not be looked at is told when it is opened
            if not path.exists() or path.stat().st_size == 0:
                return set()
        engine = read_only_engine(path)
    else:
        engine = opened_engine(url)
    try:
        with in_words(url), rows_in_words(url), engine.connect() as connection:
            return set(sa.inspect(connection).get_table_names())
    finally:
        engine.dispose()


def read_only_engine(path: Path) -> Engine:
    """An engine that changes nothing of an SQLite file."""

    def opened() -> sqlite3.Connection:
        return sqlite3.connect(f"file:{quote(str(path))}?mode=ro", uri=True, timeout=WAIT_S)

    return sa.create_engine("sqlite://", creator=opened, poolclass=NullPool)


CHECKED_AT_OPENING_BYTES = 16 * 1024 * 1024
"""Up to this size a file's pages are checked whenever it is opened; our own choice."""


def check_pages(engine: Engine, *, at_opening: bool = False) -> None:
    """Look whether the pages of an SQLite file are whole; PostgreSQL checks its own.

    Raises
    ------
    StoreError
        A page is damaged: rows could be missing without a word.
    """
    if engine.dialect.name != "sqlite":
        return
    if at_opening and Path(str(engine.url.database)).stat().st_size > CHECKED_AT_OPENING_BYTES:
        return
    with in_words(engine.url), engine.connect() as connection:
        found = connection.exec_driver_sql("PRAGMA quick_check(1)").scalar_one()
    if found != "ok":
        raise StoreError(
            say(
                "the store {shown} {damaged} (SQLite says: {found})",
                shown=shown(engine.url),
                damaged=DAMAGED,
                found=" ".join(str(found).split()),
            )
        )


@contextmanager
def rows_in_words(url: URL) -> Iterator[None]:
    """Turn a row that cannot be understood (damage inside a page) into one line.

    Raises
    ------
    StoreError
        In place of whatever reading the row gave.
    """
    try:
        yield
    except KneeAngleError:
        raise
    except (
        ValueError, TypeError, LookupError, AttributeError, ArithmeticError, RecursionError,
        ExceptionGroup,
    ) as error:  # fmt: skip
        first = str(error).partition("\n")[0]
        raise StoreError(
            say(
                "the store {shown} {damaged} (a row cannot be read: {first})",
                shown=shown(url),
                damaged=DAMAGED,
                first=first,
            )
        ) from error


def _make_folder(path: Path) -> None:
    """The data folder, for its owner only."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        if not path.exists():
            path.touch(mode=0o600)
    except OSError as error:
        raise StoreError(
            say(
                "the store {path} cannot be made ({error}): name another by {env_url}",
                path=path,
                error=error.strerror,
                env_url=ENV_URL,
            )
        ) from None


def _set_up_sqlite(connection: sqlite3.Connection, _record: Any) -> None:
    # Python's driver would begin and commit by itself: SQLAlchemy does it, below.
    connection.isolation_level = None
    for pragma in (
        "journal_mode = WAL",
        "synchronous = FULL",
        "foreign_keys = ON",
        # Without it INSERT OR REPLACE would delete a row past its trigger.
        "recursive_triggers = ON",
    ):
        connection.execute(f"PRAGMA {pragma}").close()


def _begin_sqlite(connection: Connection) -> None:
    """A write takes the lock at once; a reader sees one moment and locks nobody."""
    writes = connection.get_execution_options().get("knee_angle_writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def migrate(engine: Engine) -> str:
    """Bring the tables to the newest version; the revision that it is then at.

    All steps run in one transaction: where one fails, nothing has changed and all stay
    pending. Two programs that open a new store at once wait for each other.

    Raises
    ------
    StoreError
        A store written by newer software: it is not touched.
    """
    newest = max(known_revisions())
    with in_words(engine.url), engine.connect() as connection:
        if not _pending(connection, newest):
            return newest
    with in_words(engine.url), writing(engine) as connection:
        if engine.dialect.name == "postgresql":
            connection.execute(sa.select(sa.func.pg_advisory_xact_lock(MIGRATION_LOCK)))
        # Another program may have done it while this one waited for the lock.
        if _pending(connection, newest):
            _upgrade(connection)
    return newest


def _upgrade(connection: Connection) -> None:
    # Loaded here alone: most commands find a store whose tables are the newest.
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    config.attributes["connection"] = connection
    command.upgrade(config, "head")


def _pending(connection: Connection, newest: str) -> bool:
    """Whether steps are pending; a store that is ahead of us is refused."""
    at = revision_of(connection)
    if at is not None and at not in known_revisions():
        raise StoreError(
            say(
                "the store {shown} was written by newer software (tables {at}, this one "
                "knows {newest}): update knee-angle; nothing was changed",
                shown=shown(connection.engine.url),
                at=ascii(at)[1:41],
                newest=newest,
            )
        )
    return at != newest


@cache
def known_revisions() -> frozenset[str]:
    """Versions of the tables that this software can read: each step's file is named by its own."""
    return frozenset(path.name[1:5] for path in MIGRATIONS.glob("versions/m[0-9]*.py"))


def revision_of(connection: Connection) -> str | None:
    """Which version the tables are at; None where there are none."""
    if not sa.inspect(connection).has_table("alembic_version"):
        return None
    at: str | None = connection.scalar(sa.text("SELECT version_num FROM alembic_version"))
    return at


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """A transaction that writes: all of it is kept, or nothing."""
    with engine.execution_options(knee_angle_writes=True).begin() as connection:
        yield connection


FULL = say("has no room left: free some space, then save again")
BUSY = say(
    "was in use by another program for {wait_s:g} s: wait until that has "
    "finished, or close it, then try again",
    wait_s=WAIT_S,
)
DAMAGED = say(
    "is damaged and was not changed: move it aside and bring back the last "
    "backup by `knee-angle store restore BACKUP`"
)
SQLITE_SAYS: dict[str, str] = {
    "SQLITE_FULL": FULL,
    "SQLITE_IOERR": say(
        "could not be written or read (disk full or failing?): check the disk, then try again"
    ),
    "SQLITE_BUSY": BUSY,
    "SQLITE_LOCKED": BUSY,
    "SQLITE_NOTADB": DAMAGED,
    "SQLITE_CORRUPT": DAMAGED,
    "SQLITE_READONLY": say(
        "may only be read: give this user the right to write the file and its "
        "folder, then try again"
    ),
    "SQLITE_CANTOPEN": say("cannot be opened: check that the file and its folder are yours"),
}
"""What an SQLite error means, by the start of its name."""
POSTGRES_SAYS: dict[str, str] = {
    "53": FULL,
    "40": BUSY,
    "55": BUSY,
    "57": say("was stopped: start the database, then try again"),
    "28": say("refused the user or password: check the URL"),
    "3D": say("does not exist: have the database created, then try again"),
    "42501": say("refused the right to do this: ask for CREATE and INSERT in this database"),
    "XX001": DAMAGED,
    "XX002": DAMAGED,
}
"""What a PostgreSQL error means, by the start of its SQLSTATE."""


@contextmanager
def in_words(url: URL) -> Iterator[None]:
    """Turn what the database says into one line with the next step.

    Raises
    ------
    StoreError
        In place of any database error.
    """
    try:
        yield
    except DBAPIError as error:
        cause = error.orig or error
        first = str(cause).strip().partition("\n")[0]
        if isinstance(error, IntegrityError) and "unique" in first.lower():
            raise AlreadyThereError(
                say("the store {shown} holds that row already", shown=shown(url))
            ) from error
        says = _meaning(cause) or say("could not do this ({first})", first=first)
        # A server that went away in the last moment may have done it without telling.
        now = (
            say("may not have been done: look first")
            if error.connection_invalidated
            else say("was not done")
        )
        raise StoreError(
            say(
                "the store {shown} {says}. What was told as kept before is kept; what was "
                "asked now {now}.",
                shown=shown(url),
                says=says,
                now=now,
            )
        ) from error


def _meaning(cause: BaseException) -> str | None:
    name = getattr(cause, "sqlite_errorname", None)
    if name is not None:
        return next((said for start, said in SQLITE_SAYS.items() if name.startswith(start)), None)
    state = getattr(cause, "sqlstate", None)
    if state is not None:
        return next(
            (said for start, said in POSTGRES_SAYS.items() if state.startswith(start)), None
        )
    if type(cause).__name__ == "OperationalError":
        return say(
            "does not answer: check that the database runs and the URL is right, then try again"
        )
    return None
