"""The inputs of a visit, given that its photos show one leg and one machine.

Beforehand all inputs x are independent and standard normal; the photos say that some
contrasts c(x) of what they show are zero. So it is a constrained least-squares problem::

    x = argmin |x|²   with   c(x) = 0,        x <- Gᵀ (G Gᵀ)⁻¹ (G x - c(x)),   G = dc/dx

(Gauss-Newton; with m contrasts only an m x m system is solved). How far a contrast may be
off (`equal.STILL`) is an input as well. A visit with nothing to compare leaves x = 0: the
answer of the single photo.

**Wild points.** A point's finding error follows Student's t with `T_FREEDOM` degrees of
freedom, by iterated reweighting: a point that the other photos contradict by more than its
± gets a larger ±. Up to the usual size, |x|² of 2, nothing changes.

**Distribution.** Near x the distribution is normal with covariance I - Gᵀ(G Gᵀ)⁻¹G
(Laplace). It is drawn from without taking c as linear: each trial starts at random inputs
and is moved along the rows of G until c = 0. With x = across + Gᵀa, the trial's weight is
the prior's of its moved part, exp(-|Gᵀa|²/2), against that of a linear c, for which all
weights are alike. Left out is how the spacing of c itself changes from trial to trial
(the determinant of dc/da); the tests' general sampler shows that it does not matter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from knee_angle.visit.equal import System

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
"""Most moves of a trial until its contrasts are zero."""


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    """The most likely inputs and what belongs to them.

    Parameters
    ----------
    x : ndarray, shape (k + m,)
        The visit's inputs, then the contrasts' own; finding errors count in ``scale``.
    scale : ndarray, shape (k,)
        How many times its stated ± each input is given.
    slopes : ndarray, shape (q, k)
        Derivatives of the rows.
    lines : ndarray, shape (m, k + m)
        Derivatives G of the contrasts.
    inverse : ndarray, shape (m, m)
        (G Gᵀ)⁻¹.
    log_evidence : float
        Log probability of the contrasts, up to a constant that all starts share.
    plain_chi2 : float
        |x|² before any point got a larger ±: chi-square with m degrees of freedom, where the
        photos show what the visit says.
    converged : bool
        Whether the steps came to an end.
    """

    x: Floats
    scale: Floats
    slopes: Floats
    lines: Floats
    inverse: Floats
    log_evidence: float
    plain_chi2: float
    converged: bool

    def covariance(self, slopes: Floats) -> Floats:
        """Laplace's covariance (p, p) of quantities with slopes (p, k)."""
        padded = np.zeros((len(slopes), self.lines.shape[1]))
        padded[:, : slopes.shape[1]] = slopes
        common = padded @ self.lines.T
        return np.asarray(padded @ padded.T - common @ self.inverse @ common.T)


def solve(system: System) -> Solved:
    """The most likely inputs of a visit, with wild points given their due.

    Where the photos do not fit, each in turn is doubted from the start: a wild point of well
    seen dots otherwise bends everything else first.
    """
    size, points = len(system.inputs.keys), _points(system)
    plain = _gauss_newton(system, np.ones(size), np.zeros(size + len(system.still)))
    found = _reweighted(system, points, plain)
    dof = len(plain.lines)
    if dof == 0 or chdtrc(dof, plain.plain_chi2) >= P_DOUBTED:
        return found
    tried = [found]
    for photo in system.photos:
        scale = np.ones(size)
        for (_, name), at in points.items():
            scale[at] = DOUBTED if name == photo.name else 1.0
        start = _gauss_newton(system, scale, np.zeros(size + len(system.still)))
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
        x = found.x.copy()
        x[: len(wanted)] *= found.scale / wanted
        found = replace(_gauss_newton(system, wanted, x), plain_chi2=start.plain_chi2)
    return found


def _own2(found: Solved, at: NDArray[np.int_]) -> float:
    """Squared size of a point's finding error, in its stated ±."""
    return float(np.sum((found.x[at] * found.scale[at]) ** 2))


def _cost(found: Solved, points: Points) -> float:
    """What the reweighting makes least: |x|², and Student's tails for the points."""
    cost = float(found.x @ found.x)
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


def _off(system: System, scale: Floats, x: Floats) -> Floats:
    """The contrasts (n, m) at inputs (n, k + m)."""
    size = len(scale)
    rows = system.values(x[:, :size] * scale)
    return _off_of(system, rows, x[:, size:])


def _off_of(system: System, rows: Floats, own: Floats) -> Floats:
    return np.asarray(rows @ system.contrasts.T - system.targets - own * system.still)


def _with_own(system: System, scale: Floats, inputs: Floats) -> Floats:
    """The inputs with the contrasts' own, so that every contrast is zero."""
    none = np.zeros((1, len(system.still)))
    off = _off_of(system, system.values(inputs[None] * scale), none)[0]
    return np.concatenate([inputs, off / system.still])


def _gauss_newton(system: System, scale: Floats, x: Floats) -> Solved:
    """Steps of least squares, each as long as it brings the sum of squares down."""
    size = len(scale)
    x = _with_own(system, scale, x[:size])
    for _ in range(MOST_STEPS):
        slopes = system.slopes(x[:size], scale)
        lines = np.concatenate([system.contrasts @ slopes, -np.diag(system.still)], axis=1)
        inverse = np.linalg.inv(lines @ lines.T) if len(lines) else np.zeros((0, 0))
        step = (lines.T @ (inverse @ (lines @ x - _off(system, scale, x[None])[0])) - x)[:size]
        longest = float(np.max(np.abs(step), initial=0.0))
        if longest < LEAST_STEP:
            break
        length, before = min(1.0, MOST_MOVE / longest), float(x @ x)
        for _ in range(MOST_HALVINGS):
            tried = _with_own(system, scale, x[:size] + length * step)
            if float(tried @ tried) < before:
                break
            length /= 2.0
        else:  # as low as the numbers allow
            break
        x = tried
    _, log_det = np.linalg.slogdet(inverse)
    return Solved(
        x=x,
        scale=scale,
        slopes=slopes,
        lines=lines,
        inverse=inverse,
        plain_chi2=float(x @ x),
        log_evidence=-0.5 * float(x @ x) + 0.5 * float(log_det),
        converged=longest < 0.05,
    )


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
    """Random inputs, moved until the photos agree."""
    size = len(solved.scale)
    x = rng.standard_normal((trials, len(solved.x)))
    rows = system.values(x[:, :size] * solved.scale)
    if not len(solved.lines):
        return Trials(rows, np.full(trials, 1.0 / trials))
    unit = np.sqrt(np.diag(solved.inverse))
    with np.errstate(all="ignore"):  # a trial that runs away gets no weight
        for _ in range(CHORDS):
            off = _off_of(system, rows, x[:, size:])
            if np.nanquantile(np.abs(off * unit).max(axis=1), 0.99) < 0.01:
                break
            x = x - off @ solved.inverse @ solved.lines
            rows = system.values(x[:, :size] * solved.scale)
        off = _off_of(system, rows, x[:, size:])
        moved = x @ solved.lines.T
        log_weight = -0.5 * np.sum((moved @ solved.inverse) * moved, axis=1)
        settled = np.all(np.abs(off * unit) < 0.05, axis=1) & np.isfinite(log_weight)
    if not np.any(settled):
        return Trials(np.nan_to_num(rows), np.zeros(trials))
    log_weight = np.where(settled, log_weight, -np.inf)
    weights = np.exp(log_weight - np.max(log_weight))
    return Trials(np.where(settled[:, None], rows, 0.0), weights / np.sum(weights))
