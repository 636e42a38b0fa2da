"""Decides which round patches are the dots of one leg, and which dot is which.

Every assignment of hip, knee, ankle (and of the machine's thigh_bar, hinge, shank_bar
where there is one) gets a score: how much better it explains the patches than chance
does, in natural logarithms, as far as the parts can be stated. Parts:

- each patch: how much of a dot it is;
- together: one pigment under different light, one size, few others of that kind;
- leg: two segments of about the same length, 8 to 56 dots long, that can bend so;
- machine: hinge near the knee, bars about parallel to thigh and shank, a boss or cap
  round the hinge and none round the knee, both bars of one make;
- hip and ankle do not lie on the bars; skin surrounds the ankle as it does the knee.

An assignment that would need a machine dot to stand for one of the leg is marked
doubtful: its own dot is hidden then, or has come off.

The weights follow from the stated sizes and were adjusted on the sample photos; they are
no probabilities measured elsewhere.

Picture coordinates: x right, y down. Angles in degrees at every door.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from knee_angle.landmarks.dots.bars import bar_cue, machine_dots, most_bar_cue, on_bar
from knee_angle.landmarks.dots.candidates import Candidates
from knee_angle.landmarks.dots.legs import (
    LEAST_CUES,
    LEAST_SKIN,
    RING_SURE,
    Legs,
    anterior,
    chosen,
    either_way,
    flexion_deg_of,
    leg_cues,
    most_leg_cues,
    surroundings_alike,
    triples,
)
from knee_angle.landmarks.dots.quality import CLEAN, RARE, VOUCHED, crowd, quality, vivid
from knee_angle.records import LEG_POINTS, MACHINE_POINTS, PointName

__all__ = ["Assignment", "assign"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]

UPSIDE_DOWN_COST = 3.0
"""A knee cap that points down: the photo would not be upright."""
ON_BAR_COST = 4.0
"""A hip or ankle that looks as if it lay on one of the machine's bars."""
UNEXPLAINED = 1.5
UNEXPLAINED_MOST = 6.0
"""Cost of leaving a dot of a rare pigment unnamed, and how many count at most."""
LEAST_QUALITY_DULL = -1.0
"""Shadows and gaps are black too, highlights white: such a dot must show its outline."""
MOST_ASSIGNMENTS = 60
ROUNDING = 1e-6
"""More than sums of scores can differ by the order of their parts."""


@dataclass(frozen=True, slots=True)
class Assignment:
    """One way to name the patches.

    Parameters
    ----------
    index : Mapping of point name to int
        Which candidate carries which name.
    score : float
        Natural logarithm, larger is better; 0 is about as good as chance.
    flexion_deg : float
        Unsigned angle of hip, knee and ankle in the picture.
    clean : int
        How many of the named patches look like whole dots by themselves.
    spare : int
        How many other patches do, of the same rare pigment and size.
    rare : bool
        Whether little else in the picture has their colour, and that is a vivid one.
    doubtful : bool
        Whether a leg dot may be a machine dot in truth.
    left : Mapping of point name to int
        Machine dots that could as well be other candidates, and so are not named.
    """

    index: dict[PointName, int]
    score: float
    flexion_deg: float
    clean: int
    spare: int
    rare: bool
    doubtful: bool
    left: dict[PointName, int] = field(default_factory=dict)


def assign(found: Candidates, *, least: float = -np.inf) -> list[Assignment]:
    """All plausible assignments, the best first.

    Parameters
    ----------
    found : Candidates
        Patches of about one colour.
    least : float
        Of a colour that is common in the picture none are told where all score less.

    Returns
    -------
    list of Assignment
        Possibly empty; at most one for each choice of hip, knee and ankle.
    """
    if len(found) < len(LEG_POINTS):
        return []
    own = np.maximum(quality(found), -3.0)
    crowded = float(crowd(found, own, found.lab.mean(axis=0)[None])[0])
    strong = vivid(found)
    rare = crowded < RARE and strong
    # A pigment that is hardly seen elsewhere vouches for a patch, also for one that is half
    # hidden or shaded. Black does not: shadows and gaps are black too.
    legs = either_way(triples(found, np.maximum(own, VOUCHED) if rare else own))
    up, upright = anterior(found.xy, legs)
    machine, gain = machine_dots(found, own, legs, up)
    cost = np.where(upright, 0.0, UPSIDE_DOWN_COST)
    rows = _Rows(legs, machine, gain, cost)
    if not rare and least > -np.inf and _most_of(found, own, rows, crowded, least) < least:
        return []
    score, cues, ends = _scores(found, own, rows, crowded)
    doubtful = _doubtful(found, legs, machine, ends, cues, vivid=strong)
    if not strong:
        doubtful |= own[legs.index].min(axis=1) < LEAST_QUALITY_DULL
    return _assignments(found, own, legs, machine, score, doubtful, rare=rare)


@dataclass(frozen=True, slots=True)
class _Rows:
    """Legs with the machine's dots that suit them, (m, 3), their gain, and the cost of the leg."""

    legs: Legs
    machine: Ints
    gain: Floats
    cost: Floats


def _scores(
    found: Candidates, own: Floats, rows: _Rows, crowded: float
) -> tuple[Floats, Floats, Floats]:
    """Score of each row (m,), with what surrounds the leg, and whether its ends lie on bars."""
    legs, machine = rows.legs, rows.machine
    cues, ends = leg_cues(found, legs), on_bar(found, legs, machine)
    score = legs.score + cues - rows.cost
    score = score + rows.gain + bar_cue(found, legs, machine) - ON_BAR_COST * ends.sum(axis=1)
    score = score - crowded * (2.0 + (machine >= 0).sum(axis=1))
    if crowded < RARE:
        score = score - _unexplained(found, own, legs, machine)
    return score, cues, ends


def _most_of(found: Candidates, own: Floats, rows: _Rows, crowded: float, least: float) -> float:
    """The best score, or one below the ``least`` where none reaches that.

    Surroundings take the longest to look at: only those of rows that could reach it by them.
    """
    most = rows.legs.score + rows.gain - rows.cost + most_leg_cues(found, rows.legs)
    most = most + most_bar_cue(rows.machine) - crowded * (2.0 + (rows.machine >= 0).sum(axis=1))
    some = np.nonzero(most > least - ROUNDING)[0]
    if len(some) == 0:
        return -np.inf
    part = _Rows(chosen(rows.legs, some), rows.machine[some], rows.gain[some], rows.cost[some])
    return float(_scores(found, own, part, crowded)[0].max())


def _assignments(
    found: Candidates,
    own: Floats,
    legs: Legs,
    machine: Ints,
    score: Floats,
    doubtful: Bools,
    *,
    rare: bool,
) -> list[Assignment]:
    order = np.argsort(-score, kind="stable")[:MOST_ASSIGNMENTS]
    rows = np.concatenate([legs.index, machine], axis=1)[order]
    flexion = flexion_deg_of(found.xy, chosen(legs, order))
    used = rows >= 0
    clear = own > CLEAN
    clean = (clear[rows] & used).sum(axis=1)
    sizes = np.sort(np.where(used, found.radius[rows], np.inf), axis=1)
    middle = (used.sum(axis=1) - np.array([[1], [0]])) // 2
    usual = np.take_along_axis(sizes, middle.T, axis=1).mean(axis=1)
    size = found.radius[None] / usual[:, None]
    spare = (clear & (size > 0.6) & (size < 1.6)).sum(axis=1)
    own_size = np.take_along_axis(size, rows, axis=1)
    spare = spare - (used & clear[rows] & (own_size > 0.6) & (own_size < 1.6)).sum(axis=1)
    names = LEG_POINTS + MACHINE_POINTS
    return [
        Assignment(
            index={n: int(which) for n, which in zip(names, rows[k], strict=True) if which >= 0},
            score=float(score[row]),
            flexion_deg=float(flexion[k]),
            clean=int(clean[k]),
            spare=int(spare[k]) if rare else 0,
            rare=rare,
            doubtful=bool(doubtful[row]),
        )
        for k, row in enumerate(order)
    ]


def _unexplained(found: Candidates, own: Floats, legs: Legs, machine: Ints) -> Floats:
    """What speaks against leaving dots of a rare pigment unnamed."""
    size = found.radius / np.median(found.radius[legs.knee])
    weight = np.where(size > 0.45, np.exp(np.minimum(own, 0.0)), 0.0)
    used = np.concatenate([legs.index, machine], axis=1)
    taken = np.where(used >= 0, weight[used], 0.0).sum(axis=1)
    return np.asarray(UNEXPLAINED * np.minimum(weight.sum() - taken, UNEXPLAINED_MOST))


def _doubtful(
    found: Candidates, legs: Legs, machine: Ints, ends: Floats, cues: Floats, *, vivid: bool
) -> Bools:
    """Legs of which a dot may be the machine's in truth: its own is hidden or came off."""
    thigh_bar, hinge, shank_bar = machine.T
    some = (machine >= 0).any(axis=1)
    # Grey shorts look like a grey bar; screws look like black dots.
    doubt = (ends[:, 0] > 0.5) & ((thigh_bar < 0) | (not vivid))
    doubt |= ends[:, 1] > 0.5
    doubt |= (hinge >= 0) & (thigh_bar < 0) & (shank_bar < 0)
    skin = surroundings_alike(found, legs.ankle, legs.knee)
    doubt |= some & (shank_bar < 0) & (skin < LEAST_SKIN)
    # Both bars and no hinge: what lies on no skin between them is the dot of the hinge, on a
    # cover that hides the knee's.
    doubt |= (thigh_bar >= 0) & (hinge < 0) & (shank_bar >= 0) & (skin < LEAST_SKIN)
    # Neither skin nor height says that this end is the ankle.
    doubt |= (skin < 0.1) & (cues < LEAST_CUES)
    ringed = found.ring[legs.index] > RING_SURE
    doubt |= ringed[:, 1] & (hinge < 0)
    doubt |= ~some & ringed.any(axis=1)
    return np.asarray(doubt)
