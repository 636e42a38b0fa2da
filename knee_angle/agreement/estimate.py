"""A figure with its interval, and the few ways in which intervals are made.

Conventions
-----------
Every interval is a two-sided 95 % confidence interval. ``sd`` is a standard deviation with
n - 1 in its divisor. All values of one analysis are in one unit; in this package degrees.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri, fdtri, ndtri, stdtrit

from knee_angle.assumptions import RISK

__all__ = ["Estimate", "Floats", "Z", "jackknife", "sd_interval", "t_interval", "t_value"]

Floats = NDArray[np.float64]


Z = float(ndtri(1.0 - RISK / 2))
"""1.959964: limits of agreement lie this many standard deviations from the bias."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value and its 95 % interval (low, high)."""

    value: float
    interval: tuple[float, float]

    @property
    def low(self) -> float:
        """Lower end of the interval."""
        return self.interval[0]

    @property
    def high(self) -> float:
        """Upper end of the interval."""
        return self.interval[1]

    def times(self, factor: float) -> Estimate:
        """The same figure in another measure; the factor is positive."""
        return Estimate(self.value * factor, (self.low * factor, self.high * factor))


@lru_cache(maxsize=512)
def t_value(freedom: float) -> float:
    """Student's two-sided 95 % quantile."""
    return float(stdtrit(freedom, 1.0 - RISK / 2))


@lru_cache(maxsize=512)
def f_value(above: float, below: float) -> float:
    """The upper 2.5 % point of F with `above` and `below` degrees of freedom."""
    return float(fdtri(above, below, 1.0 - RISK / 2))


def t_interval(value: float, *, se: float, freedom: float) -> Estimate:
    """``value ± t se``, Student's t."""
    half = t_value(freedom) * se
    return Estimate(value, (value - half, value + half))


@lru_cache(maxsize=512)
def _sd_factors(freedom: float) -> tuple[float, float]:
    low, high = chdtri(freedom, RISK / 2), chdtri(freedom, 1.0 - RISK / 2)
    return math.sqrt(freedom / float(low)), math.sqrt(freedom / float(high))


def sd_interval(sd: float, *, freedom: float) -> Estimate:
    """A standard deviation of normal values: freedom s² / sigma² is chi-square."""
    low, high = _sd_factors(freedom)
    return Estimate(sd, (sd * low, sd * high))


def jackknife(
    value: float,
    without: Floats,
    *,
    freedom: float,
    scale: Callable[[Floats], Floats] | None = None,
    back: Callable[[Floats], Floats] | None = None,
) -> Estimate:
    """``value ± t se`` with the delete-one standard error.

    ``se² = (g - 1) / g sum (without_i - mean)²`` over the g left-out units, which are pairs,
    or persons where persons were measured several times.

    Parameters
    ----------
    value : float
        From all units.
    without : ndarray, shape (g,)
        The same with one unit left out.
    freedom : float
        Degrees of freedom of t.
    scale, back : callable, optional
        A scale on which the figure is nearly normal, and the way back (Fisher's z).

    Notes
    -----
    Efron B, Tibshirani RJ 1993, An introduction to the bootstrap, chapter 11.
    """
    away = without if scale is None else scale(without)
    middle = value if scale is None else float(scale(np.array(value)))
    g = len(away)
    se = math.sqrt((g - 1) / g * float(np.sum((away - away.mean()) ** 2)))
    around = t_interval(middle, se=se, freedom=freedom)
    if back is None:
        return Estimate(value, around.interval)
    low, high = back(np.array(around.interval))
    return Estimate(value, (float(low), float(high)))
