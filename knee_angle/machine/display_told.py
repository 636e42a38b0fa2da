"""What is said of a display against its bars: how far off it is proven, else a bound."""

from __future__ import annotations

from knee_angle.language import say
from knee_angle.machine.advice import First, Shows
from knee_angle.machine.bands import RangeJudged

__all__ = ["display_words", "shows"]

TELLS_NOTHING_DEG = 20.0
"""A bound wider than this is no news: it is said that the photos do not tell (our own)."""
_SHOWS: dict[Shows, str] = {
    "more": say(
        "Display and bars differ: the display shows about {by_deg:.0f}° more at {at_deg:.0f}° "
        "(more than {tolerance_deg:g}° is proven). See the service manual; rely on measured "
        "angles until then."
    ),
    "less": say(
        "Display and bars differ: the display shows about {by_deg:.0f}° less at {at_deg:.0f}° "
        "(more than {tolerance_deg:g}° is proven). See the service manual; rely on measured "
        "angles until then."
    ),
}
_AT_ONE = say("Display and bars differ by at most {at_most_deg:.0f}° at {at_deg:.0f}° (95 %).")
_AT_MOST = say(
    "Display and bars differ by at most {at_most_deg:.0f}° from {low:.0f}° to {high:.0f}° (95 %)."
)
_MAY_READ_LESS = say("{bound} Within that the display may read less.")
"""The bound beside advice for a display that likely reads less than the bars."""
_TELLS_NOTHING = say(
    "The photos do not tell how far display and bars differ from {low:.0f}° to {high:.0f}°."
)
_TELLS_NOTHING_ASKS = say(
    "The photos do not tell how far display and bars differ from {low:.0f}° to {high:.0f}°: "
    "photograph more settings, with dots or tags on the bars."
)


def shows(display: RangeJudged | None, here: RangeJudged | None) -> Shows | None:
    """Which way a display is proven, and said, to differ; None where it is not."""
    if display is None or here is None or display.verdict != "outside":
        return None
    return "more" if here.largest_deg > 0 else "less"


def display_words(
    display: RangeJudged | None, here: RangeJudged | None, *, first: First | None = None
) -> tuple[str, ...]:
    """How far off it is proven where it was photographed, else the bound over the range.

    Parameters
    ----------
    display, here : RangeJudged or None
        Over the allowed range, and at the settings themselves.
    first : {"display", "photos"} or None
        What the advice puts before anything is set: photos are asked for once.
    """
    if display is None or here is None:
        return ()
    low, high, most = *display.range_deg, display.at_most_deg
    if (way := shows(display, here)) is not None:
        return (
            _SHOWS[way].format(
                by_deg=abs(here.largest_deg),
                at_deg=here.at_deg,
                tolerance_deg=display.tolerance_deg,
            ),
        )
    if most > TELLS_NOTHING_DEG:
        template = _TELLS_NOTHING if first == "photos" else _TELLS_NOTHING_ASKS
        return (template.format(low=low, high=high),)
    if high - low <= 1.0:  # one setting, and nothing prescribed
        bound = _AT_ONE.format(at_most_deg=most, at_deg=(low + high) / 2.0)
    else:
        bound = _AT_MOST.format(at_most_deg=most, low=low, high=high)
    return (_MAY_READ_LESS.format(bound=bound) if first == "display" else bound,)
