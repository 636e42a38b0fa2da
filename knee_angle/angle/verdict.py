"""Is a difference within a tolerance? Judged with the uncertainty, both ways.

A warning has to be proven, and so has an all-clear (JCGM 106:2012, 7.4 and 8.3: the
probability of conformity, here at least 95 %):

* ``outside``  when the difference lies outside the tolerance with at least 95 %,
* ``within``   when it lies within it with at least 95 %,
* ``undecided`` otherwise.

So no verdict contradicts its probability. Far from the other edge of the tolerance this is
the rule of ISO 14253-1:2017, 1.65 u for 95 %.
"""

from __future__ import annotations

import math

from scipy.special import ndtr

from knee_angle.records import Angle, Comparison, Displayed, JudgedLength, Verdict
from knee_angle.settings import Settings

__all__ = [
    "PROVEN",
    "compare",
    "conformance_probability",
    "judged",
    "judged_mm",
    "tolerance_at",
    "u_display_deg",
    "verdict_of",
]

PROVEN = 0.95
"""Probability from which something counts as proven (ISO 14253-1:2017 and JCGM 106 use it as
their usual level)."""


def conformance_probability(
    value: float, *, u: float, lower: float = -math.inf, upper: float = math.inf
) -> float:
    """Probability that a quantity lies between two limits (JCGM 106:2012, 7.4).

    Parameters
    ----------
    value, u : float
        Estimate and standard uncertainty, normal distribution; u = 0 is a certainty.
    lower, upper : float
        Limits, in the unit of `value`.

    Returns
    -------
    float
        In [0, 1].

    Examples
    --------
    JCGM 106, the resistor-like example with limits 12.5 and 16.3:

    >>> round(conformance_probability(13.6, u=1.8, lower=12.5, upper=16.3), 5)
    0.66263
    """
    if u == 0:
        return float(lower <= value <= upper)
    return float(ndtr((upper - value) / u) - ndtr((lower - value) / u))


def verdict_of(difference: float, *, u: float, tolerance: float) -> Verdict:
    """``within``, ``outside`` or ``undecided`` for a difference against ± tolerance."""
    return _verdict(_p_within(difference, u=u, tolerance=tolerance))


def _p_within(difference: float, *, u: float, tolerance: float) -> float:
    return conformance_probability(difference, u=u, lower=-tolerance, upper=tolerance)


def _verdict(p_within: float) -> Verdict:
    if p_within >= PROVEN:
        return "within"
    return "outside" if p_within <= 1.0 - PROVEN else "undecided"


def compare(
    displayed: Displayed, knee: Angle, settings: Settings, *, provable: bool = True
) -> Comparison:
    """The displayed number against the knee.

    Parameters
    ----------
    displayed : Displayed
        The machine's number.
    knee : Angle
        The measured flexion.
    settings : Settings
        Tolerances, display step, movement.
    provable : bool
        Whether the camera's direction was seen; a prior alone proves nothing.

    Returns
    -------
    Comparison
        ``discrepancy_deg`` = displayed - knee. u joins the knee's, the display's
        step (rectangular, step/√12) and the movement (rectangular, half-width/√3).
    """
    u = math.hypot(knee.u_deg, u_display_deg(settings))
    tolerance = tolerance_at(settings, knee_deg=knee.deg, displayed_deg=displayed.deg)
    return judged(displayed.deg - knee.deg, u=u, tolerance=tolerance, provable=provable)


def tolerance_at(settings: Settings, *, knee_deg: float, displayed_deg: float) -> float:
    """The tolerance that counts there: a tighter one where knee or display is near straight."""
    near_straight = min(knee_deg, displayed_deg) < settings.straight_below_deg
    tighter = min(settings.tolerance_deg, settings.straight_tolerance_deg)
    return tighter if near_straight else settings.tolerance_deg


def u_display_deg(settings: Settings) -> float:
    """± of reading the display: its step (step/√12) and the movement (half-width/√3)."""
    return math.sqrt(settings.display_resolution_deg**2 / 12 + settings.movement_deg**2 / 3)


def judged(difference: float, *, u: float, tolerance: float, provable: bool = True) -> Comparison:
    """Any difference against ± tolerance, degrees; the verdict of :func:`verdict_of`.

    Without ``provable`` (the camera's direction is only a prior) nothing is proven.
    """
    p_within = _p_within(difference, u=u, tolerance=tolerance)
    return Comparison(
        discrepancy_deg=difference,
        u_deg=u,
        tolerance_deg=tolerance,
        p_within=p_within,
        verdict=_verdict(p_within) if provable else "undecided",
    )


def judged_mm(mm: float, *, u_mm: float, tolerance_mm: float) -> JudgedLength:
    """A length against ± tolerance, mm; the verdict of :func:`verdict_of`."""
    compared = judged(mm, u=u_mm, tolerance=tolerance_mm)
    return JudgedLength(mm, u_mm, tolerance_mm, compared.p_within, compared.verdict)
