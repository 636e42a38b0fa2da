"""Every code that is written into a hospital's systems: a local code system, and a site's own.

LOINC's knee codes that we saw are all of ACTIVE range of motion: flexion left 41343-5 and
right 41347-6, extension left 41345-0 and right 41349-2. In a CPM machine the knee is moved
passively, so none of them fits and none is written; codes of passive motion were not seen. A
site that has agreed on one names it in a table (`read_codes`): it then stands first, and the
local code beside it, so that what was written can always be read back.
"""

from __future__ import annotations

import json
import tomllib
import uuid
from collections.abc import Iterator, Mapping
from dataclasses import astuple, dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import get_args

from knee_angle.errors import InvalidInput
from knee_angle.files import reading
from knee_angle.language import joined, say
from knee_angle.records import FindingKind, Verdict
from knee_angle.store import CHECKLIST

__all__ = [
    "CONCEPTS",
    "LOCAL_SYSTEM",
    "NAMESPACE",
    "STANDARD",
    "Codes",
    "Coding",
    "Concept",
    "read_codes",
    "table_of",
]

NAMESPACE = uuid.UUID("6f0e8f0a-51c4-5d0b-9c3e-2f4f2a1f7b6d")
"""What our own identifiers are made in; drawn once."""
LOCAL_SYSTEM = f"urn:uuid:{uuid.uuid5(NAMESPACE, 'code system')}"
"""A name that needs no registration and points nowhere."""

SCT = "http://snomed.info/sct"


@dataclass(frozen=True, slots=True)
class Coding:
    """One code in one system, with the words that people read."""

    system: str
    code: str
    display: str
    scheme: str = ""
    """What DICOM calls the system, where it is none that DICOM names itself."""


@dataclass(frozen=True, slots=True)
class Concept:
    """One line of the local code system."""

    display: str
    definition: str


_MEASURED = {
    "passive-knee-flexion": Concept(
        "Passive knee flexion in a CPM machine",
        "Flexion of the knee while a continuous-passive-motion machine holds the leg, measured in "
        "one photo; 0 is a straight knee, hyperextension is negative.",
    ),
    "joint-knee-flexion": Concept(
        "Passive knee flexion by all photos of a visit",
        "The same angle at one setting of the machine, estimated from all photos of a visit.",
    ),
    "visit-answer": Concept("Visit judged together", "What all photos of a visit say together."),
    "arc": Concept("Passive arc of motion", "Flexion at the bent end minus at the straight end."),
    "arc-u": Concept("Standard uncertainty of the arc", "One standard deviation, degrees."),
    "covariance": Concept(
        "Covariance of the visit's angles", "Row by row, degrees squared, settings in order."
    ),
    "standard-uncertainty": Concept(
        "Standard uncertainty", "One standard deviation of the angle's error (JCGM 100), degrees."
    ),
    "interval-95": Concept("95 % coverage interval", "JCGM 101; need not be centred."),
    "coverage": Concept(
        "Coverage of upper and lower uncertainty", "Of the interval that they make, per cent."
    ),
    "movement": Concept("Movement", "Who moved the knee: in a CPM machine it is passive."),
    "side": Concept("Side", "The leg in the machine."),
    "displayed-angle": Concept(
        "Angle on the machine's display", "As flexion; converted where the machine counts "
        "another way."
    ),
    "display-minus-knee": Concept("Displayed minus knee angle", "Positive: the machine claims "
                                  "more bend than the knee has."),
    "display-minus-knee-u": Concept("Standard uncertainty of displayed minus knee", "Degrees."),
    "tolerance": Concept("Tolerance", "What the verdict is judged against, degrees."),
    "verdict": Concept("Verdict", "By JCGM 106 at 95 %, against the tolerance."),
    "finding": Concept("Finding", "Which part of the disagreement is proven off."),
    "standing": Concept("Standing to a prescribed limit", "The worst of the visit."),
    "machine": Concept("CPM machine", "The machine's own code."),
    "end-of-range": Concept("End of range", "Where the machine was paused."),
    "set-flexion": Concept("Flexion limit set on the machine", "Degrees of flexion."),
    "set-extension": Concept("Extension limit set on the machine", "Degrees of flexion."),
    "set-speed": Concept("Speed set on the machine", "The machine's own unit."),
    "bed-head": Concept("Angle of the head of the bed", "Degrees."),
    "hours-of-use": Concept("Hours in the machine", "Since the last measurement."),
    "ticked": Concept("Set-up points ticked", "From the bedside checklist."),
    "visit": Concept("Visit", "Shared by all photos of one visit."),
    "setting": Concept("Setting", "The place at which the machine was paused, counted in a visit."),
    "rater": Concept("Rater", "Code of who placed the points by hand."),
    "adjusted": Concept("Adjusted so often before", "In this visit, before this photo."),
    "photo-time-given": Concept(
        "Time of the photo was given", "Else the effective time is that of keeping."
    ),
    "whole": Concept("Every photo of the visit stands", "Else the joint answer no longer counts."),
}  # fmt: skip

_CHECKED = {
    "display-check": Concept(
        "Check of a CPM machine's display", "Displayed angle over a range, by several photos."
    ),
    "display-shown": Concept(
        "Angle on the machine's display at one setting",
        "As flexion, and beside it the bars' or the knee's angle by photos.",
    ),
    "display-metric": Concept("Display of a CPM machine", "The angle that the machine shows."),
    "photos": Concept("Photos of the check", "How many it rests on."),
    "against": Concept("What the display was compared with", "The machine's bars or the knee."),
    "offset": Concept("Offset of the display", "displayed = offset + gain x bars (or knee)."),
    "gain": Concept("Gain of the display", "1 where the display is right."),
    "line-covariance": Concept(
        "Covariance of offset and gain", "Offset offset, offset gain, gain gain."
    ),
    "range": Concept("Range of the check", "Degrees of flexion."),
    "largest": Concept("Largest difference over the range", "Displayed minus bars (or knee)."),
    "largest-u": Concept("Standard uncertainty of the largest difference", "Degrees."),
}

_VALUES = {
    "photogrammetry-tag": Concept(
        "Photo, camera's direction from printed tags", "Photogrammetry of one bedside photo."
    ),
    "photogrammetry-estimated": Concept(
        "Photo, camera's direction estimated from the picture",
        "Photogrammetry of one bedside photo.",
    ),
    "photogrammetry-image": Concept(
        "Photo, angle flat in the picture", "Proves no verdict: the camera's direction is unknown."
    ),
    "photogrammetry-visit": Concept("All photos of a visit", "Joint least-squares estimate."),
    "side-left": Concept("Left", "The left leg."),
    "side-right": Concept("Right", "The right leg."),
    "knee-left": Concept("Left knee", "The left knee."),
    "knee-right": Concept("Right knee", "The right knee."),
    "end-flexion": Concept("Flexion end", "The bent end of the range."),
    "end-extension": Concept("Extension end", "The straight end of the range."),
    "against-frame": Concept("The machine's bars", "Bars were seen in every photo."),
    "against-knee": Concept("The knee", "Bars were not seen in every photo."),
    "cpm-machine": Concept("Knee CPM machine", "Continuous-passive-motion machine for the knee."),
    "measuring-software": Concept("Measuring software", "knee_angle, with its version."),
}

_WORDS = {
    "within": "Proven inside the tolerance (95 %)",
    "outside": "Proven outside the tolerance (95 %)",
    "undecided": "Not proven",
    "none": "No fault proven",
    "calibration": "Display does not agree with the bars",
    "fit": "Bars do not agree with the knee",
    "both": "Calibration and fit",
    "not_separable": "The machine was not seen: the parts cannot be told apart",
    "past": "Past a prescribed limit",
    "at": "Not proven on which side of a prescribed limit",
    "inside": "Inside the prescribed limits",
}

CONCEPTS: Mapping[str, Concept] = MappingProxyType(
    {
        **_MEASURED,
        **_CHECKED,
        **_VALUES,
        **{f"verdict-{v}": Concept(_WORDS[v], "Verdict.") for v in get_args(Verdict)},
        **{f"finding-{v}": Concept(_WORDS[v], "Finding.") for v in get_args(FindingKind)},
        **{f"standing-{v}": Concept(_WORDS[v], "Standing.") for v in ("past", "at", "inside")},
        **{f"ticked-{key}": Concept(said, "Ticked.") for key, said in CHECKLIST.items()},
    }
)
"""The local code system: name (which is its code), words, definition."""

STANDARD: Mapping[str, Coding] = MappingProxyType(
    {
        "side-left": Coding(SCT, "7771000", "Left"),
        "side-right": Coding(SCT, "24028007", "Right"),
        "knee-left": Coding(SCT, "72696002", "Knee"),
        "knee-right": Coding(SCT, "72696002", "Knee"),
    }
)
"""Codes that stand first where a site says nothing: SNOMED CT's as DICOM's own context groups
use them (read from pydicom's dictionary). Its code for a knee names no side."""


@dataclass(frozen=True, slots=True)
class Codes:
    """The codings of each concept: a site's or a standard's first, the local one last.

    Parameters
    ----------
    own : Mapping of concept name to Coding
        What a site agreed on.
    """

    own: Mapping[str, Coding] = field(default_factory=dict)

    def of(self, name: str) -> tuple[Coding, ...]:
        """All codings of a concept, in the order in which they are written."""
        local = Coding(LOCAL_SYSTEM, name, CONCEPTS[name].display)
        first = self.own.get(name) or STANDARD.get(name)
        return (local,) if first is None else (first, local)

    @property
    def mark(self) -> tuple[str, ...]:
        """What tells these codes from the ones that stand where a site says nothing."""
        own = sorted((name, one) for name, one in self.own.items() if one != STANDARD.get(name))
        return tuple(f"{name} {json.dumps(astuple(one))}" for name, one in own)


def read_codes(path: Path) -> Codes:
    """A site's codes from a TOML file: for each concept system, code, display and scheme.

    ::

        [passive-knee-flexion]
        system = "urn:oid:2.25.17"
        code = "K-17"
        display = "Knee flexion, passive"
        scheme = "99WARD"       # for DICOM alone

    Raises
    ------
    InvalidInput
        All that is wrong with it, at once.
    """
    with reading(str(path)):
        raw = path.read_bytes()
    try:
        given = tomllib.loads(raw.decode())
    except (ValueError, RecursionError) as error:
        raise InvalidInput(
            say("{path} is no TOML file ({error}): see export codes", path=path, error=error)
        ) from None
    problems = [problem for name, entry in given.items() for problem in _problems(name, entry)]
    if not problems:
        own = {n: Coding(**{k: t.strip() for k, t in e.items()}) for n, e in given.items()}
        problems = list(_told_alike(own))
    if problems:
        raise InvalidInput(say("{path}: {problems}", path=path, problems=joined("; ", problems)))
    return Codes(own)


ALIKE = frozenset(("knee-left", "knee-right"))
"""May have one code: the side stands beside it."""


def _told_alike(own: Mapping[str, Coding]) -> Iterator[str]:
    """Concepts that a reader of the site's codes could not tell apart."""
    first: dict[tuple[str, str], str] = {}
    for name, one in own.items():
        other = first.setdefault((one.system, one.code), name)
        if other != name and not {other, name} <= ALIKE:
            yield say("{one} and {other} have one code: give each its own", one=other, other=name)


_KEYS = ("system", "code", "display")
LONGEST_SCHEME = 16
"""Of DICOM's type SH."""


def _problems(name: str, entry: object) -> list[str]:
    if name not in CONCEPTS:
        return [say("no such concept: {name!r} (export codes lists them)", name=name)]
    if not isinstance(entry, dict) or set(entry) - {"scheme"} != set(_KEYS):
        return [
            say(
                "{name} must have system, code and display, scheme for DICOM, and no more",
                name=name,
            )
        ]
    if wrong := [k for k, text in entry.items() if not isinstance(text, str) or not text.strip()]:
        return [say("{name}: {keys} must be text", name=name, keys=joined(say(" and "), wrong))]
    system, code = entry["system"].strip(), entry["code"]
    found: list[str] = []
    if ":" not in system or any(sign.isspace() for sign in system):
        found.append(
            say("system must be a URI such as http://loinc.org, but got {system!r}", system=system)
        )
    if system == LOCAL_SYSTEM:
        found.append(say("system is the local one, which is always written too: name your own"))
    scheme = entry.get("scheme", "")
    if len(scheme) > LONGEST_SCHEME or "\\" in scheme:
        found.append(
            say(
                "scheme must have at most {most} signs, but got {scheme!r}",
                most=LONGEST_SCHEME,
                scheme=scheme,
            )
        )
    if " ".join(code.split()) != code:  # the rule of FHIR's type `code`
        found.append(
            say("code may have single spaces within and no others, but got {code!r}", code=code)
        )
    return [joined(": ", (name, problem)) for problem in found]


HEAD = (
    "# A site's codes: uncomment and change. The local code is always written beside.",
    "# LOINC's 41343-5, 41345-0, 41347-6 and 41349-2 are of ACTIVE range of motion of the knee; a",
    "# CPM machine moves it passively, so none of them fits.",
)


def table_of(codes: Codes) -> str:
    """The codes that stand first, as a TOML file to edit; the others as comments."""
    lines = list(HEAD)
    for name, concept in CONCEPTS.items():
        first = codes.of(name)[0]
        mark = "# " if first.system == LOCAL_SYSTEM else ""
        shown = Coding("urn:oid:...", "...", concept.display) if mark else first
        lines += ["", f"# {concept.display}: {concept.definition}", f"{mark}[{name}]"]
        told = {key: getattr(shown, key) for key in (*_KEYS, "scheme")}
        lines += [f"{mark}{k} = {json.dumps(v, ensure_ascii=False)}" for k, v in told.items() if v]
    return "\n".join(lines) + "\n"
