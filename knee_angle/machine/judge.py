"""A machine judged by all that a visit says of it: one finding, what to set, where to look.

Display against bars (`display`), bars against knee at every setting, the hinge's place
along and across the thigh over all settings, slack, and what the fitted suspensions
(`holding`) imply where nobody photographed. A fault is named when it is proven at 95 % by
any of these, and none is only named when all of them are proven within.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from knee_angle.angle.verdict import PROVEN, verdict_of
from knee_angle.angle.words import whole
from knee_angle.assumptions import COVERAGE
from knee_angle.errors import InvalidInput
from knee_angle.language import joined, say
from knee_angle.machine.adjust import Advice, advise, grid_of
from knee_angle.machine.bands import RangeJudged, judge_draws
from knee_angle.machine.chain import BARS_LIMITS_DEG
from knee_angle.machine.display import FAR_DEG, DisplayCurve, fit_display
from knee_angle.machine.display_told import display_words, shows
from knee_angle.machine.evidence import Entry, Quantity, SettingsOfMachine
from knee_angle.machine.holding import Figure, Holding, fit_holding, knee_from_bars_deg
from knee_angle.machine.suspensions import HINGE_MM
from knee_angle.machine.typed import NOTHING, ReadAgain, read_again
from knee_angle.records import FindingKind, Verdict

__all__ = [
    "BENT_DEG",
    "SLACK_DEG",
    "Elsewhere",
    "HingeCoordinate",
    "KneeBehind",
    "MachineJudged",
    "Tolerances",
    "judge_machine",
]

Floats = NDArray[np.float64]

BENT_DEG = 45.0
"""From here on the hinge's place is taken: nearer to straight, a few mm of section move it
by tens of mm across."""
SLACK_DEG = 2.0
"""Slack is told where it is proven to be more than this (our own)."""
DRAWS = 4_000
MAY_BE = 0.3
"""Probability of a fit fault elsewhere from which that place is asked for (our own)."""
SEEMS = 0.5
"""Probability of slack from which it is told as not yet proven (our own)."""
KNEE_POINT = say("It is to meet the mark at the lateral epicondyle; the joint line is 24 mm below.")
"""Joint line 24.4 ± 2.8 mm below the epicondyle: an MRI study of 2023 (abstract seen)."""
UNEXPLAINED = say(
    "No leg in a machine moves as these settings do together: adjust nothing, check the points of "
    "each photo, and that nothing was moved between them."
)
CARE = say("Stay within the prescription; stop at pain or resistance.")
P_MOVED = 0.01
"""Settings that fit together worse than this were made by no leg in a machine: of 70 simulated
visits none did, and of those with one knee 5 degrees off 33 of 34 (our own)."""
FEWEST_TO_COMPARE = 3
MOVED = say(
    "At bars of about {bars:.0f}°, knee, bars and hinge do not fit the other settings: a mark or "
    "a dot was moved, or a point lies elsewhere. Look at that photo's points, or photograph it "
    "again."
)
HINGE: tuple[Quantity, Quantity] = ("distal", "anterior")


@dataclass(frozen=True, slots=True)
class Tolerances:
    """Allowed differences: display - bars and bars - knee, degrees; hinge from knee, mm."""

    display_deg: float = 5.0
    fit_deg: float = 10.0
    hinge_mm: float = 25.0


@dataclass(frozen=True, slots=True)
class HingeCoordinate:
    """One coordinate of the hinge over all settings: value, u and verdict."""

    mm: float
    u_mm: float
    verdict: Verdict


_BENT_MORE = say(
    "Nobody photographed the knee at bars of about {bars_deg:.0f}°. By the other settings it bends "
    "{off_deg:.0f}° more than the bars there ({low} to {high}°): photograph there too."
)
_BENT_LESS = say(
    "Nobody photographed the knee at bars of about {bars_deg:.0f}°. By the other settings it bends "
    "{off_deg:.0f}° less than the bars there ({low} to {high}°): photograph there too."
)
_SLACK = say(
    "{where} the leg is {slack_deg:.0f}° straighter than its place in the machine explains "
    "({low} to {high}°): with the machine stopped check slings, straps and the heel's seat."
)
_SEEMS_SLACK = say(
    "{where} the leg seems {slack_deg:.0f}° straighter than its place in the machine explains "
    "({low} to {high}°, not proven): with the machine stopped check slings, straps and the "
    "heel's seat."
)
_AT_EVERY, _HERE = say("At every setting"), say("At this setting")
"""Of one setting nobody can say how it is at every other one."""


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """What the fitted models imply where nobody photographed: knee minus bars there.

    ``p_off`` is the probability that it is more than the fit's tolerance.
    """

    bars_deg: float
    knee_minus_bars_deg: Figure
    p_off: float

    @property
    def words(self) -> str:
        """The sentence that asks for that photo."""
        off = self.knee_minus_bars_deg
        ends = sorted(one if off.value > 0 else -one for one in off.interval)
        low, high = map(whole, ends)
        template = _BENT_MORE if off.value > 0 else _BENT_LESS
        return template.format(bars_deg=self.bars_deg, off_deg=abs(off.value), low=low, high=high)


@dataclass(frozen=True, slots=True)
class KneeBehind:
    """One row of the table: displayed number to knee, for this leg as it lay."""

    displayed_deg: float
    knee_deg: Figure
    extrapolated: bool


@dataclass(frozen=True, slots=True, eq=False)
class MachineJudged:
    """The answer.

    Parameters
    ----------
    kind : FindingKind
        As of one photo; ``not_separable`` where the bars were not seen.
    display, display_verdict : DisplayCurve and RangeJudged, or None
        None without a displayed number beside seen bars.
    display_here : RangeJudged or None
        The same at the photographed settings and between them, whatever the allowed range: what
        is proven ``outside`` is told by its numbers.
    fit : RangeJudged or None
        Bars minus knee at the photographed settings, from the data alone.
    along, across : HingeCoordinate or None
        The hinge along the thigh (distal) and across it (anterior).
    slack_deg : Figure or None
    p_slack : float or None
        Probability that it is more than `SLACK_DEG`; proven from 95 % on.
    holding : Holding or None
    elsewhere : Elsewhere or None
        Where the models imply what the photos do not show.
    advice : Advice or None
    words : tuple of str
        What is proven and what to do, the weightiest first.
    reread : ReadAgain
        Said before them: which displayed number to look at again.
    """

    kind: FindingKind
    display: DisplayCurve | None
    display_verdict: RangeJudged | None
    display_here: RangeJudged | None
    fit: RangeJudged | None
    along: HingeCoordinate | None
    across: HingeCoordinate | None
    slack_deg: Figure | None
    p_slack: float | None
    holding: Holding | None
    elsewhere: Elsewhere | None
    advice: Advice | None
    words: tuple[str, ...]
    reread: ReadAgain = NOTHING

    @property
    def hinge_verdict(self) -> Verdict:
        """Of the hinge's place, along and across together."""
        return _worst([one.verdict for one in (self.along, self.across) if one is not None])

    def knee_table(
        self, displayed_deg: Sequence[float], *, rng: np.random.Generator | None = None
    ) -> tuple[KneeBehind, ...]:
        """Displayed number to knee with 95 % intervals, through the bars and the leg's hold.

        Display and hold are drawn apart: what both owe to the same bars makes the interval
        rather too wide. ``extrapolated`` where no setting's number reaches so far.

        Raises
        ------
        InvalidInput
            Where the bars were not seen, or no number was given.
        """
        if self.display is None or self.holding is None:
            raise InvalidInput(
                say(
                    "a table of display and knee needs settings with knee, bars and displayed "
                    "number, but got none: photograph the leg with the machine's bars in view"
                )
            )
        rng = rng or np.random.default_rng(len(displayed_deg))
        shown = np.asarray(displayed_deg, dtype=float)
        bars = self.display.bars_behind(shown, rng)
        bars = np.resize(bars, (len(self.holding.draws), len(shown)))
        knee = knee_from_bars_deg(self.holding, np.clip(bars, *BARS_LIMITS_DEG))
        low, high = min(self.display.displayed_deg), max(self.display.displayed_deg)
        return tuple(
            KneeBehind(float(d), Figure.of(knee[:, k]), not low <= d <= high)
            for k, d in enumerate(shown)
        )


def judge_machine(
    seen: SettingsOfMachine,
    *,
    range_deg: tuple[float, float],
    tolerances: Tolerances | None = None,
    rng: np.random.Generator | None = None,
) -> MachineJudged:
    """Judge a machine by a visit.

    Parameters
    ----------
    seen : SettingsOfMachine
        The visit's joint estimate.
    range_deg : (float, float)
        The bars' range that the machine may run over: display and advice are judged there.
    tolerances : Tolerances, optional
    rng : numpy.random.Generator, optional
        A fixed one by default.

    Raises
    ------
    InvalidInput
        An empty range.
    """
    allowed = tolerances or Tolerances()
    rng = rng or np.random.default_rng(len(seen.entries))
    grid_of(range_deg)  # an empty range is refused before anything is fitted
    curve = fit_display(seen, rng=rng)
    display, here = None, None
    if curve is not None:
        display = curve.judged(range_deg=range_deg, tolerance_deg=allowed.display_deg)
        here = curve.judged_here(allowed.display_deg)
    reread = read_again(seen)
    try:
        holding = fit_holding(seen, rng=rng)
    except InvalidInput:  # no setting shows knee and bars: that is an answer of its own
        return _without_bars(curve, display, here, reread)
    fit = _fit_of(seen, allowed.fit_deg, rng)
    along, across = (_hinge_of(seen, one, allowed.hinge_mm) for one in HINGE)
    slack = holding.figure("slack_deg")
    p_slack = float((holding.draws[:, 3] > SLACK_DEG).mean())
    moved = _moved(seen, holding)
    elsewhere, advice = (
        (None, None) if moved else _implied(holding, range_deg, curve, allowed, display, here)
    )
    advice = None if reread.contradicted else advice
    kind = _kind(display, fit, along, across)
    where = _HERE if len(seen.both_seen()) == 1 else _AT_EVERY
    faults = (*_hinge_words(along, across), *_slack_words(slack, p_slack, where=where))
    to_set = UNEXPLAINED if advice is None else _to_set(advice)
    words = (
        *moved,
        *(faults if reread.contradicted else _faults_first(display, here, faults, advice)),
        *(() if elsewhere is None else (elsewhere.words,)),
        *(() if to_set in moved or reread.contradicted else (to_set,)),
    )
    return MachineJudged(
        kind, curve, display, here, fit, along, across, slack, p_slack, holding, elsewhere,
        advice, reread.before(words), reread,
    )  # fmt: skip


def _implied(
    holding: Holding, range_deg: tuple[float, float], curve: DisplayCurve | None,
    allowed: Tolerances, display: RangeJudged | None, here: RangeJudged | None,
) -> tuple[Elsewhere | None, Advice | None]:  # fmt: skip
    """What the models imply elsewhere, and what to set."""
    grid = grid_of(range_deg)
    try:
        return _elsewhere(holding, grid, allowed.fit_deg), advise(
            holding,
            range_deg=range_deg,
            display_minus_bars_deg=None if curve is None else curve.error_nearby_deg(grid),
            most_minus_bars_deg=None if curve is None else curve.most_error_deg(grid),
            shows=shows(display, here),
        )
    except InvalidInput:  # the fitted lengths are none of a leg: what the data prove still holds
        return None, None


def _to_set(advice: Advice) -> str:
    """What to set or check, and where that ends."""
    limits = advice.lower_limit_deg or advice.less_extension_deg
    more = advice.steps or advice.checks or advice.first or limits
    return joined(" ", [advice.text, CARE]) if more else advice.text


def _without_bars(
    curve: DisplayCurve | None, display: RangeJudged | None, here: RangeJudged | None,
    reread: ReadAgain,
) -> MachineJudged:  # fmt: skip
    """Bars alone judge a display; neither bars nor knee, or a knee alone, judge nothing here."""
    kind: FindingKind = "not_separable"
    if display is not None:
        kind = "calibration" if display.verdict == "outside" else "undecided"
    words = reread.before(() if reread.contradicted else display_words(display, here))
    return MachineJudged(
        kind, curve, display, here, None, None, None, None, None, None, None, None, words, reread
    )


def _fit_of(seen: SettingsOfMachine, tolerance: float, rng: np.random.Generator) -> RangeJudged:
    """Bars minus knee at the settings themselves, by no model."""
    used = seen.both_seen()
    wanted: list[Entry] = [*(("bars", j) for j in used), *(("knee", j) for j in used)]
    mean, cov = seen.part(wanted)
    n = len(used)
    turn = np.hstack([np.eye(n), -np.eye(n)])
    draws = rng.multivariate_normal(turn @ mean, turn @ cov @ turn.T, size=DRAWS, method="eigh")
    return judge_draws(draws, mean[:n], tolerance_deg=tolerance)


def _hinge_of(
    seen: SettingsOfMachine, quantity: Quantity, tolerance: float
) -> HingeCoordinate | None:
    """One coordinate over all settings from `BENT_DEG` on (all where none is), weighed."""
    known = [j for j in seen.both_seen() if (quantity, j) in seen.entries]
    bent = [j for j in known if seen.part([("bars", j)])[0][0] >= BENT_DEG]
    if not known:
        return None
    used = bent or known
    mean, cov = seen.part([(quantity, j) for j in used])
    weights = np.linalg.solve(cov + HINGE_MM**2 * np.eye(len(used)), np.ones(len(used)))
    u = 1.0 / np.sqrt(weights.sum())
    mm = float(weights @ mean) * float(u) ** 2
    return HingeCoordinate(mm, float(u), verdict_of(mm, u=float(u), tolerance=tolerance))


def _moved(seen: SettingsOfMachine, holding: Holding) -> tuple[str, ...]:
    """The setting without which the others fit, where all of them together do not.

    A mark that was moved about its neighbour leaves every length as it was; what it does to
    the knee fits no leg in this machine. Where the rest does not fit either, none is named.
    """
    used = seen.both_seen()
    if len(used) < FEWEST_TO_COMPARE or holding.p_value >= P_MOVED:
        return ()
    rest = {j: fit_holding(seen.without(j), draws=100).p_value for j in used}
    worst = max(rest, key=lambda j: rest[j])
    if rest[worst] < P_MOVED:
        return (UNEXPLAINED,)
    return (MOVED.format(bars=seen.part([("bars", worst)])[0][0]),)


def _elsewhere(holding: Holding, grid: Floats, tolerance: float) -> Elsewhere | None:
    """The place far from every setting where a fit fault is most probable, if it may be one."""
    seen = np.array(holding.bars_deg)
    far = np.array([b for b in grid if np.min(np.abs(seen - b)) >= FAR_DEG])
    if not far.size:
        return None
    off = knee_from_bars_deg(holding, far) - far
    p_off = np.mean(np.abs(off) > tolerance, axis=0)
    worst = int(np.argmax(p_off))
    if p_off[worst] < MAY_BE:
        return None
    return Elsewhere(float(far[worst]), Figure.of(off[:, worst]), float(p_off[worst]))


def _kind(
    display: RangeJudged | None, fit: RangeJudged,
    along: HingeCoordinate | None, across: HingeCoordinate | None,
) -> FindingKind:  # fmt: skip
    place = _worst([one.verdict for one in (along, across) if one is not None])
    off = "outside" in (fit.verdict, place)
    wrong = display is not None and display.verdict == "outside"
    if wrong:
        return "both" if off else "calibration"
    if off:
        return "fit"
    clear = display is not None and display.verdict == "within" and fit.verdict == "within"
    return "none" if clear and place == "within" else "undecided"


def _worst(verdicts: Sequence[Verdict]) -> Verdict:
    """Of both coordinates: within where both were seen and are."""
    if "outside" in verdicts:
        return "outside"
    return "within" if list(verdicts) == ["within", "within"] else "undecided"


def _faults_first(
    display: RangeJudged | None, here: RangeJudged | None, faults: tuple[str, ...],
    advice: Advice | None,
) -> tuple[str, ...]:  # fmt: skip
    """A display that is proven wrong goes first; a mere bound follows what is proven."""
    said = display_words(display, here, first=None if advice is None else advice.first)
    wrong = display is not None and display.verdict == "outside"
    return (*said, *faults) if wrong else (*faults, *said)


def _hinge_words(along: HingeCoordinate | None, across: HingeCoordinate | None) -> tuple[str, ...]:
    """Where the hinge is proven off, in both directions."""
    told = []
    for one, ways in (
        (
            along,
            (
                say("{off_mm:.0f} ± {u_mm:.0f} mm towards the foot of the knee"),
                say("{off_mm:.0f} ± {u_mm:.0f} mm towards the hip of the knee"),
            ),
        ),
        (
            across,
            (
                say("{off_mm:.0f} ± {u_mm:.0f} mm in front of the knee"),
                say("{off_mm:.0f} ± {u_mm:.0f} mm behind the knee"),
            ),
        ),
    ):
        if one is not None and one.verdict == "outside":
            way = ways[0] if one.mm > 0 else ways[1]
            told.append(way.format(off_mm=abs(one.mm), u_mm=COVERAGE * one.u_mm))
    if not told:
        return ()
    places = joined(say(" and "), told)
    return (say("The hinge lies {places}. {point}", places=places, point=KNEE_POINT),)


def _slack_words(slack: Figure, probability: float, *, where: str) -> tuple[str, ...]:
    """Slack where it is proven, and, said as such, where it only seems so."""
    if probability < SEEMS:
        return ()
    low, high = map(whole, slack.interval)
    template = _SLACK if probability >= PROVEN else _SEEMS_SLACK
    return (template.format(where=where, slack_deg=slack.value, low=low, high=high),)
