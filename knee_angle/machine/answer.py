"""A visit answered: every setting's knee against display and limits, and what the machine does.

Numbers only; the sentences stand in `report.visit_words`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from knee_angle.angle.bounds import (
    Apart,
    Lacking,
    LimitStanding,
    Standing,
    apart,
    extension_lacking,
    limit_standings,
)
from knee_angle.angle.verdict import judged, tolerance_at, u_display_deg
from knee_angle.angle.words import FAULTS
from knee_angle.assumptions import END_FROM_DEG
from knee_angle.machine.bands import RangeJudged
from knee_angle.machine.cause import ADVICE
from knee_angle.machine.changed import Changed, changes_of
from knee_angle.machine.from_visit import evidence_of
from knee_angle.machine.judge import HingeCoordinate, MachineJudged, Tolerances, judge_machine
from knee_angle.machine.typed import NOTHING, ReadAgain, read_again
from knee_angle.records import Comparison, NotMeasured, Outcome, Side
from knee_angle.settings import Settings
from knee_angle.visit import SettingEstimate, Value, VisitEstimate, VisitPhoto, estimate_visit

__all__ = [
    "SettingAnswer",
    "VisitAnswer",
    "answer_visit",
    "machine_of",
    "range_of",
    "tolerances_of",
]

AT_END_DEG = 5.0
"""A display so near to the wanted extension says that the machine stands at that end (our
own)."""


_Judged = TypeVar("_Judged", RangeJudged, HingeCoordinate)


@dataclass(frozen=True, slots=True)
class SettingAnswer:
    """One setting of a visit, judged.

    Parameters
    ----------
    estimate : SettingEstimate
        Knee, bars and hinge with their ±.
    comparison, apart : Comparison and Apart, or None
        Displayed against knee; None without a displayed number.
    limits : tuple of LimitStanding
        Where each prescribed limit stands.
    """

    estimate: SettingEstimate
    comparison: Comparison | None
    apart: Apart | None
    limits: tuple[LimitStanding, ...]


@dataclass(frozen=True, slots=True)
class VisitAnswer:
    """One leg, one machine, one occasion: the answer.

    Parameters
    ----------
    side : {"left", "right"}
        The leg.
    settings : tuple of SettingAnswer
        The straightest knee first.
    arc : Value or None
        The knee's arc from the first setting to the last, as the machine stands now; None with
        one setting.
    displayed_arc_deg : float or None
        The same by the displayed numbers.
    lacking : Lacking or None
        What the knee lacks of extension at its straightest, where proven.
    machine : MachineJudged or None
        What all settings say of the machine as it stands now; None where they say nothing.
    estimate : VisitEstimate
        What it was computed from.
    outcomes : tuple of (str, Outcome)
        Every photo that was given, measured or not.
    used : Settings
        The settings that it was judged by.
    changes : tuple of Changed
        What each adjusting of the machine changed; empty where there was none.
    reread : ReadAgain
        Displayed numbers to look at again, also where the machine itself is not judged.
    """

    side: Side
    settings: tuple[SettingAnswer, ...]
    arc: Value | None
    displayed_arc_deg: float | None
    lacking: Lacking | None
    machine: MachineJudged | None
    estimate: VisitEstimate
    outcomes: tuple[tuple[str, Outcome], ...]
    used: Settings
    changes: tuple[Changed, ...] = ()
    reread: ReadAgain = NOTHING

    @property
    def adjusted(self) -> int:
        """How often the machine was adjusted in the visit."""
        return max(one.estimate.adjusted for one in self.settings)

    @property
    def now(self) -> tuple[SettingAnswer, ...]:
        """The settings of the machine as it stands now, the straightest knee first."""
        return tuple(one for one in self.settings if one.estimate.adjusted == self.adjusted)

    @property
    def standing(self) -> Standing | None:
        """The worst standing of any limit; None where nothing is prescribed.

        Past counts from before an adjusting too: it was, and is said. Else it is as things
        stand now.
        """
        found = {limit.standing for one in self.now for limit in one.limits}
        if any(limit.standing == "past" for one in self.settings for limit in one.limits):
            return "past"
        for standing in ("at", "inside"):
            if standing in found:
                return standing
        return None

    @property
    def warned(self) -> bool:
        """Whether something beside the verdicts is to be heeded, so that none is an all-clear.

        A limit that is not proven kept, a fault that was found, a limit to be lowered before
        anything is set, or a place that nobody photographed where the knee may be far off.
        """
        if self.standing in ("past", "at"):
            return True
        found = self.machine
        if found is None:
            return False
        lowered = found.advice is not None and found.advice.lower_limit_deg > 0
        return found.kind in FAULTS or found.elsewhere is not None or lowered

    def __repr__(self) -> str:
        knees = ", ".join(f"{one.estimate.knee.value:.1f}°" for one in self.settings)
        return f"<VisitAnswer {self.side} knee {knees}>"


def answer_visit(
    photos: Sequence[VisitPhoto],
    settings: Settings,
    *,
    rng: np.random.Generator,
    outcomes: Sequence[tuple[str, Outcome]] = (),
    judge: bool = True,
) -> VisitAnswer | NotMeasured:
    """Judge all photos of one leg and machine together.

    Parameters
    ----------
    photos : sequence of VisitPhoto
        Those that were measured.
    settings : Settings
        Tolerances, limits and the display's step.
    rng : numpy.random.Generator
        Seeded from the photos, the answer repeats.
    outcomes : sequence of (str, Outcome)
        Every photo given, handed on.
    judge : bool
        Whether the machine is judged; without, `VisitAnswer.machine` is None and all else is
        as with it, sooner.
    """
    left_out = [(name, outcome.reason) for name, outcome in outcomes if hasattr(outcome, "reason")]
    estimate = estimate_visit(photos, rng=rng, left_out=left_out)
    if isinstance(estimate, NotMeasured):
        return estimate
    answers = tuple(_setting(one, settings) for one in estimate.settings)
    now = [one for one in estimate.settings if one.adjusted == estimate.settings[-1].adjusted]
    first, last = now[0], now[-1]
    arc = estimate.arc(start=first.name, end=last.name) if first is not last else None
    shown = (first.displayed_deg, last.displayed_deg)
    displayed_arc = None
    if arc is not None and shown[0] is not None and shown[1] is not None:
        displayed_arc = shown[1] - shown[0]
    machine = machine_of(estimate, settings, rng) if judge else None
    step = settings.display_resolution_deg
    seen = evidence_of(estimate, step_deg=step, adjusted=last.adjusted)
    provable = any(one.camera_seen for one in now)
    return VisitAnswer(
        side=photos[0].leg.side,
        settings=answers,
        arc=arc,
        displayed_arc_deg=displayed_arc,
        lacking=_lacking(first, settings),
        machine=machine,
        estimate=estimate,
        outcomes=tuple(outcomes),
        used=settings,
        changes=changes_of(estimate, step_deg=step, rng=rng),
        reread=read_again(seen, provable=provable) if machine is None else machine.reread,
    )


def _lacking(first: SettingEstimate, settings: Settings) -> Lacking | None:
    """What the knee lacks at the extension end; nothing where the machine stood elsewhere."""
    wanted = settings.limit_extension_deg or 0.0
    shown = first.displayed_deg
    at_the_end = first.knee.value < END_FROM_DEG if shown is None else shown - wanted <= AT_END_DEG
    if not (at_the_end and first.camera_seen):
        return None
    return extension_lacking(settings, knee_deg=first.knee.value, u_deg=first.knee.u)


def _setting(one: SettingEstimate, settings: Settings) -> SettingAnswer:
    limits = limit_standings(
        settings,
        knee_deg=one.knee.value,
        u_deg=one.knee.u,
        displayed_deg=one.displayed_deg,
        camera_seen=one.camera_seen,
    )
    if one.displayed_deg is None:
        return SettingAnswer(one, None, None, limits)
    difference = one.displayed_deg - one.knee.value
    u = math.hypot(one.knee.u, u_display_deg(settings))
    tolerance = tolerance_at(settings, knee_deg=one.knee.value, displayed_deg=one.displayed_deg)
    comparison = judged(difference, u=u, tolerance=tolerance, provable=one.camera_seen)
    return SettingAnswer(one, comparison, apart(difference, u_deg=u), limits)


def machine_of(
    estimate: VisitEstimate, settings: Settings, rng: np.random.Generator
) -> MachineJudged | None:
    """All settings' evidence about the machine, judged; None where its bars were not seen.

    Of a machine that was adjusted, the settings since then: before, it was another one.
    Where no camera's direction was seen, nothing is proven and nothing is advised.
    """
    adjusted = estimate.settings[-1].adjusted
    of = [one for one in estimate.settings if one.adjusted == adjusted]
    bars = [one.frame.value for one in of if one.frame is not None]
    if not bars:
        return None
    seen = evidence_of(estimate, step_deg=settings.display_resolution_deg, adjusted=adjusted)
    judged = judge_machine(
        seen,
        range_deg=range_of(bars, settings),
        tolerances=tolerances_of(settings),
        rng=rng,
    )
    if any(one.camera_seen for one in of):
        return judged
    reread = read_again(seen, provable=False)
    return replace(
        judged,
        kind="undecided",
        display_verdict=_undecided(judged.display_verdict),
        display_here=_undecided(judged.display_here),
        fit=_undecided(judged.fit),
        along=_undecided(judged.along),
        across=_undecided(judged.across),
        elsewhere=None,
        advice=None,
        words=reread.before((ADVICE["undecided"],)),
        reread=reread,
    )


def _undecided(found: _Judged | None) -> _Judged | None:
    return None if found is None else replace(found, verdict="undecided")


def range_of(bars_deg: Sequence[float], settings: Settings) -> tuple[float, float]:
    """The bars' range over which a machine is judged: the prescribed, else the photographed."""
    low, high = settings.limit_extension_deg, settings.limit_flexion_deg
    lowest = min(bars_deg) if low is None else low
    highest = max(bars_deg) if high is None else high
    # The one limit that is prescribed can be passed at every setting: judged from there on.
    lowest, highest = min(lowest, highest), max(lowest, highest)
    if highest - lowest < 1.0:  # one setting and no limits: judged where it stands
        return lowest - 0.5, highest + 0.5
    return lowest, highest


def tolerances_of(settings: Settings) -> Tolerances:
    """What a machine may differ by, from the site's settings."""
    return Tolerances(settings.frame_tolerance_deg, settings.fit_tolerance_deg)
