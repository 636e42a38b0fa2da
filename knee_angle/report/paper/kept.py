"""The JSON of a kept visit, read back into what sentences are made of."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, cast

from knee_angle.angle.bounds import Apart, Lacking, LimitStanding
from knee_angle.assumptions import COVERAGE, END_FROM_DEG
from knee_angle.records import Verdict
from knee_angle.visit import Reach, Value

__all__ = ["Place", "lacking_of", "now_of", "own_plus_minus", "places_of", "value_of"]

Json = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Place:
    """One setting of a visit: where the machine was paused, by all its photos together."""

    name: str
    end: str
    photos: tuple[str, ...]
    displayed_deg: float | None
    knee: Value
    bars: Value | None
    verdict: Verdict | None
    tolerance_deg: float | None
    p_within: float | None
    apart: Apart | None
    limits: tuple[LimitStanding, ...]
    shrink: tuple[Reach, ...]
    adjusted: int = 0


def places_of(contract: Json) -> tuple[Place, ...]:
    """The settings, before adjusting and after, each time the straightest first."""
    turns: dict[int, list[Json]] = {}
    for one in contract["settings"]:
        turns.setdefault(one.get("adjusted", 0), []).append(one)
    return tuple(
        _place(one, end)
        for _, group in sorted(turns.items())
        for one, end in zip(group, _ends([s["knee"]["value"] for s in group]), strict=True)
    )


def now_of(places: Sequence[Place]) -> tuple[Place, ...]:
    """Those of the machine as it stands now: after it was last adjusted."""
    last = max(place.adjusted for place in places)
    return tuple(place for place in places if place.adjusted == last)


def value_of(kept: Json | None) -> Value | None:
    """A quantity with u and interval."""
    if kept is None:
        return None
    low, high = kept["interval"]
    return Value(kept["value"], kept["u"], (low, high))


def lacking_of(contract: Json) -> Lacking | None:
    """What the knee lacks of extension, where that is proven."""
    kept = contract["lacking"]
    return None if kept is None else Lacking(**kept)


def _ends(knees: list[float]) -> list[str]:
    if len(knees) == 1:
        return ["flexion" if knees[0] >= END_FROM_DEG else "extension"]
    return ["extension", *["between"] * (len(knees) - 2), "flexion"]


def _place(one: Json, end: str) -> Place:
    comparison, knee = one["comparison"], value_of(one["knee"])
    return Place(
        name=one["setting"],
        end=end,
        photos=tuple(one["photos"]),
        displayed_deg=one["displayed_deg"],
        knee=cast("Value", knee),
        bars=value_of(one["bars"]),
        verdict=None if comparison is None else comparison["verdict"],
        tolerance_deg=None if comparison is None else comparison["tolerance_deg"],
        p_within=None if comparison is None else comparison["p_within"],
        apart=_apart(one),
        limits=tuple(
            LimitStanding(**{**limit, "because": tuple(limit["because"])})
            for limit in one["limits"]
        ),
        shrink=tuple(Reach(**reach) for reach in one["would_shrink"]),
        adjusted=one.get("adjusted", 0),
    )


def _apart(one: Json) -> Apart | None:
    kept, compared = one["apart"], one["comparison"]
    if kept is None or compared is None:
        return None
    proven = tuple((float(step), verdict) for step, verdict in kept["within_deg"].items())
    return Apart(compared["discrepancy_deg"], compared["u_deg"], kept["at_most_deg"], proven)


def own_plus_minus(knee: Value, share: float) -> float:
    """The 95 % ± that goes with a share of a knee's variance, degrees."""
    return COVERAGE * knee.u * math.sqrt(max(share, 0.0))
