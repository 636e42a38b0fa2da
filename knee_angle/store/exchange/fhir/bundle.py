"""What belongs together as one Bundle, validated before it is handed on."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any, Literal, get_args

from knee_angle.errors import InvalidInput
from knee_angle.language import say
from knee_angle.machine.calibration import Line
from knee_angle.store import KeptCheck, KeptVisit, StoredMeasurement
from knee_angle.store.exchange.codes import CONCEPTS, LOCAL_SYSTEM, Codes
from knee_angle.store.exchange.fhir.course import (
    Entry,
    moment,
    narrative,
    of_measurement,
    of_visit,
    patient,
    software,
)
from knee_angle.store.exchange.fhir.machines import machine, of_check
from knee_angle.store.exchange.fhir.parts import Json
from knee_angle.store.exchange.fhir.value_sets import problems_of

__all__ = ["RELEASES", "Release", "bundle_of_checks", "bundle_of_course", "code_system", "model_of"]

Release = Literal["R4B", "R5"]
RELEASES: tuple[Release, ...] = get_args(Release)


def bundle_of_course(
    person: str,
    measurements: Sequence[StoredMeasurement],
    visits: Sequence[KeptVisit],
    *,
    release: Release,
    codes: Codes,
    at: datetime,
) -> Json:
    """A person's measurements and joint answers.

    Parameters
    ----------
    person : str
        Its code.
    measurements, visits
        Rows of that person; every photo of a visit is among the measurements.
    release : {"R4B", "R5"}
    codes : Codes
        A site's codes.
    at : datetime
        When it is handed on.

    Raises
    ------
    InvalidInput
        The extra ``[fhir]`` is missing, or a site's codes break a rule of FHIR.
    """
    entries = [patient(person)]
    versions = {one.row.software for one in measurements} | {one.software for one in visits}
    entries += [software(version, codes, release=release) for version in sorted(versions)]
    machines = {one.row.machine for one in measurements} | {one.machine for one in visits}
    for code in sorted(code for code in machines if code):
        entries += machine(code, None, codes, release=release, metric=False)
    for one in measurements:
        entries += of_measurement(one, codes)
    for visit in visits:
        entries += of_visit(visit, codes)
    return _bundle(entries, release, at)


def bundle_of_checks(
    code: str,
    checks: Sequence[KeptCheck],
    lines: Mapping[str, Line],
    *,
    release: Release,
    codes: Codes,
    at: datetime,
) -> Json:
    """A machine, its display, its checks, and what it showed; others as in `bundle_of_course`.

    Parameters
    ----------
    code : str
        The machine's.
    checks : sequence of KeptCheck
    lines : Mapping of row to Line
        Displayed against what it was held against, of the checks that are told setting by setting.
    release, codes, at
    """
    standing = [one for one in checks if one.counts]
    latest = max(standing, key=lambda one: one.taken_at, default=None)
    entries = list(machine(code, latest, codes, release=release))
    versions = sorted({one.software for one in checks})
    entries += [software(version, codes, release=release) for version in versions]
    for check in checks:
        entries += of_check(check, lines.get(check.id), codes)
    return _bundle(entries, release, at)


def code_system(*, version: str, release: Release) -> Json:
    """The local codes as a CodeSystem resource."""
    made: Json = {
        "resourceType": "CodeSystem",
        "id": LOCAL_SYSTEM.removeprefix("urn:uuid:"),
        "text": narrative(f"Local codes of knee_angle {version}: {len(CONCEPTS)} concepts"),
        "url": LOCAL_SYSTEM,
        "version": version,
        "name": "KneeAngleCodes",
        "title": "Knee angles in CPM machines",
        "status": "active",
        "experimental": False,
        "description": "Local codes for passive knee angles measured from bedside photos: no "
        "LOINC code that was seen fits, all of those are of active range of motion.",
        "caseSensitive": True,
        "content": "complete",
        "count": len(CONCEPTS),
        "concept": [
            {"code": name, "display": one.display, "definition": one.definition}
            for name, one in CONCEPTS.items()
        ],
    }
    _validated(made, release)
    return made


def _bundle(entries: Iterable[Entry], release: Release, at: datetime) -> Json:
    bundle: Json = {
        "resourceType": "Bundle",
        "type": "collection",
        "timestamp": moment(at),
        "entry": [{"fullUrl": urn, "resource": resource} for urn, resource in entries],
    }
    problems = problems_of(_validated(bundle, release), bundle)
    if problems:
        raise InvalidInput(
            say("FHIR {release}: {problems}", release=release, problems="; ".join(problems))
        )
    return bundle


def model_of(name: str, release: Release) -> Any:
    """The library's class of a resource."""
    try:
        if release == "R5":
            from fhir.resources import get_fhir_model_class
        else:
            from fhir.resources.R4B import get_fhir_model_class
    except ImportError:
        raise InvalidInput(
            say("FHIR needs the package fhir.resources: pip install 'knee-angle[fhir]'")
        ) from None
    return get_fhir_model_class(name)


def _validated(resource: Json, release: Release) -> Any:
    from pydantic import ValidationError

    try:
        return model_of(resource["resourceType"], release).model_validate(resource)
    except ValidationError as error:
        said = [
            f"{'.'.join(str(part) for part in one['loc'])}: {one['msg']}" for one in error.errors()
        ]
        raise InvalidInput(
            say("FHIR {release}: {problems}", release=release, problems="; ".join(said[:20]))
        ) from None
