"""The bars of a check's photos: their hinge by tags, and tags that cannot be right."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from knee_angle.angle import bars, uncertainty
from knee_angle.assumptions import LEAST_P_HINGE
from knee_angle.errors import InvalidInput
from knee_angle.language import say
from knee_angle.machine.unjudged import cards_wrong
from knee_angle.records import LEG_POINTS, Frame, LegInView, Measurement
from knee_angle.settings import Settings

__all__ = ["ARROWS_WRONG", "Bars", "bars_of"]

ARROWS_WRONG = say(
    "The hinge lies behind the arrow of a card on the bars, so the card points "
    "the wrong way and the bars are not used: stick both cards with their "
    "arrows towards the foot."
)


@dataclass(frozen=True, slots=True)
class Bars:
    """What a check's photos show of the bars.

    Parameters
    ----------
    legs : Mapping of photo to LegInView
        The legs to be judged: with the hinge in the axes of the bar tags where these showed
        it, without any bars where tags cannot be right.
    hinge : bars.HingeFit or None
        The hinge as the pole of the bar tags' turn.
    frames : tuple of Frame
        Each photo's bars and hinge, again with that hinge; empty where one shows none.
    cautions : tuple of str
        Which tags cannot be stuck as they should.
    """

    legs: Mapping[str, LegInView]
    hinge: bars.HingeFit | None
    frames: tuple[Frame, ...]
    cautions: tuple[str, ...]


def bars_of(used: Mapping[str, Measurement], settings: Settings, rng: np.random.Generator) -> Bars:
    """Bars and hinge of photos of one leg in one machine."""
    found = _hinge(list(used.values()), settings, rng)
    seen = {name: None if r.machine is None else r.machine.frame for name, r in used.items()}
    cautions = [f"{name}: {wrong}" for name, f in seen.items() if (wrong := cards_wrong(f))]
    if found is not None and bars.arrows_wrong(found.hinge):
        cautions.append(ARROWS_WRONG)
    legs = {name: _with_hinge(result.leg, found) for name, result in used.items()}
    frames = None
    if not cautions:
        frames = _frames(seen, legs, settings, rng)
        again = dict(zip(legs, frames or (), strict=False))
        cautions += [f"{name}: {wrong}" for name, f in again.items() if (wrong := cards_wrong(f))]
    if cautions:
        return Bars({n: _without_bars(leg) for n, leg in legs.items()}, found, (), tuple(cautions))
    return Bars(legs, found, frames or (), ())


def _hinge(
    results: Sequence[Measurement], settings: Settings, rng: np.random.Generator
) -> bars.HingeFit | None:
    """The pole of the bar tags' turn; None where they cannot show it.

    All photos must show both tags. Tags that turn about no common point (one was moved) show
    nothing.
    """
    motions = [
        uncertainty.tag_motion(r.leg, trials=settings.trials // 4, rng=rng)
        for r in results
        if r.leg.bar_tags is not None
    ]
    known = [one for one in motions if one is not None]
    if len(known) < len(results):
        return None
    try:
        found = bars.fit_hinge(known)
    except InvalidInput:
        return None
    return found if found.p_value >= LEAST_P_HINGE else None


def _with_hinge(leg: LegInView, found: bars.HingeFit | None) -> LegInView:
    if found is None or leg.bar_tags is None:
        return leg
    return replace(leg, bar_tags=replace(leg.bar_tags, hinge=found.hinge))


def _without_bars(leg: LegInView) -> LegInView:
    points = {name: leg.points[name] for name in LEG_POINTS}
    return replace(leg, points=points, bar_tags=None)


def _frames(
    seen: Mapping[str, Frame | None],
    legs: Mapping[str, LegInView],
    settings: Settings,
    rng: np.random.Generator,
) -> tuple[Frame, ...] | None:
    """Every photo's bars, again where the tags showed the hinge; None where one shows none."""
    frames = []
    for name, leg in legs.items():
        frame = seen[name]
        if frame is not None and leg.bar_tags is not None and leg.bar_tags.hinge is not None:
            frame = uncertainty.frame_with_uncertainty(leg, trials=settings.trials, rng=rng)
        if frame is None:
            return None
        frames.append(frame)
    return tuple(frames)
