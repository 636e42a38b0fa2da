"""What to keep in mind about one photo's answer, in sentences."""

from __future__ import annotations

from knee_angle.angle import scale
from knee_angle.assumptions import COVERAGE_99, STRAIGHT_BELOW_DEG
from knee_angle.language import say
from knee_angle.machine.unjudged import cards_wrong
from knee_angle.records import Frame, Lens, Segments, View
from knee_angle.settings import Settings

__all__ = [
    "CAUTION_BARS",
    "CAUTION_FOCAL",
    "CAUTION_IMAGE",
    "CAUTION_STRAIGHT",
    "odd_bars",
    "odd_lengths",
    "of_view",
]

CAUTION_IMAGE = say(
    "The camera's direction is not known: the angle is the one in the flat "
    "picture. A strip of printed tags on the machine narrows the ±."
)
CAUTION_STRAIGHT = say(
    "Near full extension a photo measures worse than in flexion: read the interval."
)
CAUTION_FOCAL = say("The photo names no focal length: that of a usual phone is assumed.")
CAUTION_BARS = say(
    "Tags and points on the machine's bars differ by {apart_deg:.1f}°: check that the "
    "tags lie along the bars and the points in line with the hinge."
)


def of_view(lowest_deg: float, view: View, lens: Lens) -> tuple[str, ...]:
    """What a flat picture, an unknown focal length or a knee near straight ask for."""
    cautions = []
    if view.plane == "image":
        cautions.append(CAUTION_IMAGE)
    if lens.source == "prior":
        cautions.append(CAUTION_FOCAL)
    if lowest_deg < STRAIGHT_BELOW_DEG:
        cautions.append(CAUTION_STRAIGHT)
    return tuple(cautions)


def odd_lengths(segments: Segments | None, settings: Settings) -> tuple[str, ...]:
    """Lengths that do not belong to a person of that height."""
    if segments is None or settings.stature_mm is None:
        return ()
    odd = scale.implausible(segments, stature_mm=settings.stature_mm)
    return () if odd is None else (odd,)


def odd_bars(frame: Frame | None) -> tuple[str, ...]:
    """What to check where tags cannot be right, or show other bars than points do (99 %)."""
    if (wrong := cards_wrong(frame)) is not None:
        return (wrong,)
    if frame is None or frame.tags_minus_points_deg is None:
        return ()
    difference, u = frame.tags_minus_points_deg
    return (CAUTION_BARS.format(apart_deg=difference),) if abs(difference) > COVERAGE_99 * u else ()
