"""A machine without a leg: its display against its bars, and nothing else."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from knee_angle.angle import bars
from knee_angle.errors import InvalidInput
from knee_angle.language import joined, say
from knee_angle.machine.answer import range_of, tolerances_of
from knee_angle.machine.bands import RangeJudged
from knee_angle.machine.evidence import SettingsOfMachine
from knee_angle.machine.judge import judge_machine
from knee_angle.records import BarsAlone, FindingKind, HingeInTags, html_of
from knee_angle.settings import Settings

__all__ = ["NO_LEG", "EmptyCheck", "check_empty"]

Floats = NDArray[np.float64]

NO_LEG = say(
    "There is no leg in these photos: whether leg and machine fit cannot be judged without one."
)
FLAT = say(
    "Where the camera stood is not known, so nothing is proven of the display: "
    "photograph again with the tag strip on the machine, or with the two tags "
    "on its bars."
)
LEAST_P_HINGE = 1e-3
"""Tags that fit a common hinge worse than this do not show it (as in a check with a leg)."""


@dataclass(frozen=True, slots=True, repr=False)
class EmptyCheck:
    """What photos of an empty machine say of its display.

    Parameters
    ----------
    photos : tuple of str
        Photos that were used.
    left_out : tuple of (str, str)
        Photos that were not, each with its reason.
    displayed_deg, bars_deg, u_deg : tuple of float
        One a setting: the number, the bars, and their u with what all settings share.
    display : RangeJudged
        Display minus bars over the range.
    kind : FindingKind
        ``calibration`` where proven, else ``undecided``: the fit is not known.
    words : tuple of str
        What is proven, in sentences.
    alarms : tuple of str
        Every photo's alarm with its name: said first.
    """

    photos: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...]
    displayed_deg: tuple[float, ...]
    bars_deg: tuple[float, ...]
    u_deg: tuple[float, ...]
    display: RangeJudged
    kind: FindingKind
    words: tuple[str, ...]
    alarms: tuple[str, ...] = ()

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
        A photo without a displayed number.
    """
    if any(one.displayed_deg is None for one in seen.values()):
        raise InvalidInput(say("each photo of an empty machine needs its displayed number"))
    shown = sorted({one.displayed_deg for one in seen.values() if one.displayed_deg is not None})
    mean, cov = _bars_at(shown, seen)
    found = judge_machine(
        SettingsOfMachine(
            entries=tuple(("bars", j) for j in range(len(shown))),
            mean=mean,
            cov=cov,
            displayed_deg=tuple(shown),
            step_deg=settings.display_resolution_deg,
        ),
        range_deg=range_of([float(v) for v in mean], settings),
        tolerances=tolerances_of(settings),
        rng=rng,
    )
    display, kind, words = found.display_verdict, found.kind, found.words
    assert display is not None  # noqa: S101  every setting has bars and a number
    if display.verdict == "outside" and found.display_here is not None:
        display = found.display_here  # proven where it was photographed
    if not any(one.camera_seen for one in seen.values()):
        display, kind, words = replace(display, verdict="undecided"), "undecided", (FLAT,)
    return EmptyCheck(
        photos=tuple(seen),
        left_out=left_out,
        displayed_deg=tuple(shown),
        bars_deg=tuple(float(v) for v in mean),
        u_deg=tuple(float(v) for v in np.sqrt(np.diag(cov))),
        display=display,
        kind=kind,
        words=(
            *words,
            *(f"{name}: {caution}" for name, one in seen.items() for caution in one.cautions),
            NO_LEG,
        ),
    )


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
