"""An individuals control chart: whether a machine has changed or only scatters.

Each check of a machine is one individual value x; the moving range is |x_i - x_(i-1)|.

    centre  = mean of x                     limits of x  = centre ± 2.66 mean range
    sigma   = mean range / 1.128            limit of MR  = 3.267 mean range

2.66 = 3 / d2 and 3.267 = D4 with d2 = 1.128 for ranges of two (any table of control
chart constants; from memory). The chart says whether the machine stays as it was, not
whether that is good enough: that is the verdict of each check against its tolerance.

Run rules: Western Electric, Statistical Quality Control Handbook 1956 (2 of 3, 4 of 5,
8 on one side: seen in public descriptions; the edition from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from knee_angle.errors import InvalidInput

__all__ = ["RULES", "SETTLED", "ControlChart", "Rule", "Signal", "individuals_chart"]

Floats = NDArray[np.float64]
Rule = Literal["beyond", "two_of_three", "four_of_five", "eight_on_one_side", "jump"]

RULES: dict[Rule, str] = {
    "beyond": "beyond the control limits",
    "two_of_three": "two of three in a row beyond two thirds of the way to the same limit",
    "four_of_five": "four of five in a row beyond one third of the way to the same limit",
    "eight_on_one_side": "eight in a row on the same side of the mean",
    "jump": "a jump from the check before that is larger than the moving range allows",
}
"""Each rule in plain words, in the order in which they are told."""

D2 = 1.128
"""Mean range of two normal values over their standard deviation."""
LIMITS = 2.66
RANGE_LIMIT = 3.267
FEWEST = 3
"""Two values give one range: no limits come of that."""
SETTLED = 12
"""Limits from fewer values still move with every new one (common practice)."""


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
    """An individuals chart with the values it was computed from.

    Parameters
    ----------
    values : tuple of float, shape (n,)
        In the order of time.
    moving_ranges : tuple of float, shape (n - 1,)
        |x_i - x_(i-1)|.
    centre, low, high : float
        Mean and control limits of the values.
    mean_range, range_limit : float
        Mean and upper limit of the moving ranges.
    sigma : float
        Short-term standard deviation, mean range / 1.128.
    baseline : int
        The first so many values set the limits.
    signals : tuple of Signal
        Where a rule fired, by index.
    """

    values: tuple[float, ...]
    moving_ranges: tuple[float, ...]
    centre: float
    low: float
    high: float
    mean_range: float
    range_limit: float
    sigma: float
    baseline: int
    signals: tuple[Signal, ...]

    @property
    def settled(self) -> bool:
        """Whether enough values stand behind the limits to rely on them."""
        return self.baseline >= SETTLED


def individuals_chart(
    values: Sequence[float], *, baseline: int | None = None
) -> ControlChart | None:
    """The chart of values in the order of time; None with fewer than three.

    Parameters
    ----------
    values : sequence of float, shape (n,)
        One a check, any unit.
    baseline : int, optional
        The first so many values set the limits; all of them by default.

    Raises
    ------
    InvalidInput
        A baseline of fewer than three, or of more values than there are.
    """
    if len(values) < FEWEST:
        return None
    first = len(values) if baseline is None else baseline
    if not FEWEST <= first <= len(values):
        raise InvalidInput(
            f"baseline must be between {FEWEST} and the {len(values)} values, but got {first}"
        )
    x = np.asarray(values, dtype=np.float64)
    ranges = np.abs(np.diff(x))
    centre, mean_range = float(x[:first].mean()), float(ranges[: first - 1].mean())
    half = LIMITS * mean_range
    # The mean of equal values differs from them in the last digit: that is no signal.
    away = np.where(np.isclose(x, centre, rtol=1e-12, atol=1e-12), 0.0, x - centre)
    return ControlChart(
        values=tuple(float(v) for v in x),
        moving_ranges=tuple(float(v) for v in ranges),
        centre=centre,
        low=centre - half,
        high=centre + half,
        mean_range=mean_range,
        range_limit=RANGE_LIMIT * mean_range,
        sigma=mean_range / D2,
        baseline=first,
        signals=_signals(away, ranges, half=half, range_limit=RANGE_LIMIT * mean_range),
    )


def _signals(
    away: Floats, ranges: Floats, *, half: float, range_limit: float
) -> tuple[Signal, ...]:
    """Every rule at the point that completes its pattern."""
    found: set[tuple[int, Rule]] = set()
    for side in (1.0, -1.0):
        d = side * away
        patterns: tuple[tuple[Rule, float, int, int], ...] = (
            ("beyond", half, 1, 1),
            ("two_of_three", half * 2 / 3, 2, 3),
            ("four_of_five", half / 3, 4, 5),
            ("eight_on_one_side", 0.0, 8, 8),
        )
        for rule, limit, wanted, among in patterns:
            over = d > limit
            for i in np.flatnonzero(over):
                if over[max(0, i - among + 1) : i + 1].sum() >= wanted:
                    found.add((int(i), rule))
    found |= {(int(i) + 1, "jump") for i in np.flatnonzero(ranges > range_limit)}
    order = list(RULES)
    return tuple(
        Signal(i, rule) for i, rule in sorted(found, key=lambda s: (s[0], order.index(s[1])))
    )
