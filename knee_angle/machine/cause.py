"""Calibration or fit: which of the two a disagreement is, and what to check next.

displayed - knee = (displayed - frame) + (frame - knee): the first bracket is the
machine's reading (calibration part), the second how the leg lies in it (fit part).
Which of them is proven, and what to set or check, is decided in one place, `judge`: one
photo is judged as a visit of one setting, and every door says that. Leg and display alone
cannot separate them: over 10 to 90 degrees a hinge 20 mm off looks like a gain of -5 % with
residuals of half a degree (computed by the project).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

from knee_angle.angle.bounds import LimitStanding, limit_standings
from knee_angle.angle.verdict import judged, u_display_deg
from knee_angle.angle.words import degrees, from_straight, given, shown_as
from knee_angle.assumptions import (
    SUPPORT_MM,
    U_SUPPORT_TYPED_MM,
)
from knee_angle.errors import InvalidInput
from knee_angle.language import joined, say
from knee_angle.machine import sliding
from knee_angle.machine.bands import RangeJudged
from knee_angle.machine.judge import MachineJudged
from knee_angle.machine.unjudged import Unjudged, unjudged_bars
from knee_angle.records import (
    Angle,
    Comparison,
    Displayed,
    Finding,
    Frame,
    Measurement,
    Outcome,
)
from knee_angle.settings import Settings

__all__ = [
    "ADVICE",
    "alarms_of",
    "at_limits",
    "display_alarms",
    "finding_of",
    "limit_cautions",
    "support_of",
    "with_display_alarms",
]


ADVICE = {
    "undecided": (
        say(
            "With this ± neither cause is proven: photograph again, square-on, with a "
            "tag strip on the machine and dots on leg and bars."
        )
    ),
    "not_separable": (
        say(
            "Leg and display alone cannot tell a wrong display from a badly lying leg: "
            "photograph again with dots on the machine's thigh bar, hinge and "
            "lower-leg bar."
        )
    ),
}
"""What to do where nothing was judged; else the judged machine says it (`judge`)."""


def finding_of(
    frame: Frame | None,
    displayed: Displayed,
    settings: Settings,
    *,
    machine: MachineJudged | None,
    provable: bool = True,
    unjudged: Unjudged | None = None,
) -> Finding:
    """The finding of one photo: what its bars show, judged as the visit that it is alone.

    Parameters
    ----------
    frame : Frame or None
        The machine's bars; None where they were not seen. Bars that a network guessed count
        as not seen.
    displayed : Displayed
        The machine's number.
    settings : Settings
        Tolerances, display step, movement.
    machine : MachineJudged or None
        What the photo, as a visit of one setting, says of the machine: it decides. None where
        that says nothing.
    provable : bool
        Whether the camera's direction was seen; a prior alone proves nothing.
    unjudged : Unjudged or None
        Why the bars prove nothing (`unjudged_of`), where more of the photo is known.

    Returns
    -------
    Finding
        Parts and hinge with the verdicts that the kind follows from: ``none`` where all are
        proven within, over the allowed range; a fault where any is proven outside.
    """
    if (why := unjudged or unjudged_bars(frame)) is not None:
        return _not_separable(why)
    assert frame is not None  # noqa: S101  only narrows: without bars there is a reason
    open_ = _undecided(frame, displayed, settings)
    if machine is None:
        return open_
    told = replace(open_, kind=machine.kind, advice=joined(" ", machine.words))
    if not provable:
        return told
    return replace(
        told,
        calibration=_as_judged(open_.calibration, machine.display_here),
        fit=_as_judged(open_.fit, machine.fit),
        hinge=machine.hinge_verdict,
    )


def _undecided(frame: Frame, displayed: Displayed, settings: Settings) -> Finding:
    """Both parts as measured, nothing of them proven."""
    support = support_of(settings)
    explained, u_explained = _explained(frame, support)
    return Finding(
        kind="undecided",
        calibration=judged(
            displayed.deg - frame.deg,
            u=math.hypot(frame.u_deg, u_display_deg(settings)),
            tolerance=settings.frame_tolerance_deg,
            provable=False,
        ),
        fit=judged(
            frame.fit_deg,
            u=frame.u_fit_deg,
            tolerance=settings.fit_tolerance_deg,
            provable=False,
        ),
        explained_deg=explained,
        u_explained_deg=u_explained,
        advice=ADVICE["undecided"],
        support_mm=None if explained is None else support,
    )


def _not_separable(found: Unjudged) -> Finding:
    return Finding("not_separable", None, None, None, None, found.advice, why=found.why)


def _as_judged(part: Comparison | None, over: RangeJudged | None) -> Comparison | None:
    """A part with the probability and verdict that the finding follows from."""
    if part is None or over is None:
        return part
    return replace(part, p_within=over.p_within, verdict=over.verdict)


def support_of(settings: Settings) -> tuple[float, float]:
    """Where the machine holds the lower leg below the knee, mm, and its u: typed or assumed."""
    if settings.support_mm is None:
        return SUPPORT_MM
    return settings.support_mm, U_SUPPORT_TYPED_MM


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


def alarms_of(knee: Angle, settings: Settings) -> tuple[str, ...]:
    """Prescribed limits that the knee is proven to be past (95 %), flexion first."""
    alarms = []
    for one in limit_standings(settings, knee_deg=knee.deg, u_deg=knee.u_deg):
        if one.standing == "past":
            template, told = _PAST[one.which]
            low, high = (told(end) for end in knee.interval_deg)
            alarms.append(
                template.format(knee=told(knee.deg), low=low, high=high, limit=_limit(one))
            )
    return tuple(alarms)


_PAST: dict[str, tuple[str, Callable[[float], str]]] = {
    "flexion": (
        say(
            "PAST THE PRESCRIBED FLEXION: the knee bends to {knee} ({low} to {high}), the "
            "prescribed limit is {limit}. Stop the machine and follow the prescription."
        ),
        degrees,
    ),
    "extension": (
        say(
            "PAST THE PRESCRIBED EXTENSION: the knee straightens to {knee} ({low} to {high}), the "
            "prescribed limit is {limit}. Stop the machine and follow the prescription."
        ),
        from_straight,
    ),
}
_AT: dict[str, str] = {
    "flexion": say(
        "At the prescribed flexion limit of {limit}: it is not proven on which side of it the "
        "knee is."
    ),
    "extension": say(
        "At the prescribed extension limit of {limit}: it is not proven on which side of it the "
        "knee is."
    ),
}

SEEMS_INSIDE = say("The knee seems inside what is prescribed, but the photo does not prove it.")


def _limit(one: LimitStanding) -> str:
    """A prescribed limit as it was prescribed."""
    if one.which == "flexion":
        return given(one.limit_deg)
    return from_straight(one.limit_deg, as_given=True)


def at_limits(knee: Angle, settings: Settings, *, camera_seen: bool = True) -> tuple[str, ...]:
    """Prescribed limits of which it is not proven on which side the knee is; no alarm.

    A knee whose camera direction was only assumed (not ``camera_seen``) is inside none.
    """
    standings = limit_standings(
        settings, knee_deg=knee.deg, u_deg=knee.u_deg, camera_seen=camera_seen
    )
    if standings and all(one.seems_inside for one in standings):
        return (SEEMS_INSIDE,)
    return tuple(
        _AT[one.which].format(limit=_limit(one))
        for one in standings
        if one.standing == "at" and not one.seems_inside
    )


def limit_cautions(settings: Settings) -> tuple[str, ...]:
    """Every sentence that `at_limits` can say of the prescribed limits."""
    limits = limit_standings(settings, knee_deg=None)
    return (*(_AT[one.which].format(limit=_limit(one)) for one in limits), SEEMS_INSIDE)


def display_alarms(displayed_deg: float | None, settings: Settings) -> tuple[str, ...]:
    """Prescribed limits that the displayed number itself lies past, measured knee or not."""
    if displayed_deg is None:
        return ()
    low, high = settings.limit_extension_deg, settings.limit_flexion_deg
    own = shown_as(displayed_deg, settings)
    past = []
    if high is not None and displayed_deg > high:
        past.append((say("FLEXION"), given(displayed_deg), given(high)))
    if low is not None and displayed_deg < low:
        said, limit = (from_straight(one, as_given=True) for one in (displayed_deg, low))
        past.append((say("EXTENSION"), said, limit))
    return tuple(
        say(
            "THE DISPLAY IS PAST THE PRESCRIBED {name}: it says {said}{own}, the "
            "prescribed limit is {limit}. Stop the machine and follow the prescription.",
            name=name,
            said=said,
            own=own,
            limit=limit,
        )
        for name, said, limit in past
    )


def with_display_alarms(
    outcome: Outcome, displayed_deg: float | None, settings: Settings
) -> Outcome:
    """The outcome of a photo that gave no knee, with the alarm of its displayed number."""
    if isinstance(outcome, Measurement) or displayed_deg is None:
        return outcome
    return replace(outcome, alarms=display_alarms(displayed_deg, settings))
