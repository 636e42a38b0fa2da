"""Every two raters compared: bias and limits of agreement of one rating by each."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from knee_angle.agreement.limits import Limits, limits_of_agreement
from knee_angle.agreement.pairs import Pairs
from knee_angle.agreement.reliability import Ratings

__all__ = ["RaterPair", "rater_pairs"]


@dataclass(frozen=True, slots=True, eq=False)
class RaterPair:
    """Two raters: differences are the second's rating less the first's."""

    first: str
    second: str
    limits: Limits


def rater_pairs(ratings: Ratings) -> tuple[RaterPair, ...]:
    """Bias and limits of every two raters, as of two methods.

    With repeats what is measured stays the same within a target (Bland JM, Altman DG 1999, Stat
    Methods Med Res 8:135-160, section 5.2): see `limits`.
    """
    n, _, m = ratings.values.shape
    whose = np.repeat(np.arange(n), m)
    found = []
    for a, b in combinations(range(len(ratings.raters)), 2):
        first, second = (ratings.values[:, k].ravel() for k in (a, b))
        limits = limits_of_agreement(Pairs(first, second, person=whose), true_value="constant")
        found.append(RaterPair(ratings.raters[a], ratings.raters[b], limits))
    return tuple(found)
