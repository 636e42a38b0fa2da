"""Prescribed limits in three words: past, at, inside.

========== =================================================================================
``past``   the knee is proven beyond the limit (at least 95 %), or the display or the
           machine's own setting stands beyond it: a machine told to go further is past the
           prescription whatever the knee does
``inside`` the knee is proven inside (at least 95 %), and so stand display and setting
``at``     neither
========== =================================================================================

Only ``past`` is loud. Whatever comes in counts as flexion (`comparison.flexion_of_display`):
a display that counts otherwise is converted before anything is compared here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from knee_angle.angle.verdict import PROVEN, conformance_probability

__all__ = ["Limit", "LimitSide", "LimitWord", "judge_limits"]

LimitWord = Literal["past", "at", "inside"]
LimitSide = Literal["flexion", "extension"]
Cause = Literal["knee", "display", "machine setting"]


@dataclass(frozen=True, slots=True)
class Limit:
    """One prescribed limit, judged.

    Parameters
    ----------
    side : {"flexion", "extension"}
        Which limit.
    prescribed_deg : float
        The limit, as flexion.
    word : {"past", "at", "inside"}
        As above.
    causes : tuple of str
        What is past it: "knee", "display", "machine setting"; empty unless past.
    p_past : float
        Probability that the knee is past it.
    """

    side: LimitSide
    prescribed_deg: float
    word: LimitWord
    causes: tuple[Cause, ...]
    p_past: float


def judge_limits(
    *,
    knee_deg: float,
    u_knee_deg: float,
    camera_seen: bool = True,
    displayed_deg: float | None = None,
    set_flexion_deg: float | None = None,
    set_extension_deg: float | None = None,
    limit_flexion_deg: float | None = None,
    limit_extension_deg: float | None = None,
) -> tuple[Limit, ...]:
    """Every prescribed limit against knee, display and the machine's setting.

    Parameters
    ----------
    knee_deg, u_knee_deg : float
        The measured flexion and its u.
    camera_seen : bool
        Where the camera's direction was only assumed, the knee proves neither word.
    displayed_deg : float or None
        The machine's number.
    set_flexion_deg, set_extension_deg : float or None
        The ends of the motion as the machine is set.
    limit_flexion_deg, limit_extension_deg : float or None
        The prescription: to bend no further than the first and to straighten no further than
        the second. A limit that is not known is not judged.

    Returns
    -------
    tuple of Limit
        Flexion first; the loud one is the caller's to put first.
    """
    given: tuple[tuple[LimitSide, float | None, float | None, float], ...] = (
        ("flexion", limit_flexion_deg, set_flexion_deg, 1.0),
        ("extension", limit_extension_deg, set_extension_deg, -1.0),
    )
    judged = []
    for side, limit, setting, sign in given:
        if limit is None:
            continue
        p_past = conformance_probability(
            sign * knee_deg, u=u_knee_deg, lower=math.nextafter(sign * limit, math.inf)
        )
        causes: list[Cause] = []
        if camera_seen and p_past >= PROVEN:
            causes.append("knee")
        if displayed_deg is not None and sign * displayed_deg > sign * limit:
            causes.append("display")
        if setting is not None and sign * setting > sign * limit:
            causes.append("machine setting")
        inside = camera_seen and 1.0 - p_past >= PROVEN
        word: LimitWord = "past" if causes else "inside" if inside else "at"
        judged.append(Limit(side, limit, word, tuple(causes), p_past))
    return tuple(judged)
