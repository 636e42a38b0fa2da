"""What a display says more than it should, point by point and along the fitted line."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from knee_angle.assumptions import COVERAGE
from knee_angle.machine.calibration import Line
from knee_angle.visit.course import difference_at

__all__ = ["Difference", "band_of", "differences_of"]


@dataclass(frozen=True, slots=True)
class Difference:
    """Displayed minus measured at a measured angle, with the half-width of its interval."""

    at_deg: float
    deg: float
    half_deg: float


def differences_of(line: Line) -> tuple[Difference, ...]:
    """At each point of a line, ± 95 % of that point."""
    variance = np.diag(line.cov_x) + np.diag(line.cov_y) - 2.0 * np.diag(line.cov_xy)
    return tuple(
        Difference(x, y - x, COVERAGE * math.sqrt(max(float(v), 0.0)))
        for x, y, v in zip(line.x, line.y, variance, strict=True)
    )


def band_of(
    line: Line, *, low_deg: float, high_deg: float, k: float, places: int = 41
) -> tuple[Difference, ...]:
    """Along the line, ± k u: with the k of a `RangeVerdict` it holds for the whole range.

    Parameters
    ----------
    line : Line
        Displayed (y) against measured (x).
    low_deg, high_deg : float
        Of x.
    k : float
        Coverage factor.
    places : int
        How many.
    """
    found = []
    for at in np.linspace(low_deg, high_deg, places):
        deg, u = difference_at(float(at), offset_deg=line.offset, gain=line.gain, cov=line.cov)
        found.append(Difference(float(at), deg, k * u))
    return tuple(found)
