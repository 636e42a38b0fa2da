"""A control chart of a machine's checks: whether it has changed, or only scatters.

Each check is judged against the checks before it, never against itself. With the mean of
those, weighed by each check's own u, and the value's own u::

    z = (x - mean) / sqrt(u^2 + u(mean)^2)

is standard normal for an unchanged machine whose u are right. Whether they are is seen from
the earlier checks' own scatter: s^2 = sum(((x_i - mean) / u_i)^2) / (n - 1), and z / s has
Student's distribution with n - 1 degrees of freedom whatever the common size of the u; put
back on the normal scale it is z'. The **deviation** is the smaller of the two in size: a
change has to be more than both the checks' own ± and the machine's habit explain. Without
u, z' alone. The first `SETTLED` checks are what later ones are judged against: a machine
that changed must not become its own measure.

Two rules, and no more, because every rule has false alarms of its own:

* a deviation beyond ± 3 (one in 370 for an unchanged machine);
* nine in a row on one side (Nelson LS 1984, J Qual Technol 16:237-239, from memory; one in
  511 by the fair coin).

Together an unchanged machine is left in peace for more than 200 checks on average. The
five rules of before (Western Electric's four and a jump, on limits through the values
themselves) alarmed in 71 % of unchanged machines within 60 checks.

Self-starting chart: Hawkins DM 1987, The Statistician 36:299-315, from memory. The chart
says whether the machine stays as it was, not whether that is good enough: that is the
verdict of each check against its tolerance.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri, stdtr, stdtrit

from knee_angle.errors import InvalidInput
from knee_angle.language import say

__all__ = ["RULES", "SETTLED", "ControlChart", "Rule", "Signal", "individuals_chart"]

Floats = NDArray[np.float64]
Rule = Literal["beyond", "nine_on_one_side"]

RULES: dict[Rule, str] = {
    "beyond": say("beyond the control limits of the checks before it"),
    "nine_on_one_side": say("nine in a row on the same side of the mean of the checks before"),
}
"""Each rule in plain words, in the order in which they are told."""

LIMIT = 3.0
RUN = 9
FEWEST = 3
"""Of two values none can be judged: a mean and a scatter take two before it."""
SETTLED = 12
"""Limits from fewer values still move with every new one (common practice)."""
FARTHEST = 8.0
"""Deviations are cut here: beyond, a probability has no digits left."""


@dataclass(frozen=True, slots=True)
class Signal:
    """One point at which a rule fired: its index and the rule."""

    index: int
    rule: Rule

    @property
    def words(self) -> str:
        """The rule in plain words."""
        return RULES[self.rule]


@dataclass(frozen=True, slots=True)
class ControlChart:
    """A control chart with the values it was computed from.

    Parameters
    ----------
    values : tuple of float, shape (n,)
        In the order of time.
    deviations : tuple of float, shape (n,)
        Of each value from those before it, standard normal for an unchanged machine; 0
        for the first two, which nothing can be said of.
    centre : float
        Weighed mean of the values that set the limits.
    low, high : float
        Limits for one more check with the median u.
    sigma : float
        Standard deviation of the values that set the limits, in their unit.
    baseline : int
        The first so many values set the limits.
    signals : tuple of Signal
        Where a rule fired, by index.
    """

    values: tuple[float, ...]
    deviations: tuple[float, ...]
    centre: float
    low: float
    high: float
    sigma: float
    baseline: int
    signals: tuple[Signal, ...]

    @property
    def settled(self) -> bool:
        """Whether enough values stand behind the limits to rely on them."""
        return self.baseline >= SETTLED


def individuals_chart(
    values: Sequence[float], *, u: Sequence[float] | None = None, baseline: int | None = None
) -> ControlChart | None:
    """The chart of values in the order of time; None with fewer than three.

    Parameters
    ----------
    values : sequence of float, shape (n,)
        One a check, any unit.
    u : sequence of float, shape (n,), optional
        Standard uncertainty of each, by which they are weighed.
    baseline : int, optional
        Only the first so many values are ever judged against; `SETTLED` by default, or all
        where there are fewer.

    Raises
    ------
    InvalidInput
        A baseline of fewer than three, or of more values than there are; u that are not
        one a value, or not positive.
    """
    n = len(values)
    if n < FEWEST:
        return None
    first = min(n, SETTLED) if baseline is None else baseline
    if not FEWEST <= first <= n:
        raise InvalidInput(
            say(
                "baseline must be between {fewest} and the {n} values, but got {first}",
                fewest=FEWEST,
                n=n,
                first=first,
            )
        )
    x = np.asarray(values, dtype=np.float64)
    own = np.ones(n) if u is None else np.asarray(u, dtype=np.float64)
    if own.shape != (n,) or not np.all(own > 0):
        raise InvalidInput(f"u must be {n} positive numbers, one a value")
    known = u is not None
    deviations = np.zeros(n)
    settled = _Before.of(x[:first], own[:first])
    for i in range(2, n):
        before = _Before.of(x[:i], own[:i]) if i < first else settled
        deviations[i] = _deviation(x[i], own[i], before, known=known)
    half = settled.limit(float(np.median(own)), known=known)
    return ControlChart(
        values=tuple(float(v) for v in x),
        deviations=tuple(float(d) for d in deviations),
        centre=settled.mean,
        low=settled.mean - half,
        high=settled.mean + half,
        sigma=float(np.std(x[:first], ddof=1)),
        baseline=first,
        signals=_signals(deviations),
    )


@dataclass(frozen=True, slots=True)
class _Before:
    """Earlier checks: weighed mean, its u by the checks' own, their scatter over their u."""

    mean: float
    u: float
    scatter: float
    count: int

    @classmethod
    def of(cls, x: Floats, own: Floats) -> _Before:
        weights = own**-2
        mean = float(weights @ x / weights.sum())
        # The mean of equal values differs from them in the last digit: that is no scatter.
        away = np.where(np.isclose(x, mean, rtol=1e-12, atol=1e-12), 0.0, x - mean)
        scatter = math.sqrt(float(weights @ away**2) / (len(x) - 1))
        return cls(mean, 1.0 / math.sqrt(float(weights.sum())), scatter, len(x))

    def limit(self, own: float, *, known: bool) -> float:
        """How far from the mean one more value may lie, both scales considered."""
        spread = math.hypot(own, self.u)
        habit = self.scatter * float(stdtrit(self.count - 1, ndtr(LIMIT)))
        return spread * max(habit, LIMIT if known else 0.0)


def _deviation(x: float, own: float, before: _Before, *, known: bool) -> float:
    """The smaller of the deviations by the checks' own u and by their scatter."""
    if math.isclose(x, before.mean, rel_tol=1e-12, abs_tol=1e-12):
        return 0.0
    z = (x - before.mean) / math.hypot(own, before.u)
    habit = FARTHEST
    if before.scatter > 0:
        tail = float(stdtr(before.count - 1, -abs(z) / before.scatter))
        habit = min(-float(ndtri(tail)), FARTHEST) if tail > 0 else FARTHEST
    size = min(abs(z), habit) if known else habit
    return math.copysign(size, z)


def _signals(deviations: Floats) -> tuple[Signal, ...]:
    """Every rule at the point that completes its pattern; a run is told once, at its ninth."""
    found: list[Signal] = []
    run, side = 0, 0.0
    for i, d in enumerate(deviations):
        if abs(d) > LIMIT:
            found.append(Signal(i, "beyond"))
        run = run + 1 if d != 0 and math.copysign(1.0, d) == side else int(d != 0)
        side = math.copysign(1.0, d)
        if run and run % RUN == 0:
            found.append(Signal(i, "nine_on_one_side"))
    return tuple(found)
