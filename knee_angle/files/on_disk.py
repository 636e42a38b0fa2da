"""A mapping that lies on the disk: any number of entries in the same memory."""

from __future__ import annotations

import json
import sqlite3
import weakref
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import fields
from operator import attrgetter
from typing import Any, TypeVar

from knee_angle.errors import InvalidInput
from knee_angle.language import say

__all__ = ["OnDisk", "packing"]

AT_ONCE = 500
"""So many entries are in memory while all are gone through."""


V = TypeVar("V")


class OnDisk(Mapping[str, V]):
    """Texts and what belongs to each, in a file without a name that goes with the process.

    It keeps the order in which keys came, as a dict does; with ``by_key`` that of the keys. It
    may grow while it is gone through; what comes behind is gone through too.

    Parameters
    ----------
    pack, unpack : callable
        From a value to what JSON can hold, and back.
    by_key : bool
        Whether to go through it in the order of the keys.
    """

    def __init__(
        self, pack: Callable[[V], Any], unpack: Callable[[Any], V], *, by_key: bool = False
    ) -> None:
        self._pack, self._unpack = pack, unpack
        # Without a name SQLite keeps 2 MB in memory, the rest in a file it has unlinked already.
        self._base = sqlite3.connect("", isolation_level=None, check_same_thread=False)
        weakref.finalize(self, self._base.close)
        self._base.execute("PRAGMA journal_mode = OFF")
        self._base.execute(
            "CREATE TABLE entries (at INTEGER PRIMARY KEY, key BLOB UNIQUE NOT NULL, value TEXT)"
        )
        self._order = "key" if by_key else "at"
        self._before: bytes | int = b"" if by_key else -1

    def __len__(self) -> int:
        # Nothing is ever taken out; counting would go through all of them.
        return int(self._base.execute("SELECT coalesce(max(at), 0) FROM entries").fetchone()[0])

    def __contains__(self, key: object) -> bool:
        return isinstance(key, str) and self._found(key) is not None

    def __getitem__(self, key: str) -> V:
        found = self._found(key)
        if found is None:
            raise KeyError(key)
        return self._unpack(json.loads(found))

    def __setitem__(self, key: str, value: V) -> None:
        with _in_words():
            self._base.execute(
                "INSERT INTO entries (key, value) VALUES (?, ?) "
                "ON CONFLICT (key) DO UPDATE SET value = excluded.value",
                (_bytes(key), json.dumps(self._pack(value))),
            )

    def __iter__(self) -> Iterator[str]:
        return (_text(key) for key, _ in self._rows())

    def pairs(self) -> Iterator[tuple[str, V]]:
        """Every key with its value; faster than one by one."""
        return ((_text(key), self._unpack(json.loads(value))) for key, value in self._rows())

    def _found(self, key: str) -> str | None:
        row = self._base.execute("SELECT value FROM entries WHERE key = ?", (_bytes(key),))
        found = row.fetchone()
        return None if found is None else str(found[0])

    def _rows(self) -> Iterator[tuple[bytes, str]]:
        """Keys and values, a few hundred in memory at a time."""
        last: Any = self._before
        ask = f"SELECT {self._order}, key, value FROM entries WHERE {self._order} > ? "  # noqa: S608
        while some := self._base.execute(
            f"{ask} ORDER BY {self._order} LIMIT {AT_ONCE}", (last,)
        ).fetchall():
            yield from (row[1:] for row in some)
            last = some[-1][0]


def packing(kind: type[V]) -> tuple[Callable[[V], Any], Callable[[Any], V]]:
    """``pack`` and ``unpack`` of a dataclass whose fields JSON can hold."""
    values = attrgetter(*(field.name for field in fields(kind)))  # type: ignore[arg-type]
    return values, lambda kept: kind(*kept)


def _bytes(key: str) -> bytes:
    # Half a surrogate pair, as in a file's name that is not UTF-8, is a key like any other;
    # the order of these bytes is that of the texts.
    return key.encode("utf-8", "surrogatepass")


def _text(key: bytes) -> str:
    return key.decode("utf-8", "surrogatepass")


@contextmanager
def _in_words() -> Iterator[None]:
    """A full disk in one line."""
    try:
        yield
    except sqlite3.OperationalError as error:
        raise InvalidInput(
            say(
                "the folder for temporary files takes no more ({error}): make room, or name "
                "another one in TMPDIR; what is done is kept",
                error=error,
            )
        ) from None
