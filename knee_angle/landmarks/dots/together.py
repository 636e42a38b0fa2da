"""Whether the best naming of a set of dots is beyond doubt, and what it says to other readings.

Where a witness sees the six points, the whole set says more than three of it (`namings`): a
naming counts where it leads those of other legs by enough, by less where all six are named.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import permutations

import numpy as np

from knee_angle.landmarks.dots.assignment import Assignment
from knee_angle.landmarks.dots.candidates import Candidates, half_length
from knee_angle.landmarks.dots.expected import Expected
from knee_angle.landmarks.dots.lying import exchanged, lying_of
from knee_angle.landmarks.dots.namings import FIRM, MARGIN, NO_OUTLINE, TWIN_RADII, named_together
from knee_angle.landmarks.dots.picture import Picture
from knee_angle.landmarks.dots.quality import CLEAN, quality, vivid_colour
from knee_angle.landmarks.dots.readings import Reading
from knee_angle.landmarks.dots.refusals import AMBIGUOUS, NOT_ALL
from knee_angle.landmarks.dots.sets import FEWEST_CLEAN, LEAST_DOTS, pigment_of, sets_of, tail
from knee_angle.records import LEG_POINTS, MACHINE_POINTS, NotMeasured, PointName

__all__ = [
    "FAR_AHEAD",
    "agrees",
    "best_named",
    "far_ahead",
    "lie_exchanged",
    "plainly_dots",
    "readings_together",
    "settled_together",
    "together_with",
]

ENOUGH, ENOUGH_DULL, FAR_AHEAD, SAID = 14.0, 22.0, 6.0, 10.0
"""Least score of a set, of one of black or white dots, how much better the best naming must
be than one of another leg, and than one of which the dots alone are sure; and from where a set
that does not stand is said. Sets of dots in 17 rendered scenes reached 18 to 37, patches of one
vivid colour without dots 2 to 8, of black or grey 19 (set there)."""
MARGIN_WHOLE = 2.0
"""The same margin where all six are named, five of them whole outlines, and no other one is: of 184
such sets of 81 rendered scenes the true leg led by so much in 170, another one in none."""
MARGIN_UNCLEAR = 4.0
"""Before a leg with another patch in place of one that shows no clear outline: by up to 3.7 it led
wrongly (set there)."""
MARGIN_EXCHANGED = 4.0
"""Before the same dots by other names, as hip or ankle and the bar's dot beside it exchanged,
however whole they are. Of 911 photos in which these were weighed the wrong way round led by less in
30 of 11 scenes, the right way in 28; by 4 to 8 in 10 and 32 (set there)."""
MARGIN_DOUBTFUL, MARGIN_FIVE = 1.5, 4.5
"""The same before a leg that is in doubt itself, where all six are named (our own). One of fewer
dots must lead one that has a name for all six by more: of 190 photos it did by 3.0 wrongly, by 5.9
rightly (set there)."""
LEAST_CLEAN, CLEAN_GAIN = 4, 2.0
"""Whole outlines expected among black or white dots, and what each more or less is worth of
`ENOUGH_DULL` (our own)."""
EXCHANGED = -3.0
"""From how much better two names exchanged suit what dots lie on (`lying`) the witness is asked. Of
names that are right the exchange suits worse, by some 10; of hip and thigh bar exchanged it suited
better by only 0.7 to 1.5 (three photos of a scene; limit our own)."""
FOLDED_BARS: frozenset[PointName] = frozenset({"thigh_bar", "shank_bar"})
LEVEL, SAME_PLACES = 2.0, 0.5
"""Namings of other legs this near level with the best leave a leg found otherwise in doubt; and by
how much a sure naming of the same dots may suit the witness's points worse (our own). By a level of
2 instead of 1 13 instead of 17 of 219 photos that had failed are misread, and 3 more refused."""


def readings_together(picture: Picture, expected: Expected) -> list[Reading]:
    """All namings of all sets, the best first.

    Where the best are dots and not all six without doubt, the picture is looked through again for
    those that touch something of about their own colour.
    """
    readings = _namings(picture, expected)
    settled = settled_together(readings)
    if (
        not readings
        or not plainly_dots(readings[0])
        or (settled and len(settled.named.index) == FIRM)
    ):
        return readings
    return _namings(picture, expected, closely=True)


def _namings(picture: Picture, expected: Expected, *, closely: bool = False) -> list[Reading]:
    readings: list[Reading] = []
    poor: list[Candidates] = []
    for one in sets_of(picture, expected, closely=closely):
        # Black, grey or white patches that reach no more than this are neither used nor said.
        vivid = bool(vivid_colour(pigment_of(one)[None])[0])
        named = named_together(one, expected, picture.photo.small, least=-np.inf if vivid else SAID)
        if not named:
            poor.append(one)
        readings += [Reading(each, one, True) for each in named]
        best = max(readings, key=lambda reading: reading.named.score, default=None)
        # A pattern may be enough for some of its patches: all six of another pigment are more.
        if best is not None and _enough(best) and len(best.named.index) == FIRM:
            # But how far a set is ahead of them counts where it is used.
            for other in poor:
                named = named_together(other, expected, picture.photo.small)
                readings += [Reading(each, other, True) for each in named]
            break
    return sorted(readings, key=lambda reading: -reading.named.score)


def settled_together(readings: list[Reading]) -> Reading | None:
    """The best naming, where it is beyond doubt."""
    if not readings or not _enough(readings[0]):
        return None
    best = readings[0]
    rivals = (r for r in _near(readings)[1:] if _behind(best, r) < _margin(best, r))
    return best if all(_alike_legs(best, rival) for rival in rivals) else None


def _near(readings: list[Reading]) -> list[Reading]:
    """The best naming, and those that could be rivals by any margin."""
    return [r for r in readings if _behind(readings[0], r) < max(MARGIN_UNCLEAR, MARGIN_FIVE)]


def _behind(best: Reading, other: Reading) -> float:
    return best.named.score - other.named.score


def _margin(best: Reading, rival: Reading) -> float:
    """How far the best naming must lead one of another leg."""
    named, six = best.named, len(best.named.index) == FIRM
    other = _otherwise(best, rival)
    if _unclear(best, other):
        return max(MARGIN_UNCLEAR, _before(MARGIN, rival.named, six=six))
    whole = six and named.clean >= FIRM - 1 and named.spare == 0
    # Of the same dots by other names whole outlines tell nothing.
    usual = (MARGIN_WHOLE if whole else MARGIN) if None in other.values() else MARGIN_EXCHANGED
    return _before(usual, rival.named, six=six)


def _level(best: Reading, rival: Reading) -> float:
    """How near level with the best naming one of another leg leaves that in doubt."""
    level = _before(LEVEL, rival.named, six=len(best.named.index) == FIRM)
    return max(MARGIN_UNCLEAR, level) if _unclear(best, _otherwise(best, rival)) else level


def _otherwise(best: Reading, rival: Reading) -> dict[PointName, PointName | None]:
    """What the best naming calls those dots that a rival has for another point of the leg."""
    named = {name: _named_at(best, rival, name) for name in LEG_POINTS}
    return {name: was for name, was in named.items() if was != name}


def _unclear(best: Reading, other: dict[PointName, PointName | None]) -> bool:
    """Whether another patch may stand for a dot of the leg that shows no clear outline."""
    which = [best.named.index[name] for name, was in other.items() if was is None]
    return bool(which) and bool(quality(best.found)[which].min() < CLEAN)


def _named_at(best: Reading, rival: Reading, name: PointName) -> PointName | None:
    """What the best naming calls the dot that a rival has for a point of the leg."""
    which = np.array(list(best.named.index.values()))
    mine, its = best.found, rival.found
    one = rival.named.index[name]
    gap = np.linalg.norm(mine.xy[which] - its.xy[one], axis=1)
    near = gap / np.maximum(half_length(mine)[which], half_length(its)[one])
    nearest = int(near.argmin())
    return list(best.named.index)[nearest] if near[nearest] < TWIN_RADII else None


def _before(usual: float, rival: Assignment, *, six: bool) -> float:
    """A margin before a naming in doubt, of all ``six`` dots or not, or one that has more dots."""
    if six:
        return min(usual, MARGIN_DOUBTFUL) if rival.doubtful else usual
    return MARGIN_FIVE if rival.rare and len(rival.index) == FIRM else usual


def plainly_dots(reading: Reading) -> bool:
    """Whether the best of a set are dots at least, though it does not stand."""
    return reading.named.score > (SAID if reading.named.rare else ENOUGH_DULL)


def far_ahead(readings: list[Reading], one: Reading, *, by: float = FAR_AHEAD) -> bool:
    """Whether the best naming is far more probable than those of another leg."""
    rivals = (reading for reading in readings[1:] if _alike_legs(one, reading))
    return all(readings[0].named.score > rival.named.score + by for rival in rivals)


def best_named(reading: Reading, expected: Expected) -> bool:
    """Whether a witness sees no other naming of the same dots that suits it clearly better."""
    names = [name for name in expected.names if name in reading.named.index]
    which = [reading.named.index[name] for name in names]
    columns = [expected.names.index(name) for name in names]
    cost = tail(expected.distance2(reading.found.xy[which])[:, columns])
    orders = np.array(list(permutations(range(len(which)))))
    best = cost[orders, np.arange(len(which))].sum(axis=1).min()
    return bool(np.trace(cost) < best + SAME_PLACES)


def lie_exchanged(picture: Picture, sure: Reading) -> bool:
    """Whether two dots of a leg lie on what the other's name says."""
    names = list(sure.named.index)
    xy = sure.found.xy[[sure.named.index[name] for name in names]]
    leg = sure.found.xy[[sure.named.index[name] for name in LEG_POINTS]]
    columns = [(LEG_POINTS + MACHINE_POINTS).index(name) for name in names]
    # By one view: every leg of which dots alone are sure is asked about.
    return exchanged(lying_of(picture.photo.small, xy, leg)[:, columns]) > EXCHANGED


def together_with(readings: list[Reading], one: Reading) -> Reading | NotMeasured:
    """A leg found otherwise, judged by the sets: theirs where it is the same, or denied."""
    whole = len(one.named.index) == len(LEG_POINTS) + len(MACHINE_POINTS)
    if not readings or not _plain(readings[0]):
        doubtful = bool(readings) and readings[0].named.doubtful and not whole
        likely = doubtful and readings[0].named.score > SAID
        if likely and _alike_legs(readings[0], one):
            return NOT_ALL
        # Black, grey or white patches of a machine and a room make legs too.
        return one if one.named.rare or _near_enough(readings) else AMBIGUOUS
    first = readings[0].named
    best = [r for r in _near(readings) if _behind(readings[0], r) < _level(readings[0], r)]
    if not all(_alike_legs(reading, one) for reading in best):
        return AMBIGUOUS
    # Bars that fold on to each other: which is which no other reading knows better.
    folded = first.left.keys() >= FOLDED_BARS
    if whole and not folded and not _faint_again(readings[0], one) and agrees(readings[0], one):
        return one
    return NOT_ALL if first.doubtful else readings[0]


def agrees(reading: Reading, one: Reading) -> bool:
    """Whether another reading has no other dot by a name that a set leaves for a person to give."""
    for name, left in reading.named.left.items():
        which = one.named.index.get(name, -1)
        gap = np.linalg.norm(one.found.xy[which] - reading.found.xy[left])
        reach = max(half_length(one.found)[which], half_length(reading.found)[left])
        if which >= 0 and gap > TWIN_RADII * reach:
            return False
    return True


def _faint_again(reading: Reading, one: Reading) -> bool:
    """Whether a leg has a dot without outline that the sets leave for a person to name."""
    own = quality(one.found)
    for name, left in reading.named.left.items():
        which = one.named.index.get(name, -1)
        gap = np.linalg.norm(one.found.xy[which] - reading.found.xy[left])
        if which >= 0 and own[which] < NO_OUTLINE and gap < half_length(one.found)[which]:
            return True
    return False


def _near_enough(readings: list[Reading]) -> bool:
    """Whether any set scores as one of black or white dots may, though it does not stand."""
    return bool(readings) and readings[0].named.score > ENOUGH_DULL


def _plain(reading: Reading) -> bool:
    """Whether a naming is surely of dots, whichever is which."""
    return _enough(replace(reading, named=replace(reading.named, doubtful=False)))


def _enough(reading: Reading) -> bool:
    named = reading.named
    if named.doubtful:
        return False
    if named.rare:
        return len(named.index) + len(named.left) >= LEAST_DOTS and named.score > ENOUGH
    # Bars that fold are there, though nobody tells which is which.
    folded = FOLDED_BARS if named.left.keys() >= FOLDED_BARS else frozenset()
    whole = len(named.index) + len(folded) == len(LEG_POINTS) + len(MACHINE_POINTS)
    if named.clean < (FEWEST_CLEAN if whole else LEAST_DOTS):
        return False
    return named.score > ENOUGH_DULL - CLEAN_GAIN * (named.clean - LEAST_CLEAN)


def _alike_legs(one: Reading, other: Reading) -> bool:
    """Whether two readings have hip, knee and ankle at the same dots."""
    mine, its = ([r.named.index[name] for name in LEG_POINTS] for r in (one, other))
    gap = np.linalg.norm(one.found.xy[mine] - other.found.xy[its], axis=1)
    halves = half_length(one.found)[mine], half_length(other.found)[its]
    usual = float(np.median(halves[0]))
    reach = TWIN_RADII * np.maximum(np.maximum(*halves), usual)
    return bool((gap < reach).all())
