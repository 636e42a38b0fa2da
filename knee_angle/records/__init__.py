"""What every part of the program passes on: frozen values with their meaning.

Conventions, valid everywhere in this package
---------------------------------------------
* **Flexion** in degrees: 0 is a straight knee, flexion positive,
  hyperextension negative; 180 degrees minus the angle hip-knee-ankle.
* **Pixels** are continuous, x right, y down; (0, 0) is the outer corner of the
  top-left pixel of the *upright* photo at full size (its EXIF turn applied), so
  the centre of the top-left pixel is (0.5, 0.5).
* **Lengths** in millimetres.
* **u** is a standard uncertainty, an ``interval`` is a 95 % coverage interval.
* **Discrepancy** is displayed minus knee: positive when the machine claims more
  bend than the knee has.

``judged``: what was computed and judged; ``lens``: what a photo was taken through; ``beside``,
``shown``: what stands beside; ``displayed``: a display's number taken as flexion; ``code``: what
people, machines and raters may be called.
Nothing here reads a file, a clock or a picture.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from html import escape
from types import MappingProxyType
from typing import Literal

from knee_angle.records.beside import BarsAlone, CropJpeg
from knee_angle.records.judged import (
    Angle,
    Comparison,
    Displayed,
    Finding,
    FindingKind,
    Frame,
    FrameSource,
    JudgedLength,
    Segments,
    Unseparable,
    Verdict,
)
from knee_angle.records.lens import Lens
from knee_angle.records.shown import DisplaySeen
from knee_angle.settings import Settings

__all__ = [
    "LEG_POINTS",
    "MACHINE_POINTS",
    "POINT_NAMES",
    "Angle",
    "BarTags",
    "BarsAlone",
    "Comparison",
    "CropJpeg",
    "Direction",
    "Displayed",
    "Finding",
    "FindingKind",
    "Frame",
    "FrameSource",
    "HingeInTags",
    "JudgedLength",
    "Landmark",
    "Landmarks",
    "LegInView",
    "Lens",
    "Machine",
    "Measurement",
    "NotMeasured",
    "Outcome",
    "Plane",
    "PointName",
    "Quad",
    "Segments",
    "Side",
    "Source",
    "Unreadable",
    "Unseparable",
    "UnusedDot",
    "Verdict",
    "View",
    "html_of",
]

PointName = Literal["hip", "knee", "ankle", "heel", "toe", "thigh_bar", "hinge", "shank_bar"]
LEG_POINTS: tuple[PointName, ...] = ("hip", "knee", "ankle")
MACHINE_POINTS: tuple[PointName, ...] = ("thigh_bar", "hinge", "shank_bar")
POINT_NAMES: tuple[PointName, ...] = (*LEG_POINTS, "heel", "toe", *MACHINE_POINTS)

Source = Literal["dot", "network", "pose", "manual"]
Side = Literal["left", "right"]
Plane = Literal["tag", "estimated", "image"]
Quad = tuple[tuple[float, float], tuple[float, float], tuple[float, float], tuple[float, float]]
"""Four corners (x, y) of a region in full-size pixels, in order around it."""


@dataclass(frozen=True, slots=True)
class Landmark:
    """One point in the upright photo.

    Parameters
    ----------
    x_px, y_px : float
        Position, full-size pixels.
    cov_px2 : (float, float, float)
        Covariance of the position as (xx, xy, yy), px².
    source : {"dot", "network", "pose", "manual"}
        Who found it.
    """

    x_px: float
    y_px: float
    cov_px2: tuple[float, float, float]
    source: Source

    @property
    def u_px(self) -> float:
        """Standard uncertainty along one coordinate (root mean square of both), px."""
        return math.sqrt((self.cov_px2[0] + self.cov_px2[2]) / 2.0)

    @classmethod
    def round(cls, x_px: float, y_px: float, *, u_px: float, source: Source) -> Landmark:
        """A point known equally well in every direction."""
        return cls(x_px, y_px, (u_px**2, 0.0, u_px**2), source)


@dataclass(frozen=True, slots=True)
class UnusedDot:
    """A dot that is plainly in the photo and was not used.

    Parameters
    ----------
    point : Landmark
        Its centre.
    diameter_px : float
        Full-size pixels.
    colour : str
        In a word or two.
    name : str or None
        The point that it most probably marks, where that can be told.
    why : str
        Why it was not used.
    """

    point: Landmark
    diameter_px: float
    colour: str
    name: PointName | None = None
    why: str = ""


@dataclass(frozen=True, slots=True)
class Landmarks:
    """The points one detector (or the fusion of all) found in one photo.

    Parameters
    ----------
    points : Mapping of name to Landmark
        Only what was found.
    side : {"left", "right"} or None
        The leg in the machine, None where the detector cannot tell.
    diameter_px : float or None
        Typical diameter of the dots in this photo, full-size pixels (a scale).
    cautions : tuple of str
        What a person should check, in plain words.
    unused_dots : tuple of UnusedDot
        Dots that were seen and not used; a caution says why.
    """

    points: Mapping[PointName, Landmark]
    side: Side | None = None
    diameter_px: float | None = None
    cautions: tuple[str, ...] = ()
    unused_dots: tuple[UnusedDot, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "points", MappingProxyType(dict(self.points)))

    def has(self, *names: PointName) -> bool:
        """Whether all the named points were found."""
        return all(name in self.points for name in names)


@dataclass(frozen=True, slots=True, repr=False)
class NotMeasured:
    """A refusal: the photo was read, but no honest number can be given.

    Parameters
    ----------
    reason : str
        Why, in one plain sentence.
    advice : str
        How to photograph (or help) so that it works.
    alarms : tuple of str
        A prescribed limit that the displayed number lies past: said first and loudest.
    fault : bool
        Whether a mistake of this software is the reason, not the photo.
    unused_dots : tuple of UnusedDot
        Dots that were seen and make no leg beyond doubt.
    bars, display : BarsAlone or None, DisplaySeen or None
        The machine's bars, where both tags on them were seen; display as of a `Measurement`.
    kind : str or None
        What else is to be said hangs on it: no dots that make a leg, no leg or several seen
        without them, a machine that may be empty.
    """

    reason: str
    advice: str
    alarms: tuple[str, ...] = ()
    fault: bool = False
    bars: BarsAlone | None = None
    display: DisplaySeen | None = None

    unused_dots: tuple[UnusedDot, ...] = ()
    kind: Literal["no_dots", "no_leg", "two_legs", "maybe_empty"] | None = None

    def __repr__(self) -> str:
        return _in_a_line("NotMeasured", *self.alarms, self.reason, f"next: {self.advice}")


@dataclass(frozen=True, slots=True, repr=False)
class Unreadable:
    """A photo that could not be opened or decoded, with the reason; alarms as above."""

    reason: str
    alarms: tuple[str, ...] = ()

    def __repr__(self) -> str:
        return _in_a_line("Unreadable", *self.alarms, self.reason)


def html_of(rows: Iterable[tuple[str, str]], *, alarms: Iterable[str] = ()) -> str:
    """Names and values as a table for a notebook, with the alarms above it."""
    loudest = "".join(f"<p><strong>{escape(alarm)}</strong></p>" for alarm in alarms)
    cells = "".join(f"<tr><th>{escape(k)}</th><td>{escape(v)}</td></tr>" for k, v in rows)
    return f"{loudest}<table>{cells}</table>"


def _in_a_line(kind: str, *said: str) -> str:
    """A result in one line."""
    return f"<{kind}: {'; '.join(part.rstrip('.') for part in said)}>"


@dataclass(frozen=True, slots=True)
class View:
    """How the camera stands to the leg's sagittal plane, in camera coordinates.

    Parameters
    ----------
    plane : {"tag", "estimated", "image"}
        Where it comes from; ``image`` means a stated prior, and the reported angle is
        the flat one.
    normal : (float, float, float)
        Best unit normal, towards the camera (see :mod:`knee_angle.angle.geometry`).
    tilt_cov_deg2 : (float, float, float)
        Covariance of the normal's tilt as (aa, ab, bb), degrees².
    knee_distance_mm : float
        Distance of the plane through the knee from the lens, along the normal.
    u_distance_mm : float
        Its standard uncertainty.
    other_normal : (float, float, float) or None
        The second solution of a flat target where the picture cannot exclude it.
    p_other : float
        Probability of the second solution.
    leg_turn_cov_deg2 : (float, float, float)
        Covariance of the leg's own turn against the machine's plane, degrees²: it moves
        the leg's normal and not that of the bars. Zero where `normal` is the leg's own.
    tilt_by_lens_deg : tuple of (float, float)
        By how much (a, b) the normal that is seen in the picture leans with 1 u of the lens's
        focal length and of its principal point's x and y; empty where that one is in no doubt.
    """

    plane: Plane
    normal: tuple[float, float, float]
    tilt_cov_deg2: tuple[float, float, float]
    knee_distance_mm: float
    u_distance_mm: float
    other_normal: tuple[float, float, float] | None = None
    p_other: float = 0.0
    leg_turn_cov_deg2: tuple[float, float, float] = (0.0, 0.0, 0.0)
    tilt_by_lens_deg: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class HingeInTags:
    """Where a machine's hinge lies seen from the tags on its bars (see `bars`).

    Parameters
    ----------
    thigh_mm, shank_mm : (float, float)
        Its place in each tag's own axes: x as printed, y down, origin in the middle.
    cov_mm2 : tuple of 4 tuples
        Covariance of the four numbers, thigh first.
    """

    thigh_mm: tuple[float, float]
    shank_mm: tuple[float, float]
    cov_mm2: tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True)
class BarTags:
    """The two tags on the machine's bars in one photo.

    Their size shows how far the bars are; the view's distance is then that of the bars
    plus the bars' usual depth before the knee.

    Parameters
    ----------
    thigh_px, shank_px : Quad
        Corners as printed (from top left, clockwise).
    u_px : float
        ± of a corner's coordinate.
    hinge : HingeInTags or None
        Where the hinge lies, once several photos have shown it.
    """

    thigh_px: Quad
    shank_px: Quad
    u_px: float
    hinge: HingeInTags | None = None


@dataclass(frozen=True, slots=True)
class Direction:
    """The sagittal plane's normal as a detector estimates it from the picture.

    Parameters
    ----------
    normal : (float, float, float)
        Unit normal towards the camera, camera coordinates of the full photo.
    tilt_cov_deg2 : (float, float, float)
        Covariance of its tilt as (aa, ab, bb), degrees².
    """

    normal: tuple[float, float, float]
    tilt_cov_deg2: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class LegInView:
    """All that the angle is computed from.

    Parameters
    ----------
    points : Mapping of name to Landmark
        At least hip, knee and ankle.
    side : {"left", "right"}
        The leg, photographed from its lateral side.
    lens, view : Lens, View
        The camera and how it stands to the leg.
    placement_mm : (float, float, float)
        ± of hip, knee and ankle mark against the bony point, per coordinate, mm.
    thigh_mm : float or None
        Typed length between hip and knee mark, where it is what gives the scale; the
        view's distance is then only a first guess.
    bar_tags : BarTags or None
        Tags on the machine's bars, where both were seen.
    doubted : tuple of str
        Dots of the machine that lie where no machine has them: its points are then left out.
    """

    points: Mapping[PointName, Landmark]
    side: Side
    lens: Lens
    view: View
    placement_mm: tuple[float, float, float]
    thigh_mm: float | None = None
    bar_tags: BarTags | None = None
    doubted: tuple[PointName, ...] = ()

    @property
    def provable(self) -> bool:
        """Whether anything can be proven: the camera's direction was seen, the lens is known."""
        return self.view.plane != "image" and self.lens.trusted


@dataclass(frozen=True, slots=True)
class Machine:
    """What the photo shows of the machine: its points, and its frame where all are seen."""

    points: Mapping[PointName, Landmark]
    frame: Frame | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "points", MappingProxyType(dict(self.points)))


@dataclass(frozen=True, slots=True, repr=False)
class Measurement:
    """One photo, answered, with all it was computed from.

    Parameters
    ----------
    photo : str
        The photo's name.
    leg : LegInView
        Points, side, lens and view that the angle was computed from.
    landmarks : Landmarks
        Every point that was found, with the detector's cautions.
    knee : Angle
        Flexion.
    flat_deg : float
        Flexion flat in the picture, without any correction: for comparison only.
    machine : Machine or None
        The machine's points, where any was seen.
    displayed : Displayed or None
        The machine's number, where it was given or clearly read.
    comparison : Comparison or None
        Displayed against knee.
    finding : Finding or None
        Which part of the disagreement is whose, where a displayed number was given.
    segments : Segments or None
        Lengths of thigh and lower leg, where the photo gives a scale of its own.
    alarms : tuple of str
        A prescribed limit that the knee's interval reaches past, or the displayed number:
        said first and loudest.
    tags : tuple of Quad
        Printed tags that were seen.
    cautions : tuple of str
        What to keep in mind, in plain sentences.
    seconds : float
        Time the steps took, without reading the photo.
    photo_sha256 : str or None
        Hash of the photo's file (hex): which photo the points belong to.
    settings : Settings or None
        What it was computed with; None where it was kept before that was.
    rater, display : str or None, DisplaySeen or None
        Code of who placed the points by hand; what displays in the photo show. Where told, asked.
    """

    photo: str
    leg: LegInView
    landmarks: Landmarks
    knee: Angle
    flat_deg: float
    machine: Machine | None = None
    displayed: Displayed | None = None
    comparison: Comparison | None = None
    finding: Finding | None = None
    segments: Segments | None = None
    alarms: tuple[str, ...] = ()
    tags: tuple[Quad, ...] = ()
    cautions: tuple[str, ...] = ()
    seconds: float = 0.0
    photo_sha256: str | None = None
    settings: Settings | None = None
    rater: str | None = None
    display: DisplaySeen | None = None

    @property
    def plane(self) -> Plane:
        """Where the camera's direction comes from, for a measurement."""
        return self.leg.view.plane

    @property
    def side(self) -> Side:
        """The leg in the machine."""
        return self.leg.side

    def __repr__(self) -> str:
        told = [f"{name} {value}" for name, value in self._told()]
        return _in_a_line(f"Measurement {self.photo}", *self.alarms, *told)

    def _repr_html_(self) -> str:
        cautions = (("caution", caution) for caution in self.cautions)
        return html_of((("photo", self.photo), *self._told(), *cautions), alarms=self.alarms)

    def _told(self) -> tuple[tuple[str, str], ...]:
        """What a notebook shows: names and values, a line each."""
        low, high = self.knee.interval_deg
        told = [("knee", f"{self.knee.deg:.1f}° ({low:.1f}° to {high:.1f}°), {self.side}")]
        if self.displayed is not None and self.comparison is not None:
            told.append(("display", f"{self.displayed.deg:g}°"))
            told.append(("verdict", self.comparison.verdict))
        if self.finding is not None:
            told.append(("finding", self.finding.kind))
        return tuple(told)


Outcome = Measurement | NotMeasured | Unreadable
