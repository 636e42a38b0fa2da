"""Says which round patch is which dot where another witness sees the six points.

Of one pigment, the set of patches is taken that lies most probably where the witness sees
hip, knee, ankle and the machine's bars and hinge; a missing machine dot is left out. Every
set gets a score as in :mod:`knee_angle.landmarks.dots.assignment`: natural logarithms, how
much better it explains the patches than chance does.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from knee_angle.landmarks.dots.assignment import Assignment
from knee_angle.landmarks.dots.candidates import Candidates
from knee_angle.landmarks.dots.colour import NEAR_PIGMENT2, colour_distance2
from knee_angle.landmarks.dots.legs import LEAST_SKIN, RING_COST, RING_SURE, surroundings_alike
from knee_angle.landmarks.dots.quality import (
    CLEAN,
    RARE,
    VOUCHED,
    crowd,
    pigment_prior,
    quality,
    vivid,
)
from knee_angle.records import LEG_POINTS, MACHINE_POINTS, PointName

__all__ = ["LIMIT2", "Expected", "assign_expected", "covered", "with_bars_anywhere"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

LIMIT2 = 9.21
"""Squared distance that 99 % of points stay within (chi-squared, 2 degrees of freedom)."""
PLACE_GAIN = 3.5
"""A patch of the right pigment at the right place: chance is about 1 in 30 (as for the bars
in `bars`)."""
SIZE_SPREAD = 0.5
"""Logarithm of size among the dots: seen obliquely, partly hidden, half as far (our own)."""
BETWEEN_SEGMENTS = 0.06
BETWEEN_MOST = 6.0
"""± of the step from knee to hinge, in mean segments: the witness errs for both alike. Our
own, with the most that a wrong step costs."""
LEFT_OUT = 2.5
"""Cost of a patch of a rare pigment that lies where a point is expected and gets no name."""
BAR_TURN_DEG = 10.0
BAR_ALONG = (0.15, 1.2)
FARTHEST_HINGE = 0.6
LEAST_BARS, LEAST_BARS_ALONE = 6.0, 2.0
BARS_MARGIN = 3.0
"""Bars of a machine that sits wrongly: about parallel to thigh and shank (a misfit of up to 25
degrees is shared by both), that long in their segments, the hinge at most so far from the knee
in mean segments (240 mm of 400), and so much more probable than chance and than any other set;
less where just these three dots are left, since nothing else is there for them to be. Our own."""
MOST_SPARE = 8
EACH, MOST_LEGS = 5, 60
"""Patches followed up for each point, and sets of three."""
MOST_ASSIGNMENTS = 30


@dataclass(frozen=True, slots=True)
class Expected:
    """Where another witness expects the points, in pixels of the picture.

    Parameters
    ----------
    names : tuple of str
        Hip, knee and ankle first, then those of the machine's points that it sees.
    xy : ndarray, shape (n, 2)
    cov : ndarray, shape (n, 2, 2)
        Its covariance, with what a dot may lie beside the point in it, px².
    """

    names: tuple[PointName, ...]
    xy: Floats
    cov: Floats

    def distance2(self, points: Floats) -> Floats:
        """Squared Mahalanobis distance of points (m, 2) from each of the n, (m, n)."""
        off = points[:, None] - self.xy[None]
        return np.asarray(np.einsum("mki,kij,mkj->mk", off, np.linalg.inv(self.cov), off))

    def near(self, found: Candidates) -> Ints:
        """Patches that lie where one of the points is expected (99 %)."""
        return np.nonzero(self.distance2(found.xy).min(axis=1) < LIMIT2)[0]

    @property
    def segment(self) -> float:
        """Mean length of thigh and shank, px."""
        return float(np.linalg.norm(np.diff(self.xy[:3], axis=0), axis=1).mean())


def assign_expected(found: Candidates, expected: Expected) -> list[Assignment]:
    """Sets of patches that lie where the points are expected, the most probable first.

    Parameters
    ----------
    found : Candidates
        Patches of about one colour.
    expected : Expected

    Returns
    -------
    list of Assignment
        Possibly empty; at most one for each choice of hip, knee and ankle.
    """
    near = expected.near(found)
    if len(near) < len(LEG_POINTS):
        return []
    own = np.maximum(quality(found), -3.0)
    crowded = float(crowd(found.take(near), own[near], found.lab.mean(axis=0)[None])[0])
    strong = vivid(found)
    rare = crowded < RARE and strong
    good = np.maximum(own, VOUCHED) if rare else own
    far2 = expected.distance2(found.xy)
    legs = _legs(found, good, far2)
    made = [_with_machine(found, good, far2, expected, leg) for leg in legs]
    base = pigment_prior(found.lab[legs].mean(axis=1)) if len(legs) else np.zeros(0)
    rows = []
    for prior, (index, score) in zip(base, made, strict=True):
        members = np.array(list(index.values()))
        total = score + float(prior) - crowded * (len(members) - 1)
        if rare:
            total -= LEFT_OUT * _left_out(found, own, near, members)
        rows.append(_assignment(found, own, near, index, members, total, rare=rare))
    return sorted(rows, key=lambda row: -row.score)[:MOST_ASSIGNMENTS]


def _legs(found: Candidates, good: Floats, far2: Floats) -> Ints:
    """The most probable sets of hip, knee and ankle, shape (m, 3)."""
    places = []
    for column in range(len(LEG_POINTS)):
        inside = np.nonzero(far2[:, column] < LIMIT2)[0]
        order = np.argsort(0.5 * far2[inside, column] - good[inside], kind="stable")
        places.append(inside[order[: 2 * EACH]])
    sets = np.array(np.meshgrid(*places, indexing="ij"), dtype=np.intp).reshape(3, -1).T
    apart = [sets[:, a] != sets[:, b] for a, b in ((0, 1), (1, 2), (0, 2))]
    sets = sets[np.all(apart, axis=0)]
    score = good[sets].sum(axis=1) - 0.5 * far2[sets, np.arange(3)].sum(axis=1)
    score = score - _unlike(found, sets)
    return np.asarray(sets[np.argsort(-score, kind="stable")[:MOST_LEGS]])


def _unlike(found: Candidates, sets: Ints) -> Floats:
    """What speaks against patches being of one pigment and size, shape (m,)."""
    size = np.log(found.radius[sets])
    size = size - size.mean(axis=1, keepdims=True)
    lab = found.lab[sets]
    colour = colour_distance2(lab, lab.mean(axis=1, keepdims=True))
    return np.asarray(0.5 * (colour + (size / SIZE_SPREAD) ** 2).sum(axis=1))


def _with_machine(
    found: Candidates, good: Floats, far2: Floats, expected: Expected, leg: Ints
) -> tuple[dict[PointName, int], float]:
    """One leg with the machine's dots that suit it best, and the score of all."""
    index: dict[PointName, int] = dict(zip(LEG_POINTS, map(int, leg), strict=True))
    score = float(good[leg].sum() - 0.5 * far2[leg, np.arange(3)].sum())
    score -= float(_unlike(found, leg[None])[0])
    score -= RING_COST if found.ring[leg[1]] > RING_SURE else 0.0
    size, lab = np.log(found.radius[leg]).mean(), found.lab[leg].mean(axis=0)
    unlike = colour_distance2(found.lab, lab) + ((np.log(found.radius) - size) / SIZE_SPREAD) ** 2
    for column, name in enumerate(expected.names[len(LEG_POINTS) :], len(LEG_POINTS)):
        value = PLACE_GAIN + good - 0.5 * far2[:, column] - 0.5 * unlike
        if name == "hinge":
            step = found.xy - found.xy[leg[1]] - (expected.xy[column] - expected.xy[1])
            off2 = (step**2).sum(axis=1) / (BETWEEN_SEGMENTS * expected.segment) ** 2
            value = value - np.minimum(0.5 * off2, BETWEEN_MOST)
        value[far2[:, column] > LIMIT2] = -np.inf
        value[list(index.values())] = -np.inf
        best = int(np.argmax(value))
        if value[best] > 0.0:
            index[name], score = best, score + float(value[best])
    return index, score


def _left_out(found: Candidates, own: Floats, near: Ints, members: Ints) -> float:
    """How many dots at expected places a set leaves without a name."""
    rest = np.setdiff1d(near, members)
    size = np.log(found.radius[rest] / np.median(found.radius[members]))
    gap = np.linalg.norm(found.xy[rest][:, None] - found.xy[members][None], axis=2)
    own_outline = (gap > found.radius[members]).all(axis=1)
    return float(np.exp(np.minimum(own[rest], 0.0))[(np.abs(size) < 0.5) & own_outline].sum())


def with_bars_anywhere(found: Candidates, named: Assignment) -> Assignment:
    """A leg that is sure, with the machine's dots also where a machine should not sit.

    Three more dots of the leg's pigment and size that make two bars about parallel to thigh
    and shank are the machine's, however far its hinge lies from the knee; where one or two of
    them are known already, the others complete them.
    """
    leg = [named.index[name] for name in LEG_POINTS]
    known = [named.index.get(name, -1) for name in MACHINE_POINTS]
    if min(known) >= 0 or not named.rare or named.left:
        return named
    own = np.maximum(quality(found), -3.0)
    spare = _spare_dots(found, own, leg, known)
    scored = []
    for thigh_bar in [known[0]] if known[0] >= 0 else spare:
        for hinge in [known[1]] if known[1] >= 0 else spare:
            for shank_bar in [known[2]] if known[2] >= 0 else spare:
                trio = (thigh_bar, hinge, shank_bar)
                if len(set(trio)) == len(trio):
                    scored.append((_bars(found, own, leg, trio), trio))
    scored.sort(key=lambda row: -row[0])
    best = scored[0] if scored else (-np.inf, ())
    alone = len(spare) + sum(k >= 0 for k in known) == len(MACHINE_POINTS)
    if best[0] < (LEAST_BARS_ALONE if alone else LEAST_BARS) or (
        len(scored) > 1 and scored[1][0] > best[0] - BARS_MARGIN
    ):
        return named
    index = dict(named.index) | dict(zip(MACHINE_POINTS, best[1], strict=True))
    left = max(named.spare - (len(index) - len(named.index)), 0)
    return replace(named, index=index, spare=left)


def _spare_dots(found: Candidates, own: Floats, leg: list[int], known: list[int]) -> list[int]:
    """Dots of the leg's pigment and size that have no name, the best first."""
    lab, size = found.lab[leg].mean(axis=0), np.log(found.radius[leg]).mean()
    alike = (colour_distance2(found.lab, lab) < NEAR_PIGMENT2) & (own > VOUCHED)
    alike &= np.abs(np.log(found.radius) - size) < 2.0 * SIZE_SPREAD
    named = [*leg, *(k for k in known if k >= 0)]
    apart = np.linalg.norm(found.xy[:, None] - found.xy[named][None], axis=2)
    alike &= (apart > found.radius[:, None] + 0.5 * found.radius[named]).all(axis=1)
    rest = np.nonzero(alike)[0]
    return [int(i) for i in rest[np.argsort(-own[rest], kind="stable")][:MOST_SPARE]]


def _bars(found: Candidates, own: Floats, leg: list[int], trio: tuple[int, int, int]) -> float:
    """How much better than chance three dots make the machine's bars."""
    hip, knee, ankle = found.xy[leg]
    thigh_bar, hinge, shank_bar = found.xy[list(trio)]
    segment = 0.5 * (np.linalg.norm(hip - knee) + np.linalg.norm(ankle - knee))
    if np.linalg.norm(hinge - knee) > FARTHEST_HINGE * segment:
        return -np.inf
    score = float(own[list(trio)].sum())
    for bar, bone in ((thigh_bar - hinge, hip - knee), (shank_bar - hinge, ankle - knee)):
        along = np.linalg.norm(bar) / np.linalg.norm(bone)
        if not BAR_ALONG[0] < along < BAR_ALONG[1]:
            return -np.inf
        turn = np.degrees(np.arctan2(bar[0] * bone[1] - bar[1] * bone[0], bar @ bone))
        score += PLACE_GAIN - 0.5 * float(turn / BAR_TURN_DEG) ** 2
    return score


def _assignment(
    found: Candidates,
    own: Floats,
    near: Ints,
    index: dict[PointName, int],
    members: Ints,
    score: float,
    *,
    rare: bool,
) -> Assignment:
    hip, knee, ankle = (found.xy[index[name]] for name in LEG_POINTS)
    thigh, shank = knee - hip, ankle - knee
    cross = float(thigh[0] * shank[1] - thigh[1] * shank[0])
    flexion = float(np.degrees(np.arctan2(abs(cross), float(thigh @ shank))))
    clean = int((own[members] > CLEAN).sum())
    alike = np.abs(np.log(found.radius[near] / np.median(found.radius[members]))) < 0.5
    clear = int(((own[near] > CLEAN) & alike).sum())
    ordered = {n: index[n] for n in (*LEG_POINTS, *MACHINE_POINTS) if n in index}
    return Assignment(
        ordered, score, flexion, clean, max(clear - clean, 0), rare, doubtful=covered(found, index)
    )


def covered(found: Candidates, index: dict[PointName, int]) -> bool:
    """Both bars and no hinge, on no skin: the dot of a hinge whose cover hides the knee's."""
    if "hinge" in index or not {"thigh_bar", "shank_bar"} <= set(index):
        return False
    ankle, knee = (np.array([index[name]]) for name in ("ankle", "knee"))
    return bool(surroundings_alike(found, ankle, knee)[0] < LEAST_SKIN)
