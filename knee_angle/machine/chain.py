"""Hip, knee and heel in the machine as a closed chain: the heel seated on its plate.

Conventions
-----------
The sagittal plane; lengths mm, angles flexion in degrees, 0 straight. **Bars** is the
flexion of the machine's two sections, **knee** the leg's. The hinge's place is seen from
the knee in thigh axes: ``distal`` along the thigh towards the foot, ``anterior`` forward,
as everywhere. Faults are positive where a section is too long for this leg, and where
the patient lies too far **up** the bed (away from the foot).

Derivation
----------
The thigh section of length A = a + thigh fault turns about P on the base. The lower-leg
section of length B = b + lower-leg fault ends at the heel, on a carriage that slides
along a straight line through P. The leg, thigh a and lower leg b (knee to heel), runs from
the hip to the same heel. By the law of cosines, with C the distance P to heel::

    C(bars)^2 = A^2 + B^2 + 2 A B cos(bars)         the room that the sections leave
    H(knee)^2 = a^2 + b^2 + 2 a b cos(knee)         the reach of the leg, hip to heel

A hip that stays where it lies, s = place mm up the bed from P, closes the chain::

    H(knee) = C(bars) + s                                                  (give = 0)

A leg that only hangs in its slings is bent as the bars are, and its pelvis moves along the
bed by all that does not fit, m = C(bars) + s - H(bars). **Give** is the share of m that the
pelvis takes up; the knee has to take up the rest::

    H(knee + slack) = (1 - give) (C(bars) + s) + give H(bars)              (closure)

so that give 0 is the chain and give 1 is knee = bars whatever the faults. ``slack`` is a
constant: by so much the leg is straighter than what closes the chain (slings, a heel that
stands off its seat). The right side is called the **room**; then::

    knee = acos((room^2 - a^2 - b^2) / (2 a b)) - slack                    (forward)

Backwards, room falls as the bars bend, so the bars for a knee are found by halving; with
give 0 they are closed: cos(bars) = ((H - s)^2 - A^2 - B^2) / (2 A B).

From H dH = -a b sin(knee) dknee, the knee's derivatives are those of the room times
``-H / (a b sin(knee))``: without bound near a straight leg, where a few mm of section are
ten degrees of knee.

Put the heel at the origin, P and hip on the line to its left. The triangle hip, knee, heel
has at the heel the angle atan2(a sin k, b + a cos k) and at the hip atan2(b sin k,
a + b cos k); P, hinge, heel likewise with A, B and the bars. Knee and hinge follow, and
their difference turned by the angle at the hip is (distal, anterior). All of it is smooth
through a straight leg.

Give may also depend on the angle. A pelvis that is held along the bed as by one spring,
and slings that turn the leg towards the bars as by another, settle where the sum of

    (1 - give) (H(knee) - C(bars) - s)^2 + give (SLING_MM (knee - bars))^2         (slings)

is least: near straight, where the leg has no leverage against the bed, the slings win and
the knee follows the bars; bent, the chain wins. With G = dH/dknee the least is where
``(1 - give) G (H - C - s) + give SLING_MM^2 (knee - bars)`` is zero; dividing it by
``(1 - give) G^2 + give SLING_MM^2`` gives how many degrees the knee is off it (to first
order), and with that as its step Newton's method finds it from knee = bars.

Or the knee may keep to the chain by a share and to the bars by the rest, whatever moves, with
``chain's knee`` that of give 0::

    knee + slack = (1 - give) (chain's knee) + give bars                    (between)

The three agree without faults and where give is 0 or 1, and differ by degrees near a straight
leg that the sections are too long for: which of them a leg follows is a doubt too.

Straight and beyond
-------------------
Where the room is longer than a + b the leg is straight and the pelvis is pulled along by
the rest, whatever its give. Below zero, the bars bend back. A knee that
came straight on the way follows them (without faults knee = bars there too); one that
never came straight, because a section is too short, stays bent forward.

Source: the model and its figures are the project's own; no paper seen gives degrees per mm
for a seated heel. A real pelvis lies somewhere between, so give is a doubt to carry
(``holding``), and no figure near a straight leg is better than its millimetres.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from knee_angle.errors import InvalidInput

__all__ = [
    "BARS_LIMITS_DEG",
    "Chain",
    "between_mm",
    "closure_mm",
    "hinge_mm",
    "knee_between_deg",
    "knee_flexion_deg",
    "knee_in_slings_deg",
    "off_slings_deg",
]

Floats = NDArray[np.float64]

BARS_LIMITS_DEG = (-30.0, 170.0)
"""Bars that the model answers: beyond, no machine goes, and the leg is folded."""


SLING_MM = 200.0
"""Lever by which a sling turns its part of the leg (our own: about half a thigh)."""
SLING_STEPS = 8
SNAP_DEG = 5.0
"""Near straight the search starts from a knee that is bent, as the machine brings it."""


@dataclass(frozen=True, slots=True, eq=False)
class Chain:
    """A leg in a machine. Every field is a number or an array; they broadcast.

    Parameters
    ----------
    thigh_mm, lower_mm : array_like
        The leg: hip to knee, knee to heel.
    thigh_fault_mm, lower_fault_mm : array_like
        Section minus leg; positive: the section is too long.
    place_mm : array_like
        The hip up the bed from the machine's hip end; positive: away from the foot.
    give : array_like
        Share of the mismatch that the pelvis takes up, 0 to 1.
    slack_deg : array_like
        Constant by which the leg is straighter than what closes the chain.
    """

    thigh_mm: ArrayLike
    lower_mm: ArrayLike
    thigh_fault_mm: ArrayLike = 0.0
    lower_fault_mm: ArrayLike = 0.0
    place_mm: ArrayLike = 0.0
    give: ArrayLike = 0.0
    slack_deg: ArrayLike = 0.0

    def __post_init__(self) -> None:
        """Lengths must be lengths, and a share a share."""
        for name, length in (
            ("thigh_mm", np.asarray(self.thigh_mm)),
            ("lower_mm", np.asarray(self.lower_mm)),
            ("thigh_mm + thigh_fault_mm", np.add(self.thigh_mm, self.thigh_fault_mm)),
            ("lower_mm + lower_fault_mm", np.add(self.lower_mm, self.lower_fault_mm)),
        ):
            _require((length > 0) & (length < np.inf), name, "must be positive", length)
        give = np.asarray(self.give)
        _require((give >= 0) & (give <= 1), "give", "must be between 0 and 1", give)


def knee_flexion_deg(bars_deg: ArrayLike, chain: Chain, *, fold: bool = False) -> Floats:
    """Forward: the knee's flexion for a flexion of the bars; shapes broadcast, degrees.

    With `fold`, a leg that the room would fold flat is at 180 degrees instead of refused.

    Raises
    ------
    InvalidInput
        Bars beyond `BARS_LIMITS_DEG`, or a leg that the room folds flat.

    Examples
    --------
    >>> round(float(knee_flexion_deg(90, Chain(420, 400, thigh_fault_mm=20))), 2)
    87.07
    """
    bars = _checked_bars(bars_deg)
    thigh, lower = _leg(chain)
    cosine = _cosine(_room(bars, chain), thigh, lower)
    if not fold:
        _require(cosine >= -1.0, "the room for the leg", "must not fold it flat", cosine)
    bend = _forward_sign(bars, chain) * np.arccos(np.clip(cosine, -1.0, 1.0))
    return np.asarray(np.degrees(bend) - np.asarray(chain.slack_deg))


def hinge_mm(bars_deg: ArrayLike, knee_deg: ArrayLike, chain: Chain) -> tuple[Floats, Floats]:
    """The machine's hinge seen from the knee, (distal, anterior), mm, thigh axes.

    Parameters
    ----------
    bars_deg, knee_deg : array_like, shape (...)
        Flexion of bars and knee: of one chain, or both as measured.
    """
    thigh, lower = _leg(chain)
    bars = np.radians(_checked_bars(bars_deg))
    knee = np.radians(np.asarray(knee_deg, dtype=float) + np.asarray(chain.slack_deg))
    upper, under = _sections(chain)
    bent, straight = np.sin(knee), np.cos(knee)
    at_hip = np.arctan2(lower * bent, thigh + lower * straight)
    at_heel = np.arctan2(thigh * bent, lower + thigh * straight)
    of_machine = np.arctan2(upper * np.sin(bars), under + upper * np.cos(bars))
    along = lower * np.cos(at_heel) - under * np.cos(of_machine)
    up = under * np.sin(of_machine) - lower * np.sin(at_heel)
    across, ahead = np.sin(at_hip), np.cos(at_hip)
    return np.asarray(along * ahead + up * across), np.asarray(up * ahead - along * across)


def closure_mm(bars_deg: ArrayLike, knee_deg: ArrayLike, chain: Chain) -> Floats:
    """How far a measured knee and measured bars miss closing the chain, mm.

    Reach of the leg minus the room for it, or minus its whole length where there is more
    room: then the pelvis is pulled. Positive: the leg is too straight. Without the knee's
    own steepness near a straight leg.
    """
    knee = np.asarray(knee_deg, dtype=float) + np.asarray(chain.slack_deg)
    return _missed_mm(knee, _room(_checked_bars(bars_deg), chain), chain)


def knee_in_slings_deg(bars_deg: ArrayLike, chain: Chain) -> Floats:
    """Forward with slings: the knee where pelvis and slings balance; shapes broadcast.

    For shares of give from 0.2 on: with less, a leg near straight snaps through.
    """
    bars = _checked_bars(bars_deg)
    slack = np.asarray(chain.slack_deg)
    knee = np.where(bars > 0, np.maximum(bars, SNAP_DEG), bars) + 0.0 * _room(bars, chain)
    seated = _seated(bars, chain)
    for _ in range(SLING_STEPS):
        pull, held, exact = _balance(bars, knee, chain, seated)
        knee = knee - np.degrees(pull / np.maximum(exact, 0.4 * held))
    return np.asarray(knee - slack)


def knee_between_deg(bars_deg: ArrayLike, chain: Chain, *, fold: bool = False) -> Floats:
    """Forward between chain and bars, as `knee_flexion_deg`."""
    give = np.asarray(chain.give)
    held = knee_flexion_deg(bars_deg, replace(chain, give=0.0, slack_deg=0.0), fold=fold)
    between = (1 - give) * held + give * np.asarray(bars_deg, dtype=float)
    return np.asarray(between - np.asarray(chain.slack_deg))


def between_mm(bars_deg: ArrayLike, knee_deg: ArrayLike, chain: Chain) -> Floats:
    """How far a knee between chain and bars misses closing its chain, mm; give below 1."""
    give, bars = np.asarray(chain.give), _checked_bars(bars_deg)
    held = (np.asarray(knee_deg) + np.asarray(chain.slack_deg) - give * bars) / (1 - give)
    return _missed_mm(held, _seated(bars, chain), chain)


def off_slings_deg(bars_deg: ArrayLike, knee_deg: ArrayLike, chain: Chain) -> Floats:
    """How far a knee is off the balance of pelvis and slings, degrees, to first order."""
    bend, bars = np.asarray(knee_deg) + np.asarray(chain.slack_deg), _checked_bars(bars_deg)
    pull, held, _ = _balance(bars, bend, chain, _seated(bars, chain))
    return np.asarray(np.degrees(pull / held))


def _balance(
    bars: Floats, bend_deg: Floats, chain: Chain, seated: Floats
) -> tuple[Floats, Floats, Floats]:
    """Half the strain's slope, its positive part of the curvature, and the whole curvature.

    ``seated`` is what `_seated` gives for the bars.
    """
    thigh, lower = _leg(chain)
    give = np.asarray(chain.give)
    bend = np.radians(bend_deg)
    reach = _reach(bend, thigh, lower)
    missed = reach - seated
    leverage = -thigh * lower * np.sin(bend) / reach
    curved = -(thigh * lower * np.cos(bend) + leverage**2) / reach
    turned = give * SLING_MM**2
    pull = (1 - give) * leverage * missed + turned * (bend - np.radians(bars))
    held = (1 - give) * leverage**2 + turned
    return pull, held, held + (1 - give) * missed * curved


def _leg(chain: Chain) -> tuple[Floats, Floats]:
    return np.asarray(chain.thigh_mm, dtype=float), np.asarray(chain.lower_mm, dtype=float)


def _sections(chain: Chain) -> tuple[Floats, Floats]:
    thigh, lower = _leg(chain)
    return thigh + np.asarray(chain.thigh_fault_mm), lower + np.asarray(chain.lower_fault_mm)


def _reach(bend: Floats, upper: Floats, under: Floats) -> Floats:
    """Third side of a triangle with two sides that are bent against each other, radians."""
    return np.sqrt(upper**2 + under**2 + 2 * upper * under * np.cos(bend))


def _room(bars_deg: Floats, chain: Chain) -> Floats:
    """What the machine leaves between hip and heel, mm, by the module's closure."""
    bend, give = np.radians(bars_deg), np.asarray(chain.give)
    return np.asarray((1 - give) * _seated(bars_deg, chain) + give * _reach(bend, *_leg(chain)))


def _seated(bars_deg: Floats, chain: Chain) -> Floats:
    """The room for a leg whose hip stays where it lies, mm."""
    seated = _reach(np.radians(bars_deg), *_sections(chain)) + np.asarray(chain.place_mm)
    return np.asarray(seated)


def _missed_mm(bend_deg: Floats, room: Floats, chain: Chain) -> Floats:
    """Reach of a leg that bends so much minus its room, as far as the room can be reached."""
    thigh, lower = _leg(chain)
    reach = _reach(np.radians(bend_deg), thigh, lower)
    return np.asarray(reach - np.minimum(room, thigh + lower))


def _cosine(room: Floats, thigh: Floats, lower: Floats) -> Floats:
    """Cosine of the knee that reaches so far; above 1 where it cannot."""
    return np.asarray((room**2 - thigh**2 - lower**2) / (2 * thigh * lower))


def _forward_sign(bars: Floats, chain: Chain) -> Floats:
    """-1 where the bars bend back and the knee, having come straight, follows them."""
    thigh, lower = _leg(chain)
    came_straight = _room(np.zeros(()), chain) >= thigh + lower - 1e-9
    return np.where((bars < 0) & came_straight, -1.0, 1.0)


def _checked_bars(bars_deg: ArrayLike) -> Floats:
    bars = np.asarray(bars_deg, dtype=float)
    low, high = BARS_LIMITS_DEG
    _require(
        (bars >= low) & (bars <= high),
        "bars_deg",
        f"must be between {low:g} and {high:g} degrees",
        bars_deg,
    )
    return bars


def _require(holds: NDArray[np.bool_] | np.bool_, name: str, rule: str, came: ArrayLike) -> None:
    if not np.asarray(holds).all():
        values = np.broadcast_to(np.asarray(came, dtype=float), np.shape(holds))
        first = values[~np.asarray(holds)].flat[0] if np.shape(holds) else values
        raise InvalidInput(f"{name} {rule}, but got {float(first):g}")
