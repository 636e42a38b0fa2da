"""Options that several commands share, and their checks."""

from __future__ import annotations

import math
from enum import StrEnum
from typing import TypeVar

from knee_angle.errors import InvalidInput

__all__ = [
    "DOT_RANGE_MM",
    "MOVEMENT_MOST_DEG",
    "STATURE_RANGE_MM",
    "SUPPORT_RANGE_MM",
    "TAG_RANGE_MM",
    "THIGH_RANGE_MM",
    "TOLERANCE_MOST_DEG",
    "Format",
    "in_order",
    "length",
    "limit",
    "placement",
    "positive",
]

TAG_RANGE_MM = (10.0, 500.0)
"""From a tag that a phone just resolves to one as large as a machine."""
DOT_RANGE_MM = (3.0, 100.0)
STATURE_RANGE_MM = (400.0, 2600.0)
"""From newborn to beyond the tallest adult; metres and centimetres lie outside."""
TOLERANCE_MOST_DEG = 45.0
"""A wider tolerance would let almost any display agree."""
MOVEMENT_MOST_DEG = 90.0
"""More than a machine moves between a photo and a glance at the display."""
PLACEMENT_MOST_MM = 100.0
"""A mark that far off is not on the joint."""
THIGH_RANGE_MM = (100.0, 700.0)
"""Thighs from small children to very tall adults."""
SUPPORT_RANGE_MM = (50.0, 600.0)
"""From just below the knee to the foot plate of a very tall adult."""


class Format(StrEnum):
    """How results are printed."""

    TEXT = "text"
    JSON = "json"
    CSV = "csv"


def positive(option: str, value: float, *, zero: bool = False, most: float | None = None) -> float:
    """The value, where it is finite, above 0 (or 0, where allowed) and at most ``most``."""
    high = math.inf if most is None else most
    if math.isfinite(value) and (value > 0 or (zero and value == 0)) and value <= high:
        return value
    rule = "0 or more" if zero else "above 0"
    upper = "" if most is None else f" and at most {most:g}"
    raise InvalidInput(f"{option} must be {rule}{upper}, but got {value:g}")


def in_order(low_option: str, low: float | None, high_option: str, high: float | None) -> None:
    """Refuse two limits that no knee can keep at once."""
    if low is not None and high is not None and low > high:
        raise InvalidInput(
            f"{low_option} must not be above {high_option}, but got {low:g} and {high:g}: "
            "both are in degrees of flexion, 0 is straight"
        )


def limit(option: str, value: float | None) -> float | None:
    """A prescribed limit, degrees of flexion, where it can be one."""
    if value is None or -30 <= value <= 180:
        return value
    raise InvalidInput(
        f"{option} must be between -30 and 180, but got {value:g}: it is in degrees of flexion, "
        "0 is straight"
    )


LengthT = TypeVar("LengthT", float, float | None)


def length(option: str, value: LengthT, limits_mm: tuple[float, float]) -> LengthT:
    """A typed length, mm, where the thing can have it."""
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
        positive("--placement-mm", value, zero=True, most=PLACEMENT_MOST_MM)
    return hip, knee, ankle
