"""``knee-angle store encrypt``: kept pictures under a key that is not in the store."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from knee_angle.cli.store import Where, opened_store, store_app
from knee_angle.errors import InvalidInput
from knee_angle.language import say, say_many, tell

if TYPE_CHECKING:
    from knee_angle.store import Store
    from knee_angle.store.sealing import Seal

__all__: list[str] = []


@store_app.command("encrypt")
def store_encrypt(
    key: Annotated[
        Path | None,
        typer.Option(
            help="The key's file, in another folder; made where there is none. Without: the key "
            "that KNEE_ANGLE_KEY or KNEE_ANGLE_KEY_FILE names.",
            show_default=False,
        ),
    ] = None,
    new_key: Annotated[
        Path | None,
        typer.Option(
            help="Change the key: another file, made where there is none; all pictures are "
            "encrypted anew.",
            show_default=False,
        ),
    ] = None,
    store: Where = None,
) -> None:
    """Encrypt kept pictures, those that are there and all to come; run again after a stop."""
    if key is not None and new_key is not None:
        raise InvalidInput(say("--key and --new-key exclude each other: name one"))
    with opened_store(store) as opened:
        if new_key is None:
            _encrypt(opened, key)
        else:
            _change_key(opened, new_key)


def _encrypt(opened: Store, key: Path | None) -> None:
    from knee_angle.store.encrypting import encrypt_pictures, refuse_beside
    from knee_angle.store.sealing import ENV_KEY_FILE, named_key
    from knee_angle.store.sealing import new_key as key_in

    if key is not None:
        refuse_beside(key, opened.engine)
    seal = named_key() if key is None else key_in(key)
    if seal is None:
        raise InvalidInput(
            say(
                "no key is named: give --key FILE, or name the key's file in {variable}",
                variable=ENV_KEY_FILE,
            )
        )
    _told(opened, seal, encrypt_pictures(opened, seal, key_file=key))
    print(
        tell(
            "Without the key no picture can be read again: keep a copy apart, and safe. Backups of "
            "before are not encrypted."
        )
    )


def _change_key(opened: Store, new_key: Path) -> None:
    from knee_angle.store.encrypting import change_key, refuse_beside
    from knee_angle.store.sealing import ENV_KEY, ENV_KEY_FILE
    from knee_angle.store.sealing import new_key as key_in

    refuse_beside(new_key, opened.engine)
    seal = key_in(new_key)
    count, shut = change_key(opened, seal, key_file=new_key)
    _told(opened, seal, count)
    if shut:
        print(
            tell(
                say_many(
                    "{count} picture does not open and stays as it is: store recheck names it",
                    "{count} pictures do not open and stay as they are: store recheck names them",
                    shut,
                )
            )
        )
    print(
        tell(
            "Without the new key no picture can be read again: keep a copy apart, and safe. "
            "Backups of before need the key of before. Where {key} or {file} names that one, name "
            "the new one now.",
            key=ENV_KEY,
            file=ENV_KEY_FILE,
        )
    )


def _told(opened: Store, seal: Seal, count: int) -> None:
    """Say how many pictures are encrypted, and under which key."""
    print(
        tell(
            say_many(
                "{where}: {count} picture encrypted, under the key {fingerprint}",
                "{where}: {count} pictures encrypted, under the key {fingerprint}",
                count,
                where=opened.overview().url,
                fingerprint=seal.fingerprint,
            )
        )
    )
