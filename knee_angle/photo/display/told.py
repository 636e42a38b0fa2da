"""The number that counts: typed before read, and read only where it is clear."""

from __future__ import annotations

from dataclasses import replace

from knee_angle.language import say
from knee_angle.machine.cause import display_alarms
from knee_angle.photo.display.seen import read_display
from knee_angle.photo.reading import Photo
from knee_angle.records import Displayed, Measurement, NotMeasured
from knee_angle.records.shown import DisplaySeen, NumberSeen
from knee_angle.settings import Settings, flexion_of_display

__all__ = ["FAR_DEG", "clear_number", "counted_deg", "display_of", "with_display"]

LIKELY = 0.9
"""A number with its degree mark that is read with this probability, and is not the one typed, is
worth another look at the display (our own)."""
FAR_DEG = 60.0
"""A number read so far from the knee's interval is asked for (our own): it is the second half of
the weak prior, wide enough for every fault of a display that a check is to find. A number near
the knee gains nothing."""


def display_of(photo: Photo, settings: Settings) -> DisplaySeen | None:
    """What the photo's displays show; None where that is switched off."""
    return read_display(photo, settings=settings) if settings.read_display else None


def clear_number(display: DisplaySeen | None, settings: Settings) -> float | None:
    """The number clearly read, as degrees of flexion."""
    number = None if display is None else display.clear_number
    return None if number is None else flexion_of_display(number, counting=settings.counts)


def counted_deg(
    display: DisplaySeen | None, typed_deg: float | None, settings: Settings
) -> float | None:
    """The number that is compared, as flexion: the typed one, else the one clearly read."""
    return clear_number(display, settings) if typed_deg is None else typed_deg


def with_display(
    outcome: Measurement | NotMeasured,
    display: DisplaySeen | None,
    typed_deg: float | None,
    settings: Settings,
) -> Measurement | NotMeasured:
    """The outcome with what was read, where the number compared comes from, and what contradicts.

    Parameters
    ----------
    outcome : Measurement or NotMeasured
        As measured with the typed number, else with the one clearly read.
    display : DisplaySeen or None
        What displays show.
    typed_deg : float or None
        The typed number, degrees of flexion: it always counts.
    settings : Settings
        How the display counts, and whether the prior is used.
    """
    if display is None:
        return outcome
    if isinstance(outcome, NotMeasured):
        return replace(outcome, display=display)
    read = clear_number(display, settings)
    if outcome.displayed is not None and typed_deg is None and read is not None:
        if settings.display_prior and _far(outcome, read):
            display = replace(display, state="unsure", reason=_far_words(outcome, read))
            kept = [a for a in outcome.alarms if a not in display_alarms(read, settings)]
            outcome = replace(outcome, displayed=None, comparison=None, alarms=tuple(kept))
        else:
            probability = None if display.angle is None else display.angle.probability
            outcome = replace(outcome, displayed=Displayed(read, "read", probability))
    said = _said(outcome, display, typed_deg, settings)
    return replace(outcome, display=display, cautions=(*outcome.cautions, *said))


def _far(outcome: Measurement, read_deg: float) -> bool:
    low, high = outcome.knee.interval_deg
    return not low - FAR_DEG <= read_deg <= high + FAR_DEG


def _far_words(outcome: Measurement, read_deg: float) -> str:
    return say("it is {apart:.0f}° from the knee", apart=abs(read_deg - outcome.knee.deg))


def _said(
    outcome: Measurement, display: DisplaySeen, typed_deg: float | None, settings: Settings
) -> tuple[str, ...]:
    """What to say of a reading that is not used, or that contradicts the typed number."""
    angle = display.angle
    if angle is None or angle.number is None:
        none = say(
            "no number was read off the display: {reason}; give the number", reason=display.reason
        )
        return () if typed_deg is not None else (none,)
    if typed_deg is None:
        if outcome.displayed is not None or display.state == "read":
            return ()
        return (
            say(
                "the display in the photo may say {read:g}, but {reason}: it is not compared; give "
                "the number where that is right",
                read=angle.number,
                reason=display.reason,
            ),
        )
    typed = flexion_of_display(typed_deg, counting=settings.counts)
    if abs(typed - angle.number) < 1.0:
        return ()
    if display.state != "read":
        return _perhaps(angle, typed)
    return (
        say(
            "the display in the photo says {read:g} (read with a probability of "
            "{probability:.1%}), but {typed:g} was given: the number given counts; look at the "
            "display again",
            read=angle.number,
            probability=angle.probability,
            typed=typed,
        ),
    )


def _perhaps(angle: NumberSeen, typed: float) -> tuple[str, ...]:
    """What to say where the number typed is likely, not clearly, another than the one shown."""
    if angle.kind != "angle" or angle.probability < LIKELY:
        return ()
    return (
        say(
            "the display in the photo may say {read:g}, but {typed:g} was given: the number given "
            "counts; look at the display again",
            read=angle.number or 0.0,
            typed=typed,
        ),
    )
