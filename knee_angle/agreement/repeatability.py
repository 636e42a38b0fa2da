"""How far repeated measurements of the same thing lie apart.

Conventions
-----------
Repeats are measurements of one person by one method while what is measured stays the same.
``sd`` is the standard deviation within persons, which is the standard error of measurement
(SEM); the repeatability coefficient ``1.959964 sqrt 2 sd`` is not exceeded by 95 % of the
absolute differences of two repeats, and is then also the smallest detectable difference.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from knee_angle.agreement.estimate import Estimate, Floats, Z, sd_interval
from knee_angle.agreement.pairs import Codes, codes_of, renumbered
from knee_angle.errors import InvalidInput
from knee_angle.language import say

__all__ = ["Repeatability", "repeatability"]


@dataclass(frozen=True, slots=True, eq=False)
class Repeatability:
    """Scatter within persons, with what it was computed from.

    Parameters
    ----------
    values : ndarray, shape (n,)
        The measurements.
    person : ndarray of int, shape (n,)
        Whose they are.
    sd : Estimate
        Standard deviation within persons (SEM).
    freedom : int
        n less the number of persons.
    """

    values: Floats
    person: Codes
    sd: Estimate
    freedom: int

    @property
    def coefficient(self) -> Estimate:
        """Repeatability coefficient, ``1.959964 sqrt 2 sd``."""
        return self.sd.times(Z * math.sqrt(2.0))


def repeatability(values: ArrayLike, *, person: Sequence[Hashable] | Codes) -> Repeatability:
    """Scatter of one method's repeats by one-way analysis of variance.

    Parameters
    ----------
    values : array_like, shape (n,)
        All finite.
    person : sequence, shape (n,)
        Label of each value's person.

    Raises
    ------
    InvalidInput
        Columns of different length, values that are not finite, or no repeats.

    Notes
    -----
    Bland JM, Altman DG 1999, Stat Methods Med Res 8:135-160, section 4.1, doi
    10.1177/096228029900800204; the interval is that of a chi-square. Their paper of 1986
    rounds 1.96 to 2.
    """
    x = np.asarray(values, dtype=float)
    if x.ndim != 1 or len(x) != len(person):
        raise InvalidInput(
            say(
                "values and person must be equally long, but are {n_x} and {n_person}",
                n_x=len(x),
                n_person=len(person),
            )
        )
    if not np.all(np.isfinite(x)):
        raise InvalidInput(say("values must all be finite: leave out those that are missing"))
    codes = renumbered(person) if isinstance(person, np.ndarray) else codes_of(person)[0]
    freedom = len(x) - int(codes.max(initial=-1)) - 1
    if freedom < 1:
        raise InvalidInput(say("repeatability needs a person with two values, but each has one"))
    counts = np.bincount(codes)
    means = np.bincount(codes, weights=x) / counts
    sd = math.sqrt(float(np.sum((x - means[codes]) ** 2)) / freedom)
    return Repeatability(x, codes, sd_interval(sd, freedom=freedom), freedom)
