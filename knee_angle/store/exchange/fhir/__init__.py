"""HL7 FHIR R4B and R5: a person's course and a machine's checks as bundles, and back.

Every angle is an Observation (UCUM ``deg``) with its ±, interval and the displayed angle as
components and a Provenance; photos of a visit have their joint answer beside them. Modules:
`parts` (a row's values as components, one table for writing and reading), `course` (a person's
Observations), `machines` (devices and checks), `bundle` (what belongs together, validated),
`value_sets` (codes that the library does not check), `back` (read again and compared).
"""

from knee_angle.store.exchange.fhir.back import Compared, compare, read_bundle
from knee_angle.store.exchange.fhir.bundle import (
    RELEASES,
    Release,
    bundle_of_checks,
    bundle_of_course,
    code_system,
)

__all__ = [
    "RELEASES",
    "Compared",
    "Release",
    "bundle_of_checks",
    "bundle_of_course",
    "code_system",
    "compare",
    "read_bundle",
]
