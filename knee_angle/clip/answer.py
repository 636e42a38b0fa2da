"""What a clip says: the record that words, JSON, tables, plots and page are made of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from knee_angle.angle.bounds import Apart, Lacking, LimitStanding, Standing
from knee_angle.machine.answer import VisitAnswer
from knee_angle.records import (
    Comparison,
    Measurement,
    NotMeasured,
    Plane,
    Side,
    Source,
)
from knee_angle.records.judged import DisplayedSource
from knee_angle.settings import Settings
from knee_angle.visit import Reach, Value

__all__ = [
    "ChosenPicture",
    "ClipAnswer",
    "ClipEnd",
    "ClipFrame",
    "ClipOutcome",
    "DisplayAgainst",
    "Which",
]

Which = Literal["extension", "flexion"]


@dataclass(frozen=True, slots=True)
class ClipFrame:
    """One picture of the clip that was measured.

    Parameters
    ----------
    number : int
        Of the picture in the film, counted from 0.
    seconds : float
        After the first picture.
    looked : bool
        Whether the detectors were asked; else its points were followed from such a picture.
    used : bool
        Whether it fits the others: one in which something went wrong is told and not used.
    knee_deg, u_deg : float or None
        Flexion and its u with all that it rests on.
    u_change_deg : float or None
        u of its difference from the clip's extension end: what all pictures share
        cancels there.
    bars_deg, u_bars_deg : float or None
        The same of the machine's bars.
    displayed_deg : float or None
        The machine's number at that time, degrees of flexion, where it was given or read.
    points_px : tuple of (str, float, float)
        The points, in pixels of the picture as it was looked at.
    """

    number: int
    seconds: float
    looked: bool
    used: bool
    knee_deg: float | None
    u_deg: float | None
    u_change_deg: float | None
    bars_deg: float | None
    u_bars_deg: float | None
    displayed_deg: float | None
    points_px: tuple[tuple[str, float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class ClipEnd:
    """One end of the motion, at the furthest that was reached.

    Parameters
    ----------
    which : {"extension", "flexion"}
    seconds : float
        When.
    turned : bool
        Whether the motion was seen to turn there; else the clip begins or ends there and the
        end may lie further.
    times : int
        How often the motion turned at this end.
    spread_deg : float or None
        Largest less smallest of those.
    knee : Value
        Flexion, degrees.
    bars, fit : Value or None
        Flexion of the bars; bars minus knee.
    distal, anterior : Value or None
        The hinge seen from the knee, mm.
    displayed_deg : float or None
        The furthest displayed number about that time.
    comparison, apart : Comparison and Apart, or None
        Displayed against knee.
    limits : tuple of LimitStanding
        Where the prescribed limits stand.
    shrink : tuple of Reach
        What would shrink its ± most, first.
    """

    which: Which
    seconds: float
    turned: bool
    times: int
    spread_deg: float | None
    knee: Value
    bars: Value | None
    fit: Value | None
    distal: Value | None
    anterior: Value | None
    displayed_deg: float | None
    comparison: Comparison | None
    apart: Apart | None
    limits: tuple[LimitStanding, ...]
    shrink: tuple[Reach, ...]


@dataclass(frozen=True, slots=True)
class ChosenPicture:
    """One picture of a clip as a photo of a visit.

    Parameters
    ----------
    setting : str
        Its number in the visit, the straightest first.
    end : {"extension", "flexion"} or None
        The end that it shows.
    number, seconds : int, float
        Of the picture in the film.
    measurement : Measurement
        What it says, with the clip's points, direction and lens.
    """

    setting: str
    end: Which | None
    number: int
    seconds: float
    measurement: Measurement


@dataclass(frozen=True, slots=True)
class DisplayAgainst:
    """The displayed number against knee or bars over the range that was filmed.

    ::

        displayed(t) = offset + gain x(t - lag) + bow q(x) ± hysteresis / 2

    with q the parabola that is 0 at both ends of the range and 1 half-way.

    Parameters
    ----------
    of : {"knee", "bars"}
        What x is.
    range_deg : (float, float)
        The range of x that was filmed with numbers.
    readings : int
        How many numbers.
    offset_deg, gain, bow_deg : Value
        0, 1 and 0 where the display shows x.
    lag_s : Value
        How late the number is.
    hysteresis_deg : Value
        Displayed while bending less displayed while stretching, at the same x and lag 0.
    middle_deg : Value
        Displayed less x in the middle of the range.
    scatter_deg : float
        Root mean square of what is left.
    separable : bool
        Whether lag and hysteresis could be told apart; where the speed is even they look alike.
    """

    of: Literal["knee", "bars"]
    range_deg: tuple[float, float]
    readings: int
    offset_deg: Value
    gain: Value
    bow_deg: Value
    lag_s: Value
    hysteresis_deg: Value
    middle_deg: Value
    scatter_deg: float
    separable: bool


@dataclass(frozen=True, slots=True)
class ClipAnswer:
    """One clip, answered.

    Parameters
    ----------
    clip, sha256 : str
        The file's name, and its hash.
    side : {"left", "right"}
        The leg.
    plane, source : str
        Where the camera's direction comes from, and who found the leg.
    seconds : float
        How much of the film was measured.
    frames : tuple of ClipFrame
        Every picture that was looked at or followed.
    pictures : int
        How many the film has, as far as it was read.
    ends : tuple of ClipEnd
        Extension, then flexion.
    arc : Value
        Flexion end less extension end, degrees.
    displayed_arc_deg : float or None
        The same by the displayed numbers.
    displayed_source : {"given", "read"} or None
        Whether they were written down or read in the pictures; None where there are none.
    lacking : Lacking or None
        What the knee lacks of extension, where proven.
    cycles : int
        Whole cycles that were seen.
    cycle_s : Value or None
        How long one takes.
    against : tuple of DisplayAgainst
        The display against bars (where seen), then against the knee.
    camera_seen : bool
        Whether the camera's direction was seen; where not, nothing is proven.
    stopped : bool
        Whether it was stopped before the film's end.
    torn : str or None
        Why the file ended early.
    alarms, cautions : tuple of str
        What is said first; what to keep in mind.
    used : Settings
        The settings that it was judged by.
    chosen : tuple of ChosenPicture
        A few pictures as photos of a visit, the straightest first.
    visit : VisitAnswer or None
        What they say together, the machine's judgement with it; None where they say nothing.
    """

    clip: str
    sha256: str
    side: Side
    plane: Plane
    source: Source
    seconds: float
    frames: tuple[ClipFrame, ...]
    pictures: int
    ends: tuple[ClipEnd, ...]
    arc: Value
    displayed_arc_deg: float | None
    displayed_source: DisplayedSource | None
    lacking: Lacking | None
    cycles: int
    cycle_s: Value | None
    against: tuple[DisplayAgainst, ...]
    camera_seen: bool
    stopped: bool
    torn: str | None
    alarms: tuple[str, ...]
    cautions: tuple[str, ...]
    used: Settings
    chosen: tuple[ChosenPicture, ...] = ()
    visit: VisitAnswer | None = None

    @property
    def standing(self) -> Standing | None:
        """The worst standing of any limit at any end; None where nothing is prescribed."""
        found = {limit.standing for end in self.ends for limit in end.limits}
        for standing in ("past", "at", "inside"):
            if standing in found:
                return standing
        return None

    def __repr__(self) -> str:
        low, high = (f"{end.knee.value:.1f}°" for end in self.ends)
        return f"<ClipAnswer {self.side} knee {low} to {high} in {self.seconds:.0f} s>"


ClipOutcome = ClipAnswer | NotMeasured
"""What a clip that can be read gives."""
