"""What adjusting the machine changed: the same place before and after, one leg, two geometries.

A section that is moved carries the hinge to another place against the knee, so that bars and
display come nearer the knee or go further from it. Leg and marks are the same before and after:
what they have in common cancels in the difference. Places are compared that show nearly the
same number; where no number was given, whose bars stand nearly alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from knee_angle.visit import SettingEstimate, Value, VisitEstimate, value_of

__all__ = ["Change", "Changed", "Way", "changes_of"]

Floats = NDArray[np.float64]
Way = Literal["closer", "further", "not shown"]

SAME_PLACE_DEG = 5.0
"""Places whose numbers (or bars) are no further apart are compared: over so few degrees what
the fit adds changes by well under one (our own)."""


@dataclass(frozen=True, slots=True)
class Change:
    """One quantity before and after, and after minus before; degrees or mm."""

    before: Value
    after: Value
    change: Value


@dataclass(frozen=True, slots=True)
class Changed:
    """What one adjusting changed at one place.

    Parameters
    ----------
    adjusted : int
        Which adjusting of the visit, from 1.
    before, after : str
        The two settings' names.
    displayed_deg : (float or None, float or None)
        The machine's number before and after.
    knee : Change
        Flexion, degrees.
    apart : Change or None
        Displayed minus knee; None without both numbers.
    fit : Change or None
        Bars minus knee; None where the bars were not seen in both.
    distal, anterior : Change or None
        The hinge seen from the knee, mm.
    size : Value or None
        How much further apart display and knee (without numbers: bars and knee) are than
        before, degrees: negative is closer.
    way : {"closer", "further", "not shown"}
        What of that is proven (95 %).
    """

    adjusted: int
    before: str
    after: str
    displayed_deg: tuple[float | None, float | None]
    knee: Change
    apart: Change | None
    fit: Change | None
    distal: Change | None
    anterior: Change | None
    size: Value | None
    way: Way


def changes_of(
    estimate: VisitEstimate, *, step_deg: float, rng: np.random.Generator
) -> tuple[Changed, ...]:
    """What each adjusting changed, at every place that was photographed before and after.

    Parameters
    ----------
    estimate : VisitEstimate
        Of all photos of the visit.
    step_deg : float
        The display's step: the number is the display's own angle, rounded to it.
    rng : numpy.random.Generator
        Source of randomness for that rounding.
    """
    found = []
    for after in estimate.settings:
        earlier = [one for one in estimate.settings if one.adjusted == after.adjusted - 1]
        if (before := _same_place(after, earlier)) is not None:
            found.append(_changed(estimate, before, after, step_deg=step_deg, rng=rng))
    return tuple(found)


def _same_place(
    after: SettingEstimate, earlier: Sequence[SettingEstimate]
) -> SettingEstimate | None:
    """The nearest of the earlier places, where one is near enough."""
    near = [(away, one) for one in earlier if (away := _away(one, after)) <= SAME_PLACE_DEG]
    return min(near, key=lambda pair: pair[0])[1] if near else None


def _away(one: SettingEstimate, other: SettingEstimate) -> float:
    if one.displayed_deg is not None and other.displayed_deg is not None:
        return abs(one.displayed_deg - other.displayed_deg)
    if one.frame is not None and other.frame is not None:
        return abs(one.frame.value - other.frame.value)
    return float("inf")


def _changed(
    estimate: VisitEstimate,
    before: SettingEstimate,
    after: SettingEstimate,
    *,
    step_deg: float,
    rng: np.random.Generator,
) -> Changed:
    weights, pair = estimate.draws.weights, (before.name, after.name)

    def seen(quantity: str) -> Change | None:
        names = [f"{quantity} {name}" for name in pair]
        if not all(name in estimate.names for name in names):
            return None
        return _change([estimate.sum_of({name: 1.0}) for name in names], weights)

    knee = seen("knee")
    assert knee is not None  # noqa: S101  every setting has one
    apart = fit = None
    if before.displayed_deg is not None and after.displayed_deg is not None:
        apart = [
            _less_knee(estimate, name, shown, step_deg=step_deg, rng=rng)
            for name, shown in zip(pair, (before.displayed_deg, after.displayed_deg), strict=True)
        ]
    if before.frame is not None and after.frame is not None:
        fit = [estimate.sum_of({f"frame {name}": 1.0, f"knee {name}": -1.0}) for name in pair]
    judged = apart or fit
    size = None if judged is None else _size(judged, weights)
    provable = before.camera_seen and after.camera_seen
    return Changed(
        adjusted=after.adjusted,
        before=before.name,
        after=after.name,
        displayed_deg=(before.displayed_deg, after.displayed_deg),
        knee=knee,
        apart=None if apart is None else _change(apart, weights),
        fit=None if fit is None else _change(fit, weights),
        distal=seen("distal"),
        anterior=seen("anterior"),
        size=size,
        way=_way(size) if provable else "not shown",
    )


Drawn = tuple[float, Floats]
"""A quantity and its trials (n,)."""


def _less_knee(
    estimate: VisitEstimate, name: str, shown: float, *, step_deg: float, rng: np.random.Generator
) -> Drawn:
    """Displayed minus knee, with the display's rounding."""
    value, drawn = estimate.sum_of({f"knee {name}": -1.0})
    return shown + value, shown + drawn + step_deg * rng.uniform(-0.5, 0.5, len(drawn))


def _change(pair: Sequence[Drawn], weights: Floats) -> Change:
    (first, drawn_first), (last, drawn_last) = pair
    return Change(
        value_of(first, drawn_first, weights),
        value_of(last, drawn_last, weights),
        value_of(last - first, drawn_last - drawn_first, weights),
    )


def _size(pair: Sequence[Drawn], weights: Floats) -> Value:
    """How much further apart the second is than the first, whichever way round."""
    (first, drawn_first), (last, drawn_last) = pair
    drawn = np.abs(drawn_last) - np.abs(drawn_first)
    return value_of(abs(last) - abs(first), drawn, weights)


def _way(size: Value | None) -> Way:
    if size is None:
        return "not shown"
    low, high = size.interval
    return "closer" if high < 0.0 else "further" if low > 0.0 else "not shown"
