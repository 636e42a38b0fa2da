"""Always an answer: how far display and knee are apart at most, and where the limits stand.

* The **bound** is the N within which displayed minus knee lies with 95 %, whatever the tolerance.
* A **limit** stands in one of three words: ``past`` (proven at 95 %, or the display or the
  machine's own setting is beyond the prescription), ``inside`` (proven at 95 %, by knee and
  display), ``at`` (neither). Only ``past`` is an alarm.

Flexion in degrees, 0 straight. A knee whose camera direction was never seen (``image``) proves
no ``inside``. Source of the 95 %: JCGM 106:2012 (probability of conformity), ISO 14253-1.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from knee_angle.angle.verdict import PROVEN, conformance_probability, verdict_of
from knee_angle.records import Verdict
from knee_angle.settings import Settings

__all__ = [
    "STEPS_DEG",
    "Apart",
    "Lacking",
    "LimitStanding",
    "Standing",
    "apart",
    "extension_lacking",
    "limit_standings",
]

Standing = Literal["past", "at", "inside"]
Which = Literal["flexion", "extension"]
Because = Literal["knee", "display", "setting"]

STEPS_DEG = (5.0, 10.0, 15.0, 20.0)
"""Differences for which it is said what is proven."""


@dataclass(frozen=True, slots=True)
class Apart:
    """How far display and knee are apart.

    Parameters
    ----------
    discrepancy_deg, u_deg : float
        Displayed minus knee, and its standard uncertainty.
    at_most_deg : float
        In size no larger than this (95 %).
    proven : tuple of (float, str)
        For each of `STEPS_DEG`: within, outside or undecided.
    """

    discrepancy_deg: float
    u_deg: float
    at_most_deg: float
    proven: tuple[tuple[float, Verdict], ...]


@dataclass(frozen=True, slots=True)
class LimitStanding:
    """Where one prescribed limit stands.

    Parameters
    ----------
    which : {"flexion", "extension"}
    limit_deg : float
        The prescription.
    standing : {"past", "at", "inside"}
    p_past : float
        Probability that the knee is beyond it.
    because : tuple of str
        What is past it: knee, display, setting.
    knee : {"past", "at", "inside"} or None
        Where the knee alone stands, beneath a display that is past it too; None where it was
        not measured.
    """

    which: Which
    limit_deg: float
    standing: Standing
    p_past: float
    because: tuple[Because, ...] = ()
    knee: Standing | None = None

    @property
    def seems_inside(self) -> bool:
        """Whether the knee's ± stays short of it, while the photo proves nothing."""
        return self.knee == "at" and self.p_past <= 1.0 - PROVEN


@dataclass(frozen=True, slots=True)
class Lacking:
    """A knee that does not reach straight, or its prescribed extension: by how much, proven."""

    deg: float
    at_least_deg: float
    wanted_deg: float


def apart(difference_deg: float, *, u_deg: float) -> Apart:
    """The bound on a difference, and what is proven at each of `STEPS_DEG`.

    Parameters
    ----------
    difference_deg, u_deg : float
        Displayed minus knee and its u; normal.
    """
    from scipy.optimize import brentq

    size = abs(difference_deg)

    def short(bound: float) -> float:
        return conformance_probability(size, u=u_deg, lower=-bound, upper=bound) - PROVEN

    at_most = size if u_deg == 0 else float(brentq(short, 0.0, size + 6.0 * u_deg))
    proven = tuple(
        (step, verdict_of(difference_deg, u=u_deg, tolerance=step)) for step in STEPS_DEG
    )
    return Apart(difference_deg, u_deg, at_most, proven)


def limit_standings(
    settings: Settings,
    *,
    knee_deg: float | None,
    u_deg: float = 0.0,
    displayed_deg: float | None = None,
    set_flexion_deg: float | None = None,
    set_extension_deg: float | None = None,
    camera_seen: bool = True,
) -> tuple[LimitStanding, ...]:
    """Where each prescribed limit stands, flexion first; none where nothing is prescribed.

    Parameters
    ----------
    settings : Settings
        The prescribed limits.
    knee_deg, u_deg : float
        The knee; None where it was not measured.
    displayed_deg : float, optional
        The machine's number.
    set_flexion_deg, set_extension_deg : float, optional
        The limits that the machine itself is set to.
    camera_seen : bool
        Whether the camera's direction was seen, not assumed.
    """
    found = []
    for which, limit, sign, machine_set in (
        ("flexion", settings.limit_flexion_deg, 1.0, set_flexion_deg),
        ("extension", settings.limit_extension_deg, -1.0, set_extension_deg),
    ):
        if limit is not None:
            found.append(
                _standing(
                    "flexion" if which == "flexion" else "extension",
                    limit,
                    sign,
                    knee=None if knee_deg is None else (knee_deg, u_deg),
                    displayed_deg=displayed_deg,
                    machine_set=machine_set,
                    camera_seen=camera_seen,
                )
            )
    return tuple(found)


def _standing(
    which: Which,
    limit: float,
    sign: float,
    *,
    knee: tuple[float, float] | None,
    displayed_deg: float | None,
    machine_set: float | None,
    camera_seen: bool,
) -> LimitStanding:
    """One limit; ``sign`` is 1 where more flexion goes past it, -1 where less does."""
    p_past = 0.5
    if knee is not None:
        value, u = sign * (knee[0] - limit), knee[1]
        p_past = 1.0 - conformance_probability(value, u=u, upper=0.0)
    because: list[Because] = []
    if knee is not None and p_past >= PROVEN:
        because.append("knee")
    if displayed_deg is not None and sign * (displayed_deg - limit) > 0:
        because.append("display")
    if machine_set is not None and sign * (machine_set - limit) > 0:
        because.append("setting")
    inside = knee is not None and camera_seen and p_past <= 1.0 - PROVEN
    alone: Standing = "past" if "knee" in because else "inside" if inside else "at"
    return LimitStanding(
        which, limit, "past" if because else alone, p_past, tuple(because),
        knee=None if knee is None else alone,
    )  # fmt: skip


def extension_lacking(settings: Settings, *, knee_deg: float, u_deg: float) -> Lacking | None:
    """By how much a knee at its extension end stays bent, where that is proven.

    Measured against the prescribed extension, or straight where none is prescribed.
    """
    limit = settings.limit_extension_deg
    wanted = 0.0 if limit is None else limit
    short = knee_deg - wanted
    if conformance_probability(short, u=u_deg, lower=0.0) < PROVEN:
        return None
    return Lacking(short, max(0.0, short - 1.645 * u_deg), wanted)
