"""Draws of a difference over a range, judged against ± tolerance everywhere at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from knee_angle.assumptions import RISK
from knee_angle.errors import InvalidInput
from knee_angle.records import Verdict

__all__ = ["RangeJudged", "judge_draws"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class RangeJudged:
    """A difference over a range against ± tolerance.

    Parameters
    ----------
    verdict : {"within", "outside", "undecided"}
        ``within``: 95 % that it is inside everywhere. ``outside``: at some place of the
        range a simultaneous one-sided 95 % band lies wholly beyond. So a warning is false
        in at most 5 % at the tolerance's edge, however many places are judged. At one place
        both follow `p_within`: 0.95 and more, 0.05 and less.
    tolerance_deg : float
    range_deg : (float, float)
    p_within : float
        Probability of being inside everywhere.
    largest_deg, at_deg : float
        The largest mean difference in size, with its sign, and where.
    at_most_deg : float
        In size no larger than this anywhere in the range (95 %).
    """

    verdict: Verdict
    tolerance_deg: float
    range_deg: tuple[float, float]
    p_within: float
    largest_deg: float
    at_deg: float
    at_most_deg: float


def judge_draws(draws: Floats, places_deg: Floats, *, tolerance_deg: float) -> RangeJudged:
    """Judge draws (n, g) of a difference at places (g,).

    Raises
    ------
    InvalidInput
        A tolerance that is not positive.
    """
    if not tolerance_deg > 0:
        raise InvalidInput(f"tolerance_deg must be positive, but got {tolerance_deg:g}")
    mean = draws.mean(axis=0)
    widest = np.abs(draws).max(axis=1)
    p_within = float((widest <= tolerance_deg).mean())
    verdict: Verdict = "undecided"
    if p_within >= 1 - RISK:
        verdict = "within"
    elif p_within <= RISK if draws.shape[1] == 1 else _beyond(draws, mean, tolerance_deg):
        verdict = "outside"
    worst = int(np.argmax(np.abs(mean)))
    return RangeJudged(
        verdict=verdict,
        tolerance_deg=tolerance_deg,
        range_deg=(float(np.min(places_deg)), float(np.max(places_deg))),
        p_within=p_within,
        largest_deg=float(mean[worst]),
        at_deg=float(places_deg[worst]),
        at_most_deg=float(np.quantile(widest, 1 - RISK)),
    )


def _beyond(draws: Floats, mean: Floats, tolerance_deg: float) -> bool:
    """Whether a simultaneous one-sided band lies beyond the tolerance at any place."""
    spread = draws.std(axis=0)
    scaled = (draws - mean) / spread
    # One limit is in question at a time: the larger of the two one-sided bands.
    k = max(np.quantile(side.max(axis=1), 1 - RISK) for side in (scaled, -scaled))
    return bool(np.any(np.abs(mean) - k * spread > tolerance_deg))
