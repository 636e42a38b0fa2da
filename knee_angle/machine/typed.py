"""Whether the displayed numbers were read and typed right: asked before anything is said of them.

A typing error is likelier than a display that counts backwards. The numbers are held against
the bars (where one setting shows none, against the knee) as ``offset + gain x + bow q(x)``,
normal with the leg's covariance, the display's step and wide priors. A number is asked for
again where it does not rise with the leg, or lies off the others' line by more than `OFF_DEG`,
either proven (95 %); which of them is the one without which the others are likeliest. Where
they do not fit one line at all, and none can be named, nothing is advised by them either.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from knee_angle.angle.verdict import PROVEN, conformance_probability, verdict_of
from knee_angle.assumptions import DISPLAY_PRIORS
from knee_angle.language import figure, joined, say
from knee_angle.machine.evidence import Entry, Quantity, SettingsOfMachine

__all__ = ["FAR_DEG", "NOTHING", "OFF_DEG", "ReadAgain", "read_again"]

Floats = NDArray[np.float64]
Priors = tuple[float, float, float]

OFF_DEG = 10.0
"""A number so far off the others' line is asked for again (our own)."""
FAR_DEG = 20.0
"""So far from the knee, and the first thing to check is what was typed (our own)."""
AGREES_DEG = 5.0
"""But not one that shows the bars: it is the leg that lies otherwise (our own)."""
ANY_DISPLAY: Priors = (20.0, 0.2, 2.0)
"""Offset, gain and bow that even a wrong display may have (our own): wider than
`DISPLAY_PRIORS`, so that a wrong display is not taken for a typing error."""
U_KNEE_DEG = 5.0
"""By so much a knee may stray from the bars' line in each setting (our own)."""
P_LINE = 0.01
"""Numbers that fit a line worse than this fit none (our own)."""
FEWEST = 3
_AGAINST: tuple[tuple[Quantity, float], ...] = (("bars", 0.0), ("knee", U_KNEE_DEG))

READ_AGAIN = say(
    "Read the display in {photo} again: {shown:g}° was given, where the others and the measured "
    "angle say about {about:.0f}°, which is no value to set. If the display does show it, look at "
    "that photo's points, then at the service manual; rely on measured angles until then."
)
NO_LINE = say(
    "The displayed numbers {numbers} do not fit one line with the measured angles: read each "
    "display in its photo again, and look at what was typed; rely on measured angles until then."
)
AS_SHOWN = say(
    "Check first that {shown:g}° is typed as the display in {photo} shows it: it is {by:.0f}° "
    "from the measured knee."
)


@dataclass(frozen=True, slots=True)
class ReadAgain:
    """What to look at again, in words.

    ``contradicted`` where the numbers do not go together: nothing is advised by them then;
    ``photo`` is the one whose number the others contradict.
    """

    words: tuple[str, ...] = ()
    contradicted: bool = False
    photo: str | None = None

    def before(self, said: tuple[str, ...]) -> tuple[str, ...]:
        """These words first; what is only to be checked stands in one with the weightiest."""
        if self.contradicted or not (self.words and said):
            return (*self.words, *said)
        return (joined(" ", [*self.words, said[0]]), *said[1:])


NOTHING = ReadAgain()


@dataclass(frozen=True, slots=True, eq=False)
class _Numbers:
    """Displayed numbers (n,) against the leg, (n,) and (n, n), degrees."""

    names: tuple[str, ...]
    shown: Floats
    leg: Floats
    cov: Floats
    step_deg: float

    def spread(self, priors: Priors) -> Floats:
        """Covariance of displayed minus leg under a display's priors, (n, n)."""
        low, high = float(self.leg.min()), float(self.leg.max())
        bow = 4 * (self.leg - low) * (high - self.leg) / max(high - low, 1.0) ** 2
        x = np.column_stack([np.ones_like(self.leg), self.leg, bow]) * priors
        return np.asarray(self.cov + self.step_deg**2 / 12 * np.eye(len(x)) + x @ x.T)

    def foretold(self, which: int) -> tuple[float, float]:
        """A setting's displayed number by the others, and its u."""
        cov = self.spread(ANY_DISPLAY)
        rest = np.arange(len(cov)) != which
        gains = np.linalg.solve(cov[np.ix_(rest, rest)], cov[rest, which])
        u = float(np.sqrt(cov[which, which] - gains @ cov[rest, which]))
        return float(self.leg[which] + gains @ (self.shown - self.leg)[rest]), u

    def likely_without(self, which: int) -> float:
        """Log likelihood of the other numbers, by a usual display."""
        rest = np.arange(len(self.shown)) != which
        away = (self.shown - self.leg)[rest]
        cov = self.spread(DISPLAY_PRIORS)[np.ix_(rest, rest)]
        return -float(away @ np.linalg.solve(cov, away) + np.linalg.slogdet(cov)[1]) / 2

    def not_rising(self) -> set[int]:
        """Settings of every pair whose number does not rise where the leg is proven to bend."""
        found: set[int] = set()
        for i, j in zip(*np.nonzero(self.shown[:, None] >= self.shown), strict=True):
            u = float(np.sqrt(max(self.cov[i, i] + self.cov[j, j] - 2 * self.cov[i, j], 0.0)))
            bends = float(self.leg[j] - self.leg[i])
            if conformance_probability(bends, u=u, lower=self.step_deg) >= PROVEN:
                found |= {int(i), int(j)}
        return found

    def off_the_others(self) -> set[int]:
        """Settings whose number is proven off the line of at least two others."""
        if len(self.shown) < FEWEST:
            return set()
        told = [(shown, *self.foretold(j)) for j, shown in enumerate(self.shown)]
        return {
            j
            for j, (shown, about, u) in enumerate(told)
            if verdict_of(float(shown) - about, u=u, tolerance=OFF_DEG) == "outside"
        }

    def p_line(self, *, without: int | None = None) -> float:
        """How well the numbers fit one display's line; 1 with nothing to compare."""
        rest = np.arange(len(self.shown)) != without
        away = (self.shown - self.leg)[rest]
        if len(away) < FEWEST:
            return 1.0
        cov = self.spread(ANY_DISPLAY)[np.ix_(rest, rest)]
        return float(chdtrc(len(away) - 2, float(away @ np.linalg.solve(cov, away))))


def read_again(seen: SettingsOfMachine, *, provable: bool = True) -> ReadAgain:
    """What was read or typed wrong, by all that the settings say; nothing where nothing seems so.

    Parameters
    ----------
    seen : SettingsOfMachine
        Its `photos` name the settings.
    provable : bool
        Whether a camera's direction was seen; a prior alone contradicts no number.
    """
    numbers = _numbers(seen)
    if numbers is None:
        return NOTHING
    if not provable:
        return ReadAgain(_far_from_the_knee(seen))
    suspects = numbers.not_rising() | numbers.off_the_others()
    # The likeliest rest decides: what fits the others is never the one that does not.
    which = max(sorted(suspects), key=numbers.likely_without, default=None)
    if which is not None and numbers.p_line(without=which) >= P_LINE:
        about, _ = numbers.foretold(which)
        told = READ_AGAIN.format(
            photo=numbers.names[which], shown=numbers.shown[which], about=about
        )
        return ReadAgain((told,), contradicted=True, photo=numbers.names[which])
    if suspects or numbers.p_line() < P_LINE:
        said = joined(", ", [figure(f"{shown:g}°") for shown in numbers.shown])
        return ReadAgain((NO_LINE.format(numbers=said),), contradicted=True)
    return ReadAgain(_far_from_the_knee(seen))


def _numbers(seen: SettingsOfMachine) -> _Numbers | None:
    """All displayed numbers against the bars, or the knee where one setting shows no bars."""
    given = [j for j, shown in enumerate(seen.displayed_deg) if shown is not None]
    for quantity, u in _AGAINST:
        wanted: list[Entry] = [(quantity, j) for j in given]
        if given and all(entry in seen.entries for entry in wanted):
            leg, cov = seen.part(wanted)
            return _Numbers(
                tuple(_name(seen, j) for j in given),
                np.array([seen.displayed_deg[j] for j in given], dtype=float),
                leg,
                cov + u**2 * np.eye(len(given)),
                seen.step_deg,
            )
    return None


def _far_from_the_knee(seen: SettingsOfMachine) -> tuple[str, ...]:
    """The number furthest from its knee, where it is far and the bars do not explain it."""
    far: list[tuple[float, int]] = []
    for j, shown in enumerate(seen.displayed_deg):
        if shown is None or ("knee", j) not in seen.entries:
            continue
        by = abs(shown - float(seen.part([("knee", j)])[0][0]))
        bars = [float(seen.part([("bars", j)])[0][0])] if ("bars", j) in seen.entries else []
        if by > FAR_DEG and not any(abs(shown - one) <= AGREES_DEG for one in bars):
            far.append((by, j))
    if not far:
        return ()
    by, j = max(far)
    return (AS_SHOWN.format(shown=seen.displayed_deg[j], photo=_name(seen, j), by=by),)


def _name(seen: SettingsOfMachine, setting: int) -> str:
    return seen.photos[setting] if seen.photos else str(setting + 1)
