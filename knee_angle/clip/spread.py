"""What a solution leaves open along an unknown that a quantity does not follow in a line.

The ± of a joint estimate are linear about its best values. How far the bars stand before the leg
is known by its logarithm only, within a factor of two: seen askew, a hinge lies by as much to
the side, and of its possible places more are far off on one side than a line says. So along
that one unknown mean and spread are taken from the model itself, at the places and weights of
Gauss and Hermite; square to it they stay linear.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

__all__ = ["root_along", "spread_along"]

Floats = NDArray[np.float64]

PLACES = 7
"""So many places give mean and variance of a logarithm's exponential to 0.1 % here."""


def root_along(cov: Floats, at: int) -> Floats:
    """A root of a covariance whose first column is all that goes with one unknown.

    Parameters
    ----------
    cov : ndarray, shape (m, m)
        Covariance of the unknowns.
    at : int
        Which unknown.

    Returns
    -------
    ndarray, shape (m, m)
        ``root @ root.T`` is ``cov``; only the first column moves that unknown.
    """
    order = np.concatenate([[at], np.delete(np.arange(len(cov)), at)])
    root = np.empty_like(cov)
    root[order] = np.linalg.cholesky(cov[np.ix_(order, order)])
    return root


def spread_along(values_at: Callable[[float], Floats]) -> tuple[Floats, Floats]:
    """Mean, and root of the covariance, of what follows one standard normal number.

    Parameters
    ----------
    values_at : callable
        Values (...) where that number is so much.

    Returns
    -------
    ndarray, shape (...), and ndarray, shape (..., `PLACES`)
        Values that are not seen (not a number) stay so in the mean, and have no spread.

    Examples
    --------
    >>> mean, root = spread_along(lambda z: np.array([2.0 + 3.0 * z]))
    >>> round(float(mean[0]), 6), round(float(np.linalg.norm(root)), 6)
    (2.0, 3.0)
    """
    places, weights = np.polynomial.hermite_e.hermegauss(PLACES)
    weights = weights / weights.sum()
    values = np.stack([values_at(float(z)) for z in places], axis=-1)
    mean = values @ weights
    return mean, np.nan_to_num((values - mean[..., None]) * np.sqrt(weights))
