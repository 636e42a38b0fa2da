"""Whether kept pictures are still what was kept: each opened, and compared with its hash."""

from __future__ import annotations

import hashlib
import io
import warnings
from collections.abc import Iterator
from dataclasses import dataclass

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from knee_angle.errors import KeyLacking, StoreError
from knee_angle.language import say
from knee_angle.store import schema, sealing

__all__ = ["PictureCheck", "recheck_pictures"]


@dataclass(frozen=True, slots=True)
class PictureCheck:
    """A kept picture that was looked at.

    Parameters
    ----------
    of : str
        Its row: measurement, or machine check and photo.
    wrong : str or None
        Why it is not the picture that was kept; None where it is.
    """

    of: str
    wrong: str | None


def recheck_pictures(connection: Connection) -> Iterator[PictureCheck]:
    """Open every kept picture, and miss those that are gone; one at a time in memory.

    Raises
    ------
    KeyLacking
        They are encrypted, and the store's key is not here.
    """
    sealing.seal_of(connection)  # without the key nothing can be said of any
    hashes = schema.picture_hashes
    for table in (schema.photos, schema.check_photos):
        keys = list(table.primary_key.columns)
        for row in connection.execute(sa.select(*keys).order_by(*keys)).all():
            about = sealing.about_row(table.name, row)
            kept = sa.select(hashes.c.sha256).where(hashes.c.about == about)
            here = sa.and_(*(key == value for key, value in zip(keys, row, strict=True)))
            content = connection.execute(sa.select(table.c.jpeg).where(here)).scalar_one()
            recorded = connection.execute(kept).scalar_one_or_none()
            yield PictureCheck(_named(about), _wrong(connection, content, about, recorded))
    pictures, of_checks = schema.photos.c, schema.check_photos.c
    there = sa.union_all(
        sa.select(sa.literal("photos ") + pictures.measurement),
        sa.select(sa.literal("check_photos ") + of_checks.checked + " " + of_checks.name),
    )
    gone = sa.select(hashes.c.about).where(hashes.c.about.not_in(there)).order_by(hashes.c.about)
    for about in connection.execute(gone).scalars():
        yield PictureCheck(_named(about), say("its picture was kept and is gone"))


def _wrong(connection: Connection, content: bytes, about: str, recorded: str | None) -> str | None:
    """What is wrong with a picture as it is kept; None where nothing is."""
    try:
        jpeg = sealing.opened(connection, content, about=about)
    except KeyLacking:
        raise
    except StoreError as error:
        return str(error)
    if recorded is not None:
        same = hashlib.sha256(jpeg).hexdigest() == recorded
        return None if same else say("its picture is not the one that was kept (another hash)")
    try:  # kept before hashes were
        from PIL import Image

        with warnings.catch_warnings():
            warnings.simplefilter("error")  # one of very many pixels is not decoded
            with Image.open(io.BytesIO(jpeg), formats=["JPEG"]) as picture:
                picture.load()
    except Exception as error:  # noqa: BLE001  a decoder raises what it likes
        why = " ".join(str(error).split())[:100]
        return say("its picture does not open ({why})", why=why)
    return None


def _named(about: str) -> str:
    """A picture's row in words."""
    table, row, *name = about.split(" ")
    if table == schema.photos.name:
        return say("measurement {id}", id=row)
    return say("machine check {id}, {name}", id=row, name=" ".join(name))
