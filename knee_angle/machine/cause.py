"""Calibration or fit: which of the two a disagreement is, and what to check next.

displayed - knee = (displayed - frame) + (frame - knee): the first bracket is the
machine's reading (calibration part), the second how the leg lies in it (fit part).
Each is judged against its own tolerance by JCGM 106, so a cause is named only when
it is proven. Leg and display alone cannot separate them: over 10 to 90 degrees a hinge
20 mm off looks like a gain of -5 % with residuals of half a degree (computed by the
project). All advice stands in one table below.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

from knee_angle.angle.bounds import limit_standings
from knee_angle.angle.verdict import judged, u_display_deg, verdict_of
from knee_angle.assumptions import (
    COVERAGE,
    FIT_MOST_DEG,
    FRAME_LEAST_DEG,
    HINGE_TOLERANCE_MM,
    SUPPORT_MM,
    U_SUPPORT_TYPED_MM,
)
from knee_angle.errors import InvalidInput
from knee_angle.machine import sliding
from knee_angle.records import (
    Angle,
    Comparison,
    Displayed,
    Finding,
    FindingKind,
    Frame,
    Measurement,
    Outcome,
    Segments,
)
from knee_angle.settings import Settings
from knee_angle.words import degrees, from_straight, hinge_place, shown_as

__all__ = [
    "ADVICE",
    "SECTION_ADVICE",
    "alarms_of",
    "at_limits",
    "cards_wrong",
    "display_alarms",
    "find_cause",
    "guessed",
    "hinge_words",
    "section_words",
    "support_of",
    "with_display_alarms",
]


ADVICE: dict[FindingKind, str] = {
    "none": "Display and bars agree, and bars and knee agree, within their tolerances.",
    "calibration": (
        "The machine's display does not show what its bars do: see the service manual before the "
        "number is relied on."
    ),
    "fit": "The leg does not bend where the machine bends: {hinge}.",
    "both": (
        "The display does not show what the bars do, and the leg does not bend where the machine "
        "bends: {hinge}. See the service manual before the number is relied on."
    ),
    "undecided": (
        "With this ± neither cause is proven: photograph again, square-on, with a tag strip on "
        "the machine and dots on leg and bars."
    ),
    "not_separable": (
        "Leg and display alone cannot tell a wrong display from a badly lying leg: photograph "
        "again with dots on the machine's thigh bar, hinge and lower-leg bar."
    ),
}
"""What to check next, for each kind; ``{hinge}`` is filled by `hinge_words`."""

SECTION_ADVICE: dict[str, str] = {
    "distal": (
        "the hinge lies {mm:.0f} ± {u:.0f} mm distal of the knee, as where the patient lies too "
        "far up the bed or the thigh section is too long"
    ),
    "proximal": (
        "the hinge lies {mm:.0f} ± {u:.0f} mm proximal of the knee, as where the patient lies too "
        "far down the bed or the thigh section is too short"
    ),
    "target": (" (on this leg the hinge belongs {mm:.0f} ± {u:.0f} mm from the trochanter mark)"),
    "near": (
        "along the thigh the hinge lies within {mm:.0f} mm of the knee; check straps, slings and "
        "the heel's seat"
    ),
    "anterior": (
        "; it lies {mm:.0f} ± {u:.0f} mm in front of the knee too, as where the lower-leg section "
        "with its foot plate is too long or the leg lies too low in its slings"
    ),
    "posterior": (
        "; it lies {mm:.0f} ± {u:.0f} mm behind the knee too, as where the lower-leg section with "
        "its foot plate is too short or the leg lies too high in its slings"
    ),
    "after": (
        ". Check, with the machine stopped and within the prescription, first the patient's "
        "place, then the lower-leg section and foot plate, then the thigh section; put right what "
        "is too short first, and photograph again part-way into flexion before it runs on; stop at "
        "pain or resistance"
    ),
}
"""After the first run: what the hinge's place says about the sections; ± is 95 %."""


GUESSED = (
    "The machine's bars were found by a network in a photo without dots or tags on them: such a "
    "guess follows the leg and can be 20° off, so it proves no cause."
)
"""Said where the bars' points are a network's: in unseen photos they were 18 to 27 degrees
off (the project's own judging), and exact displays were accused."""
CARDS_WRONG = (
    "The tags on the bars show the bars at {frame} and the knee at {knee}, which no machine does: "
    "the cards are exchanged, or one points the wrong way (THIGH on the thigh bar, "
    "LOWER LEG on the lower-leg bar, both arrows towards the foot). Put them right and "
    "photograph again."
)
"""Said instead of a finding where tags cannot be stuck as they should."""

HINGE_OFF = (
    " The hinge lies more than {mm:.0f} mm off all the same ({place}); at other angles that can "
    "cost more degrees: photograph there too."
)
"""Said where the angles agree and the hinge's place is nevertheless proven off."""


def find_cause(
    frame: Frame | None,
    displayed: Displayed,
    settings: Settings,
    *,
    segments: Segments | None = None,
) -> Finding:
    """The finding of one photo.

    Parameters
    ----------
    frame : Frame or None
        The machine's bars; None where they were not seen. Bars that a network guessed count
        as not seen.
    displayed : Displayed
        The machine's number.
    settings : Settings
        Tolerances, display step, movement.
    segments : Segments, optional
        Lengths of the leg: with the hinge's offset they give the corrected section length.

    Returns
    -------
    Finding
        ``calibration`` and ``fit`` are named when proven outside, ``none`` when both are
        proven within.
    """
    if frame is None:
        return Finding("not_separable", None, None, None, None, ADVICE["not_separable"])
    if (wrong := cards_wrong(frame)) is not None:
        return Finding("not_separable", None, None, None, None, wrong)
    if guessed(frame):
        advice = f"{ADVICE['not_separable']} {GUESSED}"
        return Finding("not_separable", None, None, None, None, advice)
    calibration = judged(
        displayed.deg - frame.deg,
        u=math.hypot(frame.u_deg, u_display_deg(settings)),
        tolerance=settings.frame_tolerance_deg,
    )
    fit = judged(frame.fit_deg, u=frame.u_fit_deg, tolerance=settings.fit_tolerance_deg)
    kind = _kind(calibration, fit)
    support = support_of(settings)
    explained, u_explained = _explained(frame, support)
    advice = ADVICE[kind].format(hinge=hinge_words(frame, segments))
    if kind == "undecided" and abs(frame.distal_mm) > COVERAGE * math.sqrt(frame.hinge_cov_mm2[0]):
        advice += f" Meanwhile: {hinge_words(frame, segments)}."
    if kind == "none" and _hinge_is_off(frame):
        advice += HINGE_OFF.format(mm=HINGE_TOLERANCE_MM, place=hinge_place(frame))
    held = None if explained is None else support
    return Finding(kind, calibration, fit, explained, u_explained, advice, held)


def cards_wrong(frame: Frame | None) -> str | None:
    """What to put right where tags show bars as none can be; None where nothing is wrong."""
    if frame is None or frame.source != "tag":
        return None
    if frame.deg >= FRAME_LEAST_DEG and abs(frame.fit_deg) <= FIT_MOST_DEG:
        return None
    return CARDS_WRONG.format(frame=degrees(frame.deg), knee=degrees(frame.deg - frame.fit_deg))


def guessed(frame: Frame | None) -> bool:
    """Whether a network alone says where the bars are: shown, but proof of nothing."""
    return frame is not None and frame.source in ("network", "pose")


def _hinge_is_off(frame: Frame) -> bool:
    """Whether the hinge is proven to lie off the knee, along the thigh or across it."""
    dd, _, aa = frame.hinge_cov_mm2
    return any(
        verdict_of(mm, u=math.sqrt(var), tolerance=HINGE_TOLERANCE_MM) == "outside"
        for mm, var in ((frame.distal_mm, dd), (frame.anterior_mm, aa))
    )


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
        found = sliding.explained_fit(
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


def hinge_words(frame: Frame, segments: Segments | None = None) -> str:
    """Where the hinge lies in one photo, and what to do about it; see `section_words`."""
    dd, _, aa = frame.hinge_cov_mm2
    thigh = None if segments is None else (segments.thigh_mm, segments.u_thigh_mm)
    return section_words(
        distal=(frame.distal_mm, math.sqrt(dd)),
        anterior=(frame.anterior_mm, math.sqrt(aa)),
        thigh=thigh,
    )


def section_words(
    *,
    distal: tuple[float, float],
    anterior: tuple[float, float],
    thigh: tuple[float, float] | None = None,
) -> str:
    """What the hinge's offset says about the machine's sections, from `SECTION_ADVICE`.

    Parameters
    ----------
    distal, anterior : (float, float)
        The hinge seen from the knee, mm, and its u.
    thigh : (float, float), optional
        Length between trochanter and epicondyle mark, mm, and its u: where the hinge
        should stand.

    Notes
    -----
    A length is named where the offset along the thigh is larger than its ±; height only
    where it is proven to be more than `HINGE_TOLERANCE_MM`.
    """
    mm, u = distal
    if abs(mm) <= COVERAGE * u:
        words = SECTION_ADVICE["near"].format(mm=abs(mm) + COVERAGE * u)
    else:
        words = SECTION_ADVICE["distal" if mm > 0 else "proximal"].format(
            mm=abs(mm), u=COVERAGE * u
        )
        if thigh is not None:
            words += SECTION_ADVICE["target"].format(mm=thigh[0], u=COVERAGE * thigh[1])
    mm, u = anterior
    if verdict_of(mm, u=u, tolerance=HINGE_TOLERANCE_MM) == "outside":
        words += SECTION_ADVICE["anterior" if mm > 0 else "posterior"].format(
            mm=abs(mm), u=COVERAGE * u
        )
    return words + SECTION_ADVICE["after"]


def alarms_of(knee: Angle, settings: Settings) -> tuple[str, ...]:
    """Prescribed limits that the knee is proven to be past (95 %), flexion first."""
    alarms = []
    for one in limit_standings(settings, knee_deg=knee.deg, u_deg=knee.u_deg):
        if one.standing == "past":
            bends, told = _TOLD[one.which]
            low, high = (told(end) for end in knee.interval_deg)
            alarms.append(
                f"PAST THE PRESCRIBED {one.which.upper()}: the knee {bends} {told(knee.deg)} "
                f"({low} to {high}), the prescribed limit is {told(one.limit_deg)}. Stop the "
                "machine and follow the prescription."
            )
    return tuple(alarms)


_TOLD: dict[str, tuple[str, Callable[[float], str]]] = {
    "flexion": ("bends to", degrees),
    "extension": ("straightens to", from_straight),
}


def at_limits(knee: Angle, settings: Settings) -> tuple[str, ...]:
    """Prescribed limits of which it is not shown on which side the knee is; no alarm."""
    return tuple(
        f"At the prescribed {one.which} limit of {_TOLD[one.which][1](one.limit_deg)}: it is not "
        "shown on which side of it the knee is."
        for one in limit_standings(settings, knee_deg=knee.deg, u_deg=knee.u_deg)
        if one.standing == "at"
    )


def display_alarms(displayed_deg: float | None, settings: Settings) -> tuple[str, ...]:
    """Prescribed limits that the displayed number itself lies past, measured knee or not."""
    if displayed_deg is None:
        return ()
    low, high = settings.limit_extension_deg, settings.limit_flexion_deg
    own = shown_as(displayed_deg, settings)
    past = []
    if high is not None and displayed_deg > high:
        past.append(("FLEXION", degrees(displayed_deg), degrees(high)))
    if low is not None and displayed_deg < low:
        past.append(("EXTENSION", from_straight(displayed_deg), from_straight(low)))
    return tuple(
        f"THE DISPLAY IS PAST THE PRESCRIBED {name}: it says {said}{own}, the prescribed "
        f"limit is {limit}. Stop the machine and follow the prescription."
        for name, said, limit in past
    )


def with_display_alarms(
    outcome: Outcome, displayed_deg: float | None, settings: Settings
) -> Outcome:
    """The outcome of a photo that gave no knee, with the alarm of its displayed number."""
    if isinstance(outcome, Measurement):
        return outcome
    return replace(outcome, alarms=display_alarms(displayed_deg, settings))
