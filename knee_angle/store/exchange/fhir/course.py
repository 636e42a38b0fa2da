"""A person's kept rows as Observations: each photo, and each visit's joint answer."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from html import escape

from knee_angle.records import Side
from knee_angle.store import KeptCheck, KeptMeasurement, KeptVisit, StoredMeasurement
from knee_angle.store.exchange.codes import Codes
from knee_angle.store.exchange.fhir.parts import (
    JOINT,
    MEASURED,
    VISIT,
    Json,
    components,
    concept,
    degrees,
    identifier,
    named_urn,
    row_urn,
)

__all__ = [
    "moment",
    "narrative",
    "of_measurement",
    "of_visit",
    "patient",
    "provenance",
    "software",
    "software_urn",
    "status_of",
]

Entry = tuple[str, Json]
"""A resource with its address in the bundle."""

EXAM = {
    "coding": [
        {
            "system": "http://terminology.hl7.org/CodeSystem/observation-category",
            "code": "exam",
            "display": "Exam",
        }
    ]
}
"""From HL7's own preferred list."""
PARTICIPANT = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"


def moment(at: datetime) -> str:
    """A time as FHIR's instant."""
    return at.isoformat()


def narrative(said: str) -> Json:
    """The resource in a sentence, for readers without its codes."""
    div = f'<div xmlns="http://www.w3.org/1999/xhtml"><p>{escape(said)}</p></div>'
    return {"status": "generated", "div": div}


def patient_urn(code: str) -> str:
    """A person's address: the same in every bundle."""
    return named_urn("person", code)


def patient(code: str) -> Entry:
    """A person: the code and nothing else."""
    return patient_urn(code), {
        "resourceType": "Patient",
        "id": _id(patient_urn(code)),
        "text": narrative(code),
        "identifier": [identifier("person", code)],
    }


def software_urn(version: str) -> str:
    """The address of this software in one version."""
    return named_urn("software", version)


def status_of(row: KeptMeasurement | KeptVisit | KeptCheck) -> str:
    """What became of a row, as an Observation says it."""
    if row.withdrawn or row.corrected_by is not None:
        return "entered-in-error"
    return "final" if row.corrects is None else "corrected"


def of_measurement(stored: StoredMeasurement, codes: Codes) -> Iterator[Entry]:
    """One photo's angle and where it comes from."""
    row = stored.row
    urn = row_urn(row.id)
    observation: Json = {
        **_observed(row, codes, urn, row.id, row.side),
        "text": narrative(_sentence(row)),
        "code": concept(codes, "passive-knee-flexion"),
        "valueQuantity": degrees(row.flexion_deg),
        "method": concept(codes, f"photogrammetry-{row.plane}"),
        "component": components(MEASURED, row, codes),
    }
    if stored.measurement.rater is not None:
        who = {"code": concept(codes, "rater"), "valueString": stored.measurement.rater}
        observation["component"].append(who)
    said = [*stored.contract.get("alarms", ()), *stored.contract.get("cautions", ())]
    if said:
        observation["note"] = [{"text": text} for text in said]
    yield urn, observation
    yield provenance(row, (urn,), photo_sha256=stored.photo_sha256)


def _observed(
    row: KeptMeasurement | KeptVisit, codes: Codes, urn: str, name: str, side: Side
) -> Json:
    """What the Observations of a person have in common."""
    return {
        "resourceType": "Observation",
        "id": _id(urn),
        "identifier": [identifier("row", name)],
        "status": status_of(row),
        "category": [EXAM],
        "subject": {"reference": patient_urn(row.person or "")},
        "effectiveDateTime": moment(row.taken_at),
        "issued": moment(row.saved_at),
        "bodySite": concept(codes, f"knee-{side}"),
        "device": {"reference": software_urn(row.software)},
    }


def _sentence(row: KeptMeasurement) -> str:
    low, high = row.interval_deg
    shown = "" if row.displayed_deg is None else f"; display {row.displayed_deg:g}°"
    return (
        f"{row.side.capitalize()} knee, passive flexion {row.flexion_deg:.1f}° "
        f"(95 % interval {low:.1f}° to {high:.1f}°){shown}"
    )


def of_visit(visit: KeptVisit, codes: Codes) -> Iterator[Entry]:
    """The joint answer: an Observation for each setting, and the visit that holds them."""
    urn = row_urn(visit.id)
    members = [named_urn("visit", visit.id, knee.setting) for knee in visit.knees]
    for member, knee in zip(members, visit.knees, strict=True):
        low, high = knee.interval_deg
        name = f"{visit.id}-{knee.setting}"
        yield (
            member,
            {
                **_observed(visit, codes, member, name, visit.side),
                "text": narrative(
                    f"{visit.side.capitalize()} knee, passive flexion {knee.deg:.1f}° by all "
                    f"photos of the visit (95 % interval {low:.1f}° to {high:.1f}°)"
                ),
                "code": concept(codes, "joint-knee-flexion"),
                "valueQuantity": degrees(knee.deg),
                "method": concept(codes, "photogrammetry-visit"),
                "derivedFrom": [{"reference": row_urn(one)} for one in knee.measurements],
                "component": components(JOINT, knee, codes),
            },
        )
    yield (
        urn,
        {
            **_observed(visit, codes, urn, visit.id, visit.side),
            "text": narrative(
                f"{visit.side.capitalize()} knee, a visit of {len(members)} settings"
            ),
            "code": concept(codes, "visit-answer"),
            "method": concept(codes, "photogrammetry-visit"),
            "hasMember": [{"reference": member} for member in members],
            "component": components(VISIT, visit, codes),
        },
    )
    yield provenance(visit, (urn, *members))


def provenance(
    row: KeptMeasurement | KeptVisit | KeptCheck, targets: Sequence[str], *, photo_sha256: str = ""
) -> Entry:
    """Who kept it, when, with which software, from which photo, in place of which row."""
    entities = []
    if photo_sha256:
        photo = {"identifier": identifier("photo-sha256", photo_sha256)}
        entities.append({"role": "source", "what": photo})
    if row.corrects is not None:
        before = {"identifier": identifier("row", row.corrects)}
        entities.append({"role": "revision", "what": before})
    urn = named_urn("provenance", row.id)
    return urn, {
        "resourceType": "Provenance",
        "id": _id(urn),
        "text": narrative(_kept_with(row, photo=bool(photo_sha256))),
        "target": [{"reference": target} for target in targets],
        "recorded": moment(row.saved_at),
        "agent": [
            _agent("assembler", "Assembler", {"reference": software_urn(row.software)}),
            _agent("enterer", "Enterer", {"identifier": identifier("account", row.who)}),
        ],
        **({"entity": entities} if entities else {}),
    }


def _kept_with(row: KeptMeasurement | KeptVisit | KeptCheck, *, photo: bool) -> str:
    """Where a row comes from, in words and without the account."""
    source = " from a photo" if photo else ""
    instead = "" if row.corrects is None else ", in place of an earlier row"
    return f"Kept at {moment(row.saved_at)}{source} with knee_angle {row.software}{instead}"


def _agent(code: str, display: str, who: Json) -> Json:
    coding = {"system": PARTICIPANT, "code": code, "display": display}
    return {"type": {"coding": [coding]}, "who": who}


def software(version: str, codes: Codes, *, release: str) -> Entry:
    """The software in one version, as the device that measured."""
    return software_urn(version), {
        "resourceType": "Device",
        "id": _id(software_urn(version)),
        "text": narrative(f"knee_angle {version}"),
        "identifier": [identifier("software", version)],
        "status": "active",
        **device_words("knee_angle", concept(codes, "measuring-software"), release=release),
        "version": [{"value": version}],
    }


def device_words(name: str, kind: Json, *, release: str) -> Json:
    """Name and type of a Device: R5 renamed the one and repeats the other."""
    if release == "R5":
        return {"name": [{"value": name, "type": "user-friendly-name"}], "type": [kind]}
    return {"deviceName": [{"name": name, "type": "user-friendly-name"}], "type": kind}


def _id(urn: str) -> str:
    return urn.removeprefix("urn:uuid:")
