"""Degrees a day: a straight line through days, each with its ± and what days differ by."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy.special import stdtrit

from knee_angle.visit.course import Day, End

__all__ = ["Trend", "trend"]

FEWEST_DAYS = 3


@dataclass(frozen=True, slots=True)
class Trend:
    """A straight line through days.

    Parameters
    ----------
    per_day_deg, u_deg : float
        Degrees a day, and the standard uncertainty of that.
    interval_deg : (float, float)
        95 %, by Student's distribution with two degrees of freedom less than days.
    days : int
        How many days stand behind it.
    """

    per_day_deg: float
    u_deg: float
    interval_deg: tuple[float, float]
    days: int


def trend(days: Sequence[Day], *, end: End = "flexion") -> Trend | None:
    """Degrees a day at one end of the range; None with fewer than three days of that end.

    Days differ by more than their ± where a person does (sleep, swelling, marks felt for anew):
    that spread is estimated with the line (Paule RC, Mandel J 1982, J Res NBS 87:377-385,
    carried to a line; from memory), and the interval widened by what the residuals show
    (Knapp G, Hartung J 2003, Stat Med 22:2693-2710, from memory).
    """
    found = [(day.day.toordinal(), r) for day in days if (r := getattr(day, end)) is not None]
    n = len(found)
    if n < FEWEST_DAYS:
        return None
    t = [at - found[0][0] for at, _ in found]
    y = [r.deg for _, r in found]
    own = [r.u_deg**2 for _, r in found]
    low, high = 0.0, 1.0e4
    for _ in range(60):
        between = (low + high) / 2
        over = _weighed_line(t, y, [v + between for v in own])[2] > n - 2
        low, high = (between, high) if over else (low, between)
    between = 0.0 if _weighed_line(t, y, own)[2] <= n - 2 else (low + high) / 2
    slope, variance, chi2 = _weighed_line(t, y, [v + between for v in own])
    u = math.sqrt(variance * max(chi2 / (n - 2), 1.0))
    half = float(stdtrit(n - 2, 0.975)) * u
    return Trend(slope, u, (slope - half, slope + half), n)


def _weighed_line(
    t: Sequence[float], y: Sequence[float], variances: Sequence[float]
) -> tuple[float, float, float]:
    """Slope, its variance and chi-square of the weighed straight line."""
    weights = [1.0 / v for v in variances]
    total = sum(weights)
    mid_t = sum(w * a for w, a in zip(weights, t, strict=True)) / total
    mid_y = sum(w * b for w, b in zip(weights, y, strict=True)) / total
    spread = sum(w * (a - mid_t) ** 2 for w, a in zip(weights, t, strict=True))
    both = sum(w * (a - mid_t) * (b - mid_y) for w, a, b in zip(weights, t, y, strict=True))
    slope = both / spread
    chi2 = sum(
        w * (b - mid_y - slope * (a - mid_t)) ** 2 for w, a, b in zip(weights, t, y, strict=True)
    )
    return slope, 1.0 / spread, chi2
