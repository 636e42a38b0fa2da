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

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from knee_angle.visit.equal import System

__all__ = ["T_FREEDOM", "Solved", "Trials", "solve", "trials_of"]

Floats = NDArray[np.float64]

T_FREEDOM = 4.0
"""Degrees of freedom of a found point's error: tails as heavy as detectors' are (common
practice in robust fitting)."""
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
    """The most likely inputs of a visit, with wild points given their due."""
    size = len(system.inputs.keys)
    points = _points(system)
    scale, x = np.ones(size), np.zeros(size + len(system.still))
    found = _gauss_newton(system, scale, x)
    plain = found.plain_chi2
    for _ in range(MOST_ROUNDS):
        own2 = np.array([np.sum((found.x[at] * scale[at]) ** 2) for at in points])
        weight = np.minimum(1.0, (T_FREEDOM + 2.0) / (T_FREEDOM + own2))
        wanted = scale.copy()
        for at, one in zip(points, weight, strict=True):
            wanted[at] = 1.0 / np.sqrt(one)
        x = found.x.copy()
        x[:size] *= scale / wanted
        if np.max(np.abs(wanted / scale - 1.0)) < 1e-3:
            break
        scale = wanted
        found = replace(_gauss_newton(system, scale, x), plain_chi2=plain)
    return found


def _points(system: System) -> list[NDArray[np.int_]]:
    """Where the two finding errors of each point stand among the inputs."""
    at: dict[tuple[str, ...], list[int]] = {}
    for k, key in enumerate(system.inputs.keys):
        if key[0] == "finding" and key[1] != "tag corners":
            at.setdefault(key[1:3], []).append(k)
    return [np.array(both) for both in at.values()]


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
