"""The inputs of a visit, given that its photos show one leg and one machine.

Beforehand all inputs x are independent and standard normal; the photos say what some of their
rows r(x) have in common (`equal`). So it is a least-squares problem, with S = dr/dx, N what
rows that are the same may differ by, and M = S Sᵀ + N (`ties`)::

    x = argmin |x|² + missedᵀ N⁻¹ missed,        x <- Sᵀ M⁻¹ (S x - missed(x))

(Gauss-Newton). A visit with nothing to compare leaves x = 0: the answer of the single photo.

**Wild points.** A point's finding error follows Student's t with `T_FREEDOM` degrees of
freedom, by iterated reweighting: a point that the other photos contradict by more than its
± gets a larger ±. Up to the usual size, |x|² of 2, nothing changes.

**Distribution.** Near x the distribution is normal with covariance I - Sᵀ M⁻¹ S (Laplace). It
is drawn from without taking r as linear: each trial starts at random inputs and random noise
of its rows, and is moved along Sᵀ and N until the rows differ by just that noise. Its weight
is the prior's of its moved part g = S x - noise, exp(-gᵀ M⁻¹ g / 2), against that of linear
rows, for which all weights are alike. Left out is how the spacing of the rows itself changes
from trial to trial (the determinant of their slopes); the tests' general sampler shows that it
does not matter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from knee_angle.visit.equal import System
from knee_angle.visit.ties import Ties, ties_of

__all__ = ["T_FREEDOM", "Solved", "Trials", "solve", "trials_of"]

Floats = NDArray[np.float64]
Points = dict[tuple[str, str], NDArray[np.int_]]
"""For each point (its name, the photo's) where its two finding errors stand."""

T_FREEDOM = 4.0
"""Degrees of freedom of a found point's error: tails as heavy as detectors' are (common
practice in robust fitting)."""
P_DOUBTED = 1e-3
DOUBTED = 30.0
"""Photos that fit together worse than this are doubted one by one: their points start with so
many times their ±."""
MOST_ROUNDS = 40
MOST_STEPS = 30
MOST_MOVE = 1.5
"""Longest step of one input, in its own ±."""
LEAST_STEP = 1e-4
"""A shorter step, in its own ±, is none."""
MOST_HALVINGS = 8
CHORDS = 8
"""Most moves of a trial until its rows differ by its noise alone."""
NEARLY, SETTLED = 0.005, 0.025
"""A trial nearer than the first, in what a row may miss by, is moved no further; one farther
than the second does not count."""
LEFT = 0.01
"""So few that are not near yet are left as they are."""
BLOCK = 1000
"""Trials that are moved together: what they need stays close to the processor."""


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    """The most likely inputs and what belongs to them.

    Parameters
    ----------
    system : System
        What it is the solution of.
    x : ndarray, shape (k,)
        The visit's inputs; finding errors count in ``scale``.
    scale : ndarray, shape (k,)
        How many times its stated ± each input is given.
    slopes : tuple of ndarray
        Derivatives of each photo's rows by its columns of the inputs.
    ties : Ties
        What the photos say, linear there.
    square : float
        The sum of squares that is least: |x|² and what the rows miss.
    plain_chi2 : float
        The same before any point got a larger ±: chi-square with ``system.said`` degrees of
        freedom, where the photos show what the visit says.
    converged : bool
        Whether the steps came to an end.
    """

    system: System
    x: Floats
    scale: Floats
    slopes: tuple[Floats, ...]
    ties: Ties
    square: float
    plain_chi2: float
    converged: bool

    @property
    def log_evidence(self) -> float:
        """Log probability of what the photos say, up to a constant that all starts share."""
        return -0.5 * (self.square + self.ties.log_det)

    def slopes_of(self, means: Floats) -> Floats:
        """Derivatives (p, k) of sums of rows (p, q)."""
        slopes = np.zeros((len(means), len(self.x)))
        shares = self.system.inputs.shares
        for span, share, mine in zip(self.system.spans, shares, self.slopes, strict=True):
            slopes[:, share.columns] += means[:, span] @ mine
        return slopes

    def covariance(self, slopes: Floats) -> Floats:
        """Laplace's covariance (p, p) of quantities with slopes (p, k)."""
        common = self.ties.forward(slopes.T)
        return np.asarray(slopes @ slopes.T - common.T @ self.ties.weights(common))

    def variances(self, slopes: Floats, *, known: NDArray[np.bool_]) -> Floats:
        """Variances (p,) of quantities with slopes (p, k), were some inputs (k,) known."""
        ties = ties_of(self.system, self.slopes, known=known)
        return ties.variances(np.where(known, 0.0, slopes))


def solve(system: System) -> Solved:
    """The most likely inputs of a visit, with wild points given their due.

    Where the photos do not fit, each in turn is doubted from the start: a wild point of well
    seen dots otherwise bends everything else first.
    """
    size, points = len(system.inputs.keys), _points(system)
    plain = _gauss_newton(system, np.ones(size), np.zeros(size))
    found = _reweighted(system, points, plain)
    dof = system.said
    if dof == 0 or chdtrc(dof, plain.plain_chi2) >= P_DOUBTED:
        return found
    tried = [found]
    for photo in system.photos:
        scale = np.ones(size)
        for (_, name), at in points.items():
            scale[at] = DOUBTED if name == photo.name else 1.0
        start = _gauss_newton(system, scale, np.zeros(size))
        tried.append(_reweighted(system, points, start))
    best = min(tried, key=lambda one: (not one.converged, _cost(one, points)))
    return replace(best, plain_chi2=plain.plain_chi2)


def _reweighted(system: System, points: Points, start: Solved) -> Solved:
    """Least squares with each point's ± as its own size asks for, until nothing changes."""
    found = start
    for _ in range(MOST_ROUNDS):
        wanted = np.ones(len(found.scale))
        for at in points.values():
            weight = min(1.0, (T_FREEDOM + 2.0) / (T_FREEDOM + _own2(found, at)))
            wanted[at] = 1.0 / math.sqrt(weight)
        if np.max(np.abs(wanted / found.scale - 1.0)) < 1e-3:
            break
        x = found.x * (found.scale / wanted)
        found = replace(_gauss_newton(system, wanted, x), plain_chi2=start.plain_chi2)
    return found


def _own2(found: Solved, at: NDArray[np.int_]) -> float:
    """Squared size of a point's finding error, in its stated ±."""
    return float(np.sum((found.x[at] * found.scale[at]) ** 2))


def _cost(found: Solved, points: Points) -> float:
    """What the reweighting makes least: the squares, and Student's tails for the points."""
    cost = found.square
    for at in points.values():
        own2 = _own2(found, at)
        cost -= float(np.sum(found.x[at] ** 2))
        cost += min(own2, 2.0)
        if own2 > 2.0:
            cost += (T_FREEDOM + 2.0) * math.log((T_FREEDOM + own2) / (T_FREEDOM + 2.0))
    return cost


def _points(system: System) -> Points:
    """Where the two finding errors of each point of each photo stand among the inputs."""
    at: dict[tuple[str, str], list[int]] = {}
    for k, key in enumerate(system.inputs.keys):
        if key[0] == "finding" and key[1] != "tag corners":
            at.setdefault((key[1], key[2]), []).append(k)
    return {key: np.array(both) for key, both in at.items()}


def _gauss_newton(system: System, scale: Floats, x: Floats) -> Solved:
    """Steps of least squares, each as long as it brings the sum of squares down."""
    missed, square, slopes = _seen_at(system, scale, x)
    for _ in range(MOST_STEPS):
        ties = ties_of(system, slopes)
        step = ties.back(ties.weights(ties.forward(x) - missed)) - x
        longest = float(np.max(np.abs(step), initial=0.0))
        if longest < LEAST_STEP:
            break
        length = min(1.0, MOST_MOVE / longest)
        for _ in range(MOST_HALVINGS):
            tried = x + length * step
            seen, lower, steeper = _seen_at(system, scale, tried)
            if lower < square:
                break
            length /= 2.0
        else:  # as low as the numbers allow
            break
        x, missed, square, slopes = tried, seen, lower, steeper
    return Solved(system, x, scale, slopes, ties, square, square, longest < 0.05)


def _seen_at(system: System, scale: Floats, x: Floats) -> tuple[Floats, float, tuple[Floats, ...]]:
    """What the rows miss (q,) at inputs (k,), the sum of squares there, and the slopes."""
    rows, slopes = system.with_slopes(x, scale)
    missed = system.missed(rows)
    return missed, float(x @ x + system.square(missed)), slopes


@dataclass(frozen=True, slots=True, eq=False)
class Trials:
    """Draws from the distribution of a visit.

    Parameters
    ----------
    rows : ndarray, shape (n, q)
        Every quantity of every photo.
    weights : ndarray, shape (n,)
        Sum 1.
    """

    rows: Floats
    weights: Floats

    @property
    def effective(self) -> float:
        """How many equally weighted trials these are worth."""
        total = float(np.sum(self.weights**2))
        return 0.0 if total == 0.0 else float(np.sum(self.weights)) ** 2 / total


def trials_of(system: System, solved: Solved, *, trials: int, rng: np.random.Generator) -> Trials:
    """Random inputs, moved until the photos agree; what is there already moves no further."""
    firsts = range(0, trials, BLOCK)
    blocks = [_some(system, solved, min(BLOCK, trials - first), rng) for first in firsts]
    rows = np.concatenate([rows for rows, _ in blocks])
    log_weight = np.concatenate([log_weight for _, log_weight in blocks])
    settled = np.isfinite(log_weight)
    if not np.any(settled):
        return Trials(np.nan_to_num(rows), np.zeros(trials))
    weight = np.exp(log_weight - np.max(log_weight))
    return Trials(np.where(settled[:, None], rows, 0.0), weight / np.sum(weight))


def _some(
    system: System, solved: Solved, trials: int, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """A block's rows (n, q) and logs of their weights (n,), minus infinity if far off.

    Each is first moved as if rows were linear: where that leads is where it ends anyway, for
    all moves of a trial go along Sᵀ and N.
    """
    size, ties = len(solved.x), solved.ties
    drawn = rng.standard_normal((trials, size + system.said)).T
    x, noise = drawn[:size].copy(), system.noise(drawn[size:])
    scale, unit = solved.scale[:, None], ties.unit()[:, None]
    if not system.said:
        return system.values(x * scale).T, np.zeros(trials)
    best = solved.x[:, None]
    off = system.missed(system.values(best * scale)) + ties.forward(x - best) - noise
    going, rows = np.arange(trials), np.empty((len(unit), trials))
    with np.errstate(all="ignore"):  # a trial that runs away gets no weight
        for _ in range(CHORDS + 1):
            weights = ties.weights(off[:, going])
            x[:, going] -= ties.back(weights)
            noise[:, going] += system.spread(weights)
            rows[:, going] = system.values(x[:, going] * scale)
            off[:, going] = system.missed(rows[:, going]) - noise[:, going]
            far = np.max(np.abs(off * unit), axis=0)
            going = np.flatnonzero(~(far < NEARLY))
            if len(going) <= LEFT * trials:
                break
        moved = ties.forward(x) - noise
        log_weight = -0.5 * np.sum(ties.weights(moved) * moved, axis=0)
    return rows.T, np.where(far < SETTLED, np.nan_to_num(log_weight, nan=-np.inf), -np.inf)
