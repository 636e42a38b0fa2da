"""Covariances of a line's points: of any kind, or of independent points that share an error.

Where nothing but one error is shared, the covariance is a diagonal and ``c 1 1'``; all that a
line asks of it then costs as much as the points are many (Sherman and Morrison 1950, Ann Math
Stat 21:124-127). Any other covariance is a matrix.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol, cast, overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

from knee_angle.errors import InvalidInput
from knee_angle.language import say

__all__ = ["Covariances", "Matrix", "Weights", "points_of"]

Floats = NDArray[np.float64]
Matrix = tuple[tuple[float, ...], ...]

LEAST_OWN = 1e-9
"""Own variances below this part of what is shared are computed by matrix: dividing by them
would lose the digits that the tests hold (1e-9)."""


class Weights(Protocol):
    """The inverse of the residuals' covariance W."""

    @property
    def diagonal(self) -> Floats:
        """Its diagonal, (n,)."""

    def times(self, values: Floats) -> Floats:
        """W^-1 with a vector (n,) or columns (n, k)."""


class Covariances(Protocol):
    """Vxx, Vxy and Vyy of n points."""

    def weights(self, gain: float) -> Weights:
        """Of ``W = Vyy - gain (Vxy + Vxy') + gain² Vxx``; LinAlgError where there is none."""

    def towards_x(self, pulled: Floats, gain: float) -> Floats:
        """``(Vxy - gain Vxx) pulled``: how far the true x lie before the given ones, (n,)."""

    def part(self, kept: NDArray[np.int_]) -> Covariances:
        """Of some of the points."""

    def as_tuples(self) -> tuple[Matrix, Matrix, Matrix]:
        """Vxx, Vxy, Vyy, each (n, n)."""


@dataclass(frozen=True, slots=True, eq=False)
class _ByMatrix:
    """An inverse that is a matrix."""

    inverse: Floats

    @property
    def diagonal(self) -> Floats:
        return np.diag(self.inverse)

    def times(self, values: Floats) -> Floats:
        return np.asarray(self.inverse @ values)


@dataclass(frozen=True, slots=True, eq=False)
class _Full:
    """Any covariance, as matrices (n, n)."""

    xx: Floats
    xy: Floats
    yy: Floats

    def weights(self, gain: float) -> Weights:
        whole = self.yy - gain * (self.xy + self.xy.T) + gain**2 * self.xx
        inverse: Floats = np.asarray(np.linalg.inv(whole), dtype=np.float64)
        return _ByMatrix(inverse)

    def towards_x(self, pulled: Floats, gain: float) -> Floats:
        return np.asarray((self.xy - gain * self.xx) @ pulled)

    def part(self, kept: NDArray[np.int_]) -> Covariances:
        here = np.ix_(kept, kept)
        return _Full(self.xx[here], self.xy[here], self.yy[here])

    def as_tuples(self) -> tuple[Matrix, Matrix, Matrix]:
        return _tuples(self.xx), _tuples(self.xy), _tuples(self.yy)


@dataclass(frozen=True, slots=True, eq=False)
class _ByVector:
    """The inverse of ``diag(own) + shared 1 1'``."""

    inverse_own: Floats
    factor: float

    @property
    def diagonal(self) -> Floats:
        return np.asarray(self.inverse_own - self.factor * self.inverse_own**2)

    def times(self, values: Floats) -> Floats:
        own = self.inverse_own if values.ndim == 1 else self.inverse_own[:, None]
        scaled = own * values
        return np.asarray(scaled - self.factor * own * scaled.sum(axis=0))


@dataclass(frozen=True, slots=True, eq=False)
class _Sharing:
    """Independent points, (n,) each, and the variance of an error that all x or all y share."""

    xx: Floats
    xy: Floats
    yy: Floats
    shared_x: float
    shared_y: float

    def weights(self, gain: float) -> Weights:
        own = self.yy - 2.0 * gain * self.xy + gain**2 * self.xx
        shared = self.shared_y + gain**2 * self.shared_x
        if not np.min(own) > LEAST_OWN * (shared + np.max(own)):
            return self._full().weights(gain)
        inverse = 1.0 / own
        return _ByVector(inverse, shared / (1.0 + shared * float(inverse.sum())))

    def towards_x(self, pulled: Floats, gain: float) -> Floats:
        own = (self.xy - gain * self.xx) * pulled
        return np.asarray(own - gain * self.shared_x * float(pulled.sum()))

    def part(self, kept: NDArray[np.int_]) -> Covariances:
        return _Sharing(self.xx[kept], self.xy[kept], self.yy[kept], self.shared_x, self.shared_y)

    def as_tuples(self) -> tuple[Matrix, Matrix, Matrix]:
        return (
            _spread(self.xx, self.shared_x), _spread(self.xy, 0.0),
            _spread(self.yy, self.shared_y),
        )  # fmt: skip

    def _full(self) -> _Full:
        return _Full(
            np.diag(self.xx) + self.shared_x, np.diag(self.xy), np.diag(self.yy) + self.shared_y
        )

    @property
    def apart(self) -> bool:
        """Whether each point by itself has a covariance."""
        every = np.concatenate([self.xx, self.xy, self.yy, [self.shared_x, self.shared_y]])
        if not np.all(np.isfinite(every)):
            return False
        return bool(np.all(self.xx * self.yy - self.xy**2 >= -1e-9 * (self.xx + self.yy) ** 2))


def points_of(
    n: int,
    *,
    u_x: ArrayLike | None = None,
    u_y: ArrayLike | None = None,
    cov_x: ArrayLike | None = None,
    cov_y: ArrayLike | None = None,
    cov_xy: ArrayLike | None = None,
    common_u_x: float = 0.0,
    common_u_y: float = 0.0,
) -> Covariances:
    """The covariances of n points; see `calibration.fit_line`.

    Raises
    ------
    InvalidInput
        Wrong shapes, or values that are no covariance.
    """
    cross = _cross(cov_xy, n=n)
    if cov_x is None and cov_y is None and cross.ndim == 1:
        own_x, own_y = _own(u_x, common_u_x, n=n, name="x"), _own(u_y, common_u_y, n=n, name="y")
        sharing = _Sharing(own_x, cross, own_y, common_u_x**2, common_u_y**2)
        if sharing.apart:
            return sharing
    vxx = _matrix(u_x, cov_x, common_u_x, n=n, name="x")
    vyy = _matrix(u_y, cov_y, common_u_y, n=n, name="y")
    vxy = np.diag(cross) if cross.ndim == 1 else cross
    _require_covariance(np.block([[vxx, vxy], [vxy.T, vyy]]))
    return _Full(vxx, vxy, vyy)


def _own(u: ArrayLike | None, common: float, *, n: int, name: str) -> Floats:
    """Variances that each point has for itself, (n,)."""
    each = np.asarray(0.0 if u is None else u, dtype=float)
    if each.shape not in {(), (n,)} or not np.all(each >= 0):
        raise InvalidInput(
            say("u_{name} must be one number, or {n}, and none negative", name=name, n=n)
        )
    if not common >= 0:
        raise InvalidInput(_shapes(n, name))
    return np.broadcast_to(each, (n,)) ** 2


def _matrix(
    u: ArrayLike | None, cov: ArrayLike | None, common: float, *, n: int, name: str
) -> Floats:
    """Covariance matrix of all x or all y, (n, n)."""
    if u is not None and cov is not None:
        raise InvalidInput(
            say("one of u_{name} and cov_{name} must be given, and not both", name=name)
        )
    full = np.zeros((n, n)) if cov is None else np.asarray(cov, dtype=float)
    if u is not None:
        full = np.diag(_own(u, common, n=n, name=name))
    if full.shape != (n, n) or not common >= 0:
        raise InvalidInput(_shapes(n, name))
    return np.asarray(full + common**2)


def _shapes(n: int, name: str) -> str:
    return say("cov_{name} must have shape ({n}, {n}), and common_u_{name} be >= 0", name=name, n=n)


def _cross(cov_xy: ArrayLike | None, *, n: int) -> Floats:
    """Cross covariance, of each point (n,) or of all pairs (n, n)."""
    full = np.zeros(n) if cov_xy is None else np.asarray(cov_xy, dtype=float)
    if full.shape not in {(n,), (n, n)}:
        raise InvalidInput(
            say(
                "cov_xy must have shape ({n},) or ({n}, {n}), but has {shape}",
                n=n, shape=full.shape,
            )
        )  # fmt: skip
    return full


def _require_covariance(cov: Floats) -> None:
    """Symmetric, and no variance below zero by more than rounding: Cholesky's is the quick test."""
    sound = bool(np.all(np.isfinite(cov)) and np.allclose(cov, cov.T, rtol=1e-9, atol=0))
    if sound:
        try:
            np.linalg.cholesky(cov + 1e-9 * np.trace(cov) * np.eye(len(cov)))
        except np.linalg.LinAlgError:
            sound = np.trace(cov) == 0.0 and not np.any(cov)
    if not sound:
        raise InvalidInput(
            say(
                "the covariances of x and y must form a covariance (symmetric, no negative "
                "variance)"
            )
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Spread(Sequence[tuple[float, ...]]):
    """``diag(own) + shared`` as rows that are made when somebody reads them.

    Equal to the same rows as tuples: a line that was kept and read back is the same line.
    """

    own: tuple[float, ...]
    shared: float

    def __len__(self) -> int:
        return len(self.own)

    @overload
    def __getitem__(self, at: int) -> tuple[float, ...]: ...

    @overload
    def __getitem__(self, at: slice) -> tuple[tuple[float, ...], ...]: ...

    def __getitem__(self, at: int | slice) -> tuple[Any, ...]:
        if isinstance(at, slice):
            return tuple(self[row] for row in range(*at.indices(len(self))))
        row = range(len(self.own))[at]
        rest = (self.shared,) * len(self.own)
        return (*rest[:row], self.own[row] + self.shared, *rest[row + 1 :])

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> Floats:
        return np.asarray(np.diag(self.own) + self.shared, dtype=dtype)

    def __eq__(self, other: object) -> bool:
        if isinstance(other, _Spread):
            return (self.own, self.shared) == (other.own, other.shared)
        return isinstance(other, tuple) and tuple(self) == other

    def __hash__(self) -> int:
        return hash((self.own, self.shared))


def _spread(own: Floats, shared: float) -> Matrix:
    return cast("Matrix", _Spread(tuple(own.tolist()), float(shared)))


def _tuples(values: Floats) -> Matrix:
    return tuple(map(tuple, values.tolist()))
