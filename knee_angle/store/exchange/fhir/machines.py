"""A machine's checks: the machine, the number that it shows, and what each check found."""

from __future__ import annotations

import math
from collections.abc import Iterator

from knee_angle.machine.calibration import Line
from knee_angle.store import KeptCheck
from knee_angle.store.exchange.codes import Codes
from knee_angle.store.exchange.fhir.course import (
    Entry,
    device_words,
    moment,
    narrative,
    provenance,
    software_urn,
    status_of,
)
from knee_angle.store.exchange.fhir.parts import (
    CHECK,
    CHECK_AT_ONE_PLACE,
    UCUM,
    components,
    concept,
    degrees,
    identifier,
    named_urn,
    row_urn,
)

__all__ = ["machine", "of_check"]


def machine_urn(code: str) -> str:
    """A machine's address: the same in every bundle."""
    return named_urn("machine", code)


def metric_urn(code: str) -> str:
    """The address of the number that a machine shows."""
    return named_urn("display", code)


def machine(
    code: str, latest: KeptCheck | None, codes: Codes, *, release: str, metric: bool = True
) -> Iterator[Entry]:
    """The machine as a Device and, for its checks, its display as a DeviceMetric.

    The metric's calibration state is never an all-clear: a check does not calibrate. It says
    ``calibration-required`` where the newest check that stands proves the display off against
    the machine's own bars, and ``unspecified`` else. It has no time, which would be that of a
    calibration; a check's is its Observation's.
    """
    yield (
        machine_urn(code),
        {
            "resourceType": "Device",
            "id": machine_urn(code).removeprefix("urn:uuid:"),
            "text": narrative(f"CPM machine {code}"),
            "identifier": [identifier("machine", code)],
            **device_words(code, concept(codes, "cpm-machine"), release=release),
        },
    )
    if not metric:
        return
    owner = "device" if release == "R5" else "source"
    shown = {
        "resourceType": "DeviceMetric",
        "id": metric_urn(code).removeprefix("urn:uuid:"),
        "text": narrative(f"Display of CPM machine {code}"),
        "identifier": [identifier("display", code)],
        "type": concept(codes, "display-metric"),
        "unit": {"coding": [{"system": UCUM, "code": "deg", "display": "deg"}]},
        owner: {"reference": machine_urn(code)},
        "category": "measurement",
    }
    if latest is not None:
        off = latest.verdict == "outside" and latest.against == "frame"
        state = "calibration-required" if off else "unspecified"
        shown["calibration"] = [{"type": "unspecified", "state": state}]
    yield metric_urn(code), shown


def of_check(check: KeptCheck, line: Line | None, codes: Codes) -> Iterator[Entry]:
    """One check of the display; the person whose leg lay in the machine is left out.

    Parameters
    ----------
    check : KeptCheck
    line : Line, optional
        Displayed against what it was held against: what the display showed at each setting is
        then an Observation of its own.
    codes : Codes
    """
    urn = row_urn(check.id)
    low, high = check.range_deg
    members = [] if line is None else [_shown(check, line, n, codes) for n in range(len(line.x))]
    yield from members
    yield (
        urn,
        {
            "resourceType": "Observation",
            "id": urn.removeprefix("urn:uuid:"),
            "text": narrative(
                f"Display of {check.machine} from {low:.0f}° to {high:.0f}°: largest difference "
                f"{check.largest_deg:+.1f}°, tolerance {check.tolerance_deg:g}°, {check.verdict}"
            ),
            "identifier": [identifier("row", check.id)],
            "status": status_of(check),
            "code": concept(codes, "display-check"),
            "subject": {"reference": machine_urn(check.machine)},
            "focus": [{"reference": metric_urn(check.machine)}],
            "effectiveDateTime": moment(check.taken_at),
            "issued": moment(check.saved_at),
            "device": {"reference": software_urn(check.software)},
            **({"hasMember": [{"reference": one} for one, _ in members]} if members else {}),
            "component": components(
                CHECK_AT_ONE_PLACE if check.at_one_place else CHECK, check, codes
            ),
        },
    )
    yield provenance(check, (urn, *(one for one, _ in members)))


def _shown(check: KeptCheck, line: Line, number: int, codes: Codes) -> Entry:
    """What the display showed at one setting, and the angle that it was held against."""
    urn = named_urn("shown", check.id, str(number))
    x, y, u_deg = line.x[number], line.y[number], math.sqrt(line.cov_x[number][number])
    held = "the bars were" if check.against == "frame" else "the knee was"
    return urn, {
        "resourceType": "Observation",
        "id": urn.removeprefix("urn:uuid:"),
        "text": narrative(f"Display of {check.machine}: {y:.1f}° where {held} at {x:.1f}°"),
        "identifier": [identifier("row", f"{check.id}-{number + 1}")],
        "status": status_of(check),
        "code": concept(codes, "display-shown"),
        "subject": {"reference": machine_urn(check.machine)},
        "effectiveDateTime": moment(check.taken_at),
        "issued": moment(check.saved_at),
        "device": {"reference": metric_urn(check.machine)},
        "valueQuantity": degrees(y),
        "component": [
            {"code": concept(codes, f"against-{check.against}"), "valueQuantity": degrees(x)},
            {"code": concept(codes, "standard-uncertainty"), "valueQuantity": degrees(u_deg)},
        ],
    }
