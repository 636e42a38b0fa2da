"""A machine without a leg: its display against its bars, and nothing else."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from knee_angle.angle import bars
from knee_angle.assumptions import LEAST_P_HINGE
from knee_angle.errors import InvalidInput
from knee_angle.language import joined, say
from knee_angle.machine import calibration, over_range
from knee_angle.machine.answer import range_of, tolerances_of
from knee_angle.machine.bands import RangeJudged
from knee_angle.machine.evidence import SettingsOfMachine
from knee_angle.machine.judge import MachineJudged, judge_machine
from knee_angle.machine.reading import reading_of
from knee_angle.records import (
    BarsAlone,
    FindingKind,
    HingeInTags,
    Measurement,
    NotMeasured,
    Outcome,
    html_of,
)
from knee_angle.settings import Settings

__all__ = ["NO_LEG", "EmptyCheck", "check_empty", "shown_in", "u_alone_deg"]

Floats = NDArray[np.float64]

NO_LEG = say(
    "There is no leg in these photos: whether leg and machine fit cannot be judged without one."
)
FLAT = say(
    "Where the camera stood is not known, so nothing is proven of the display: "
    "photograph again with the tag strip on the machine, or with the two tags "
    "on its bars."
)
OFF_THE_LINE = say(
    "Display and bars do not follow one line within their ±, so nothing is cleared: look at the "
    "displayed numbers and at what shows the bars, and photograph again where one is wrong."
)


@dataclass(frozen=True, slots=True, repr=False)
class EmptyCheck:
    """What photos of an empty machine say of its display.

    Parameters
    ----------
    photos : tuple of str
        Photos that were used.
    left_out : tuple of (str, str)
        Photos that were not, each with its reason.
    reading : calibration.Line
        Displayed (y) against bars (x), a point for each setting.
    reading_verdict : over_range.RangeVerdict
        Display minus bars over the range, with the line's band.
    display : RangeJudged
        The same by its draws; never an all-clear where the line gives none.
    kind : FindingKind
        ``calibration`` where proven, else ``undecided``: the fit is not known.
    words : tuple of str
        What is proven, in sentences.
    outliers : tuple of str
        Photos of the settings that stand off the line through the others. None is dropped.
    alarms : tuple of str
        Every photo's alarm with its name: said first.
    """

    photos: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...]
    reading: calibration.Line
    reading_verdict: over_range.RangeVerdict
    display: RangeJudged
    kind: FindingKind
    words: tuple[str, ...]
    outliers: tuple[str, ...] = ()
    alarms: tuple[str, ...] = ()

    @property
    def line_judged(self) -> tuple[calibration.Line, over_range.RangeVerdict]:
        """What the display is held against: the bars."""
        return self.reading, self.reading_verdict

    @property
    def displayed_deg(self) -> tuple[float, ...]:
        """The number of each setting."""
        return self.reading.y

    @property
    def bars_deg(self) -> tuple[float, ...]:
        """The bars at each setting."""
        return self.reading.x

    @property
    def u_deg(self) -> tuple[float, ...]:
        """Their u, with what all settings share."""
        return tuple(math.sqrt(line[k]) for k, line in enumerate(self.reading.cov_x))

    def __repr__(self) -> str:
        said = "; ".join([*self.alarms, *self.words])
        return f"<EmptyCheck of {len(self.photos)} photos: {said}>"

    def _repr_html_(self) -> str:
        return html_of(
            (("finding", self.kind), ("said", joined(" ", self.words))), alarms=self.alarms
        )


def check_empty(
    seen: Mapping[str, BarsAlone],
    left_out: tuple[tuple[str, str], ...],
    settings: Settings,
    *,
    rng: np.random.Generator,
) -> EmptyCheck:
    """Judge the display of a machine by its bars alone, tagged or dotted.

    Parameters
    ----------
    seen : Mapping of photo name to BarsAlone
        Each with its displayed number; photos of one number are repeats.
    left_out : tuple of (str, str)
        Handed on.
    settings : Settings
        Tolerance, limits and the display's step.
    rng : numpy.random.Generator

    Raises
    ------
    InvalidInput
        A photo without a displayed number, or bars through which no line goes.
    """
    if any(one.displayed_deg is None for one in seen.values()):
        raise InvalidInput(say("each photo of an empty machine needs its displayed number"))
    shown = sorted({one.displayed_deg for one in seen.values() if one.displayed_deg is not None})
    mean, cov = _bars_at(shown, seen)
    machine = SettingsOfMachine(
        entries=tuple(("bars", j) for j in range(len(shown))),
        mean=mean,
        cov=cov,
        displayed_deg=tuple(shown),
        step_deg=settings.display_resolution_deg,
        photos=tuple(_named(seen, d) for d in shown),
    )
    found = judge_machine(
        machine,
        range_deg=range_of([float(v) for v in mean], settings),
        tolerances=tolerances_of(settings),
        rng=rng,
    )
    reading, verdict = reading_of(machine, found, settings)
    display, words = _display_of(found, verdict)
    kind = found.kind
    if not any(one.camera_seen for one in seen.values()):
        display, kind, words = replace(display, verdict="undecided"), "undecided", (FLAT,)
        verdict = replace(verdict, verdict="undecided", outside_at_deg=None)
    cautions = [f"{name}: {caution}" for name, one in seen.items() for caution in one.cautions]
    off = {reading.y[k] for k in reading.outliers}
    return EmptyCheck(
        photos=tuple(seen),
        left_out=left_out,
        reading=reading,
        reading_verdict=verdict,
        display=display,
        kind=kind,
        words=(*words, *cautions, NO_LEG),
        outliers=tuple(name for name, one in seen.items() if one.displayed_deg in off),
    )


def _display_of(
    found: MachineJudged, verdict: over_range.RangeVerdict
) -> tuple[RangeJudged, tuple[str, ...]]:
    """What is told of the display, and its words: no all-clear where the line gives none."""
    display, words = found.display_verdict, found.words
    assert display is not None  # noqa: S101  every setting has bars and a number
    if display.verdict == "outside" and found.display_here is not None:
        display = found.display_here  # proven where it was photographed
    if display.verdict != verdict.verdict:
        display = replace(display, verdict=verdict.verdict)
        named = found.reread.words if found.reread.photo is not None else ()
        words = (*named, OFF_THE_LINE)
    return display, words


def shown_in(outcome: Outcome) -> Measurement | BarsAlone | None:
    """What a photo of a check shows: the leg, else the bars of an empty machine."""
    if isinstance(outcome, Measurement):
        return outcome
    bars = outcome.bars if isinstance(outcome, NotMeasured) else None
    return bars if bars is not None and bars.seen_px else None


def u_alone_deg(seen: BarsAlone) -> float:
    """The u of one photo's bars by itself, degrees: with how its tags or dots are stuck."""
    stuck = math.hypot(*bars.stuck_turn(None)[1]) if seen.motion else 0.0
    return math.hypot(seen.u_deg, seen.shared_deg, stuck)


def _named(seen: Mapping[str, BarsAlone], shown: float) -> str:
    """The photos of one displayed number."""
    return ", ".join(name for name, one in seen.items() if one.displayed_deg == shown)


def _bars_at(shown: list[float], seen: Mapping[str, BarsAlone]) -> tuple[Floats, Floats]:
    """The bars at each displayed number, and their covariance; photos of one are repeats."""
    stuck, u_stuck = bars.stuck_turn(_hinge(seen))
    by_tags = math.hypot(*u_stuck)
    groups = [[one for one in seen.values() if one.displayed_deg == d] for d in shown]
    turn = stuck[1] - stuck[0]
    mean = np.array(
        [np.mean([o.deg + (o.bend * turn if o.motion else 0.0) for o in g]) for g in groups]
    )
    own = np.array([np.mean([o.u_deg**2 for o in group]) / len(group) for group in groups])
    # What stuck tags share and what stuck dots share are two errors, each once a machine.
    tags = np.array([np.mean([by_tags if o.motion else 0.0 for o in group]) for group in groups])
    dots = np.array([np.mean([o.shared_deg for o in group]) for group in groups])
    return mean, np.diag(own) + np.outer(tags, tags) + np.outer(dots, dots)


def _hinge(seen: Mapping[str, BarsAlone]) -> HingeInTags | None:
    """The pole of the tags' turn, which says how they are stuck; None where it is not seen."""
    motions = [
        bars.TagMotion(one.motion[0], (one.motion[1], one.motion[2]), one.motion_cov)
        for one in seen.values()
        if one.motion is not None and one.motion_cov is not None
    ]
    try:
        found = bars.fit_hinge(motions)
    except InvalidInput:
        return None
    if found.p_value < LEAST_P_HINGE or bars.arrows_wrong(found.hinge):
        return None
    return found.hinge
