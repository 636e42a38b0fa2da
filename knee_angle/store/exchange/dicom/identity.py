"""Whose it is and which study: the same identifiers for the same row, whenever it is exported."""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping
from datetime import datetime

from pydicom.dataset import Dataset

from knee_angle.store import KeptMeasurement
from knee_angle.store.exchange.codes import NAMESPACE

__all__ = [
    "ISSUER",
    "MANUFACTURER",
    "as_name",
    "begun_of",
    "cut",
    "date_of",
    "study_of",
    "time_of",
    "uid_of",
]

MANUFACTURER = "The knee_angle developers"
ISSUER = "knee_angle"
"""Of a patient's code: an archive must not take it for one of the hospital's own numbers."""
LONGEST_NAME = 63
"""Of a component group of DICOM's type PN, with its caret."""


def uid_of(*what: str) -> str:
    """A unique identifier made from a UUID (DICOM PS3.5 B.2); the same for the same words."""
    return f"2.25.{uuid.uuid5(NAMESPACE, chr(0).join(what)).int}"


def date_of(at: datetime) -> str:
    """A day as DICOM's DA, in UTC as the store keeps it."""
    return at.strftime("%Y%m%d")


def time_of(at: datetime) -> str:
    """A time as DICOM's TM, in UTC."""
    return at.strftime("%H%M%S.%f")


def as_name(code: str) -> str:
    """A code where DICOM wants a person's name: one component, told by its caret."""
    plain = "".join(" " if sign in "^=\\" or not sign.isprintable() else sign for sign in code)
    return f"{cut(plain, LONGEST_NAME).strip()}^"


def cut(text: str, longest: int) -> str:
    """Its beginning, in bytes: validators do not count a letter of two bytes as one."""
    return text.encode()[:longest].decode(errors="ignore")


def begun_of(rows: Iterable[KeptMeasurement]) -> Mapping[str, datetime]:
    """When each visit began: with its first photo, whatever became of that one's row."""
    begun: dict[str, datetime] = {}
    for row in rows:
        if row.setup.visit is not None:
            begun[row.setup.visit] = min(row.taken_at, begun.get(row.setup.visit, row.taken_at))
    return begun


def study_of(row: KeptMeasurement, *, begun: datetime | None = None) -> Dataset:
    """Patient and study: a code in place of a name; photos of a visit are one study.

    Parameters
    ----------
    row : KeptMeasurement
    begun : datetime, optional
        When its visit began (`begun_of`): all files of a study must say the same.
    """
    person = row.person or ""
    begun = row.taken_at if begun is None else begun
    made = Dataset()
    made.SpecificCharacterSet = "ISO_IR 192"
    made.TimezoneOffsetFromUTC = "+0000"
    made.PatientID = person
    made.IssuerOfPatientID = ISSUER
    made.PatientName = as_name(person)
    made.PatientBirthDate = ""
    made.PatientSex = ""
    made.StudyInstanceUID = uid_of("study", row.setup.visit or row.id)
    made.StudyDate = date_of(begun)
    made.StudyTime = time_of(begun)
    made.StudyID = (row.setup.visit or row.id)[:16]
    made.AccessionNumber = ""
    made.ReferringPhysicianName = ""
    made.StudyDescription = "Knee in a CPM machine"
    return made
