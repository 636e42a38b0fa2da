"""What the photos of a visit say together, taken as linear about one place of its inputs.

With S the slopes of the rows and N what each may differ by (`equal.Group`), the misses that
pure chance makes have the covariance M = S Sᵀ + N, and where nobody knows what a group has in
common any mean is as likely as another: a multiple of A = 1 of that group, without bound. What
is asked for is always M⁻¹ of that, times something, which kills those means.

**Cost.** A photo's own inputs (its points' errors above all) make M a block for each photo, D;
what photos share (placement, depths, strip against bars, ...) and the means are a few columns
Z. By Woodbury::

    M⁻¹ = D⁻¹ - D⁻¹ Z J⁻¹ Zᵀ D⁻¹,     J = P + Zᵀ D⁻¹ Z,     log |M| = log |D| + log |J|

with P = 1 for an input and 0 for a mean nobody knows. All is linear in the photos, and J as
large as the shared inputs and the groups.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from knee_angle.visit.equal import System

__all__ = ["Ties", "ties_of"]

Floats = NDArray[np.float64]
Places = NDArray[np.int_]


@dataclass(frozen=True, slots=True, eq=False)
class _Photo:
    """One photo's rows (r,) that are the same as others', its inputs (c,), its part of J (z,)."""

    rows: Places
    columns: Places
    slopes: Floats  # (r, c)
    own: Floats  # (r, r): D⁻¹
    common: Places
    towards: Floats  # (r, z): D⁻¹ Z


@dataclass(frozen=True, slots=True, eq=False)
class Ties:
    """The linear system of a visit.

    Parameters
    ----------
    size : (int, int)
        Rows and inputs of the visit.
    photos : tuple
        What each photo adds.
    common : ndarray, shape (z, z)
        J⁻¹.
    log_det : float
        Log determinant of the covariance of the misses.
    """

    size: tuple[int, int]
    photos: tuple[_Photo, ...]
    common: Floats
    log_det: float

    def weights(self, missed: Floats) -> Floats:
        """M⁻¹ times misses (q, ...)."""
        shared = np.zeros((len(self.common), *missed.shape[1:]))
        for one in self.photos:
            shared[one.common] += one.towards.T @ missed[one.rows]
        shared = self.common @ shared
        weights = np.zeros(missed.shape)
        for one in self.photos:
            left = one.towards @ shared[one.common]
            weights[one.rows] = one.own @ missed[one.rows] - left
        return weights

    def forward(self, inputs: Floats) -> Floats:
        """What inputs (k, ...) move the rows by, S x, shape (q, ...); 0 where nothing ties."""
        moved = np.zeros((self.size[0], *inputs.shape[1:]))
        for one in self.photos:
            moved[one.rows] = one.slopes @ inputs[one.columns]
        return moved

    def back(self, weights: Floats) -> Floats:
        """The inputs (k, ...) that weights (q, ...) pull at, Sᵀ w."""
        pulled = np.zeros((self.size[1], *weights.shape[1:]))
        for one in self.photos:
            pulled[one.columns] += one.slopes.T @ weights[one.rows]
        return pulled

    def unit(self) -> Floats:
        """Square roots (q,) of the diagonal of M⁻¹: one over what a row may miss by."""
        unit = np.zeros(self.size[0])
        for one in self.photos:
            inside = self.common[np.ix_(one.common, one.common)]
            shared = np.sum((one.towards @ inside) * one.towards, axis=1)
            unit[one.rows] = np.sqrt(np.maximum(np.diag(one.own) - shared, 0.0))
        return unit

    def variances(self, slopes: Floats) -> Floats:
        """Variances (p,) of quantities with these slopes (p, k), given what the photos say."""
        common = self.forward(slopes.T)
        told = np.sum(self.weights(common) * common, axis=0)
        return np.asarray(np.maximum(0.0, np.sum(slopes**2, axis=-1) - told))


def ties_of(
    system: System, slopes: Sequence[Floats], *, known: NDArray[np.bool_] | None = None
) -> Ties:
    """The system at some slopes; inputs that are ``known`` (k,) have no error of their own."""
    count = np.bincount(
        np.concatenate([share.columns for share in system.inputs.shares]),
        minlength=len(system.inputs.keys),
    )
    shared = np.flatnonzero(count > 1)
    place = np.full(len(count), -1)
    place[shared] = np.arange(len(shared))
    group, still2, mean = _columns(system)
    inner = np.diag(np.concatenate([np.ones(len(shared)), np.array([p for p, _ in mean])]))
    photos, log_det = [], 0.0
    for span, share, whole in zip(system.spans, system.inputs.shares, slopes, strict=True):
        rows = span[group[span] >= 0]
        if not len(rows):
            continue
        mine = whole[rows - span[0]]
        if known is not None:
            mine = np.where(known[share.columns], 0.0, mine)
        alone = place[share.columns] < 0
        block = mine[:, alone] @ mine[:, alone].T + np.diag(still2[rows])
        groups = np.unique(group[rows])
        means = (group[rows][:, None] == groups) * np.array([mean[g][1] for g in groups])
        z = np.concatenate([mine[:, ~alone], means], axis=1)
        common = np.concatenate([place[share.columns[~alone]], len(shared) + groups])
        own = np.linalg.inv(block)
        towards = own @ z
        inner[np.ix_(common, common)] += z.T @ towards
        log_det += float(np.linalg.slogdet(block)[1])
        photos.append(_Photo(rows, share.columns, mine, own, common, towards))
    log_det += float(np.linalg.slogdet(inner)[1])
    size = len(system.rows), len(system.inputs.keys)
    return Ties(size, tuple(photos), np.linalg.inv(inner), log_det)


def _columns(system: System) -> tuple[Places, Floats, list[tuple[float, float]]]:
    """Each row's group (-1: none) and variance (q,); of each group P and its column's entry."""
    group, still2 = np.full(len(system.rows), -1), np.zeros(len(system.rows))
    means = []
    for k, one in enumerate(system.groups):
        group[one.rows], still2[one.rows] = k, one.still**2
        n = len(one.rows)
        if one.known is None:
            means.append((0.0, 1.0 / np.sqrt(n)))
        else:
            means.append((1.0, float(np.sqrt(max(0.0, one.known.u**2 - one.still**2 / n)))))
    return group, still2, means
