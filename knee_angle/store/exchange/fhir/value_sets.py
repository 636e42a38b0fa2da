"""What the library leaves unchecked: codes of closed lists, units, references, local codes.

``fhir.resources`` checks names, types and how often a field may stand; it knows the closed lists
(in its fields' ``enum_values``) and does not hold values against them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from knee_angle.store.exchange.codes import CONCEPTS, LOCAL_SYSTEM
from knee_angle.store.exchange.fhir.parts import UCUM, UNITS, Json

if TYPE_CHECKING:
    from pydantic import BaseModel

__all__ = ["problems_of"]

OBSERVATION_STATUS = (
    "registered", "preliminary", "final", "amended", "corrected", "cancelled", "entered-in-error",
    "unknown",
)  # fmt: skip
LONG_LISTS: Mapping[str, frozenset[str]] = MappingProxyType(
    {
        "registered preliminary final amended +": frozenset(OBSERVATION_STATUS),
        "usual official temp secondary old (If known)": frozenset(
            ("usual", "official", "temp", "secondary", "old")
        ),
    }
)
"""Lists that the library holds cut short, whole: HL7's observation-status (R4B; R5 as well) and
identifier-use."""

HL7 = "http://terminology.hl7.org/CodeSystem/"
OPEN_LISTS: Mapping[str, frozenset[str]] = MappingProxyType(
    {
        f"{HL7}{name}": frozenset(codes.split())
        for name, codes in {
            "observation-category": "social-history vital-signs imaging laboratory procedure "
            "survey exam therapy activity",
            "provenance-participant-type": "enterer performer author verifier legal attester "
            "informant custodian assembler composer",
        }.items()
    }
)
"""HL7's own code systems of which codes are written: a field may hold others, these may not."""


def problems_of(bundle: BaseModel, written: Json) -> list[str]:
    """All that is wrong, each with its place; empty where nothing is.

    Parameters
    ----------
    bundle : fhir.resources model
        The bundle as the library read it.
    written : dict
        The same as it is written.
    """
    return [*_closed_lists(bundle, "Bundle"), *_codes(written, "Bundle"), *_references(written)]


def _closed_lists(model: BaseModel, where: str) -> Iterator[str]:
    """Values that are not in the list of their field."""
    for name, field in type(model).model_fields.items():
        value = getattr(model, name)
        if value is None:
            continue
        extra = field.json_schema_extra
        listed = extra.get("enum_values") if isinstance(extra, dict) else None
        for at, one in enumerate(value if isinstance(value, list) else [value]):
            place = f"{where}.{name}[{at}]" if isinstance(value, list) else f"{where}.{name}"
            if hasattr(type(one), "model_fields"):
                yield from _closed_lists(one, place)
            elif isinstance(listed, list):
                words = [str(word) for word in listed]
                allowed = LONG_LISTS.get(" ".join(words), frozenset(words))
                if str(one) not in allowed:
                    yield f"{place}: {one!r} is not one of {', '.join(sorted(allowed))}"


def _codes(part: Any, where: str) -> Iterator[str]:
    """Codes of our own system and of HL7's, and units, that do not exist."""
    if isinstance(part, list):
        for at, one in enumerate(part):
            yield from _codes(one, f"{where}[{at}]")
    if not isinstance(part, dict):
        return
    system, code = part.get("system"), part.get("code")
    if system == LOCAL_SYSTEM and code not in CONCEPTS:
        yield f"{where}: no such local code: {code!r}"
    if code not in OPEN_LISTS.get(str(system), (code,)):
        yield f"{where}: {code!r} is no code of {system}"
    if system == UCUM and code not in {unit for _, unit in UNITS.values()}:
        yield f"{where}: {code!r} is no unit that is written here"
    for name, one in part.items():
        yield from _codes(one, f"{where}.{name}")


def _references(bundle: Json) -> Iterator[str]:
    """References to what is not in the bundle."""
    there = {entry["fullUrl"] for entry in bundle["entry"]}
    if len(there) < len(bundle["entry"]):
        yield "Bundle: two entries have one address"
    for at, entry in enumerate(bundle["entry"]):
        for named in _named(entry["resource"]):
            if named not in there:
                yield f"Bundle.entry[{at}]: {named} is not in the bundle"


def _named(part: Any) -> Iterator[str]:
    if isinstance(part, list):
        for one in part:
            yield from _named(one)
    elif isinstance(part, dict):
        for name, one in part.items():
            if name == "reference":
                yield one
            else:
                yield from _named(one)
