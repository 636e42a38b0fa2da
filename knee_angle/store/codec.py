"""Measurements, checks and settings as JSON text and back, digit for digit."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any, TypeVar, get_origin, get_type_hints

from cattrs.errors import CattrsError
from cattrs.preconf.json import JsonConverter, make_converter

from knee_angle.language import retold
from knee_angle.machine.check import HingeAndSlack
from knee_angle.machine.judge import MachineJudged
from knee_angle.records import JudgedLength, Measurement, NotMeasured, Outcome, Unreadable
from knee_angle.settings import Settings, kept_settings

__all__ = ["from_json", "outcome_from_json", "outcome_to_json", "to_json"]

Json = dict[str, Any]
T = TypeVar("T")


def _is_mapping(kind: Any) -> bool:
    return get_origin(kind) is Mapping


def _made() -> JsonConverter:
    converter = make_converter()
    # The records wrap their mappings read-only; JSON wants plain objects.
    converter.register_unstructure_hook_func(
        _is_mapping,
        lambda value: {name: converter.unstructure(item) for name, item in value.items()},
    )
    # What was kept is English text; a reader of another language has it told again.
    converter.register_structure_hook(str, lambda text, _: retold(str(text)))
    kinds = get_type_hints(Settings)
    converter.register_structure_hook(
        Settings,
        lambda kept, _: kept_settings(
            {name: converter.structure(kept[name], kinds[name]) for name in kinds if name in kept}
        ),
    )
    as_now = converter.get_structure_hook(JudgedLength)
    converter.register_structure_hook(
        JudgedLength, lambda value, kind: as_now(_length_as_now(value), kind)
    )
    fits_as_now = converter.get_structure_hook(HingeAndSlack)
    converter.register_structure_hook(
        HingeAndSlack, lambda value, kind: fits_as_now(_fits_as_now(value), kind)
    )
    # Its draws are computed again from the kept photos; what it says is kept beside it.
    converter.register_unstructure_hook(MachineJudged, lambda _: None)
    converter.register_structure_hook(MachineJudged, lambda *_: None)
    return converter


def _fits_as_now(value: Json) -> Json:
    """Hinge and slack; checks of before kept the whole covariance of their fit."""
    if "covariance" not in value:
        return value
    u = [math.sqrt(value["covariance"][k][k]) for k in range(3)]
    return value | dict(zip(("u_distal_mm", "u_anterior_mm", "u_slack_deg"), u, strict=True))


def _length_as_now(value: Json) -> Json:
    """A judged length; the first tables kept its millimetres under names of degrees."""
    names = {"discrepancy_deg": "mm", "u_deg": "u_mm", "tolerance_deg": "tolerance_mm"}
    return {names.get(name, name): held for name, held in value.items()}


_CONVERTER = _made()
_KINDS: dict[str, type[Measurement | NotMeasured | Unreadable]] = {
    "measured": Measurement,
    "not_measured": NotMeasured,
    "unreadable": Unreadable,
}


def to_json(value: Any) -> Any:
    """Any of our frozen records as plain JSON values; refuses NaN and infinity."""
    # Through text, so that a tuple is the same list before and after the database.
    return json.loads(json.dumps(_CONVERTER.unstructure(value), allow_nan=False))


def from_json(value: Any, kind: type[T]) -> T:
    """A record from what `to_json` gave; what is none raises ValueError, or a group of errors."""
    try:
        return _CONVERTER.structure(value, kind)
    except CattrsError as error:
        if isinstance(error, ExceptionGroup):
            raise
        raise ValueError(str(error)) from None


def outcome_to_json(outcome: Outcome) -> Json:
    """A photo's outcome with the name of its kind."""
    kind = next(name for name, cls in _KINDS.items() if isinstance(outcome, cls))
    return {"kind": kind, "outcome": to_json(outcome)}


def outcome_from_json(value: Json) -> Outcome:
    """A photo's outcome from what `outcome_to_json` gave."""
    return from_json(value["outcome"], _KINDS[value["kind"]])
