"""A machine check: several photos of one machine over its range.

* **Reading**: a straight line, displayed against frame, errors in both (calibration).
* **Fit**: the same photos' fit parts and the hinge's place seen in them, by the planar
  model, with the error of the marks on the skin shared by all photos of one leg.
* **Hinge by bar tags**: where every photo shows the tags on the bars, the pole of their
  turn is the hinge, and with it every photo's frame and hinge are taken again.
* Knee-only series are answered too: the line of display against knee and the ratio of
  arcs. Their cause is ``not_separable``.

Outliers are named, never dropped. Nothing is measured here: results come in.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from knee_angle.angle import bars, uncertainty
from knee_angle.angle.verdict import judged, judged_mm, tolerance_at, u_display_deg
from knee_angle.assumptions import (
    COVERAGE,
    COVERAGE_ONE_SIDED,
    HINGE_TOLERANCE_MM,
)
from knee_angle.errors import InvalidInput
from knee_angle.machine import calibration, sliding
from knee_angle.machine.cause import ADVICE, cards_wrong, section_words, support_of
from knee_angle.records import (
    Comparison,
    FindingKind,
    Frame,
    JudgedLength,
    Measurement,
    NotMeasured,
    Outcome,
    html_of,
)
from knee_angle.settings import Settings
from knee_angle.words import degrees, phrase

__all__ = ["MachineCheck", "check_alarms", "check_machine"]

Floats = NDArray[np.float64]

LEAST_P_HINGE = 1e-3
"""Bar tags that fit a common hinge worse than this are not believed."""
ARROWS_WRONG = (
    "The hinge lies behind the arrow of a card on the bars, so the card points the wrong way and "
    "the bars are not used: stick both cards with their arrows towards the foot."
)
FEWEST = 3
"""Two points always lie on a line; the third is the first test of it."""


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
        Displayed (y) against frame (x); None where no bars were seen.
    reading_verdict : calibration.RangeVerdict or None
        Displayed minus frame over the range used.
    knee_line : calibration.Line
        Displayed (y) against knee (x).
    knee_verdict : calibration.RangeVerdict
        Displayed minus knee over the range used.
    arc : calibration.ArcRatio
        Arc of the knee over arc of the display.
    fits : sliding.Offsets or None
        Hinge offset and slack by the planar model.
    hinge : JudgedLength or None
        Distal hinge offset, mm, against its tolerance (fields named ``_deg`` hold mm).
    kind : str
        As in :class:`knee_angle.records.Finding`, over the whole range.
    advice : str
        What to do next.
    outliers : tuple of str
        Photos that stand off the line through the others. None is dropped.
    frames : tuple of Frame
        Bars and hinge of every photo, in the order of `photos`; empty without bars.
    bar_hinge : bars.HingeFit or None
        The hinge in the axes of the tags on the bars, where they showed it.
    cautions : tuple of str
        What to keep in mind, in plain sentences.
    alarms : tuple of str
        Every photo's alarm with the photo's name (see `check_alarms`): said first.
    """

    photos: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...]
    reading: calibration.Line | None
    reading_verdict: calibration.RangeVerdict | None
    knee_line: calibration.Line
    knee_verdict: calibration.RangeVerdict
    arc: calibration.ArcRatio
    fits: sliding.Offsets | None
    hinge: JudgedLength | None
    kind: FindingKind
    advice: str
    outliers: tuple[str, ...]
    frames: tuple[Frame, ...] = ()
    bar_hinge: bars.HingeFit | None = None
    cautions: tuple[str, ...] = ()
    alarms: tuple[str, ...] = ()

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
    ) -> tuple[calibration.TableRow, ...]:
        """Displayed number to knee with 95 % intervals, for this leg as it lay.

        Raises
        ------
        InvalidInput
            Where display and knee do not move together.
        """
        return calibration.inverse_table(
            self.knee_line, displayed_deg, u_displayed_deg=u_display_deg(settings)
        )


def check_machine(
    outcomes: Mapping[str, Outcome],
    settings: Settings,
    *,
    rng: np.random.Generator | None = None,
) -> MachineCheck | NotMeasured:
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
    MachineCheck or NotMeasured
        Refused with fewer than three usable photos, or with all at one angle.
    """
    found = _judged(outcomes, settings, rng)
    return replace(found, alarms=check_alarms(outcomes))


def check_alarms(outcomes: Mapping[str, Outcome]) -> tuple[str, ...]:
    """Every photo's alarm with the photo's name: also of photos that the check left out."""
    return tuple(
        f"{alarm} ({name})" for name, outcome in outcomes.items() for alarm in outcome.alarms
    )


def _judged(
    outcomes: Mapping[str, Outcome], settings: Settings, rng: np.random.Generator | None
) -> MachineCheck | NotMeasured:
    used, left_out = _usable(outcomes)
    if len(used) < FEWEST:
        reasons = "; ".join(f"{n}: {phrase(why)}" for n, why in left_out) or "none was left out"
        return NotMeasured(
            f"a machine check needs at least {FEWEST} photos with a measured knee and a displayed "
            f"number, but got {len(used)} ({reasons})",
            "photograph the machine at three or more settings over its allowed range, and give "
            "the displayed number of each",
        )
    try:
        found = _checked(used, left_out, settings, rng or np.random.default_rng(len(used)))
    except InvalidInput:
        return _no_line(list(used.values()))
    return replace(found, cautions=(*_card_cautions(used, found.bar_hinge), *_cautions(used)))


def _no_line(results: Sequence[Measurement]) -> NotMeasured:
    """The refusal of photos through which no line with a useful ± goes."""
    shown = [r.displayed.deg for r in results if r.displayed is not None]
    knees = [r.knee.deg for r in results]
    return NotMeasured(
        f"the photos show too little of the machine's range: displays from {degrees(min(shown))} "
        f"to {degrees(max(shown))}, knees from {degrees(min(knees))} to {degrees(max(knees))}",
        f"photograph the machine at {FEWEST} or more settings spread over its allowed range",
    )


def _card_cautions(
    used: Mapping[str, Measurement], bar_hinge: bars.HingeFit | None
) -> tuple[str, ...]:
    """Tags on the bars that cannot be stuck as they should, by one photo or by all."""
    frames = {n: None if r.machine is None else r.machine.frame for n, r in used.items()}
    cautions = [f"{n}: {wrong}" for n, f in frames.items() if (wrong := cards_wrong(f))]
    if bar_hinge is not None and bars.arrows_wrong(bar_hinge.hinge):
        cautions.append(ARROWS_WRONG)
    return tuple(cautions)


def _cautions(used: Mapping[str, Measurement]) -> tuple[str, ...]:
    """Legs of both sides in one check: the machine was set up anew between them."""
    sides = {side: [n for n, r in used.items() if r.side == side] for side in ("left", "right")}
    if not all(sides.values()):
        return ()
    return (
        f"These photos show a left leg ({', '.join(sides['left'])}) and a right leg "
        f"({', '.join(sides['right'])}): the machine was set up anew between them, so hinge and "
        "fit are a mixture of both. Check each side by photos of its own.",
    )


def _usable(
    outcomes: Mapping[str, Outcome],
) -> tuple[dict[str, Measurement], tuple[tuple[str, str], ...]]:
    used: dict[str, Measurement] = {}
    left_out = []
    for name, outcome in outcomes.items():
        if not isinstance(outcome, Measurement):
            left_out.append((name, outcome.reason))
        elif outcome.displayed is None:
            left_out.append((name, "no displayed number was given"))
        else:
            used[name] = outcome
    return used, tuple(left_out)


def _checked(
    used: dict[str, Measurement],
    left_out: tuple[tuple[str, str], ...],
    settings: Settings,
    rng: np.random.Generator,
) -> MachineCheck:
    results = list(used.values())
    u_y = u_display_deg(settings)
    displayed = [r.displayed.deg for r in results if r.displayed is not None]
    knee_line = calibration.fit_line(
        [r.knee.deg for r in results], displayed, cov_x=_knee_cov(results), u_y=u_y
    )
    knee_verdict = _over(
        knee_line, lambda knee, shown: tolerance_at(settings, knee_deg=knee, displayed_deg=shown)
    )
    bar_hinge = _bar_hinge(results, settings, rng)
    frames = _frames(results, settings, bar_hinge, rng)
    if frames is None:
        return MachineCheck(
            tuple(used), left_out, None, None, knee_line, knee_verdict, _arc(knee_line),
            None, None, "not_separable", ADVICE["not_separable"], _named(used, knee_line),
            bar_hinge=bar_hinge,
        )  # fmt: skip
    reading = calibration.fit_line(
        [f.deg for f in frames],
        displayed,
        cov_x=_frame_cov(frames),
        u_y=u_y,
    )
    reading_verdict = _over(reading, settings.frame_tolerance_deg)
    seen, seen_cov = _hinge_seen(frames, settings)
    hinge = judged_mm(
        float(seen[0]), u_mm=math.sqrt(seen_cov[0, 0]), tolerance_mm=HINGE_TOLERANCE_MM
    )
    fit_parts = [
        judged(f.fit_deg, u=f.u_fit_deg, tolerance=settings.fit_tolerance_deg) for f in frames
    ]
    kind = _kind(reading_verdict.verdict, fit_parts, hinge)
    return MachineCheck(
        photos=tuple(used),
        left_out=left_out,
        reading=reading,
        reading_verdict=reading_verdict,
        knee_line=knee_line,
        knee_verdict=knee_verdict,
        arc=_arc(knee_line),
        fits=_offsets(results, frames, seen, seen_cov, support_mm=support_of(settings)),
        hinge=hinge,
        kind=kind,
        advice=_advice(kind, hinge, seen=seen, cov=seen_cov, results=results),
        outliers=_named(used, reading),
        frames=tuple(frames),
        bar_hinge=bar_hinge,
    )


def _bar_hinge(
    results: Sequence[Measurement], settings: Settings, rng: np.random.Generator
) -> bars.HingeFit | None:
    """The hinge as the pole of the bar tags' turn; None where they cannot show it.

    All photos must show both tags on the same side of the machine: another side has
    another kit. Tags that turn about no common point (one was moved) show nothing.
    """
    if len({r.side for r in results}) > 1:
        return None
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


def _frames(
    results: Sequence[Measurement],
    settings: Settings,
    bar_hinge: bars.HingeFit | None,
    rng: np.random.Generator,
) -> list[Frame] | None:
    """The bars of every photo, again with the hinge that the tags showed.

    None where any photo does not show them, or shows them by tags that cannot be right.
    """
    if bar_hinge is not None and bars.arrows_wrong(bar_hinge.hinge):
        return None
    frames = []
    for result in results:
        frame = None if result.machine is None else result.machine.frame
        tags = result.leg.bar_tags
        if frame is not None and bar_hinge is not None and tags is not None:
            leg = replace(result.leg, bar_tags=replace(tags, hinge=bar_hinge.hinge))
            frame = uncertainty.frame_with_uncertainty(leg, trials=settings.trials, rng=rng)
        if frame is None or cards_wrong(frame) is not None:
            return None
        frames.append(frame)
    return frames


def _knee_cov(results: Sequence[Measurement]) -> Floats:
    """Covariance of the knee angles: the marks stay on the skin, their error is shared."""
    placed = np.array([r.knee.budget_deg["landmark_placement"] for r in results])
    total = np.array([r.knee.u_deg for r in results])
    own = np.maximum(total**2 - placed**2, 0.0)
    return np.asarray(np.diag(own) + np.outer(placed, placed))


def _frame_cov(frames: Sequence[Frame]) -> Floats:
    """Covariance of the frame angles: how dots or tags lie on the bars is shared."""
    shared = np.array([frame.u_shared_deg for frame in frames])
    own = np.maximum(np.array([frame.u_deg for frame in frames]) ** 2 - shared**2, 0.02**2)
    by_tags = np.array([frame.source == "tag" for frame in frames])
    alike = by_tags[:, None] == by_tags[None]
    return np.asarray(np.diag(own) + alike * np.outer(shared, shared))


def _over(
    line: calibration.Line, tolerance_deg: float | Callable[[float, float], float]
) -> calibration.RangeVerdict:
    """The verdict over the range that the photos span."""
    return calibration.verdict_over(
        line, low_deg=min(line.x), high_deg=max(line.x), tolerance_deg=tolerance_deg
    )


def _arc(knee_line: calibration.Line) -> calibration.ArcRatio:
    """Arc of the knee over arc of the display: the line's axes the other way round."""
    turned = calibration.fit_line(
        knee_line.y,
        knee_line.x,
        cov_x=np.array(knee_line.cov_y),
        cov_y=np.array(knee_line.cov_x),
    )
    return calibration.arc_ratio(turned)


def _hinge_seen(frames: Sequence[Frame], settings: Settings) -> tuple[Floats, Floats]:
    """Hinge offset (distal, anterior) over all photos, mm, and its covariance (2, 2).

    The knee mark's own error is the same in every photo, and so is how the bars stand off
    the leg and how points and tags lie on them; only the rest averages.
    """
    placed = settings.placed_mm[1] ** 2 * np.eye(2)
    covs = np.array([[f.hinge_cov_mm2[:2], f.hinge_cov_mm2[1:]] for f in frames])
    weights = np.array([np.linalg.inv(_at_least(cov - placed, 1.0)) for cov in covs])
    weights = np.linalg.solve(weights.sum(axis=0), weights)
    seen = np.array([[f.distal_mm, f.anterior_mm] for f in frames])
    together = np.zeros((2, max(len(f.hinge_shared_mm) for f in frames)))
    cov = placed
    for weight, whole, frame in zip(weights, covs, frames, strict=True):
        shared = np.reshape(frame.hinge_shared_mm, (-1, 2)).T
        own = _at_least(whole - placed - shared @ shared.T, 0.0)
        cov = cov + weight @ own @ weight.T
        together[:, : shared.shape[1]] += weight @ shared
    return np.asarray(np.einsum("nij,nj->i", weights, seen)), cov + together @ together.T


def _at_least(cov: Floats, least: float) -> Floats:
    """A covariance (2, 2) whose variance is nowhere less than so much."""
    values, vectors = np.linalg.eigh(cov)
    return np.asarray(vectors * np.maximum(values, least) @ vectors.T)


def _offsets(
    results: Sequence[Measurement],
    frames: Sequence[Frame],
    seen: Floats,
    seen_cov: Floats,
    *,
    support_mm: tuple[float, float],
) -> sliding.Offsets | None:
    """Hinge offset and slack by the planar model; None outside its limits."""
    placed = np.array([r.knee.budget_deg["landmark_placement"] for r in results])
    own = np.maximum(np.array([f.u_fit_deg for f in frames]) ** 2 - placed**2, 0.05**2)
    try:
        return sliding.fit_offsets(
            [f.deg for f in frames],
            [f.fit_deg for f in frames],
            support_mm=support_mm[0],
            u_support_mm=support_mm[1],
            cov_deg2=np.diag(own) + np.outer(placed, placed),
            seen_mm=(float(seen[0]), float(seen[1])),
            seen_cov_mm2=(
                float(seen_cov[0, 0]),
                float(seen_cov[0, 1]),
                float(seen_cov[1, 1]),
            ),
        )
    except InvalidInput:
        return None


def _kind(reading: str, fit_parts: Sequence[Comparison], hinge: JudgedLength) -> FindingKind:
    """Named when proven; a fit fault by any photo's fit part or by the hinge's place."""
    # Several photos are several chances of a false alarm; their errors are mostly
    # shared (one leg, one set of marks), so the widest photo counts, not the luckiest.
    worst = max(
        fit_parts, key=lambda part: abs(part.discrepancy_deg) - COVERAGE_ONE_SIDED * part.u_deg
    )
    off = worst.verdict == "outside" or hinge.verdict == "outside"
    if reading == "outside":
        return "both" if off else "calibration"
    if off:
        return "fit"
    fits = hinge.verdict == "within" and all(part.verdict == "within" for part in fit_parts)
    return "none" if reading == "within" and fits else "undecided"


def _advice(
    kind: FindingKind,
    hinge: JudgedLength,
    *,
    seen: Floats,
    cov: Floats,
    results: Sequence[Measurement],
) -> str:
    """The finding's advice, with the sections' where the hinge is proven off."""
    if hinge.verdict == "outside":
        words = "over all photos " + section_words(
            distal=(float(seen[0]), math.sqrt(cov[0, 0])),
            anterior=(float(seen[1]), math.sqrt(cov[1, 1])),
            thigh=_thigh(results),
        )
    else:
        where = "distal" if hinge.mm > 0 else "proximal"
        words = (
            f"over all photos the hinge lies {abs(hinge.mm):.0f} ± "
            f"{COVERAGE * hinge.u_mm:.0f} mm {where} of the knee"
        )
    return ADVICE[kind].format(hinge=words)


def _thigh(results: Sequence[Measurement]) -> tuple[float, float] | None:
    """The thigh's length over all photos, mm, and its u: the marks' error is shared."""
    known = [r.segments for r in results if r.segments is not None]
    if not known:
        return None
    return (
        float(np.median([one.thigh_mm for one in known])),
        float(np.median([one.u_thigh_mm for one in known])),
    )


def _named(used: Mapping[str, Measurement], line: calibration.Line) -> tuple[str, ...]:
    names = list(used)
    return tuple(names[index] for index in line.outliers)
