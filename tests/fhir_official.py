"""A resource against HL7's own definitions of R4B and R5 (`bench/fhir_definitions.py`).

Names, how often, types, forms of simple values, closed lists, what a reference may name inside
the bundle, and HL7's rules (obs-6, bdl-7, dom-6 ...), which an engine that shares nothing with
this project evaluates as FHIRPath. It is the definitions that judge: nothing here knows what an
Observation is.
"""

from __future__ import annotations

import gzip
import json
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any
from xml.etree import ElementTree

import fhirpathpy
from fhirpathpy.models import models

DEFINITIONS = Path(__file__).parent / "published" / "fhir_definitions.json.gz"
MODELS = MappingProxyType({"R4B": "r4", "R5": "r5"})
"""The engine has R4's model of types, which R4B left as it was for these resources."""
BY_HAND = frozenset(("ele-1", "ext-1", "rng-2", "txt-1", "txt-2"))
"""Rules that the engine cannot evaluate or that stand at every element: the walk sees to them."""
RESOLVING = MappingProxyType(
    {"prov-1": "onBehalfOf", "prov-2": "onBehalfOf", "prov-3": "onBehalfOf", "obs-9": "specimen"}
)
"""Rules that ask for what the engine cannot fetch, and the element that they are about: none has
it here."""
LACKING = MappingProxyType({"hasValue": {"fn": lambda values: [bool(values)], "arity": {0: []}}})
"""What the engine lacks of FHIRPath."""
JSON_TYPES: Mapping[str, type | tuple[type, ...]] = MappingProxyType(
    {"boolean": bool, "integer": int, "positiveInt": int, "unsignedInt": int, "integer64": str,
     "decimal": (int, float)}
)  # fmt: skip
XHTML = "{http://www.w3.org/1999/xhtml}"

Json = dict[str, Any]


@cache
def definitions(release: str) -> Mapping[str, tuple[Json, ...]]:
    """Types by name, each with its elements in order."""
    whole = json.loads(gzip.decompress(DEFINITIONS.read_bytes()))
    return {name: tuple(elements) for name, elements in whole[release].items()}


@cache
def children(release: str, kind: str, path: str) -> tuple[Json, ...]:
    """The elements directly below a path of a type."""
    depth = path.count(".") + 1
    return tuple(
        one for one in definitions(release)[kind]
        if one["path"].startswith(f"{path}.") and one["path"].count(".") == depth
    )  # fmt: skip


@cache
def rule(release: str, expression: str) -> Callable[..., list[Any]]:
    """A rule of HL7, ready to be asked about a part."""
    options = {"userInvocationTable": dict(LACKING), "traceFn": lambda *_: None}
    return fhirpathpy.compile(expression, model=models[MODELS[release]], options=options)


@dataclass(frozen=True)
class Validation:
    """One resource; a bundle's entries are judged one by one with their own."""

    release: str
    resource: Json
    kinds: Mapping[str, str]
    """Which resource stands at which address."""

    def issues(self) -> Iterator[tuple[str, str]]:
        """All that is wrong: severity, and where and what."""
        kind = self.resource["resourceType"]
        if kind not in definitions(self.release):
            yield "error", f"{kind}: no definition at hand"
            return
        yield from self._part(self.resource, kind, kind, where=kind)

    def _part(self, part: Any, kind: str, path: str, *, where: str) -> Iterator[tuple[str, str]]:
        """A resource, a value of a type, or what is nested in one."""
        if not isinstance(part, dict) or not part:
            yield "error", f"{where}: must be an object that is not empty"
            return
        (own,) = [one for one in definitions(self.release)[kind] if one["path"] == path]
        yield from self._rules(own, part, where)
        known = {"resourceType"} if "." not in path else set()
        for element in children(self.release, kind, path):
            for name, of in _names(element):
                known |= {name, f"_{name}"}
                yield from self._element(element, of, part.get(name), kind, f"{where}.{name}")
            given = [name for name, _ in _names(element) if name in part]
            if element["min"] and not given:
                yield "error", f"{where}: {element['path']} is missing"
            if len(given) > 1:
                yield "error", f"{where}: {' and '.join(given)} stand together"
        for name in sorted(set(part) - known):
            yield "error", f"{where}.{name}: no such element"

    def _element(
        self, element: Json, of: Json, value: Any, kind: str, where: str
    ) -> Iterator[tuple[str, str]]:
        """What stands under one name, as often as it may."""
        if value is None:
            return
        many = element["max"] == "*"
        if many != isinstance(value, list) or value == []:
            yield "error", f"{where}: {'a list' if many else 'one value'} is wanted"
            return
        for at, one in enumerate(value if many else [value]):
            place = f"{where}[{at}]" if many else where
            yield from self._one(element, of, one, kind, place)

    def _one(
        self, element: Json, of: Json, one: Any, kind: str, where: str
    ) -> Iterator[tuple[str, str]]:
        if "codes" in element and one not in element["codes"]:
            yield "error", f"{where}: {one!r} is not one of {', '.join(element['codes'])}"
        nested = element["as"].removeprefix("#") if "as" in element else element["path"]
        code = of.get("code", "")
        if code == "Resource":
            yield from Validation(self.release, one, self.kinds).issues()
        elif children(self.release, kind, nested):
            yield from self._part(one, kind, nested, where=where)
        elif code == "xhtml":
            yield from _xhtml(one, where)
        elif code[:1].islower():
            yield from _form(_simple(self.release, code), code, one, where)
        elif code.startswith("System."):
            is_id = element["path"] == f"{self.resource['resourceType']}.id"
            yield from _form(_simple(self.release, "id") if is_id else of, "id", one, where)
        else:
            yield from self._rules(element, one, where)
            yield from self._part(one, code, code, where=where)
            if code == "Range":
                yield from _range(one, where)
            if code == "Reference":
                yield from self._names_what_it_may(one, of, where)

    def _names_what_it_may(self, one: Json, of: Json, where: str) -> Iterator[tuple[str, str]]:
        named = one.get("reference")
        if named is None:
            return
        if named not in self.kinds:
            yield "error", f"{where}: {named} is not in the bundle"
        elif not {self.kinds[named], "Resource"} & set(of.get("targets", ("Resource",))):
            yield "error", f"{where}: may not name a {self.kinds[named]}"

    def _rules(self, own: Json, part: Json, where: str) -> Iterator[tuple[str, str]]:
        for one in own.get("rules", ()):
            if RESOLVING.get(one["key"]) in part:
                yield "error", f"{where}: {one['key']} is not asked about"
            if one["key"] in BY_HAND or one["key"] in RESOLVING:
                continue
            about = {"resource": self.resource, "rootResource": self.resource}
            answer = rule(self.release, one["expression"])(part, about)
            if answer not in ([True], []):
                yield one["severity"], f"{where}: {one['key']} ({one['expression']})"


def _names(element: Json) -> Iterator[tuple[str, Json]]:
    """Each name under which an element may stand, with its type."""
    name = element["path"].rpartition(".")[2]
    for of in element.get("types", ()) or [{}]:
        if name.endswith("[x]"):
            code = of["code"]
            yield f"{name.removesuffix('[x]')}{code[:1].upper()}{code[1:]}", of
        else:
            yield name, of
            return


def _simple(release: str, code: str) -> Json:
    """What the value of a simple type must look like."""
    (value,) = [one for one in definitions(release)[code] if one["path"] == f"{code}.value"]
    return dict(value["types"][0])


def _form(of: Json, code: str, one: Any, where: str) -> Iterator[tuple[str, str]]:
    wanted = JSON_TYPES.get(code, str)
    if not isinstance(one, wanted) or (isinstance(one, bool) and wanted is not bool):
        yield "error", f"{where}: {one!r} is no {code}"
    elif isinstance(one, str):
        if any(not re.fullmatch(regex, one) for regex in of.get("regex", ())):
            yield "error", f"{where}: {one!r} has not the form of a {code}"
        if not one.strip():
            yield "error", f"{where}: is empty"


def _range(one: Json, where: str) -> Iterator[tuple[str, str]]:
    low, high = one.get("low", {}), one.get("high", {})
    if low.get("code") == high.get("code") and not low.get("value") <= high.get("value"):
        yield "error", f"{where}: rng-2 (low <= high)"


def _xhtml(one: Any, where: str) -> Iterator[tuple[str, str]]:
    """txt-1 and txt-2: a div with text, of which only plain tags are written here."""
    try:
        div = ElementTree.fromstring(one)  # noqa: S314 - what we wrote ourselves
    except ElementTree.ParseError as error:
        yield "error", f"{where}: txt-1 ({error})"
        return
    if div.tag != f"{XHTML}div" or {part.tag for part in div} - {f"{XHTML}p"}:
        yield "error", f"{where}: txt-1 ({div.tag})"
    if not "".join(div.itertext()).strip():
        yield "error", f"{where}: txt-2 (no text)"


def issues_of(bundle: Json, release: str) -> list[tuple[str, str]]:
    """All that HL7's definitions say against a bundle: severity, and where and what."""
    entries = bundle.get("entry", ())
    kinds = {one["fullUrl"]: one.get("resource", {}).get("resourceType", "") for one in entries}
    return list(Validation(release, bundle, kinds).issues())
