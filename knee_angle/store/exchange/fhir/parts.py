"""A row's values as an Observation's components: one table, for writing and for reading.

Degrees are written to 3 decimals, as in the JSON result; numbers of lines and covariances to 6.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from operator import attrgetter
from types import MappingProxyType
from typing import Any, Literal

from knee_angle.errors import InvalidInput
from knee_angle.language import say
from knee_angle.store.exchange.codes import LOCAL_SYSTEM, NAMESPACE, Codes

__all__ = [
    "CHECK",
    "CHECK_AT_ONE_PLACE",
    "JOINT",
    "LINE",
    "MEASURED",
    "VISIT",
    "Part",
    "components",
    "concept",
    "degrees",
    "identifier",
    "local_code",
    "named_urn",
    "rounded",
    "row_urn",
    "told",
]

Json = dict[str, Any]
Kind = Literal["deg", "number", "h", "code", "codes", "text", "count", "flag", "range", "numbers"]

UCUM = "http://unitsofmeasure.org"
UNITS: Mapping[str, tuple[str, str]] = MappingProxyType(
    {"deg": ("°", "deg"), "h": ("h", "h"), "number": ("1", "1")}
)
"""Unit as people read it, and its UCUM code."""
DECIMALS: Mapping[str, int] = MappingProxyType(
    {"deg": 3, "range": 3, "h": 3, "number": 6, "numbers": 6}
)


@dataclass(frozen=True, slots=True)
class Part:
    """One component.

    Parameters
    ----------
    concept : str
        Its code.
    field : str
        Where the row has it; two fields, with a space between, for a ``range``.
    kind : str
        How it is written.
    prefix : str
        For codes: what stands before the row's word in the local code.
    default : object
        What the row has where a bundle does not tell it.
    """

    concept: str
    field: str
    kind: Kind
    prefix: str = ""
    default: Any = None

    @property
    def fields(self) -> tuple[str, ...]:
        """Where the row has it."""
        return tuple(self.field.split())

    def of(self, row: object) -> Any:
        """The row's value, rounded as it is written; None where it has none."""
        values = [rounded(attrgetter(name)(row), self.kind) for name in self.fields]
        return values[0] if len(values) == 1 else tuple(values)


MEASURED: tuple[Part, ...] = (
    Part("standard-uncertainty", "u_deg", "deg"),
    Part("interval-95", "low_deg high_deg", "range"),
    Part("side", "side", "code", "side-"),
    Part("displayed-angle", "displayed_deg", "deg"),
    Part("display-minus-knee", "discrepancy_deg", "deg"),
    Part("display-minus-knee-u", "discrepancy_u_deg", "deg"),
    Part("tolerance", "tolerance_deg", "deg"),
    Part("verdict", "verdict", "code", "verdict-"),
    Part("finding", "finding", "code", "finding-"),
    Part("machine", "machine", "text"),
    Part("end-of-range", "setup.end", "code", "end-"),
    Part("set-flexion", "setup.flexion_deg", "deg"),
    Part("set-extension", "setup.extension_deg", "deg"),
    Part("set-speed", "setup.speed", "number"),
    Part("bed-head", "setup.bed_head_deg", "deg"),
    Part("hours-of-use", "setup.hours_of_use", "h"),
    Part("ticked", "setup.ticks", "codes", "ticked-", default=()),
    Part("visit", "setup.visit", "text"),
    Part("setting", "setup.setting", "text"),
    Part("adjusted", "setup.adjusted", "count", default=0),
    Part("photo-time-given", "taken_at_given", "flag"),
)
"""Of a measurement beside its angle, method, times and person."""

JOINT: tuple[Part, ...] = (
    Part("standard-uncertainty", "u_deg", "deg"),
    Part("interval-95", "interval_deg", "range"),
    Part("displayed-angle", "displayed_deg", "deg"),
    Part("setting", "setting", "text"),
    Part("adjusted", "adjusted", "count", default=0),
)
"""Of a visit's knee at one setting."""

VISIT: tuple[Part, ...] = (
    Part("side", "side", "code", "side-"),
    Part("arc", "arc_deg", "deg"),
    Part("arc-u", "arc_u_deg", "deg"),
    Part("covariance", "covariance", "numbers"),
    Part("standing", "standing", "code", "standing-"),
    Part("finding", "finding", "code", "finding-"),
    Part("machine", "machine", "text"),
    Part("whole", "whole", "flag"),
)
"""Of a visit as a whole."""

CHECK: tuple[Part, ...] = (
    Part("photos", "photos", "count"),
    Part("against", "against", "code", "against-"),
    Part("offset", "offset_deg", "deg"),
    Part("gain", "gain", "number"),
    Part("line-covariance", "cov", "numbers"),
    Part("range", "range_deg", "range"),
    Part("largest", "largest_deg", "deg"),
    Part("largest-u", "largest_u_deg", "deg"),
    Part("tolerance", "tolerance_deg", "deg"),
    Part("verdict", "verdict", "code", "verdict-"),
    Part("finding", "finding", "code", "finding-"),
)
"""Of a machine check."""
LINE = ("offset", "gain", "line-covariance")
CHECK_AT_ONE_PLACE = tuple(part for part in CHECK if part.concept not in LINE)
"""Of one whose settings lie too close together for a line: it is told nowhere."""


def rounded(value: Any, kind: str) -> Any:
    """Floats, also within tuples, to the decimals of their kind."""
    if isinstance(value, float):
        return round(value, DECIMALS[kind]) + 0.0  # no minus zero
    if isinstance(value, tuple):
        return tuple(rounded(one, kind) for one in value)
    return value


def concept(codes: Codes, name: str) -> Json:
    """A CodeableConcept: a site's or a standard's coding first, the local one last."""
    codings = codes.of(name)
    return {
        "coding": [{"system": c.system, "code": c.code, "display": c.display} for c in codings],
        "text": codings[-1].display,
    }


def degrees(value: float, kind: str = "deg") -> Json:
    """A Quantity in UCUM."""
    unit, code = UNITS[kind]
    return {"value": rounded(value, kind), "unit": unit, "system": UCUM, "code": code}


def identifier(what: str, value: str) -> Json:
    """An Identifier in a system of our own: a code, never a name."""
    return {"system": f"urn:uuid:{uuid.uuid5(NAMESPACE, what)}", "value": value}


def row_urn(row_id: str) -> str:
    """The address of a kept row in a bundle; its identifier is a UUID."""
    return f"urn:uuid:{uuid.UUID(row_id)}"


def named_urn(*what: str) -> str:
    """The address of anything else: the same for the same thing, in every bundle."""
    return f"urn:uuid:{uuid.uuid5(NAMESPACE, chr(0).join(what))}"


def components(parts: Sequence[Part], row: object, codes: Codes) -> list[Json]:
    """What the row has, each with its code."""
    return [
        {"code": concept(codes, part.concept), **_value(part, value, codes)}
        for part in parts
        if (value := part.of(row)) is not None and value != ()
    ]


def _value(part: Part, value: Any, codes: Codes) -> Json:
    if part.kind in UNITS:
        return {"valueQuantity": degrees(value, part.kind)}
    if part.kind == "range":
        return {"valueRange": {"low": degrees(value[0]), "high": degrees(value[1])}}
    if part.kind == "code":
        return {"valueCodeableConcept": concept(codes, part.prefix + value)}
    if part.kind == "codes":
        each = [concept(codes, part.prefix + one) for one in value]
        codings = [coding for one in each for coding in one["coding"]]
        said = "; ".join(one["text"] for one in each)
        return {"valueCodeableConcept": {"coding": codings, "text": said}}
    plain = {"flag": "valueBoolean", "count": "valueInteger"}.get(part.kind, "valueString")
    if part.kind == "numbers":
        value = "; ".join(_line(line) for line in _lines(value))
    return {plain: value}


def _lines(value: tuple[Any, ...]) -> list[tuple[float, ...]]:
    return [one if isinstance(one, tuple) else (one,) for one in value]


def _line(values: tuple[float, ...]) -> str:
    return " ".join(f"{one:.6f}".rstrip("0").rstrip(".") for one in values)


def local_code(given: Json, *, where: str) -> str:
    """The local code of a CodeableConcept."""
    found = [c.get("code") for c in given.get("coding", ()) if c.get("system") == LOCAL_SYSTEM]
    if not found or not found[0]:
        raise InvalidInput(
            say(
                "{where} has no code of {local_system}: it was not written here",
                where=where,
                local_system=LOCAL_SYSTEM,
            )
        )
    return str(found[0])


def told(parts: Sequence[Part], observation: Json) -> dict[str, Any]:
    """What the components of an Observation say, by the row's field; None where nothing."""
    said = {
        local_code(one.get("code", {}), where="a component"): one
        for one in observation.get("component", ())
    }
    values: dict[str, Any] = {}
    for part in parts:
        value = part.default if part.concept not in said else _back(part, said[part.concept])
        if len(part.fields) == 1:
            values[part.field] = value
        else:
            values |= dict(zip(part.fields, value or (None, None), strict=True))
    return values


def _back(part: Part, one: Json) -> Any:
    """A component's value as the row has it."""
    try:
        return _READ[part.kind](part, one)
    except (KeyError, IndexError, TypeError, ValueError) as error:
        raise InvalidInput(
            say(
                "the component {concept} cannot be read ({error!r})",
                concept=part.concept,
                error=error,
            )
        ) from None


def _quantity(_: Part, one: Json) -> float:
    return float(one["valueQuantity"]["value"])


def _range(_: Part, one: Json) -> tuple[float, float]:
    found = one["valueRange"]
    return float(found["low"]["value"]), float(found["high"]["value"])


def _words(part: Part, one: Json) -> tuple[str, ...]:
    codings = one["valueCodeableConcept"]["coding"]
    return tuple(_word(part, c["code"]) for c in codings if c.get("system") == LOCAL_SYSTEM)


def _numbers(part: Part, one: Json) -> tuple[Any, ...]:
    lines = [tuple(map(float, line.split())) for line in one["valueString"].split(";")]
    return tuple(lines) if part.concept == "covariance" else tuple(v for (v,) in lines)


_READ: Mapping[Kind, Callable[[Part, Json], Any]] = MappingProxyType(
    {
        "deg": _quantity,
        "number": _quantity,
        "h": _quantity,
        "range": _range,
        "code": lambda part, one: _words(part, one)[0],
        "codes": _words,
        "flag": lambda _, one: bool(one["valueBoolean"]),
        "count": lambda _, one: int(one["valueInteger"]),
        "numbers": _numbers,
        "text": lambda _, one: str(one["valueString"]),
    }
)


def _word(part: Part, code: str) -> str:
    if not code.startswith(part.prefix):
        raise ValueError(say("{code} is no code of {concept}", code=code, concept=part.concept))
    return code.removeprefix(part.prefix)
