"""What is advised at a machine: the record, and its sentences (`adjust` finds what is safe)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from knee_angle.language import say
from knee_angle.machine.holding import Figure

__all__ = [
    "AFTER",
    "BEHIND",
    "CHECK",
    "DISPLAY_AND_CHECKS",
    "DISPLAY_FIRST",
    "FITS",
    "IN_FRONT",
    "LESS_EXTENSION",
    "LOWER_FLEXION",
    "NOT_PROVEN",
    "PHOTOS_FIRST",
    "SUITS",
    "TOO_LONG",
    "TOO_SHORT",
    "Adjustment",
    "Advice",
    "First",
    "Part",
    "Shows",
]

Part = Literal["place", "lower", "thigh"]
First = Literal["display", "photos"]
Shows = Literal["more", "less"]

_WORDS: dict[tuple[Part, bool], str] = {
    ("lower", True): say("lower-leg section with its foot plate {mm} mm longer"),
    ("lower", False): say("lower-leg section with its foot plate {mm} mm shorter"),
    ("thigh", True): say("thigh section {mm} mm longer"),
    ("thigh", False): say("thigh section {mm} mm shorter"),
    ("place", True): say("patient {mm} mm further up the bed, away from the foot plate"),
    ("place", False): say("patient {mm} mm further down the bed, towards the foot plate"),
}
AFTER = say(
    "Machine stopped, the leg taken out or held, within the prescription; then photograph before "
    "it runs on."
)
NOT_PROVEN = say("Which of sections and place is to be changed is not proven. {check}")
CHECK = say(
    "Machine stopped, check all three by tape: hip at the machine's hip end, lower-leg section "
    "from knee to sole, thigh section. First correct what is too short: make each section {longer} "
    "mm longer than the leg; photograph before it runs on."
)
DISPLAY_FIRST: dict[Shows | None, str] = {
    None: say(
        "The display is likely to read less than the bars: the knee may bend further than shown. "
        "Set the flexion limit {by}° lower than prescribed and go by the measured knee. Have the "
        "display put right before any section is shortened or the patient moved down the bed; "
        "photograph again."
    ),
    "more": say(
        "Elsewhere in the range the display is likely to read less than the bars: there the knee "
        "may bend further than shown. Set the flexion limit {by}° lower than prescribed and go by "
        "the measured knee. Have the display put right before any section is shortened or the "
        "patient moved down the bed; photograph again."
    ),
    "less": say(
        "The display shows less than the bars, so the knee may bend further than shown. Set the "
        "flexion limit {by}° lower than prescribed and go by the measured knee. Have the display "
        "put right before any section is shortened or the patient moved down the bed; photograph "
        "again."
    ),
}
DISPLAY_AND_CHECKS: dict[Shows | None, str] = {
    None: say(
        "The display may read less than the bars: the knee may bend further than shown. Set the "
        "flexion limit {by}° lower than prescribed and go by the measured knee. Before the machine "
        "runs on have the display put right, and only then the rest. {checks}"
    ),
    "more": say(
        "Elsewhere in the range the display may read less than the bars: there the knee may bend "
        "further than shown. Set the flexion limit {by}° lower than prescribed and go by the "
        "measured knee. Before the machine runs on have the display put right, and only then the "
        "rest. {checks}"
    ),
    "less": say(
        "The display shows less than the bars, so the knee may bend further than shown. Set the "
        "flexion limit {by}° lower than prescribed and go by the measured knee. Before the machine "
        "runs on have the display put right, and only then the rest. {checks}"
    ),
}
"""Both by which way the display is proven, and said, to differ where it was photographed."""
PHOTOS_FIRST = say(
    "The photos do not tell yet what to adjust: shorten no section, and do not move the patient "
    "down the bed. Photograph more settings, both ends at least, machine stopped, with dots or "
    "tags on the bars."
)
"""Nothing is changed by it, so no limit need stand lower; few photos are no sign of a fault."""
LOWER_FLEXION = say(
    "The knee may bend further than shown: until the display is put right, set the flexion limit "
    "{by}° lower than prescribed."
)
LESS_EXTENSION = say(
    "The knee may be straighter than shown: until the display is put right, set the extension "
    "limit {by}° further from straight than prescribed."
)
"""Of a display that is proven wrong, at the end where it lets the knee go too far."""
FITS = say("Sections and place suit the leg as far as the photos show: nothing to set.")
SUITS = say("Sections and place suit the leg as far as the photos show.")
"""The same, where a limit is to be set."""
IN_FRONT = say(
    "The hinge lies in front of the knee at every setting, as where the lower leg slides: check "
    "slings, padding and the heel's seat; changing a section's length alone does not help."
)
BEHIND = say(
    "The hinge lies behind the knee at every setting, as where the lower leg slides: check slings, "
    "padding and the heel's seat; changing a section's length alone does not help."
)
TOO_LONG = say(
    "Both sections and the patient's place together are {off_mm:.0f} ± {u_mm:.0f} mm too long. "
    "{check}"
)
TOO_SHORT = say(
    "Both sections and the patient's place together are {off_mm:.0f} ± {u_mm:.0f} mm too short. "
    "{check}"
)


@dataclass(frozen=True, slots=True)
class Adjustment:
    """One change of one part.

    ``mm`` is positive for a longer section and for the patient further up the bed: both let
    the knee bend less.
    """

    part: Part
    mm: int

    @property
    def words(self) -> str:
        """The change in plain words."""
        return _WORDS[self.part, self.mm > 0].format(mm=abs(self.mm))


@dataclass(frozen=True, slots=True)
class Advice:
    """What to set.

    Parameters
    ----------
    steps : tuple of Adjustment
        In this order; empty where nothing is to be set or millimetres are not known.
    checks : tuple of {"place", "lower", "thigh"}
        What to check instead, in this order after what is first, all before the machine runs.
    longer_mm : int
        How much longer than the leg the checks leave each section.
    first : {"display", "photos"} or None
        What comes before anything is set: the display put right, or more settings
        photographed.
    lower_limit_deg : int
        So many degrees lower the machine's flexion limit is to stand meanwhile; 0 where the
        display is not what lets the knee bend too far.
    less_extension_deg : int
        So many degrees further from straight its extension limit is to stand meanwhile.
    text : str
        All of it in words.
    arrives : float
        Probability that the hinge lies within `adjust.NEAR_MM` once the steps are done.
    risk : float
        Largest probability, over every beginning of the steps, that the knee comes more
        than `adjust.PAST_DEG` past the display anywhere in the range.
    distal_mm, anterior_mm : Figure
        The hinge at 60 to 110 degrees of the bars before anything is set.
    """

    steps: tuple[Adjustment, ...]
    checks: tuple[Part, ...]
    text: str
    arrives: float
    risk: float
    distal_mm: Figure
    anterior_mm: Figure
    longer_mm: int = 0
    first: First | None = None
    lower_limit_deg: int = 0
    less_extension_deg: int = 0
