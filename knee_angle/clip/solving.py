"""Least squares that take no step which fits worse (Levenberg and Marquardt)."""

from __future__ import annotations

from typing import Protocol, Self, TypeVar

import numpy as np
from numpy.typing import NDArray

__all__ = ["CAUCHY", "Problem", "State", "cauchy", "solved"]

Floats = NDArray[np.float64]

CAUCHY = 2.4
"""Usual constant: 95 % efficiency for normal errors."""
STEPS = 40
ENOUGH, ENOUGH_COST = 3e-3, 3e-2
"""Solved where no unknown moves by more, in its u, or the fit is better by less than that."""
DAMPED, MORE, LESS, MOST_DAMPED = 1e-4, 6.0, 4.0, 1e6
"""Of a step: at first, after one that fits worse, after one that fits better, and when none
fits better (usual values)."""


class State(Protocol):
    """The unknowns."""

    def moved(self, by: Floats) -> Self:
        """The unknowns after a step."""
        ...


S = TypeVar("S", bound=State)
S_contra = TypeVar("S_contra", bound=State, contravariant=True)


class Problem(Protocol[S_contra]):
    """What is solved: its equations about a state, and how badly a state fits."""

    def rows(self, state: S_contra) -> tuple[Floats, Floats]:
        """Weighted equations: slopes (r, p) and what is left (r,)."""
        ...

    def cost(self, state: S_contra) -> float:
        """How badly a state fits; its slope is that of the squares of what is left."""
        ...


def solved(problem: Problem[S], state: S, *, enough: float = ENOUGH_COST) -> S:
    """The state, downhill from this one, that fits best: until a step gains less than enough."""
    cost, damped = problem.cost(state), DAMPED
    for _ in range(STEPS):
        rows, left = problem.rows(state)
        normal, slope = rows.T @ rows, rows.T @ left
        while damped <= MOST_DAMPED:
            step = np.asarray(np.linalg.solve(normal + damped * np.diag(np.diag(normal)), slope))
            moved = state.moved(step)
            there = problem.cost(moved)
            if there <= cost:  # not where it is no number
                break
            damped *= MORE
        else:
            return state
        better, state, cost, damped = cost - there, moved, there, damped / LESS
        whole = damped <= DAMPED  # a damped step gains little wherever it is
        if whole and (better < enough or float(np.abs(step).max()) < ENOUGH):
            break
    return state


def cauchy(off: Floats) -> Floats:
    """Square root of Cauchy's weight."""
    return np.asarray(1.0 / np.sqrt(1.0 + (off / CAUCHY) ** 2))
