"""Kept pictures encrypted at rest, under a key that is not in the store.

A store is encrypted from the first row on that its table `encryption` holds: it names the key by
its fingerprint, and where the key's file lay. From then on every picture is AES-256-GCM under that
key (package cryptography, extra ``encrypted``), tied to its row: a picture that was put under
another row does not open. A further row is another key, under which all pictures were encrypted
anew; it holds the key before, sealed, for what lies outside the store and comes in again (photos
of visits that were open). Numbers, points, codes and the audit trail are not encrypted.

The key is 64 hexadecimal digits: in the variable ``KNEE_ANGLE_KEY``, in the file that
``KNEE_ANGLE_KEY_FILE`` names, or in the file that the store names, in this order. Without it
everything but pictures works.
"""

from __future__ import annotations

import hashlib
import hmac
import os
import secrets
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import sqlalchemy as sa
from sqlalchemy.engine import URL, Connection

from knee_angle.errors import InvalidInput, KeyLacking, StoreError
from knee_angle.files import write_whole
from knee_angle.language import say
from knee_angle.store import opening, schema

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM

__all__ = [
    "ENV_KEY",
    "ENV_KEY_FILE",
    "KEY_BYTES",
    "Seal",
    "about_row",
    "is_sealed",
    "kept_under",
    "make_key",
    "named_key",
    "new_key",
    "opened",
    "seal_at",
    "seal_of",
    "sealed",
]

ENV_KEY, ENV_KEY_FILE = "KNEE_ANGLE_KEY", "KNEE_ANGLE_KEY_FILE"
KEY_BYTES, NONCE_BYTES = 32, 12
MARK = b"KASEAL1\0"
"""Begins every sealed picture; a JPEG begins otherwise."""


def about_row(table: str, key: Sequence[str]) -> str:
    """What a picture is tied to: the table and the key of its row."""
    return " ".join((table, *key))


def is_sealed(content: bytes) -> bool:
    """Whether it was sealed by a `Seal`."""
    return content.startswith(MARK)


@dataclass(frozen=True, slots=True)
class Seal:
    """A key that seals and opens.

    Parameters
    ----------
    key : bytes
        Secret; 32 bytes.
    earlier : tuple of bytes
        Keys of before, which open as well.
    """

    key: bytes = field(repr=False)
    earlier: tuple[bytes, ...] = field(default=(), repr=False)

    @property
    def fingerprint(self) -> str:
        """Names the key without telling anything of it."""
        return hmac.new(self.key, b"knee-angle fingerprint", hashlib.sha256).hexdigest()[:16]

    def sealed(self, content: bytes, *, about: str) -> bytes:
        """The content under the key, tied to what it is about."""
        nonce = secrets.token_bytes(NONCE_BYTES)
        return MARK + nonce + self._cipher().encrypt(nonce, content, about.encode())

    def opened(self, content: bytes, *, about: str) -> bytes:
        """What was sealed.

        Raises
        ------
        StoreError
            It was changed, is about something else, or another key's.
        """
        from cryptography.exceptions import InvalidTag

        nonce, inside = content[len(MARK) :][:NONCE_BYTES], content[len(MARK) + NONCE_BYTES :]
        for seal in (self, *map(Seal, self.earlier)):
            with suppress(InvalidTag, ValueError):
                return seal._cipher().decrypt(nonce, inside, about.encode())
        raise StoreError(
            say(
                "an encrypted picture does not open with the key {fingerprint}: it was "
                "changed, or belongs to another key; bring back the last backup",
                fingerprint=self.fingerprint,
            )
        )

    def _cipher(self) -> AESGCM:
        try:
            from cryptography.hazmat.primitives.ciphers.aead import AESGCM
        except ImportError:
            raise KeyLacking(
                say(
                    "encrypted pictures need the package cryptography: pip install "
                    "'knee-angle[encrypted]'"
                )
            ) from None
        return AESGCM(self.key)


# ------------------------------------------------------------------ keys


def new_key(path: Path) -> Seal:
    """The key in a file, made there where there is none; errors as `make_key` and `named_key`."""
    make_key(path)
    return _key_in(path)


def make_key(path: Path) -> None:
    """Write a key of `KEY_BYTES`, in hexadecimal digits, for its owner alone, if none is there.

    Raises
    ------
    InvalidInput
        It cannot be written there.
    """
    try:
        if not path.exists():
            write_whole(path, secrets.token_hex(KEY_BYTES) + "\n", new=True)
    except OSError as error:
        raise InvalidInput(
            say(
                "the key {path} cannot be written ({why}): name another file",
                path=path,
                why=error.strerror,
            )
        ) from None


def named_key() -> Seal | None:
    """The key that the environment names; None where it names none."""
    if text := os.environ.get(ENV_KEY, "").strip():
        return _key_of(text, ENV_KEY)
    if place := os.environ.get(ENV_KEY_FILE, "").strip():
        return _key_in(Path(place))
    return None


def _key_in(path: Path) -> Seal:
    try:
        text = path.read_text("ascii")
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or say("no text")
        raise KeyLacking(
            say(
                "the key {path} cannot be read ({why}): put it there, or name its file in "
                "{variable}",
                path=path,
                why=why,
                variable=ENV_KEY_FILE,
            )
        ) from None
    return _key_of(text.strip(), str(path))


def _key_of(text: str, place: str) -> Seal:
    try:
        key = bytes.fromhex(text)
    except ValueError:
        key = b""
    if len(key) != KEY_BYTES:
        raise KeyLacking(
            say(
                "{place} must hold a key of {digits} hexadecimal digits: name the store's key",
                place=place,
                digits=2 * KEY_BYTES,
            )
        )
    return Seal(key)


# ------------------------------------------------------------------ a store's pictures


def seal_of(connection: Connection) -> Seal | None:
    """The seal of a store's pictures; None where it is not encrypted.

    Raises
    ------
    KeyLacking
        It is, and its key is not here or another one.
    """
    table = schema.encryption
    # A store of before has no column `earlier`, and no second key.
    query = sa.select(table.c.fingerprint, table.c.key_file).order_by(table.c.saved_at.desc())
    rows = connection.execute(query).all()
    if not rows:
        return None
    row, seal = rows[0], named_key()
    if seal is None:
        if not row.key_file:
            raise KeyLacking(
                say(
                    "the store's pictures are encrypted under the key {fingerprint}: name its "
                    "file in {variable}",
                    fingerprint=row.fingerprint,
                    variable=ENV_KEY_FILE,
                )
            )
        seal = _key_in(Path(row.key_file))
    if seal.fingerprint != row.fingerprint:
        raise KeyLacking(
            say(
                "the store's pictures are encrypted under the key {fingerprint}, but the key "
                "that is named is {other}: name the right one in {variable}",
                fingerprint=row.fingerprint,
                other=seal.fingerprint,
                variable=ENV_KEY_FILE,
            )
        )
    earlier: list[bytes] = []
    for kept, before in pairwise(rows):
        holder = Seal(earlier[-1] if earlier else seal.key)
        query = sa.select(table.c.earlier).where(table.c.fingerprint == kept.fingerprint)
        held = bytes.fromhex(connection.execute(query).scalar_one())
        earlier.append(holder.opened(held, about=before.fingerprint))
    return replace(seal, earlier=tuple(earlier))


def kept_under(seal: Seal, before: Seal) -> str:
    """The key before, for the row of the one that comes after it; `seal_of` opens it."""
    return seal.sealed(before.key, about=before.fingerprint).hex()


def seal_at(url: URL) -> Seal | None:
    """The seal of the store at a URL, for what lies beside it; None where none is needed.

    Raises
    ------
    StoreError
        It cannot be asked, or as `seal_of`.
    """
    if url.get_backend_name() == "sqlite":
        path = Path(str(url.database))
        if not path.exists() or path.stat().st_size == 0:
            return None
        engine = opening.read_only_engine(path)
    else:
        engine = opening.opened_engine(url)
    try:
        with opening.in_words(url), engine.connect() as connection:
            there = sa.inspect(connection).has_table(schema.encryption.name)
            return seal_of(connection) if there else None
    finally:
        engine.dispose()


def sealed(connection: Connection, content: bytes, *, about: str) -> bytes:
    """A picture as this store keeps it: sealed where the store is encrypted."""
    if connection.dialect.name == "postgresql":
        # Waits for an encrypting that is under way, and sees then that the store is encrypted.
        connection.exec_driver_sql("LOCK TABLE encryption IN ROW SHARE MODE")
    seal = seal_of(connection)
    return content if seal is None else seal.sealed(content, about=about)


def opened(connection: Connection, content: bytes, *, about: str) -> bytes:
    """A kept picture as it was given."""
    if not is_sealed(content):
        return content
    seal = seal_of(connection)
    if seal is None:
        raise StoreError(
            say("an encrypted picture is in a store that names no key: bring back the last backup")
        )
    return seal.opened(content, about=about)
