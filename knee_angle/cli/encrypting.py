"""``knee-angle store encrypt``: kept pictures under a key that is not in the store."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from knee_angle.cli.store import Where, opened_store, store_app
from knee_angle.errors import InvalidInput
from knee_angle.language import say, say_many, tell

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
    store: Where = None,
) -> None:
    """Encrypt kept pictures, those that are there and all to come; run again after a stop."""
    from knee_angle.store.encrypting import encrypt_pictures, refuse_beside
    from knee_angle.store.sealing import ENV_KEY_FILE, named_key, new_key

    with opened_store(store) as opened:
        if key is not None:
            refuse_beside(key, opened.engine)
        seal = named_key() if key is None else new_key(key)
        if seal is None:
            raise InvalidInput(
                say(
                    "no key is named: give --key FILE, or name the key's file in {variable}",
                    variable=ENV_KEY_FILE,
                )
            )
        count = encrypt_pictures(opened, seal, key_file=key)
        where = opened.overview().url
    print(
        tell(
            say_many(
                "{where}: {count} picture encrypted, under the key {fingerprint}",
                "{where}: {count} pictures encrypted, under the key {fingerprint}",
                count,
                where=where,
                fingerprint=seal.fingerprint,
            )
        )
    )
    print(
        tell(
            "Without the key no picture can be read again: keep a copy apart, and safe. Backups of "
            "before are not encrypted."
        )
    )
