"""What the joint estimate of a clip says, and several such answers as one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

__all__ = ["Joint", "Quantity", "together"]

Floats = NDArray[np.float64]

SAME_DEG = 1.5
"""Camera and knees of one solution, found twice, differ by less."""
LEAST_P = 1e-3
"""A solution less probable than this is left out."""


@dataclass(frozen=True, slots=True, eq=False)
class Quantity:
    """One quantity in every picture.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Not a number where it is not seen.
    u_own : ndarray, shape (n,)
        What a picture's own points leave.
    root : ndarray, shape (n, m)
        Of the covariance of the rest: ``root @ root.T``.
    """

    values: Floats
    u_own: Floats
    root: Floats

    @property
    def u(self) -> Floats:
        """Standard uncertainty in each picture."""
        return np.asarray(np.sqrt(self.u_own**2 + np.sum(self.root**2, axis=1)))

    def u_change(self, weights: Floats) -> Floats:
        """The same of the difference from a weighted sum over pictures, such as an end."""
        at = weights != 0.0
        shared = weights[at] @ self.root[at]
        own = float(np.linalg.norm(weights[at] * self.u_own[at]))
        return np.asarray(
            np.sqrt(self.u_own**2 + own**2 + np.sum((self.root - shared) ** 2, axis=1))
        )

    def weighed(self, weights: Floats) -> tuple[float, float]:
        """A weighted sum over pictures and its u; what they share counts as shared."""
        used = weights != 0.0
        value = float(weights[used] @ self.values[used])
        shared = weights[used] @ self.root[used]
        own = weights[used] * self.u_own[used]
        return value, float(np.sqrt(shared @ shared + own @ own))


@dataclass(frozen=True, slots=True, eq=False)
class Joint:
    """The joint estimate.

    Parameters
    ----------
    knee : Quantity
        Flexion of the knee, degrees.
    bars : Quantity or None
        Flexion of the machine's bars.
    distal, anterior : Quantity or None
        The hinge seen from the knee, mm.
    used : ndarray of bool, shape (n,)
        Pictures that fit the others.
    lean, distance_mm : ndarray, shapes (n, 2) and (n,)
        The camera's path.
    focal : float
        Focal length as a multiple of the stated one.
    shares : Mapping of str to ndarray, shape (n,)
        Share of the knee's variance that each group of inputs would take away if known.
    chi2, dof : float, int
        How well the lengths stay.
    log_evidence : float
        How probable all that was seen is about this solution, natural logarithm, but for a
        constant of the clip (Laplace's approximation).
    """

    knee: Quantity
    bars: Quantity | None
    distal: Quantity | None
    anterior: Quantity | None
    used: NDArray[np.bool_]
    lean: Floats
    distance_mm: Floats
    focal: float
    shares: Mapping[str, Floats]
    chi2: float
    dof: int
    log_evidence: float


def together(found: Sequence[Joint]) -> Joint:
    """Solutions among which the clip cannot tell, as one: each by its probability.

    A leg seen a little from the left and one seen a little from the right give nearly the same
    pictures. The values are the mean of both; how far they lie apart is in the ±.
    """
    ranked = sorted(found, key=lambda one: -one.log_evidence)
    found = [one for k, one in enumerate(ranked) if not any(_same(one, o) for o in ranked[:k])]
    likely = np.exp([one.log_evidence - max(o.log_evidence for o in found) for one in found])
    likely = likely / likely.sum()
    kept = [(one, p) for one, p in zip(found, likely, strict=True) if p >= LEAST_P]
    best = max(kept, key=lambda pair: pair[1])[0]
    if len(kept) == 1:
        return best
    shares = np.array([p for _, p in kept])
    shares = shares / shares.sum()
    mixed = {
        name: _mixed([getattr(one, name) for one, _ in kept], shares)
        for name in ("knee", "bars", "distal", "anterior")
        if getattr(best, name) is not None
    }
    return replace(best, **mixed)  # type: ignore[arg-type]


def _same(one: Joint, other: Joint) -> bool:
    """Whether two searches ended at one solution."""
    apart = np.abs(np.mean(one.lean - other.lean, axis=0)).max()
    knees = np.nanmedian(np.abs(one.knee.values - other.knee.values))
    return bool(np.degrees(apart) < SAME_DEG and knees < SAME_DEG)


def _mixed(found: Sequence[Quantity], shares: Floats) -> Quantity:
    values = np.array([one.values for one in found])
    mean = shares @ values
    roots = np.sqrt(shares)
    apart = (roots[:, None] * np.nan_to_num(values - mean)).T
    inside = [root * one.root for root, one in zip(roots, found, strict=True)]
    own = np.sqrt(shares @ np.array([one.u_own for one in found]) ** 2)
    return Quantity(mean, own, np.hstack([*inside, apart]))
