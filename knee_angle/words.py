"""Every sentence a person reads about a result, in one place.

The command line, the page and the overlay say the same thing because they ask here.
Verdicts are told by word and by shape, never by colour alone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from knee_angle.assumptions import COVERAGE
from knee_angle.settings import flexion_of_display

if TYPE_CHECKING:
    from knee_angle.records import (
        Comparison,
        FindingKind,
        Frame,
        FrameSource,
        Landmarks,
        Measurement,
        Outcome,
        Plane,
        Source,
        Verdict,
    )
    from knee_angle.settings import Settings

__all__ = [
    "BARS_WORDS",
    "CAUTION",
    "FINDING_WORDS",
    "MARK_WORDS",
    "PLANE_WORDS",
    "SOURCE_WORDS",
    "VERDICT_SHAPES",
    "VERDICT_WORDS",
    "anterior",
    "degrees",
    "distal",
    "from_straight",
    "hinge_place",
    "phrase",
    "placed",
    "plus_minus",
    "probability",
    "sentence",
    "shown_as",
    "sources",
    "with_u",
]

CAUTION = (
    "Measurement support for licensed staff, not a medical device; what is measured is passive "
    "motion. The surgeon's prescription and the local protocol rule; adjust only with the machine "
    "stopped, and stop at pain or resistance."
)

VERDICT_WORDS: dict[Verdict, str] = {
    "within": "display agrees",
    "outside": "display does not agree",
    "undecided": "cannot tell",
}
VERDICT_SHAPES: dict[Verdict, str] = {"within": "circle", "outside": "triangle", "undecided": "bar"}
"""A shape for each verdict, so that nothing depends on colour."""

PLANE_WORDS: dict[Plane, str] = {
    "tag": "corrected for the camera's direction by printed tags",
    "estimated": "corrected for the camera's direction as estimated from the picture",
    "image": "flat in the picture, the camera's direction not corrected",
}

SOURCE_WORDS: dict[Source, str] = {
    "dot": "adhesive dots",
    "network": "leg network",
    "pose": "whole-body pose model",
    "manual": "placed by hand",
}

MARK_WORDS: dict[str, str] = {
    "felt-again": "felt for again",
    "skin": "on skin",
    "cloth": "on cloth",
    "dressing": "on a dressing or swelling",
}
"""Where a mark is (`settings.MARKS_ON`)."""

BARS_WORDS: dict[FrameSource, str] = {
    "dot": SOURCE_WORDS["dot"],
    "network": SOURCE_WORDS["network"],
    "pose": SOURCE_WORDS["pose"],
    "manual": "points placed by hand",
    "tag": "the tags on the bars",
}
"""What showed the machine's bars."""


def degrees(value: float, *, sign: bool = False) -> str:
    """An angle for a person: one decimal, a true minus, no negative zero.

    Examples
    --------
    >>> degrees(-0.02), degrees(6.64, sign=True), degrees(-3)
    ('0.0°', '+6.6°', '\u22123.0°')
    """
    rounded = round(value, 1) + 0.0
    text = f"{rounded:+.1f}" if sign and rounded else f"{rounded:.1f}"
    return text.replace("-", "\u2212") + "°"


def from_straight(value: float) -> str:
    """An angle near extension by its distance from straight: which side cannot be mistaken.

    Examples
    --------
    >>> from_straight(5), from_straight(-5), from_straight(-0.02)
    ('5.0° short of straight', '5.0° beyond straight', 'straight')
    """
    if round(value, 1) == 0:
        return "straight"
    return f"{degrees(abs(value))} {'short of' if value > 0 else 'beyond'} straight"


def with_u(value: float, u: float, *, sign: bool = False) -> str:
    """An angle with its expanded uncertainty (95 %, 1.96 u).

    Examples
    --------
    >>> with_u(88.42, 2.1)
    '88.4° ± 4.1°'
    """
    return f"{degrees(value, sign=sign)} ± {degrees(plus_minus(u))}"


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


def phrase(text: str) -> str:
    """A reason or advice as part of a sentence: no capital at its start, no stop at its end.

    Examples
    --------
    >>> phrase("Step back."), phrase("PNG is damaged")
    ('step back', 'PNG is damaged')
    """
    text = text.rstrip(" .")
    return text if text[:2].isupper() else text[:1].lower() + text[1:]


FINDING_WORDS: dict[FindingKind, str] = {
    "none": "display and fit are within their tolerances",
    "calibration": "calibration warning: display and bars differ: see the service manual",
    "fit": "fit warning: hinge and knee do not coincide",
    "both": "calibration and fit warning",
    "undecided": "cause not proven",
    "not_separable": "cause not separable: the machine's bars were not seen",
}


def sources(landmarks: Landmarks) -> str:
    """Who found hip, knee and ankle, in words."""
    found = [landmarks.points[name].source for name in ("hip", "knee", "ankle")]
    return ", ".join(SOURCE_WORDS[source] for source in dict.fromkeys(found))


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
    wheres = ["" if given else f" {MARK_WORDS[on]}" for on in settings.marks_on]
    marks = zip(("hip mark", "knee", "ankle"), wheres, settings.placed_mm, strict=True)
    said = ", ".join(f"{name}{where}: ± {plus_minus(u):.0f} mm" for name, where, u in marks)
    return f"{said} against the bone{', as given' if given else ''}"


def hinge_place(frame: Frame) -> str:
    """Where the hinge lies, seen from the knee, with 95 % ±.

    Both coordinates in whole mm; a negative one changes its word, not its sign.
    """
    dd, _, aa = frame.hinge_cov_mm2
    return f"{distal(frame.distal_mm, dd**0.5)}, {anterior(frame.anterior_mm, aa**0.5)} of the knee"


def distal(offset_mm: float, u_mm: float) -> str:
    """An offset along the thigh with its 95 % ±; distal is positive.

    Examples
    --------
    >>> distal(-13.2, 3.6)
    '13 ± 7 mm proximal'
    """
    return _offset(offset_mm, u_mm, "distal" if offset_mm >= 0 else "proximal")


def anterior(offset_mm: float, u_mm: float) -> str:
    """An offset across the thigh with its 95 % ±; anterior is positive."""
    return _offset(offset_mm, u_mm, "anterior" if offset_mm >= 0 else "posterior")


def _offset(offset_mm: float, u_mm: float, where: str) -> str:
    return f"{abs(offset_mm):.0f} ± {plus_minus(u_mm):.0f} mm {where}"


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
            return f"The photo could not be read: {phrase(outcome.reason)}."
        case NotMeasured():
            return f"Not measured: {phrase(outcome.reason)}. Next: {phrase(outcome.advice)}."
        case Measurement():
            return _measured(outcome)


def _measured(result: Measurement) -> str:
    low, high = result.knee.interval_deg
    knee = (
        f"The {result.side} knee bends {degrees(result.knee.deg)} "
        f"(95 % between {degrees(low)} and {degrees(high)})"
    )
    if result.displayed is None or result.comparison is None:
        return f"{knee}."
    own = shown_as(result.displayed.deg, result.settings)
    return f"{knee}; {_compared(f'{degrees(result.displayed.deg)}{own}', result.comparison)}"


def shown_as(displayed_deg: float, settings: Settings | None) -> str:
    """The display's own number in brackets, where it counts otherwise than in flexion."""
    if settings is None or settings.counts == "flexion":
        return ""
    return f" (shown as {flexion_of_display(displayed_deg, counting=settings.counts):g})"


def _compared(displayed: str, comparison: Comparison) -> str:
    difference = comparison.discrepancy_deg
    more = f"{degrees(abs(difference))} {'more' if difference > 0 else 'less'}"
    apart = more if round(difference, 1) else "the same"
    said = f"the display says {displayed}, {apart}"
    tolerance = f"{comparison.tolerance_deg:g}°"
    match comparison.verdict:
        case "within":
            return f"{said}: within the tolerance of {tolerance}."
        case "outside":
            return f"{said}: outside the tolerance of {tolerance}."
        case "undecided":
            return f"{said}: with this ± it cannot be told whether that is within {tolerance}."
