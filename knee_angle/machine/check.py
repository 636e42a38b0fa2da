"""A machine check: several photos of one machine over its range, judged together.

* **One estimate**: photos of one displayed number are repeats of one setting; knee, bars and
  hinge of all settings come out of one joint estimate (`knee_angle.visit`), so what photos
  share (marks, depths, strip against bars, focal length) is counted once.
* **Hinge by bar tags**: where every photo shows the tags on the bars, the pole of their
  turn is the hinge, and goes into the legs before the estimate.
* **Finding, words, advice** are those of :func:`knee_angle.machine.judge.judge_machine`.
* **Lines**, displayed against bars and against knee, are fitted to the settings with the
  estimate's covariance; that against bars has the offset, gain and ± of the judged display,
  which knows how a coarse step rounds.
* Knee-only series are answered too: the line of display against knee and the ratio of
  arcs. Their cause is ``not_separable``.

Outliers are named, never dropped. Nothing is measured here: results come in.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from knee_angle.angle import bars
from knee_angle.angle.verdict import judged_mm, tolerance_at, u_display_deg
from knee_angle.angle.words import POINT_WORDS, degrees, phrase
from knee_angle.assumptions import HINGE_TOLERANCE_MM
from knee_angle.errors import InvalidInput
from knee_angle.language import joined, say
from knee_angle.machine import calibration, over_range, tagged
from knee_angle.machine.answer import machine_of
from knee_angle.machine.cause import ADVICE
from knee_angle.machine.empty import EmptyCheck, check_empty
from knee_angle.machine.from_visit import evidence_of
from knee_angle.machine.judge import HingeCoordinate, MachineJudged
from knee_angle.machine.reading import fitted, reading_of, settings_with
from knee_angle.machine.refused import FEWEST, bars_too_narrow, too_narrow, two_legs
from knee_angle.machine.typed import read_again
from knee_angle.records import (
    BarsAlone,
    FindingKind,
    Frame,
    JudgedLength,
    Measurement,
    NotMeasured,
    Outcome,
    html_of,
)
from knee_angle.settings import Settings
from knee_angle.visit import VisitEstimate, VisitPhoto, estimate_visit, without_guessed_bars

__all__ = ["Checked", "HingeAndSlack", "MachineCheck", "check_alarms", "check_machine"]

Floats = NDArray[np.float64]

CONTRADICTED = say(
    "{photo}: its {point} is contradicted by the other photos and counts little; look at it."
)


@dataclass(frozen=True, slots=True)
class HingeAndSlack:
    """Where the hinge lies from the knee, mm, and the leg's slack, degrees, each with its u.

    Slack is positive where the leg is straighter than its place in the machine explains.
    ``inseparable`` and ``p_value`` are what a check of before told: which two of them its
    photos could not tell apart, and how well they fitted; now the estimate's own p.
    """

    distal_mm: float
    u_distal_mm: float
    anterior_mm: float
    u_anterior_mm: float
    slack_deg: float
    u_slack_deg: float
    inseparable: tuple[tuple[str, str], ...] = ()
    p_value: float = 1.0


@dataclass(frozen=True, slots=True, repr=False)
class MachineCheck:
    """What several photos say about one machine.

    Parameters
    ----------
    photos : tuple of str
        Photos that were used, in the order given.
    left_out : tuple of (str, str)
        Photos that were not, each with its reason.
    reading : calibration.Line or None
        Displayed (y) against bars (x), a point for each setting; None where bars were seen at
        fewer than three.
    reading_verdict : over_range.RangeVerdict or None
        Displayed minus bars over the prescribed range, else that of the bars.
    knee_line : calibration.Line
        Displayed (y) against knee (x), a point for each setting.
    knee_verdict : over_range.RangeVerdict
        Displayed minus knee over the range used.
    arc : over_range.ArcRatio
        Arc of the knee over arc of the display.
    fits : HingeAndSlack or None
        Hinge offset and slack over all settings.
    hinge : JudgedLength or None
        Distal hinge offset, mm, against its tolerance.
    kind : str
        As in :class:`knee_angle.records.Finding`, over the whole range.
    advice : str
        What to do next.
    outliers : tuple of str
        Photos that stand off the line through the others. None is dropped.
    frames : tuple of Frame
        Bars and hinge of every photo, in the order of `photos`; empty where one shows none.
    bar_hinge : bars.HingeFit or None
        The hinge in the axes of the tags on the bars, where they showed it.
    cautions : tuple of str
        What to keep in mind, in plain sentences.
    alarms : tuple of str
        Every photo's alarm with the photo's name (see `check_alarms`): said first.
    across : JudgedLength or None
        The hinge across the thigh (anterior positive), as `hinge`.
    words : tuple of str
        What is proven of the machine, sentence by sentence, then what to do.
    judged : MachineJudged or None
        What it was said by, with its draws; None without bars, and in a kept check.
    """

    photos: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...]
    reading: calibration.Line | None
    reading_verdict: over_range.RangeVerdict | None
    knee_line: calibration.Line
    knee_verdict: over_range.RangeVerdict
    arc: over_range.ArcRatio
    fits: HingeAndSlack | None
    hinge: JudgedLength | None
    kind: FindingKind
    advice: str
    outliers: tuple[str, ...]
    frames: tuple[Frame, ...] = ()
    bar_hinge: bars.HingeFit | None = None
    cautions: tuple[str, ...] = ()
    alarms: tuple[str, ...] = ()
    across: JudgedLength | None = None
    words: tuple[str, ...] = ()
    judged: MachineJudged | None = field(default=None, compare=False)

    @property
    def line_judged(self) -> tuple[calibration.Line, over_range.RangeVerdict]:
        """What the display is held against: the bars where they were seen, else the knee."""
        if self.reading is not None and self.reading_verdict is not None:
            return self.reading, self.reading_verdict
        return self.knee_line, self.knee_verdict

    def __repr__(self) -> str:
        said = [*self.alarms, f"finding {self.kind}", *(f"{k} {v}" for k, v in self._told())]
        return f"<MachineCheck of {len(self.photos)} photos: {'; '.join(said)}>"

    def _repr_html_(self) -> str:
        return html_of(
            (("finding", self.kind), *self._told(), ("next", self.advice)), alarms=self.alarms
        )

    def _told(self) -> list[tuple[str, str]]:
        """Largest difference over the range from bars and knee, each with its verdict."""
        parts = (("display - bars", self.reading_verdict), ("display - knee", self.knee_verdict))
        return [
            (name, f"at most {degrees(part.largest_deg, sign=True)} ({part.verdict})")
            for name, part in parts
            if part is not None
        ]

    def knee_table(
        self, displayed_deg: Sequence[float], settings: Settings
    ) -> tuple[over_range.TableRow, ...]:
        """Displayed number to knee with 95 % intervals, for this leg as it lay.

        Raises
        ------
        InvalidInput
            Where display and knee do not move together.
        """
        return over_range.inverse_table(
            self.knee_line, displayed_deg, u_displayed_deg=u_display_deg(settings)
        )


Checked: TypeAlias = MachineCheck | EmptyCheck
"""A machine that was checked, with a leg in it or without."""


def check_machine(
    outcomes: Mapping[str, Outcome],
    settings: Settings,
    *,
    rng: np.random.Generator | None = None,
) -> MachineCheck | EmptyCheck | NotMeasured:
    """Judge one machine from its photos.

    Parameters
    ----------
    outcomes : Mapping of photo name to outcome
        Each measured with its displayed number.
    settings : Settings
        Tolerances and the display's step.
    rng : numpy.random.Generator, optional
        Source of randomness for bar tags; by default a fixed one, so that the same photos
        give the same answer.

    Returns
    -------
    MachineCheck, EmptyCheck or NotMeasured
        `EmptyCheck` where no photo shows a leg and three settings or more show the tags on the
        bars. Refused with fewer than three usable photos, or with all at one angle.
    """
    found = _judged(outcomes, settings, rng)
    return replace(found, alarms=check_alarms(outcomes))


def check_alarms(outcomes: Mapping[str, Outcome]) -> tuple[str, ...]:
    """Every photo's alarm with the photo's name: also of photos that the check left out."""
    return tuple(
        say("{alarm} ({name})", alarm=alarm, name=name)
        for name, outcome in outcomes.items()
        for alarm in outcome.alarms
    )


def _judged(
    outcomes: Mapping[str, Outcome], settings: Settings, rng: np.random.Generator | None
) -> MachineCheck | EmptyCheck | NotMeasured:
    used, left_out = _usable(outcomes)
    if not used and (empty := _empty(outcomes, settings, rng)) is not None:
        return empty
    if len(used) < FEWEST:
        bare = {} if used else _bare(outcomes)
        said = [joined(": ", [name, phrase(why)]) for name, why in left_out if name not in bare]
        reasons = joined("; ", said) if said else say("none was left out")
        return NotMeasured(
            say(
                "a machine check needs at least {fewest} photos with a measured knee, or "
                "of an empty machine's bars, and a displayed number, but got {n_used} "
                "({reasons})",
                fewest=FEWEST,
                n_used=len(used) + len(bare),
                reasons=reasons,
            ),
            say(
                "photograph the machine at three or more settings over its allowed range, "
                "and give the displayed number of each"
            ),
        )
    if (refused := two_legs(used) or _too_few_settings(used)) is not None:
        return refused
    rng = rng or np.random.default_rng(len(used))
    machine = tagged.bars_of(used, settings, rng)
    photos = [
        VisitPhoto(
            name,
            f"{one.displayed.deg:.10g}",
            without_guessed_bars(machine.legs[name]),
            one.displayed.deg,
        )
        for name, one in used.items()
        if one.displayed is not None
    ]
    estimate = estimate_visit(photos, rng=rng, left_out=left_out)
    if isinstance(estimate, NotMeasured):
        return estimate
    try:
        return _checked(tuple(used), estimate, machine, settings, rng)
    except InvalidInput:
        return too_narrow(list(used.values()))


def _empty(
    outcomes: Mapping[str, Outcome], settings: Settings, rng: np.random.Generator | None
) -> EmptyCheck | NotMeasured | None:
    """The check of a machine without a leg; None where its tags or numbers are too few."""
    seen = _bare(outcomes)
    if len({one.displayed_deg for one in seen.values()}) < FEWEST:
        return bars_too_narrow(list(seen.values())) if len(seen) >= FEWEST else None
    rest = {name: one for name, one in outcomes.items() if name not in seen}
    rng = rng or np.random.default_rng(len(seen))
    try:
        return check_empty(seen, _usable(rest)[1], settings, rng=rng)
    except InvalidInput:
        return bars_too_narrow(list(seen.values()))


def _bare(outcomes: Mapping[str, Outcome]) -> dict[str, BarsAlone]:
    """The bars of photos without a leg that have a displayed number."""
    return {
        name: one.bars
        for name, one in outcomes.items()
        if isinstance(one, NotMeasured) and one.bars is not None
        and one.bars.displayed_deg is not None
    }  # fmt: skip


def _too_few_settings(used: Mapping[str, Measurement]) -> NotMeasured | None:
    numbers = {r.displayed.deg for r in used.values() if r.displayed is not None}
    return too_narrow(list(used.values())) if len(numbers) < FEWEST else None


def _usable(
    outcomes: Mapping[str, Outcome],
) -> tuple[dict[str, Measurement], tuple[tuple[str, str], ...]]:
    used: dict[str, Measurement] = {}
    left_out = []
    for name, outcome in outcomes.items():
        bars = outcome.bars if isinstance(outcome, NotMeasured) else None
        if bars is not None and bars.displayed_deg is None:
            left_out.append((name, say("no displayed number was given")))
        elif not isinstance(outcome, Measurement):
            left_out.append((name, outcome.reason))
        elif outcome.displayed is None:
            left_out.append((name, say("no displayed number was given")))
        else:
            used[name] = outcome
    return used, tuple(left_out)


def _checked(
    photos: tuple[str, ...],
    estimate: VisitEstimate,
    machine: tagged.Bars,
    settings: Settings,
    rng: np.random.Generator,
) -> MachineCheck:
    seen = evidence_of(estimate, step_deg=settings.display_resolution_deg)
    provable = any(one.camera_seen for one in estimate.settings)
    knee_line = fitted(seen, "knee", settings)
    knee_verdict = over_range.verdict_over(
        knee_line,
        low_deg=min(knee_line.x),
        high_deg=max(knee_line.x),
        tolerance_deg=lambda knee, shown: tolerance_at(
            settings, knee_deg=knee, displayed_deg=shown
        ),
    )
    found = MachineCheck(
        photos=photos,
        left_out=estimate.left_out,
        reading=None,
        reading_verdict=None,
        knee_line=knee_line,
        knee_verdict=knee_verdict if provable else replace(knee_verdict, verdict="undecided"),
        arc=_arc(knee_line),
        fits=None,
        hinge=None,
        kind="not_separable",
        advice=ADVICE["not_separable"],
        outliers=_named(estimate, knee_line, settings_with(seen, "knee")),
        bar_hinge=machine.hinge,
        cautions=(
            *machine.cautions,
            *estimate.cautions,
            *(
                CONTRADICTED.format(photo=photo, point=POINT_WORDS[point])
                for photo, point in estimate.wild
            ),
        ),
    )
    if len(settings_with(seen, "bars")) < FEWEST:
        reread = read_again(seen, provable=provable)
        told = reread.before((found.advice,))
        return replace(found, advice=joined(" ", told), words=told) if reread.words else found
    return _with_machine(found, estimate, machine, settings, rng, provable=provable)


def _with_machine(
    found: MachineCheck,
    estimate: VisitEstimate,
    machine: tagged.Bars,
    settings: Settings,
    rng: np.random.Generator,
    *,
    provable: bool,
) -> MachineCheck:
    """The check with what the seen bars add: the judged machine and its words."""
    seen = evidence_of(estimate, step_deg=settings.display_resolution_deg)
    said = machine_of(estimate, settings, rng)
    if said is None or said.display is None or said.display_verdict is None:
        return found
    reading, verdict = reading_of(seen, said, settings)
    kind: FindingKind = said.kind
    if kind == "none" and not verdict.on_a_line:
        kind = "undecided"
    if not provable:
        kind, verdict = "undecided", replace(verdict, verdict="undecided")
    return replace(
        found,
        reading=reading,
        reading_verdict=verdict,
        fits=_hinge_and_slack(said, estimate.p_value),
        hinge=_length(said.along),
        across=_length(said.across),
        kind=kind,
        advice=joined(" ", said.words),
        words=said.words if provable or said.reread.words else (),
        outliers=_named(estimate, reading, settings_with(seen, "bars")),
        frames=machine.frames,
        judged=said,
    )


def _hinge_and_slack(said: MachineJudged, p_value: float) -> HingeAndSlack | None:
    if said.along is None or said.across is None or said.slack_deg is None:
        return None
    return HingeAndSlack(
        distal_mm=said.along.mm,
        u_distal_mm=said.along.u_mm,
        anterior_mm=said.across.mm,
        u_anterior_mm=said.across.u_mm,
        slack_deg=said.slack_deg.value,
        u_slack_deg=said.slack_deg.u,
        p_value=p_value,
    )


def _length(seen: HingeCoordinate | None) -> JudgedLength | None:
    if seen is None:
        return None
    return judged_mm(seen.mm, u_mm=seen.u_mm, tolerance_mm=HINGE_TOLERANCE_MM)


def _arc(knee_line: calibration.Line) -> over_range.ArcRatio:
    """Arc of the knee over arc of the display: the line's axes the other way round."""
    turned = calibration.fit_line(
        knee_line.y,
        knee_line.x,
        cov_x=np.array(knee_line.cov_y),
        cov_y=np.array(knee_line.cov_x),
    )
    return over_range.arc_ratio(turned)


def _named(
    estimate: VisitEstimate, line: calibration.Line, settings: Sequence[int]
) -> tuple[str, ...]:
    """Photos of the settings that stand off the line."""
    return tuple(
        photo for index in line.outliers for photo in estimate.settings[settings[index]].photos
    )
