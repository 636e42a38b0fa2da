"""A bundle read again: the kept rows that it tells, and what differs from those in a store.

Strict in what is written, tolerant in what is read: order, further fields, further resources and
a hospital's own addresses do not matter; the identifiers and local codes do.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from datetime import UTC, datetime
from operator import attrgetter
from pathlib import Path
from typing import Any, TypeVar

from knee_angle.errors import InvalidInput
from knee_angle.files import reading
from knee_angle.language import say
from knee_angle.store import KeptCheck, KeptKnee, KeptMeasurement, KeptVisit, SetUp
from knee_angle.store.exchange.fhir.parts import (
    CHECK,
    JOINT,
    LINE,
    MEASURED,
    VISIT,
    Json,
    Part,
    identifier,
    local_code,
    rounded,
    told,
)

__all__ = ["Compared", "Rows", "as_handed_on", "compare", "read_bundle", "rows_of"]

Row = KeptMeasurement | KeptVisit | KeptCheck
R = TypeVar("R", KeptMeasurement, KeptVisit, KeptCheck)


@dataclass(frozen=True, slots=True)
class Rows:
    """What a bundle tells, as kept rows.

    Parameters
    ----------
    measurements, visits, checks : tuple
        In the bundle's order.
    photos : Mapping of row to SHA-256
        The photo of each measurement.
    at : datetime, optional
        When the bundle was written.
    people, machines : frozenset of str
        Whose course it is, and of which machines it holds the checks.
    """

    measurements: tuple[KeptMeasurement, ...] = ()
    visits: tuple[KeptVisit, ...] = ()
    checks: tuple[KeptCheck, ...] = ()
    photos: Mapping[str, str] = field(default_factory=dict)
    at: datetime | None = None
    people: frozenset[str] = frozenset()
    machines: frozenset[str] = frozenset()

    @property
    def all(self) -> tuple[Row, ...]:
        """Every row."""
        return (*self.measurements, *self.visits, *self.checks)


@dataclass(frozen=True, slots=True)
class Compared:
    """A bundle's rows against a store's.

    Parameters
    ----------
    same : int
        Rows that are equal in every field.
    different : tuple of (str, tuple of str)
        Rows that are not, with the fields that differ; no field where the store has no such row.
    missing : tuple of str
        Rows of the same people or machines that stood when the bundle was written, and are not
        in it.
    """

    same: int
    different: tuple[tuple[str, tuple[str, ...]], ...]
    missing: tuple[str, ...] = ()


def read_bundle(path: Path) -> Rows:
    """The kept rows that a bundle tells.

    Raises
    ------
    InvalidInput
        It is no bundle, or something that was written here is missing in it.
    """
    with reading(str(path)):
        raw = path.read_bytes()
    try:
        bundle = json.loads(raw)
    except (ValueError, RecursionError) as error:
        raise InvalidInput(
            say("{path} is no JSON ({error}): name a file of export fhir", path=path, error=error)
        ) from None
    if not isinstance(bundle, dict) or bundle.get("resourceType") != "Bundle":
        raise InvalidInput(say("{path} is no FHIR Bundle: name a file of export fhir", path=path))
    try:
        return rows_of(bundle)
    except (
        LookupError, TypeError, AttributeError, StopIteration, ValueError, ArithmeticError
    ) as error:  # fmt: skip
        said = str(error) if isinstance(error, InvalidInput) else f"{error!r} is missing or wrong"
        raise InvalidInput(
            say("{path} cannot be read back: {said}", path=path, said=said)
        ) from None


def rows_of(bundle: Json) -> Rows:
    """The kept rows of a bundle that was read; see `read_bundle`."""
    read = _Read({entry["fullUrl"]: entry["resource"] for entry in bundle.get("entry", ())})
    found = {name: read.observations(name) for name in _CODES}
    return Rows(
        measurements=_chained([read.measurement(*one) for one in found["passive-knee-flexion"]]),
        visits=_chained([read.visit(*one) for one in found["visit-answer"]]),
        checks=_chained([read.check(*one) for one in found["display-check"]]),
        photos={
            _row(one): sha
            for urn, one in found["passive-knee-flexion"]
            if (sha := read.source(urn, "source")) is not None
        },
        at=_moment(bundle["timestamp"]) if "timestamp" in bundle else None,
        people=read.coded("Patient", "person"),
        machines=read.coded("DeviceMetric", "display"),
    )


_CODES = ("passive-knee-flexion", "visit-answer", "display-check")


@dataclass(frozen=True, slots=True)
class _Read:
    """A bundle's resources by address."""

    resources: Mapping[str, Json]

    def observations(self, code: str) -> list[tuple[str, Json]]:
        """Those of one local code, in order."""
        return [
            (urn, one)
            for urn, one in self.resources.items()
            if one["resourceType"] == "Observation"
            and local_code(one["code"], where="an Observation") == code
        ]

    def coded(self, kind: str, what: str) -> frozenset[str]:
        """Our own codes of the resources of one kind."""
        system = identifier(what, "")["system"]
        each = [one for one in self.resources.values() if one["resourceType"] == kind]
        named = [i for one in each for i in one.get("identifier", ())]
        return frozenset(str(i["value"]) for i in named if i.get("system") == system)

    def measurement(self, urn: str, one: Json) -> KeptMeasurement:
        """One photo's row."""
        values = told(MEASURED, one)
        setup = {n.removeprefix("setup."): values.pop(n) for n in list(values) if "setup." in n}
        method = local_code(one["method"], where="a method")
        return KeptMeasurement(
            **self._kept(urn, one),
            **values,
            person=self._subject(one),
            plane=method.removeprefix("photogrammetry-"),  # type: ignore[arg-type]
            flexion_deg=_value(one),
            setup=SetUp(**setup),
            has_photo=False,
        )

    def visit(self, urn: str, one: Json) -> KeptVisit:
        """One visit's row, with its settings."""
        members = [self.resources[member["reference"]] for member in one["hasMember"]]
        return KeptVisit(
            **self._kept(urn, one),
            **told(VISIT, one),
            person=self._subject(one),
            knees=tuple(self._knee(member) for member in members),
        )

    def _knee(self, one: Json) -> KeptKnee:
        photos = [self.resources[photo["reference"]] for photo in one["derivedFrom"]]
        return KeptKnee(
            measurements=tuple(_row(photo) for photo in photos),
            deg=_value(one),
            **told(JOINT, one),
        )

    def check(self, urn: str, one: Json) -> KeptCheck:
        """One check's row; the person is never handed on."""
        machine = self._subject(one)
        return KeptCheck(**self._kept(urn, one), **told(CHECK, one), machine=machine, person=None)

    def _kept(self, urn: str, one: Json) -> dict[str, Any]:
        """What every kept row has."""
        software = self.resources[one["device"]["reference"]]
        return {
            "id": _row(one),
            "taken_at": _moment(one["effectiveDateTime"]),
            "saved_at": _moment(one["issued"]),
            "who": self._who(urn),
            "corrects": self.source(urn, "revision"),
            "corrected_by": None,
            "withdrawn": one["status"] == "entered-in-error",
            "software": software["version"][0]["value"],
        }

    def _subject(self, one: Json) -> str:
        return str(self.resources[one["subject"]["reference"]]["identifier"][0]["value"])

    def _provenance(self, urn: str) -> Json:
        for one in self.resources.values():
            if one["resourceType"] == "Provenance" and one["target"][0]["reference"] == urn:
                return one
        raise InvalidInput(say("{urn} has no Provenance", urn=urn))

    def _who(self, urn: str) -> str:
        account = identifier("account", "")["system"]
        named = [agent["who"].get("identifier", {}) for agent in self._provenance(urn)["agent"]]
        return next(str(one["value"]) for one in named if one.get("system") == account)

    def source(self, urn: str, role: str) -> str | None:
        """What a row was made from (its photo's hash), or which row it replaces."""
        entities = self._provenance(urn).get("entity", ())
        return next((e["what"]["identifier"]["value"] for e in entities if e["role"] == role), None)


def _row(observation: Json) -> str:
    system = identifier("row", "")["system"]
    return next(str(i["value"]) for i in observation["identifier"] if i.get("system") == system)


def _value(observation: Json) -> float:
    return float(observation["valueQuantity"]["value"])


def _moment(given: str) -> datetime:
    return datetime.fromisoformat(given).astimezone(UTC)


def _chained(rows: Sequence[R]) -> tuple[R, ...]:
    """Rows that another one of the bundle replaces say so, instead of being withdrawn."""
    later = {row.corrects: row.id for row in rows if row.corrects is not None}
    return tuple(
        replace(row, corrected_by=later[row.id], withdrawn=False) if row.id in later else row
        for row in rows
    )


def as_handed_on(row: Row) -> Row:
    """The row with what a bundle does not carry left out, and its numbers as they are written."""
    gone = row.withdrawn and row.corrected_by is None
    if isinstance(row, KeptMeasurement):
        own: dict[str, Any] = {"has_photo": False, "flexion_deg": rounded(row.flexion_deg, "deg")}
        parts = MEASURED
    elif isinstance(row, KeptVisit):
        knees = [replace(_rounded(JOINT, k), deg=rounded(k.deg, "deg")) for k in row.knees]
        own, parts = {"knees": tuple(knees)}, VISIT
    else:
        own, parts = {"person": None}, CHECK
        if row.at_one_place:  # its line is not handed on
            own |= {name: None for one in CHECK if one.concept in LINE for name in one.fields}
    handed: Row = replace(_rounded(parts, row), withdrawn=gone, **own)
    return handed


def _rounded(parts: Iterable[Part], row: Any) -> Any:
    values = {
        name: rounded(attrgetter(name)(row), part.kind) for part in parts for name in part.fields
    }
    setup = {n.removeprefix("setup."): values.pop(n) for n in list(values) if "setup." in n}
    return replace(row, **values, **({"setup": replace(row.setup, **setup)} if setup else {}))


def compare(rows: Rows, kept: Mapping[str, Row]) -> Compared:
    """What a bundle tells against the rows of a store, by identifier.

    Parameters
    ----------
    rows : Rows
        From `read_bundle`.
    kept : Mapping of identifier to row
        Of the store.
    """
    same = 0
    different: list[tuple[str, tuple[str, ...]]] = []
    for row in rows.all:
        if row.id not in kept:
            different.append((row.id, ()))
            continue
        mine = as_handed_on(kept[row.id])
        names = tuple(
            one.name for one in fields(row) if getattr(row, one.name) != getattr(mine, one.name)
        )
        if names:
            different.append((row.id, names))
        else:
            same += 1
    return Compared(same, tuple(different), _missing(rows, kept.values()))


def _missing(rows: Rows, kept: Iterable[Row]) -> tuple[str, ...]:
    """Rows that stood when the bundle was written, and are not in it."""
    there = {row.id for row in rows.all}
    return tuple(
        row.id
        for row in kept
        if row.id not in there
        and _stood(row, rows.at)
        and (
            row.machine in rows.machines
            if isinstance(row, KeptCheck)
            else row.person in rows.people
        )
    )


def _stood(row: Row, at: datetime | None) -> bool:
    """Whether a row is one that a bundle of this time holds: it stands, and was kept before."""
    stands = row.corrected_by is None and not row.withdrawn
    return stands and at is not None and row.saved_at <= at
