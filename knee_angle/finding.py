"""Calibration or fit: which of the two a disagreement is, and what to check next.

displayed - knee = (displayed - frame) + (frame - knee): the first bracket is the
machine's reading (calibration part), the second how the leg lies in it (fit part).
Each is judged against its own tolerance by ISO 14253-1, so a cause is named only when
it is proven. Leg and display alone cannot separate them: over 10 to 90 degrees a hinge
20 mm off looks like a gain of -5 % with residuals of half a degree (computed by the
project). All advice stands in one table below.
"""

from __future__ import annotations

import math

from knee_angle import mechanism
from knee_angle.comparison import judged, u_display_deg
from knee_angle.errors import InvalidInput
from knee_angle.records import (
    Angle,
    Comparison,
    Displayed,
    Finding,
    FindingKind,
    Frame,
    Settings,
)

__all__ = ["ADVICE", "SUPPORT_MM", "alarms_of", "find_cause", "hinge_words", "support_of"]

SUPPORT_MM = (320.0, 90.0)
"""Distance of the shank's support below the knee, mean and ±, mm: anywhere from a sling
under the calf to the foot plate (common practice)."""
U_SUPPORT_TYPED_MM = 10.0
"""± of that distance where it was measured with a tape: a sling holds over a breadth
(common practice)."""

ADVICE: dict[FindingKind, str] = {
    "none": "Display and frame agree, and the leg lies well in the machine.",
    "calibration": (
        "The machine's display does not show what its bars do: have its sensor checked before "
        "the number is relied on."
    ),
    "fit": "The leg does not bend where the machine bends: {hinge}.",
    "both": (
        "The display does not show what the bars do, and the leg does not bend where the machine "
        "bends: {hinge}. Have the sensor checked before the number is relied on."
    ),
    "undecided": (
        "With this ± neither cause is proven: photograph again, square-on, with a tag strip on "
        "the machine and dots on leg and bars."
    ),
    "not_separable": (
        "Leg and display alone cannot tell a wrong display from a badly lying leg: photograph "
        "again with dots on the machine's thigh bar, hinge and shank bar."
    ),
}
"""What to check next, for each kind; ``{hinge}`` is filled by `hinge_words`."""

CORRECT = "machine stopped, then photograph again part-way into flexion"


def find_cause(frame: Frame | None, displayed: Displayed, settings: Settings) -> Finding:
    """The finding of one photo.

    Parameters
    ----------
    frame : Frame or None
        The machine's bars; None where they were not seen.
    displayed : Displayed
        The machine's number.
    settings : Settings
        Tolerances, display step, movement.

    Returns
    -------
    Finding
        ``calibration`` and ``fit`` are named when proven outside, ``none`` when both are
        proven within.
    """
    if frame is None:
        return Finding("not_separable", None, None, None, None, ADVICE["not_separable"])
    calibration = judged(
        displayed.deg - frame.deg,
        u=math.hypot(frame.u_deg, u_display_deg(settings)),
        tolerance=settings.frame_tolerance_deg,
    )
    fit = judged(frame.fit_deg, u=frame.u_fit_deg, tolerance=settings.fit_tolerance_deg)
    kind = _kind(calibration, fit)
    support = support_of(settings)
    explained, u_explained = _explained(frame, support)
    advice = ADVICE[kind].format(hinge=hinge_words(frame))
    if kind == "undecided" and abs(frame.distal_mm) > 1.96 * math.sqrt(frame.hinge_cov_mm2[0]):
        advice += f" Meanwhile: {hinge_words(frame)}."
    held = None if explained is None else support
    return Finding(kind, calibration, fit, explained, u_explained, advice, held)


def support_of(settings: Settings) -> tuple[float, float]:
    """Where the machine holds the lower leg below the knee, mm, and its u: typed or assumed."""
    if settings.support_mm is None:
        return SUPPORT_MM
    return settings.support_mm, U_SUPPORT_TYPED_MM


def _kind(calibration: Comparison, fit: Comparison) -> FindingKind:
    if calibration.verdict == "outside":
        return "both" if fit.verdict == "outside" else "calibration"
    if fit.verdict == "outside":
        return "fit"
    if calibration.verdict == "within" and fit.verdict == "within":
        return "none"
    return "undecided"


def _explained(frame: Frame, support_mm: tuple[float, float]) -> tuple[float | None, float | None]:
    """The part of the fit that the hinge's offset explains, where the model holds."""
    try:
        found = mechanism.explained_fit(
            frame.deg,
            distal_mm=frame.distal_mm,
            anterior_mm=frame.anterior_mm,
            offset_cov_mm2=frame.hinge_cov_mm2,
            support_mm=support_mm[0],
            u_support_mm=support_mm[1],
            u_frame_deg=frame.u_deg,
        )
    except InvalidInput:
        return None, None
    return found.explained_deg, found.u_explained_deg


def hinge_words(frame: Frame) -> str:
    """Where the hinge lies, how sure that is, and what to do about it.

    Only the thigh section can be set on a machine, so only a distal or proximal offset
    that is larger than its ± leads to a length.
    """
    u_mm = math.sqrt(frame.hinge_cov_mm2[0])
    distal = frame.distal_mm
    if abs(distal) <= 1.96 * u_mm:
        return (
            f"along the thigh the hinge lies within {1.96 * u_mm + abs(distal):.0f} mm of the "
            f"knee; check straps, slings and the heel's seat, {CORRECT}"
        )
    where, action = ("distal", "shorten") if distal > 0 else ("proximal", "lengthen")
    return (
        f"the hinge lies {abs(distal):.0f} ± {1.96 * u_mm:.0f} mm {where} of the knee; "
        f"{action} the thigh section by about that, {CORRECT}"
    )


def alarms_of(knee: Angle, settings: Settings) -> tuple[str, ...]:
    """Prescribed limits that the knee's 95 % interval reaches past, loudest first."""
    low, high = knee.interval_deg
    alarms = []
    limit = settings.limit_flexion_deg
    if limit is not None and high > limit:
        alarms.append(
            f"PAST THE PRESCRIBED FLEXION: the knee may bend to {high:.1f}°, prescribed are "
            f"{limit:g}°. Stop the machine and follow the prescription."
        )
    limit = settings.limit_extension_deg
    if limit is not None and low < limit:
        alarms.append(
            f"PAST THE PRESCRIBED EXTENSION: the knee may straighten to {low:.1f}°, prescribed are "
            f"{limit:g}°. Stop the machine and follow the prescription."
        )
    return tuple(alarms)
