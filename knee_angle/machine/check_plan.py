"""How many photos, at which settings, a machine check needs."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from knee_angle.errors import InvalidInput
from knee_angle.language import say
from knee_angle.machine.over_range import check_range

__all__ = ["CheckPlan", "plan_check"]

MOST_PHOTOS = 99
"""A plan that needs more photos is refused."""


@dataclass(frozen=True, slots=True)
class CheckPlan:
    """How many photos, at which angles.

    Parameters
    ----------
    angles_deg : tuple of float
        One a photo, rising.
    u_deg : float
        Largest standard uncertainty of the discrepancy over the range.
    u_offset_deg, u_gain : float
        Those of the line.
    floor_deg : float
        What no number of photos gets below: the shared u.
    """

    angles_deg: tuple[float, ...]
    u_deg: float
    u_offset_deg: float
    u_gain: float
    floor_deg: float

    @property
    def photos(self) -> int:
        """Number of photos."""
        return len(self.angles_deg)


def plan_check(
    *,
    wanted_u_deg: float,
    u_photo_deg: float,
    u_display_deg: float,
    low_deg: float,
    high_deg: float,
    common_u_deg: float = 0.0,
    step_deg: float = 1.0,
) -> CheckPlan:
    """How many photos, at which angles, reach a wanted u of the discrepancy.

    A line is known best with half the photos at each end of its range (D-optimal); one
    more in the middle tests whether it is a line at all. The photos of one end are taken
    a step and a degree apart (within a quarter of the range), so that they fall on different
    places of the step: at one angle the display's rounding is the same in all of them.

    Parameters
    ----------
    wanted_u_deg : float
        Wanted largest standard uncertainty of the discrepancy over the range.
    u_photo_deg, u_display_deg : float
        Of one photo's frame (or knee) angle, and of one reading; independent.
    low_deg, high_deg : float
        The range, which must be allowed for the patient.
    common_u_deg : float
        What all photos share (bars by tags: `bars.tags_shared_u_deg`); more photos do not lower it.
    step_deg : float
        The display's step.

    Raises
    ------
    InvalidInput
        A wanted u that no number of photos, or more than 99, can reach.
    """
    check_range(low_deg, high_deg)
    point = math.hypot(u_photo_deg, u_display_deg)
    if not (point > 0 and min(u_photo_deg, u_display_deg, common_u_deg) >= 0):
        raise InvalidInput(say("u_photo_deg or u_display_deg must be positive, and none negative"))
    if not wanted_u_deg > common_u_deg:
        raise InvalidInput(
            say(
                "the wanted u must be more than the {common_u_deg:.2f}° that all photos share and "
                "that more of them do not lower, but got {wanted_u_deg:g}°: ask for more",
                common_u_deg=common_u_deg, wanted_u_deg=wanted_u_deg,
            )
        )  # fmt: skip
    for each in range(1, (MOST_PHOTOS - 1) // 2 + 1):
        plan = _plan(each, point, low_deg, high_deg, common_u_deg, apart=step_deg + 1.0)
        if plan.u_deg <= wanted_u_deg:
            return plan
    raise InvalidInput(
        say(
            "the wanted u must be reachable with {most_photos} photos, which give "
            "{u_deg:.3g}°, but got {wanted_u_deg:g}°: lower the u of one photo first",
            most_photos=MOST_PHOTOS, u_deg=plan.u_deg, wanted_u_deg=wanted_u_deg,
        )
    )  # fmt: skip


def _plan(
    each: int, u_point: float, low: float, high: float, common: float, *, apart: float
) -> CheckPlan:
    """About `each` photos at each end, `apart` from one another, and one in the middle."""
    quarter = (high - low) / 4
    turns = max(1, math.ceil(each * apart / quarter))
    # Beyond a quarter of the range they start again in between the first ones.
    away = [(i * apart) % quarter + (i * apart // quarter) * apart / turns for i in range(each)]
    angles = sorted([*(low + a for a in away), (low + high) / 2, *(high - a for a in away)])
    x = np.array(angles)
    spread = float(np.sum((x - x.mean()) ** 2))
    u_gain = u_point / math.sqrt(spread)
    centre = u_point**2 / len(x) + common**2
    return CheckPlan(
        angles_deg=tuple(float(angle) for angle in angles),
        u_deg=math.sqrt(centre + (u_gain * (high - low) / 2) ** 2),
        u_offset_deg=math.sqrt(centre + (u_gain * x.mean()) ** 2),
        u_gain=u_gain,
        floor_deg=common,
    )
