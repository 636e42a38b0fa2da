"""What was computed and judged: angles, bars, lengths, and display against knee.

Conventions and units as in `knee_angle.records`, where all of these are imported from.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from knee_angle.assumptions import COVERAGE

__all__ = [
    "Angle",
    "Comparison",
    "Displayed",
    "DisplayedSource",
    "Finding",
    "FindingKind",
    "Frame",
    "FrameSource",
    "JudgedLength",
    "Segments",
    "Unseparable",
    "Verdict",
]

FrameSource = Literal["dot", "network", "pose", "manual", "tag"]
"""What showed the machine's bars: points of that source, or tags stuck on them."""
Verdict = Literal["within", "outside", "undecided"]
FindingKind = Literal["none", "calibration", "fit", "both", "undecided", "not_separable"]
Unseparable = Literal["not_seen", "not_all", "doubted", "guessed", "unused", "cards", "picture"]
"""Why the parts cannot be told apart: bars not seen, not all of their dots used, one of those
doubted, bars a network's guess, that beside dots that were not used, tags that cannot be right,
a picture that may not be as taken."""
DisplayedSource = Literal["given", "read"]


@dataclass(frozen=True, slots=True)
class Angle:
    """An angle with its uncertainty and where that comes from.

    Parameters
    ----------
    deg : float
        The estimate.
    u_deg : float
        Standard uncertainty about the estimate (a known bias counts into it).
    interval_deg : (float, float)
        95 % coverage interval; not always centred on the estimate.
    budget_deg : Mapping of str to float
        Standard uncertainty that each line alone would give.
    found_interval_deg : (float, float)
        The 95 % interval with the placement of the points on the skin left out:
        how well the *shown* points were measured.
    """

    deg: float
    u_deg: float
    interval_deg: tuple[float, float]
    budget_deg: Mapping[str, float]
    found_interval_deg: tuple[float, float]

    def __post_init__(self) -> None:
        object.__setattr__(self, "budget_deg", MappingProxyType(dict(self.budget_deg)))


@dataclass(frozen=True, slots=True)
class Frame:
    """The machine's bars and hinge against the leg, from one photo.

    Parameters
    ----------
    deg, u_deg : float
        Flexion that the bars make, and its u.
    interval_deg : (float, float)
        95 % coverage interval.
    fit_deg, u_fit_deg : float
        Fit part: frame minus knee. What both share (camera, scale) cancels in its u.
    distal_mm, anterior_mm : float
        The hinge seen from the knee: distal along the thigh, anterior.
    hinge_cov_mm2 : (float, float, float)
        Covariance of the two as (dd, da, aa), mm².
    cov_fit_hinge : (float, float)
        Covariance of the fit part with distal and anterior, deg mm.
    source : str
        What showed the bars: their points (by the least sure of them) or their tags.
    u_shared_deg : float
        Part of `u_deg` that is the same in every photo of one machine (how its tags are
        stuck): it moves an offset and never a gain.
    tags_minus_points_deg : (float, float) or None
        Where both showed the bars, and no network guessed the points: how far they differ, and
        the u of that.
    hinge_shared_mm : tuple of (float, float)
        What 1 u of every input that all photos of one leg in one machine share moves the
        hinge by (distal, anterior): the bars' depth before the leg, then how points and
        tags lie on the bars. Part of `hinge_cov_mm2`.
    """

    deg: float
    u_deg: float
    interval_deg: tuple[float, float]
    fit_deg: float
    u_fit_deg: float
    distal_mm: float
    anterior_mm: float
    hinge_cov_mm2: tuple[float, float, float]
    cov_fit_hinge: tuple[float, float]
    source: FrameSource = "dot"
    u_shared_deg: float = 0.0
    tags_minus_points_deg: tuple[float, float] | None = None
    hinge_shared_mm: tuple[tuple[float, float], ...] = ()

    @property
    def u_hinge_mm(self) -> float:
        """Standard uncertainty along one coordinate (root mean square of both), mm."""
        return math.sqrt((self.hinge_cov_mm2[0] + self.hinge_cov_mm2[2]) / 2.0)


@dataclass(frozen=True, slots=True)
class Segments:
    """Lengths of thigh and lower leg between the marks, mm, with their u.

    Trochanter to epicondyle and epicondyle to malleolus: where a machine's section
    lengths start from, before the leg goes in.
    """

    thigh_mm: float
    u_thigh_mm: float
    shank_mm: float
    u_shank_mm: float


@dataclass(frozen=True, slots=True)
class Displayed:
    """The machine's number, in this package's convention, and where it came from.

    ``probability``: that it was read right, where it was read off the photo.
    """

    deg: float
    source: DisplayedSource = "given"
    probability: float | None = None


@dataclass(frozen=True, slots=True)
class Comparison:
    """Displayed against measured, judged against a tolerance.

    ``verdict`` follows ``p_within`` (JCGM 106): ``within`` from 0.95 up, ``outside`` from 0.05
    down, everything else is ``undecided``.
    """

    discrepancy_deg: float
    u_deg: float
    tolerance_deg: float
    p_within: float
    verdict: Verdict

    @property
    def interval_deg(self) -> tuple[float, float]:
        """95 % interval of the discrepancy, from its normal approximation."""
        half = COVERAGE * self.u_deg
        return self.discrepancy_deg - half, self.discrepancy_deg + half


@dataclass(frozen=True, slots=True)
class JudgedLength:
    """A length judged against a tolerance, mm; the verdict as in `Comparison`."""

    mm: float
    u_mm: float
    tolerance_mm: float
    p_within: float
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class Finding:
    """Which of the two causes a disagreement has, and what to check next.

    displayed - knee = (displayed - frame) + (frame - knee)
    discrepancy      = calibration part    + fit part

    Parameters
    ----------
    kind : str
        ``none``, ``calibration``, ``fit``, ``both``: proven; ``undecided``: not proven
        either way; ``not_separable``: the machine's bars were not seen. A fit fault is proven
        by the fit part or by the hinge's place.
    calibration, fit : Comparison or None
        Each part against its own tolerance; None where it is not separable.
    explained_deg, u_explained_deg : float or None
        How much of the fit part the hinge's offset explains (planar model).
    support_mm : (float, float) or None
        Where the model has the lower leg held, below the knee, mm, and its u.
    advice : str
        What to check next, in words of the trade.
    hinge : str
        Whether the hinge's place is proven within or outside its tolerance about the knee.
    why : str or None
        Why it is ``not_separable``; None of one that was kept before that was told.
    """

    kind: FindingKind
    calibration: Comparison | None
    fit: Comparison | None
    explained_deg: float | None
    u_explained_deg: float | None
    advice: str
    support_mm: tuple[float, float] | None = None
    hinge: Verdict = "undecided"
    why: Unseparable | None = None
