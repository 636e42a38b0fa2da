"""Codes in DICOM's form: a site's, else DICOM's own and SNOMED CT's, else local ones."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from highdicom.sr import CodedConcept
from pydicom.dataset import Dataset

from knee_angle.errors import InvalidInput
from knee_angle.language import say
from knee_angle.store.exchange.codes import LOCAL_SYSTEM, SCT, Codes
from knee_angle.store.exchange.dicom.identity import MANUFACTURER, cut, uid_of

__all__ = ["SCHEME", "coded", "schemes"]

SCHEME = "99KNEEANGLE"
"""Of local codes: 99 begins a private scheme (DICOM PS3.3 8.2)."""
DESIGNATORS: Mapping[str, str] = MappingProxyType(
    {LOCAL_SYSTEM: SCHEME, SCT: "SCT", "http://loinc.org": "LN"}
)
LONGEST_MEANING = 64
"""Of DICOM's type LO; a longer one is cut, its code is not."""


def coded(codes: Codes, name: str) -> CodedConcept:
    """A concept as a site, a standard or we code it.

    Raises
    ------
    InvalidInput
        A site's code is in a system whose DICOM designator is not known.
    """
    first = codes.of(name)[0]
    scheme = first.scheme or DESIGNATORS.get(first.system)
    if scheme is None:
        raise InvalidInput(
            say(
                '{name}: DICOM needs a designator for {system}: add scheme = "99..." (at most '
                "16 signs) to the site's codes",
                name=name,
                system=first.system,
            )
        )
    return CodedConcept(first.code, scheme, cut(first.display, LONGEST_MEANING))


def schemes(version: str) -> list[Dataset]:
    """What the local scheme is: for the header of what uses it."""
    made = Dataset()
    made.CodingSchemeDesignator = SCHEME
    made.CodingSchemeUID = uid_of("code system")
    made.CodingSchemeName = "Knee angles in CPM machines"
    made.CodingSchemeVersion = version
    made.CodingSchemeResponsibleOrganization = MANUFACTURER
    return [made]
