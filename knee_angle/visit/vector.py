"""What a visit's vector holds: knee, bars and hinge of every setting, and the leg's lengths.

Values are those at the most likely inputs. Where a camera's direction is only a prior (plane
``image``) the most likely direction says little: one such photo alone keeps the flat angle,
as everywhere, and several get the mean over the distribution.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from knee_angle.angle import uncertainty
from knee_angle.records import MACHINE_POINTS
from knee_angle.visit.equal import LENGTHS, System
from knee_angle.visit.photos import by_leg, flat
from knee_angle.visit.solve import Trials

__all__ = ["QUANTITIES", "best_values", "in_mm", "vector_of"]

Floats = NDArray[np.float64]
QUANTITIES = ("knee", "frame", "distal", "anterior")
LONGEST_LOG = 20.0
"""Far beyond every leg, and still a number."""


def vector_of(system: System, draws: Trials) -> tuple[tuple[str, ...], Floats]:
    """What is asked for, and how it comes from the rows, shape (p, q).

    Repeats are the same within `equal.STILL`: their mean. In one photo alone nothing was made
    the same, so of bars by points and by tags the surer one counts.
    """
    names, means = [], []
    for setting in dict.fromkeys(photo.setting for photo in system.photos):
        for quantity in QUANTITIES:
            at = _counting(system, quantity, setting)
            if not at:
                continue
            if len(system.photos) == 1:
                at = [min(at, key=lambda k: _surer(system, draws, k))]
            names.append(f"{quantity} {setting}")
            means.append(np.isin(np.arange(len(system.rows)), at) / len(at))
    for length in () if all(by_leg(photo.leg) for photo in system.photos) else LENGTHS:
        at = _counting(system, length, None)
        names.append(length)
        means.append(np.isin(np.arange(len(system.rows)), at) / len(at))
    return tuple(names), np.array(means)


def _counting(system: System, quantity: str, setting: str | None) -> list[int]:
    """The rows that tell a quantity: not those of flat photos where others show it as well."""
    at = [
        k
        for k, row in enumerate(system.rows)
        if row.quantity == quantity and setting in (None, system.photos[row.photo].setting)
    ]
    return [k for k in at if not flat(system.photos[system.rows[k].photo].leg)] or at


def in_mm(names: tuple[str, ...], vector: Floats) -> Floats:
    """The vector (..., p) with lengths for the logarithms in which rows hold them."""
    lengths, told = np.array([name in LENGTHS for name in names]), vector.copy()
    # A trial that ran away has no weight, and no length either.
    told[..., lengths] = np.exp(np.minimum(told[..., lengths], LONGEST_LOG))
    return told


def _surer(system: System, draws: Trials, row: int) -> float:
    """Variance of one way of seeing bars or hinge, of the hinge in both directions."""
    wanted = system.rows[row]
    pair = {"distal", "anterior"} if wanted.quantity in {"distal", "anterior"} else {"frame"}
    both = [
        k
        for k, one in enumerate(system.rows)
        if one.quantity in pair and one.source == wanted.source
    ]
    return float(sum(np.var(draws.rows[:, k]) for k in both))


def best_values(
    system: System, names: tuple[str, ...], at_best: Floats, rows: Floats, weights: Floats
) -> Floats:
    """The vector's values: see the top of this module."""
    if not any(flat(photo.leg) for photo in system.photos):
        return at_best
    if len(system.photos) > 1:
        return np.asarray(weights @ rows)
    values, leg = at_best.copy(), system.photos[0].leg
    for k, name in enumerate(names):
        if name.startswith("knee "):
            values[k] = uncertainty.flat_flexion_deg(leg)
        if name.startswith("frame ") and leg.bar_tags is None:
            values[k] = uncertainty.flat_flexion_deg(leg, points=MACHINE_POINTS)
    return values
