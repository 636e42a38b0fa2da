"""Every sentence a person reads about a result, in one place.

The command line, the page and the overlay say the same thing because they ask here.
Verdicts are told by word and by shape, never by colour alone.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

from knee_angle.assumptions import COVERAGE
from knee_angle.language import figure, joined, phrase, say, say_as
from knee_angle.settings import flexion_of_display

if TYPE_CHECKING:
    from knee_angle.records import (
        Comparison,
        Finding,
        FindingKind,
        Frame,
        FrameSource,
        Landmarks,
        Measurement,
        Outcome,
        Plane,
        Side,
        Source,
        Unseparable,
        Verdict,
    )
    from knee_angle.settings import Settings

__all__ = [
    "A_SIDE",
    "BARS_WORDS",
    "BUDGET_WORDS",
    "CAUTION",
    "ENDS_WORDS",
    "FAULTS",
    "FINDING_WORDS",
    "KNEE_HEADS",
    "KNEE_WORDS",
    "MARK_WORDS",
    "NERVE_BLOCK",
    "PLANE_WORDS",
    "POINT_WORDS",
    "PROVEN_IN_A_WORD",
    "SIDE_WORDS",
    "SOURCE_WORDS",
    "THE_POINT_WORDS",
    "UNSEPARABLE_WORDS",
    "VERDICT_SHAPES",
    "VERDICT_WORDS",
    "anterior",
    "check_finding",
    "degrees",
    "distal",
    "finding_words",
    "from_straight",
    "guessed_bars",
    "hinge_place",
    "phrase",
    "placed",
    "plus_minus",
    "probability",
    "sentence",
    "shown_as",
    "sources",
    "whole",
    "whole_ends",
    "with_u",
]

CAUTION = say(
    "Measurement support for licensed staff, not a medical device; what is "
    "measured is passive motion. The surgeon's prescription and the local "
    "protocol rule; adjust only with the machine stopped, and stop at pain or "
    "resistance."
)

NERVE_BLOCK = say(
    "With an epidural or a nerve block pain does not warn: look at heel, fibular head, foot lift "
    "and dressing, each as local protocol says."
)
"""Said beside every answer that somebody acts on at a bed (`store.checklist.CARE`: why)."""

VERDICT_WORDS: dict[Verdict, str] = {
    "within": say("display agrees"),
    "outside": say("display does not agree"),
    "undecided": say("cannot tell"),
}
VERDICT_SHAPES: dict[Verdict, Literal["circle", "triangle", "bar"]] = {
    "within": "circle",
    "outside": "triangle",
    "undecided": "bar",
}
"""A shape for each verdict, so that nothing depends on colour."""

PLANE_WORDS: dict[Plane, str] = {
    "tag": say("corrected for the camera's direction by tags, taken as parallel to the leg"),
    "estimated": say("corrected for the camera's direction as estimated from the picture"),
    "image": say("flat in the picture, the camera's direction not corrected"),
}

SOURCE_WORDS: dict[Source, str] = {
    "dot": say("adhesive dots"),
    "network": say("leg network"),
    "pose": say("whole-body pose model"),
    "manual": say("placed by hand"),
}

MARK_WORDS: dict[str, str] = {
    "felt-again": say("felt for again"),
    "skin": say("on skin"),
    "cloth": say("on cloth"),
    "dressing": say("on a dressing or swelling"),
}
"""Where a mark is (`settings.MARKS_ON`)."""

ENDS_WORDS: dict[str, str] = {"flexion": say("flexion"), "extension": say("extension")}
"""The ends of the range."""
A_SIDE: dict[str, str] = {"left": say_as("a knee", "left"), "right": say_as("a knee", "right")}
"""As in "the left knee"."""
SIDE_WORDS: dict[str, str] = {"left": say_as("alone", "left"), "right": say_as("alone", "right")}
"""As in "knee 88°, left"."""

KNEE_WORDS: dict[Side, str] = {"left": say("left knee"), "right": say("right knee")}
KNEE_HEADS: dict[Side, str] = {"left": say("Left knee"), "right": say("Right knee")}

POINT_WORDS: dict[str, str] = {
    "hip": say("hip"),
    "knee": say("knee"),
    "ankle": say("ankle"),
    "heel": say("heel"),
    "toe": say("toe"),
    "thigh_bar": say("thigh bar"),
    "hinge": say("hinge"),
    "shank_bar": say("lower-leg bar"),
}
"""A point by its name."""
THE_POINT_WORDS: dict[str, str] = {
    "hip": say_as("to place", "the hip"),
    "knee": say_as("to place", "the knee"),
    "ankle": say_as("to place", "the ankle"),
    "thigh_bar": say_as("to place", "the thigh bar"),
    "hinge": say_as("to place", "the hinge"),
    "shank_bar": say_as("to place", "the lower-leg bar"),
}
"""The same as what somebody is to place."""

BARS_WORDS: dict[FrameSource, str] = {
    "dot": SOURCE_WORDS["dot"],
    "network": SOURCE_WORDS["network"],
    "pose": SOURCE_WORDS["pose"],
    "manual": say("points placed by hand"),
    "tag": say("the tags on the bars"),
}
"""What showed the machine's bars."""


PROVEN_IN_A_WORD: dict[Verdict, str] = {
    "within": say("within"),
    "outside": say("outside"),
    "undecided": say("undecided"),
}

BUDGET_WORDS: dict[str, str] = {
    "landmark_finding": say("landmark finding"),
    "landmark_placement": say("landmark placement"),
    "landmark_depth": say("landmark depth"),
    "camera_direction": say("camera direction"),
    "focal_length": say("focal length"),
    "leg_distance": say("leg distance"),
    "sticking": say("sticking"),
}
"""Lines of the ± (`angle.uncertainty`)."""


def degrees(value: float, *, sign: bool = False) -> str:
    """An angle for a person: one decimal, a true minus, no negative zero.

    Examples
    --------
    >>> degrees(-0.02), degrees(6.64, sign=True), degrees(-3)
    ('0.0°', '+6.6°', '\u22123.0°')
    """
    rounded = round(value, 1) + 0.0
    text = f"{rounded:+.1f}" if sign and rounded else f"{rounded:.1f}"
    return figure(text.replace("-", "\u2212") + "°")


def whole(value: float) -> str:
    """A whole number for a person: a true minus, no negative zero.

    Examples
    --------
    >>> whole(8.2), whole(-0.6), whole(-0.3)
    ('8', '\u22121', '0')
    """
    return figure(f"{round(value):d}".replace("-", "\u2212"))


def whole_ends(interval: tuple[float, float]) -> tuple[str, str]:
    """Both ends of an interval in whole numbers, outwards: it holds what its tenths hold.

    Rounded to the nearest, 92.0 to 100.1 would look as if it kept a limit of 100.

    Examples
    --------
    >>> whole_ends((92.0, 100.1)), whole_ends((-0.3, 8.04))
    (('92', '101'), ('\u22121', '8'))
    """
    low, high = (round(end, 1) for end in interval)
    return whole(math.floor(low)), whole(math.ceil(high))


def given(value: float) -> str:
    """A number that was typed, displayed or prescribed, without decimals that nobody gave.

    Examples
    --------
    >>> given(105.0), given(-2.5)
    ('105°', '\u22122.5°')
    """
    return figure(f"{round(value, 1) + 0.0:g}°".replace("-", "\u2212"))


def from_straight(value: float, *, as_given: bool = False) -> str:
    """An angle near extension by its distance from straight: which side cannot be mistaken.

    ``as_given`` leaves off decimals that nobody prescribed: bedside lines have whole degrees.

    Examples
    --------
    >>> from_straight(5), from_straight(-5), from_straight(-0.02)
    ('5.0° short of straight', '5.0° beyond straight', 'straight')
    >>> from_straight(5, as_given=True), from_straight(-2.5, as_given=True)
    ('5° short of straight', '2.5° beyond straight')
    """
    if round(value, 1) == 0:
        return say("straight")
    angle = (given if as_given else degrees)(abs(value))
    if value > 0:
        return say("{angle} short of straight", angle=angle)
    return say("{angle} beyond straight", angle=angle)


def with_u(value: float, u: float, *, sign: bool = False) -> str:
    """An angle with its expanded uncertainty (95 %, 1.96 u).

    Examples
    --------
    >>> with_u(88.42, 2.1)
    '88.4° ± 4.1°'
    """
    return joined(" ± ", [degrees(value, sign=sign), degrees(plus_minus(u))])


def plus_minus(u: float) -> float:
    """Half-width of a 95 % interval for a standard uncertainty, degrees."""
    return COVERAGE * u


def probability(p: float) -> str:
    """A probability in whole per cent; certainty is never claimed.

    Examples
    --------
    >>> probability(0.4), probability(0.994), probability(0.996), probability(0.004)
    ('40 %', '99 %', '> 99 %', '< 1 %')
    """
    if p >= 0.995:
        return "> 99 %"
    return "< 1 %" if p < 0.005 else f"{100 * p:.0f} %"


FAULTS = ("calibration", "fit", "both")
"""Findings that are a proven fault: no green stands beside them."""

FINDING_WORDS: dict[FindingKind, str] = {
    "none": say("display and fit are within their tolerances"),
    "calibration": say("calibration warning: display and bars differ: see the service manual"),
    "fit": say("fit warning: hinge and knee do not coincide"),
    "both": say("calibration and fit warning"),
    "undecided": say("not proven whether display or fit is off"),
    "not_separable": say("cause not known: the machine's bars were not reliably seen"),
}
UNSEPARABLE_WORDS: dict[Unseparable, str] = {
    "not_seen": say("cause not known: the machine's bars were not seen"),
    "not_all": say("cause not known: not all of the machine's dots are used"),
    "doubted": say("cause not known: a dot of the machine is in doubt"),
    "guessed": say("cause not known: the machine's bars are only guessed"),
    "unused": say("cause not known: dots were seen and not used"),
    "cards": say("cause not known: the tags on the bars cannot be right"),
    "picture": say("cause not known: the picture may not be as a camera took it"),
}
"""The last of them where it is known why."""


def finding_words(found: Finding) -> str:
    """A photo's finding; of a cause that is not known, why.

    Examples
    --------
    >>> from knee_angle.records import Finding
    >>> str(finding_words(Finding("not_separable", None, None, None, None, "", why="picture")))
    'cause not known: the picture may not be as a camera took it'
    >>> str(finding_words(Finding("not_separable", None, None, None, None, "")))
    "cause not known: the machine's bars were not reliably seen"
    """
    return FINDING_WORDS[found.kind] if found.why is None else UNSEPARABLE_WORDS[found.why]


def check_finding(kind: FindingKind, *, display: Verdict, by_bars: bool) -> str:
    """A machine check's finding: beneath a display that agrees with its bars only the fit is open.

    Parameters
    ----------
    kind : str
        As the check found it.
    display : str
        Verdict on the display.
    by_bars : bool
        Whether that is against the machine's bars; else against the knee.

    Examples
    --------
    >>> str(check_finding("undecided", display="within", by_bars=True))
    'whether leg and machine fit is not proven'
    >>> str(check_finding("undecided", display="undecided", by_bars=True))
    'not proven whether display or fit is off'
    """
    if kind == "undecided" and display == "within" and by_bars:
        return say("whether leg and machine fit is not proven")
    return FINDING_WORDS[kind]


def sources(landmarks: Landmarks) -> str:
    """Who found hip, knee and ankle, in words."""
    found = [landmarks.points[name].source for name in ("hip", "knee", "ankle")]
    return joined(", ", [SOURCE_WORDS[source] for source in dict.fromkeys(found)])


def placed(settings: Settings) -> str:
    """Where the marks are and their 95 % ± against the bone.

    Examples
    --------
    >>> from knee_angle.settings import Settings
    >>> placed(Settings())
    'hip mark on cloth: ± 20 mm, knee on skin: ± 10 mm, ankle on skin: ± 10 mm against the bone'
    >>> placed(Settings(placement_mm=(15, 10, 5)))
    'hip mark: ± 29 mm, knee: ± 20 mm, ankle: ± 10 mm against the bone, as given'
    """
    given = settings.placement_mm is not None
    wheres = ["" if given else joined(" ", ["", MARK_WORDS[on]]) for on in settings.marks_on]
    names = (say("hip mark"), say("knee"), say("ankle"))
    said = [
        say("{name}{where}: ± {u_mm:.0f} mm", name=name, where=where, u_mm=plus_minus(u))
        for name, where, u in zip(names, wheres, settings.placed_mm, strict=True)
    ]
    marks = joined(", ", said)
    if given:
        return say("{marks} against the bone, as given", marks=marks)
    return say("{marks} against the bone", marks=marks)


def guessed_bars(frame: Frame) -> str:
    """Bars that a network alone placed: a number, and that it is a guess."""
    return say(
        "about {frame_deg:.0f}°, only guessed ({source}): can be 20° off and proves nothing",
        frame_deg=frame.deg,
        source=BARS_WORDS[frame.source],
    )


def hinge_place(frame: Frame) -> str:
    """Where the hinge lies, seen from the knee, with 95 % ±.

    Both coordinates in whole mm; a negative one changes its word, not its sign.
    """
    dd, _, aa = frame.hinge_cov_mm2
    return say(
        "{distal}, {anterior} of the knee",
        distal=distal(frame.distal_mm, dd**0.5),
        anterior=anterior(frame.anterior_mm, aa**0.5),
    )


def distal(offset_mm: float, u_mm: float) -> str:
    """An offset along the thigh with its 95 % ±; distal is positive.

    Examples
    --------
    >>> distal(-13.2, 3.6)
    '13 ± 7 mm proximal'
    """
    return _offset(offset_mm, u_mm, say("distal") if offset_mm >= 0 else say("proximal"))


def anterior(offset_mm: float, u_mm: float) -> str:
    """An offset across the thigh with its 95 % ±; anterior is positive."""
    return _offset(offset_mm, u_mm, say("anterior") if offset_mm >= 0 else say("posterior"))


def _offset(offset_mm: float, u_mm: float, where: str) -> str:
    return say(
        "{offset_mm:.0f} ± {u_mm:.0f} mm {where}",
        offset_mm=abs(offset_mm),
        u_mm=plus_minus(u_mm),
        where=where,
    )


def sentence(outcome: Outcome) -> str:
    """One plain sentence that answers the photo.

    Parameters
    ----------
    outcome : Measurement, NotMeasured or Unreadable
        The result.
    """
    from knee_angle.records import Measurement, NotMeasured, Unreadable

    match outcome:
        case Unreadable():
            return say("The photo could not be read: {reason}.", reason=phrase(outcome.reason))
        case NotMeasured():
            return say(
                "Not measured: {reason}. Next: {advice}.",
                reason=phrase(outcome.reason),
                advice=phrase(outcome.advice),
            )
        case Measurement():
            return _measured(outcome)


def _measured(result: Measurement) -> str:
    low, high = result.knee.interval_deg
    knee = say(
        "The {side} knee bends {bent} (95 % between {low} and {high})",
        side=A_SIDE[result.side],
        bent=degrees(result.knee.deg),
        low=degrees(low),
        high=degrees(high),
    )
    if result.displayed is None or result.comparison is None:
        return joined("", [knee, "."])
    shown = [degrees(result.displayed.deg), shown_as(result.displayed.deg, result.settings)]
    return joined("; ", [knee, _compared(joined("", shown), result.comparison)])


def shown_as(displayed_deg: float, settings: Settings | None) -> str:
    """The display's own number in brackets, where it counts otherwise than in flexion."""
    if settings is None or settings.counts == "flexion":
        return ""
    return say(
        " (shown as {number:g})",
        number=flexion_of_display(displayed_deg, counting=settings.counts),
    )


def _compared(displayed: str, comparison: Comparison) -> str:
    difference = comparison.discrepancy_deg
    apart = say("the same")
    if round(difference, 1):
        size = degrees(abs(difference))
        apart = say("{size} more", size=size) if difference > 0 else say("{size} less", size=size)
    said = say("the display says {displayed}, {apart}", displayed=displayed, apart=apart)
    tolerance = figure(f"{comparison.tolerance_deg:g}°")
    match comparison.verdict:
        case "within":
            return say(
                "{said}: within the tolerance of {tolerance}.", said=said, tolerance=tolerance
            )
        case "outside":
            return say(
                "{said}: outside the tolerance of {tolerance}.", said=said, tolerance=tolerance
            )
        case "undecided":
            return say(
                "{said}: with this ± it cannot be told whether that is within {tolerance}.",
                said=said,
                tolerance=tolerance,
            )
