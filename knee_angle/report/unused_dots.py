"""Dots that were seen and not used, handed on in fields: which, where, and why not."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from knee_angle.records import Measurement, NotMeasured, Outcome

__all__ = ["unused_in", "unused_of"]

Json = dict[str, Any]


def unused_of(outcome: Outcome) -> list[Json]:
    """Those of one photo, pixels of the upright photo to 2 decimals.

    Parameters
    ----------
    outcome : Measurement, NotMeasured or Unreadable
        The photo's result.

    Returns
    -------
    list of dict
        ``name`` is what a dot most probably marks, None where that cannot be told.
    """
    match outcome:
        case Measurement():
            dots = outcome.landmarks.unused_dots
        case NotMeasured():
            dots = outcome.unused_dots
        case _:
            dots = ()
    return [
        {
            "name": dot.name,
            "x": round(dot.point.x_px, 2),
            "y": round(dot.point.y_px, 2),
            "u_px": round(dot.point.u_px, 2),
            "diameter_px": round(dot.diameter_px, 2),
            "colour": dot.colour,
            "why": dot.why,
        }
        for dot in dots
    ]


def unused_in(outcomes: Iterable[tuple[str, Outcome]]) -> list[Json]:
    """Those of several photos, each with the photo that it is in."""
    return [{"photo": photo, **dot} for photo, one in outcomes for dot in unused_of(one)]
