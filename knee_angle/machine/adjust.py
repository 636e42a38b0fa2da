"""What to set at the machine: three adjustments, their order, and never past the display.

The three adjustments are the patient's place, the lower-leg section with its foot plate and
the thigh section. Lengthening a section, or moving the patient up the bed, lets the knee
bend less; the opposite bends it more. Knee and bars alone know only the sum; the hinge's
place splits it. So:

* where the hinge lies within `NEAR_MM` of the knee with `ARRIVES`, nothing is to be set;
* millimetres are given for parts whose fault is proven, where the models together say that
  obeying makes a near hinge more probable by `WORTH`;
* otherwise there are checks only, in the trade's order (common practice: patient's place,
  lower leg and foot plate, thigh section), all of them before the machine runs again, each
  section left longer than the leg by so much as keeps the knee from coming past the display;
* a display that likely reads too little is put right before any of these checks, unless the
  knee could then be past it elsewhere. Where no check is safe either, or less surely so (up to
  `RISK_DOUBTED`) and more photos would not tell more, both are done before the machine runs
  again, the display first. Until then the limit stands lower;
* where that is not safe either, more settings are photographed;
* a display that is proven wrong has its limits set closer at the end where the knee then goes
  further than shown, whatever else there is to set, until it is put right;
* what bends the knee less comes first, so that obeying only the beginning is safe;
* every beginning of the advice is tried on the draws of the fitted models, over the whole
  range: it may bring the knee more than `PAST_DEG` past the display in no more than
  `RISK` of them. Where it would, the sections are left that much longer (near a straight
  leg a few mm too short bend the knee by ten degrees, a few mm too long by none); where
  no length is safe, nothing is advised but a check.

Nothing here advises more motion: sections are set with the machine stopped, within the
prescription, and the result is photographed before it runs on.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from knee_angle.angle.verdict import PROVEN
from knee_angle.assumptions import COVERAGE
from knee_angle.errors import InvalidInput
from knee_angle.language import joined, say
from knee_angle.machine.advice import (
    AFTER,
    BEHIND,
    CHECK,
    DISPLAY_AND_CHECKS,
    DISPLAY_FIRST,
    FITS,
    IN_FRONT,
    LESS_EXTENSION,
    LOWER_FLEXION,
    NOT_PROVEN,
    PHOTOS_FIRST,
    SUITS,
    TOO_LONG,
    TOO_SHORT,
    Adjustment,
    Advice,
    Part,
    Shows,
)
from knee_angle.machine.chain import Chain, hinge_mm
from knee_angle.machine.holding import Figure, Holding, knee_from_bars_deg

__all__ = [
    "ARRIVES",
    "CHECKS",
    "NEAR_MM",
    "PAST_DEG",
    "RISK",
    "Adjustment",
    "Advice",
    "advise",
    "grid_of",
]

Floats = NDArray[np.float64]
CHECKS: tuple[Part, ...] = ("place", "lower", "thigh")
"""Order of the checks where no millimetres are known (common practice)."""

NEAR_MM = 15.0
"""A hinge so near to the knee is good enough (our own)."""
ARRIVES = 0.8
"""Probability of that, from which it is said (our own)."""
WORTH = 0.25
"""Gain in that probability from which a change is worth it (our own)."""
WORTH_MM = 8.0
"""Less than this is not worth a change: about what a section's stops allow (our own)."""
PLACE_KNOWN_MM = 8.0
"""u of the patient's place from which it is told in mm (our own)."""
PAST_DEG = 2.0
RISK = 0.0025
"""Three draws of `holding.DRAWS` (our own): at 0.01, 2 of 2,325 changes in mm that were obeyed
brought a simulated knee past, by 2.2 and 3.0 degrees. Both had used up what was allowed."""
RISK_BY_TAPE = 0.0005
"""None, where sections can be longer (our own): told at `RISK`, 1 of 176 came past, by 2.6°."""
RISK_DOUBTED = 0.1
"""Up to this risk of checks alone the display is put right with them, where `ENOUGH` settings
leave no more to be seen (our own): by themselves 1 of some 500 came 2.07 degrees past. At 0.03
photos were asked for again and again: of 1,792 fresh visits 87.4 % arrived, 89.5 % at this."""
ENOUGH = 4
"""So many settings, and further ones tell little more of display and hold (our own)."""
READS_LOW = 0.5
"""Probability that the display reads more than `PAST_DEG` too little somewhere, from which
that is called likely (our own); a single setting must prove it: a right display had 0.8."""
TAPE_MM = 4.0
"""Standard doubt of a section or a place put right by tape (our own)."""
LONGER_MM = (5, 8, 10)
"""How much longer than the leg a section is left by tape, the first that is safe (our own); both
by the last leave the hinge within `NEAR_MM`."""
LOWER_BY = 0.95
"""Probability with which a lowered limit makes up for what the knee could come past."""
JUDGED_AT_DEG = np.array([60.0, 90.0, 110.0])
"""Bars at which the hinge's place is judged: from 60 degrees up thigh faults show along the
thigh and lower-leg faults across it."""
GRID_DEG = 5.0
MOST_MARGIN_MM = 48.0

_FAULT: dict[Part, str] = {
    "thigh": "thigh_fault_mm",
    "lower": "lower_fault_mm",
    "place": "place_mm",
}


def advise(
    holding: Holding,
    *,
    range_deg: tuple[float, float],
    display_minus_bars_deg: Floats | None = None,
    most_minus_bars_deg: Floats | None = None,
    shows: Shows | None = None,
) -> Advice:
    """What to set, tried against the models' whole doubt before it is said.

    Parameters
    ----------
    holding : Holding
        Both suspensions, fitted.
    range_deg : (float, float)
        The bars' range that the machine may run over.
    display_minus_bars_deg : ndarray, shape (n, g), optional
        Draws of the display's error on `grid_of` the range; left out, the display is
        taken to show the bars.
    most_minus_bars_deg : ndarray, shape (n, g), optional
        The same, at the most where nobody photographed; left out, as above.
    shows : {"more", "less"} or None
        Which way it is proven, and said, that the display differs where it was photographed.

    Raises
    ------
    InvalidInput
        An empty range.
    """
    grid = grid_of(range_deg)
    shown = _shown(display_minus_bars_deg, len(holding.draws), grid)
    most = shown if most_minus_bars_deg is None else _shown(most_minus_bars_deg, len(shown), grid)
    before = knee_from_bars_deg(holding, grid) - shown
    tried = _Tried(holding, grid, shown, before, most, shows)
    distal, anterior = _hinge(holding, {})
    seen = Figure.of(distal.mean(axis=1)), Figure.of(anterior.mean(axis=1))
    near = _arrives(distal, anterior)
    return _until_right(tried, _to_set(tried, near, seen))


def _to_set(tried: _Tried, near: float, seen: tuple[Figure, Figure]) -> Advice:
    """Nothing, the best change in mm, or what is safe without mm."""
    if near >= ARRIVES:
        return Advice((), (), FITS, near, 0.0, *seen)
    best: Advice | None = None
    for parts in _choices(tried.holding):
        one = _safe_plan(tried, parts)
        if one is not None and (best is None or one.arrives > best.arrives):
            best = replace(one, distal_mm=seen[0], anterior_mm=seen[1])
    if best is not None and best.arrives >= near + WORTH:
        return best
    return _by_tape(tried, near, seen)


def _until_right(tried: _Tried, told: Advice) -> Advice:
    """With a proven wrong display, the limit where the knee may go further than shown."""
    rest = SUITS if told.text == FITS else told.text
    if tried.shows == "less" and not told.lower_limit_deg and _likely(past := tried.beyond_deg()):
        by = _lowered(past)
        text = joined(" ", [LOWER_FLEXION.format(by=by), rest])
        return replace(told, lower_limit_deg=by, text=text)
    if tried.shows == "more" and _likely(past := tried.straighter_deg()):
        by = _lowered(past)
        both = [LESS_EXTENSION.format(by=by), rest]
        # Flexion first, where its limit is to stand lower too.
        text = joined(" ", both[::-1] if told.lower_limit_deg else both)
        return replace(told, less_extension_deg=by, text=text)
    return told


def _likely(past_deg: Floats) -> bool:
    return float((past_deg > PAST_DEG).mean()) > READS_LOW


def grid_of(range_deg: tuple[float, float]) -> Floats:
    """The bars at which a range is tried, both ends included."""
    low, high = range_deg
    if not low < high:
        raise InvalidInput(f"range_deg must rise, but got {low:g} to {high:g}")
    return np.linspace(low, high, max(2, int(np.ceil((high - low) / GRID_DEG)) + 1))


@dataclass(frozen=True, slots=True, eq=False)
class _Tried:
    """What changes are tried on: bars (g,), displayed angle and knee minus it now, (n, g).

    ``highest`` is the most that may be displayed: by so much a display put right may fall.
    """

    holding: Holding
    grid: Floats
    shown: Floats
    before: Floats
    highest: Floats | None = None
    shows: Shows | None = None

    def risk(self, steps: tuple[Adjustment, ...]) -> float:
        """Largest probability, over every beginning of the steps, of coming past the display.

        Counted where the knee is then further past than before: a knee that lies past the
        display and comes nearer was not brought there.
        """
        worst = 0.0
        changes: dict[Part, float | Floats] = {}
        allowed = np.maximum(self.before + 1e-6, PAST_DEG)
        for step in steps:
            changes[step.part] = float(step.mm)
            after = _knee(self.holding, self.grid, changes) - self.shown
            worst = max(worst, float(np.any(after > allowed, axis=1).mean()))
        return worst

    def past_by_tape_deg(self, longer_mm: float, *, display_right: bool = False) -> Floats:
        """How far each draw is brought past the display (n,), all put right by tape."""
        d = self.holding.draws
        off = TAPE_MM * np.random.default_rng(len(d)).standard_normal((3, len(d)))
        wanted = np.array([longer_mm, longer_mm, 0.0])[:, None] + off
        thigh, lower, place = wanted - d[:, :3].T
        after = _knee(self.holding, self.grid, {"thigh": thigh, "lower": lower, "place": place})
        past = after - (self.grid if display_right else self.shown)
        before = self._least_before if display_right else self.before
        return np.asarray(np.max(np.where(past > before + 1e-6, past, 0.0), axis=1))

    def risk_when_right(self) -> float:
        """Share of draws whose knee is then past a display that was put right."""
        past = self.before + self.shown - self.grid
        return float(np.any(past > np.maximum(self._least_before + 1e-6, PAST_DEG), axis=1).mean())

    @property
    def _least_before(self) -> Floats:
        """Knee minus the most that may be displayed now."""
        return self.before + self.shown - (self.shown if self.highest is None else self.highest)

    def beyond_deg(self) -> Floats:
        """How far bars or knee are, at the flexion end, past what is shown, or shown if right."""
        grid, shown = self.grid[-1], self.shown[:, -1]
        knee = self.before[:, -1] + shown
        return np.asarray(np.maximum(grid, knee) - np.minimum(grid, shown))

    def straighter_deg(self) -> Floats:
        """How far the bars are, at the extension end, short of the most that is shown."""
        most = self.shown if self.highest is None else self.highest
        return np.asarray(most[:, 0] - self.grid[0])


def _by_tape(tried: _Tried, near: float, seen: tuple[Figure, Figure]) -> Advice:
    """What is safe of display, checks by tape and both, or else more photos."""
    checks = Advice((), CHECKS, "", near, 0.0, *seen)
    # A leg that suits the machine bends as the bars do: past a display that reads low.
    low = np.max(tried.grid - tried.shown, axis=1)
    likely = READS_LOW if len(tried.holding.bars_deg) > 1 else PROVEN
    reads_low = float((low > PAST_DEG).mean()) > likely
    if reads_low and tried.risk_when_right() <= RISK:
        return _display_first(tried, checks)
    told, risk = _checked(tried, checks, display_right=False)
    if told is not None:
        return told
    doubted = risk <= RISK_DOUBTED and len(tried.holding.bars_deg) >= ENOUGH
    both, _ = _checked(tried, checks, display_right=True)
    if both is not None and (reads_low or doubted):
        by = _lowered(tried.beyond_deg())
        text = DISPLAY_AND_CHECKS[tried.shows].format(by=by, checks=both.text)
        return replace(both, first="display", lower_limit_deg=by, text=text)
    return replace(checks, checks=(), text=PHOTOS_FIRST, first="photos")


def _checked(tried: _Tried, checks: Advice, *, display_right: bool) -> tuple[Advice | None, float]:
    """The checks with the sections as much longer as is safe, if so; the risk of the longest."""
    risk = 0.0
    for longer in LONGER_MM:
        past = tried.past_by_tape_deg(longer, display_right=display_right)
        risk = float((past > PAST_DEG).mean())
        if risk <= (RISK if longer == LONGER_MM[-1] else RISK_BY_TAPE):
            text = _check_words(tried.holding, checks.anterior_mm, longer)
            return replace(checks, risk=risk, longer_mm=longer, text=text), risk
    return None, risk


def _display_first(tried: _Tried, checks: Advice) -> Advice:
    """The display put right before anything is set, the limit lowered meanwhile."""
    by = _lowered(tried.beyond_deg())
    text = DISPLAY_FIRST[tried.shows].format(by=by)
    return replace(checks, checks=(), text=text, first="display", lower_limit_deg=by)


def _lowered(past_deg: Floats) -> int:
    """By how many whole degrees a limit is lowered for what may be past it."""
    return max(1, math.ceil(float(np.quantile(past_deg, LOWER_BY))))


def _knee(holding: Holding, bars: Floats, changes: Mapping[Part, float | Floats]) -> Floats:
    return knee_from_bars_deg(
        holding,
        bars,
        thigh_mm=changes.get("thigh", 0.0),
        lower_mm=changes.get("lower", 0.0),
        place_mm=changes.get("place", 0.0),
    )


def _shown(error: Floats | None, draws: int, grid: Floats) -> Floats:
    """Draws of the displayed angle on the grid, one a draw of the holding."""
    if error is None:
        return np.tile(grid, (draws, 1))
    if error.ndim != 2 or error.shape[1] != len(grid):
        raise InvalidInput(
            f"display_minus_bars_deg must have {len(grid)} columns, one a bar of the grid, "
            f"but has shape {error.shape}"
        )
    return np.asarray(grid + np.resize(error, (draws, len(grid))))


def _choices(holding: Holding) -> list[tuple[Part, ...]]:
    """Which parts may be told in mm: place only where it is known, lower leg by the chain."""
    choices: list[tuple[Part, ...]] = [("thigh",)]
    if holding.seated_weight > 0.5:
        choices += [("lower",), ("lower", "thigh")]
    place = holding.figure("place_mm")
    if place.u <= PLACE_KNOWN_MM and abs(place.value) > COVERAGE * place.u:
        choices = [("place",), *(("place", *parts) for parts in choices)]
    return choices if holding.hinge_seen else []


def _safe_plan(tried: _Tried, parts: tuple[Part, ...]) -> Advice | None:
    """The best safe change of these parts alone; None where none is worth it."""
    holding = tried.holding
    wanted = _best_changes(holding, parts)
    if not _proven(holding, wanted):
        return None
    low, high = 0.0, MOST_MARGIN_MM
    if tried.risk(_steps(wanted, 0.0)) <= RISK:
        high = 0.0
    elif tried.risk(_steps(wanted, high)) > RISK:
        return None
    while high - low > 1.0:
        middle = (low + high) / 2
        safe = tried.risk(_steps(wanted, middle)) <= RISK
        low, high = (low, middle) if safe else (middle, high)
    steps = _steps(wanted, high)
    if not steps or any(abs(step.mm) < WORTH_MM for step in steps):
        return None
    distal, anterior = _hinge(holding, {step.part: step.mm for step in steps})
    said = [joined("", [f"{i}. ", step.words]) for i, step in enumerate(steps, start=1)]
    what = say("Set in this order: {steps}.", steps=joined("; ", said))
    if len(steps) == 1:
        what = say("Set one thing: {step}.", step=steps[0].words)
    text = joined(" ", [what, AFTER])
    blank = Figure(0.0, 0.0, (0.0, 0.0))
    risk = tried.risk(steps)
    return Advice(steps, (), text, _arrives(distal, anterior), risk, blank, blank)


def _steps(wanted: dict[Part, float], margin_mm: float) -> tuple[Adjustment, ...]:
    """Whole mm, the sections left longer by the margin, what bends the knee less first."""
    each = margin_mm / len(wanted)
    rounded = [Adjustment(part, int(np.ceil(mm + each))) for part, mm in wanted.items()]
    return tuple(sorted((one for one in rounded if one.mm), key=lambda one: -one.mm))


def _best_changes(holding: Holding, parts: tuple[Part, ...]) -> dict[Part, float]:
    """Changes that bring the hinge nearest on the mean of the draws; no margin yet."""
    changes: dict[Part, float] = dict.fromkeys(parts, 0.0)
    if "place" in parts:
        changes["place"] = -holding.figure("place_mm").value
    for _ in range(3):
        distal, anterior = _hinge(holding, changes)
        if "thigh" in parts:
            changes["thigh"] -= float(distal.mean())
        if "lower" in parts:
            changes["lower"] -= float(anterior[holding.seated].mean())
    return changes


def _proven(holding: Holding, wanted: dict[Part, float]) -> bool:
    """Whether each part is proven off, and by enough to be set.

    By what the hinge shows of it, and by its own fault: the hinge alone does not tell a thigh
    section from a patient who lies up or down the bed.
    """
    distal, anterior = _hinge(holding, {})
    spread = {
        "thigh": float(distal.mean(axis=1).std()),
        "lower": float(anterior[holding.seated].mean(axis=1).std()) if "lower" in wanted else 0,
        "place": holding.figure("place_mm").u,
    }
    own = {part: holding.figure(_FAULT[part]) for part in wanted}
    return all(
        abs(mm) >= max(WORTH_MM, COVERAGE * spread[part])
        and abs(own[part].value) > COVERAGE * own[part].u
        for part, mm in wanted.items()
    )


def _hinge(holding: Holding, changes: dict[Part, float]) -> tuple[Floats, Floats]:
    """The hinge of every draw at `JUDGED_AT_DEG` after changes, (n, 3) each."""
    d = holding.draws
    thigh, lower, place = (changes.get(part, 0.0) for part in ("thigh", "lower", "place"))
    distal = np.repeat(d[:, :1] + thigh + d[:, 2:3] + place, len(JUDGED_AT_DEG), axis=1)
    anterior = np.repeat(d[:, 4:5], len(JUDGED_AT_DEG), axis=1)
    chained = holding.seated
    knee = _knee(holding, JUDGED_AT_DEG, changes)[chained]
    d = d[chained]
    chain = Chain(
        d[:, 6:7],
        d[:, 7:8],
        d[:, 0:1] + thigh,
        d[:, 1:2] + lower,
        d[:, 2:3] + place,
        holding.give[chained, None],
        d[:, 3:4],
    )
    distal[chained], anterior[chained] = hinge_mm(JUDGED_AT_DEG, knee, chain)
    return distal, anterior


def _arrives(distal: Floats, anterior: Floats) -> float:
    """Share of draws whose hinge lies near on the mean of the judged bars."""
    away = np.hypot(distal.mean(axis=1), anterior.mean(axis=1))
    return float((away <= NEAR_MM).mean())


def _check_words(holding: Holding, anterior: Figure, longer_mm: float) -> str:
    """The checks, with what is known of the sum or of the height."""
    check = CHECK.format(longer=longer_mm)
    if holding.seated_weight < 0.2 and abs(anterior.value) > max(NEAR_MM, COVERAGE * anterior.u):
        high = IN_FRONT if anterior.value > 0 else BEHIND
        return joined(" ", [high, check])
    both = holding.sum_mm
    if abs(both.value) > COVERAGE * both.u:
        template = TOO_LONG if both.value > 0 else TOO_SHORT
        return template.format(off_mm=abs(both.value), u_mm=COVERAGE * both.u, check=check)
    return NOT_PROVEN.format(check=check)
