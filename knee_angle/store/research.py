"""Kept measurements for a study, under pseudonyms that only the key's holder can lead back.

* **Codes**: people and machines get pseudonyms by HMAC-SHA-256 with a secret key. The key is a
  file of its own and never stands beside the table: with it, and a list of codes, pseudonyms can
  be led back; without it they cannot be guessed, though codes are short. The same key gives the
  same pseudonyms, so that a later export of the same study can be joined.
* **Days**: the number of days since that person's first measurement, or dates that are all moved
  by the same number of days for one person (1 to 365, from the key). No time of day.
* **Left out**: accounts, file names, identifiers of rows and hashes of photos (whoever has a
  photo could find its row by it), pictures, and every sentence.

What a pseudonym cannot hide: a rare course of angles may still be known to who saw it.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, timedelta, tzinfo
from pathlib import Path
from typing import Any, Literal

from knee_angle.errors import InvalidInput
from knee_angle.language import say
from knee_angle.report import contract
from knee_angle.report.columns import COLUMNS, Column
from knee_angle.store.keeping import Store
from knee_angle.store.records import KeptVisit, StoredMeasurement
from knee_angle.store.sealing import KEY_BYTES, make_key
from knee_angle.store.table import (
    SETUP,
    joint_columns,
    joint_of,
    place_columns,
    setup_columns,
)

__all__ = [
    "RESEARCH_COLUMNS",
    "Dates",
    "Pseudonyms",
    "by_pseudonym",
    "first_days",
    "key_from",
    "research_rows",
]

Json = dict[str, Any]
Dates = Literal["days", "shifted"]

LETTERS = 12
"""Of a pseudonym: 60 bits, so that a million people meet with a chance of 1 in 2 million."""
MOST_SHIFT_DAYS = 365

LEFT_OUT = frozenset(
    {"photo", "photo_sha256", "reason", "advice", "finding_advice", "alarms", "cautions",
     "unused_dots", "seconds"}
)  # fmt: skip
"""Columns of the result that name a photo or are sentences."""


@dataclass(frozen=True, slots=True)
class Pseudonyms:
    """Codes under a key.

    Parameters
    ----------
    key : bytes
        Secret; 32 bytes.
    """

    key: bytes

    def of(self, kind: str, code: str | None) -> str | None:
        """The pseudonym of a code; another one for each kind of thing."""
        if code is None:
            return None
        return base64.b32encode(self._mac(f"{kind}:{code}")).decode()[:LETTERS]

    def shift(self, person: str) -> timedelta:
        """By how much a person's dates are moved into the past."""
        number = int.from_bytes(self._mac(f"days:{person}")[:8], "big")
        return timedelta(days=1 + number % MOST_SHIFT_DAYS)

    def _mac(self, text: str) -> bytes:
        return hmac.new(self.key, text.encode(), hashlib.sha256).digest()


def key_from(path: Path, *, beside: Path | None) -> Pseudonyms:
    """The key in a file, made there where there is none.

    Parameters
    ----------
    path : Path
        The key's file; readable by its owner alone.
    beside : Path or None
        The table that is written: the key must lie in another folder. None where the table
        is handed to another computer.

    Raises
    ------
    InvalidInput
        It would lie beside the table, or is no key.
    """
    if beside is not None and _folder(path) == _folder(beside):
        raise InvalidInput(
            say(
                "the key must not lie beside the table, but both are in {folder}: name a key in a "
                "folder that does not go along with the table",
                folder=path.absolute().parent,
            )
        )
    make_key(path)
    try:
        key = bytes.fromhex(path.read_text("ascii").strip())
    except (OSError, ValueError):
        key = b""
    if len(key) != KEY_BYTES:
        raise InvalidInput(
            say(
                "{name} must hold a key of {digits} hexadecimal digits: name the study's key, or a "
                "new file for a new one",
                name=path.name,
                digits=2 * KEY_BYTES,
            )
        )
    return Pseudonyms(key)


def _folder(path: Path) -> Path:
    return path.absolute().parent.resolve()


def first_days(store: Store, *, zone: tzinfo) -> dict[str, date]:
    """Each person's first day with a measurement that stands."""
    return {code: at.astimezone(zone).date() for code, at in store.first_taken().items()}


def by_pseudonym(store: Store, pseudonyms: Pseudonyms) -> Iterator[StoredMeasurement]:
    """Every measurement that stands, person by person in the order of their pseudonyms.

    In the order of time the rows of two people would tell who came first.
    """
    codes = [subject.code for subject in store.people()]
    for code in sorted(codes, key=lambda one: pseudonyms.of("person", one) or ""):
        yield from store.stored_measurements(person=code)
    yield from store.stored_measurements(nobodys=True)


_WHOSE: tuple[Column, ...] = (
    Column("person", "text", None, "pseudonym of the person", ()),
    Column("machine", "text", None, "pseudonym of the machine", ()),
    Column("visit", "text", None, "pseudonym of the visit: its photos share it", ()),
    Column("day", "count", "days", "days since the person's first measurement", ()),
    Column(
        "shifted_date", "text", None,
        "day, moved into the past by a number of days that is the person's own", (),
    ),
    Column("day_given", "flag", None, "whether the photo told when it was taken", ()),
)  # fmt: skip
_RESULT = tuple(column for name, column in COLUMNS.items() if name not in LEFT_OUT)

_PLACE = tuple(column for column, _ in place_columns())

RESEARCH_COLUMNS: Mapping[str, Column] = {
    column.name: column
    for column in (*_WHOSE, *setup_columns(), *_PLACE, *joint_columns(), *_RESULT)
}
"""Columns of the research table by name, in order."""


def research_rows(
    stored: Iterable[StoredMeasurement],
    visits: Iterable[KeptVisit],
    *,
    pseudonyms: Pseudonyms,
    firsts: Mapping[str, date],
    dates: Dates,
    zone: tzinfo,
) -> Iterator[Json]:
    """One row a measurement, in the columns of `RESEARCH_COLUMNS`.

    Parameters
    ----------
    stored : iterable of StoredMeasurement
    visits : iterable of KeptVisit
        For what all photos of a visit together say.
    pseudonyms : Pseudonyms
    firsts : Mapping of person to date
        `first_days`.
    dates : {"days", "shifted"}
        Which of the two columns is filled.
    zone : tzinfo
        Whose days.
    """
    joint = joint_of(visits)
    for one in stored:
        row = one.row
        day = row.taken_at.astimezone(zone).date()
        whose: Json = {
            "person": pseudonyms.of("person", row.person),
            "machine": pseudonyms.of("machine", row.machine),
            "visit": pseudonyms.of("visit", row.setup.visit),
            "day": None,
            "shifted_date": None,
            "day_given": row.taken_at_given,
        }
        if row.person is not None and dates == "days":
            whose["day"] = (day - firsts.get(row.person, day)).days
        elif row.person is not None:
            whose["shifted_date"] = (day - pseudonyms.shift(row.person)).isoformat()
        flat = contract.as_flat(one.contract)
        yield {
            **whose,
            **{column.name: take(row) for column, take in (*SETUP, *place_columns())},
            **joint.get(row.id, {column.name: None for column in joint_columns()}),
            **{column.name: flat[column.name] for column in _RESULT},
        }
