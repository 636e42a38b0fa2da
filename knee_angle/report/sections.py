"""How much too long or short the machine's sections are for a leg, ready for `json.dumps`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from knee_angle.machine.holding import Figure
    from knee_angle.machine.judge import MachineJudged

__all__ = ["sections_as_json"]

Json = dict[str, Any]


def sections_as_json(machine: MachineJudged | None) -> Json | None:
    """Each section's fault, both together, and with the patient's place; mm, 95 % intervals.

    Positive is too long for this leg (place: the hip too far up the bed). None where the machine
    was not judged by a leg, or so that nothing is said of what to set.
    """
    if machine is None or machine.holding is None or machine.advice is None:
        return None
    held = machine.holding
    return {
        "thigh_section_mm": _figure(held.figure("thigh_fault_mm")),
        "lower_leg_section_mm": _figure(held.figure("lower_fault_mm")),
        "both_sections_mm": _figure(held.sections_mm),
        "with_place_mm": _figure(held.sum_mm),
        "thigh_length_mm": _figure(held.thigh_mm),
        "lower_leg_to_heel_mm": _figure(held.lower_mm),
        "p_heel_seated": round(held.seated_weight, 3),
    }


def _figure(figure: Figure) -> Json:
    return {
        "value": round(figure.value, 1),
        "u": round(figure.u, 1),
        "interval": [round(end, 1) for end in figure.interval],
    }
