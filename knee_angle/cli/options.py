"""Options that several commands share, and their checks."""

from __future__ import annotations

import math
from enum import StrEnum

from knee_angle.errors import InvalidInput

__all__ = [
    "SUPPORT_RANGE_MM",
    "THIGH_RANGE_MM",
    "Format",
    "length",
    "limit",
    "placement",
    "positive",
]

THIGH_RANGE_MM = (100.0, 700.0)
"""Thighs from small children to very tall adults."""
SUPPORT_RANGE_MM = (50.0, 600.0)
"""From just below the knee to the foot plate of a very tall adult."""


class Format(StrEnum):
    """How results are printed."""

    TEXT = "text"
    JSON = "json"
    CSV = "csv"


def positive(option: str, value: float, *, zero: bool = False) -> float:
    """The value, where it is finite and above 0 (or 0, where that is allowed)."""
    if math.isfinite(value) and (value > 0 or (zero and value == 0)):
        return value
    raise InvalidInput(f"{option} must be above 0, but got {value:g}")


def limit(option: str, value: float | None) -> float | None:
    """A prescribed limit, degrees of flexion, where it can be one."""
    if value is None or -30 <= value <= 180:
        return value
    raise InvalidInput(f"{option} must be between -30 and 180, but got {value:g}")


def length(option: str, value: float | None, limits_mm: tuple[float, float]) -> float | None:
    """A typed length of the leg, mm, where a leg can have it."""
    low, high = limits_mm
    if value is None or low <= value <= high:
        return value
    raise InvalidInput(
        f"{option} must be between {low:g} and {high:g} mm, but got {value:g}: was it meant in "
        "other units?"
    )


def placement(text: str) -> tuple[float, float, float]:
    """``10/5/5`` as three lengths in mm: hip, knee, ankle."""
    try:
        hip, knee, ankle = (float(part) for part in text.split("/"))
    except ValueError:
        raise InvalidInput(
            f"--placement-mm must be three numbers like 10/5/5 (hip/knee/ankle), but got {text!r}"
        ) from None
    for value in (hip, knee, ankle):
        positive("--placement-mm", value, zero=True)
    return hip, knee, ankle
