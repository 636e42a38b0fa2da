"""What an answer says of the dots that it does not use: every one that was seen is named.

Where the dots make no leg, those of the best reading are said; else the largest plain set; else
dots alike that lie where a witness sees the leg's and the machine's points. Where they make a leg
without all of the machine's dots, what is alike to them is said, and which of the machine's dots
are not among those used. A dot gets the name that the reading, or else the witness, gives it, so
that one tap uses it (`unused.use_dots`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from knee_angle.landmarks.dots.candidates import Candidates
from knee_angle.landmarks.dots.centres import SeenDot, centres
from knee_angle.landmarks.dots.colour import SAME_PIGMENT2, colour_distance2
from knee_angle.landmarks.dots.expected import LIMIT2, Expected
from knee_angle.landmarks.dots.picture import Picture
from knee_angle.landmarks.dots.quality import CLEAN, pigment_prior, quality, vivid_colour
from knee_angle.landmarks.dots.readings import Reading
from knee_angle.landmarks.dots.refusals import (
    SPARE_WHY,
    TWO_PLACES_WHY,
    WHICH_IS_WHICH,
)
from knee_angle.landmarks.dots.sets import LEAST_DOTS, plain_in, plain_of
from knee_angle.landmarks.dots.unused import (
    CLEAR,
    MOST_DOTS,
    SIZE_LIMIT,
    alike_dots,
    colour_word,
    not_seen,
    plain_set,
    with_unused,
)
from knee_angle.photo.reading import Photo
from knee_angle.records import (
    LEG_POINTS,
    MACHINE_POINTS,
    Landmark,
    Landmarks,
    NotMeasured,
    PointName,
    UnusedDot,
)

__all__ = ["refusal_said", "used_said"]

Ints = NDArray[np.intp]

LEAST_VIVID, LEAST_DULL, FAINT = 2, 3, -1.0
"""So many dots alike at the witness's points are said, of black or white ones more, and of vivid
ones that do not lie at two of the leg's: a machine has screws and knobs in pairs. And the least
quality of dots seen obliquely or blurred, said where no witness sees a leg (our own)."""
POOR_VIVID, VIVID_POINTS, POOR_DULL, DULL_POINTS = -1.2, 4, -1.1, 5
"""The same of dots blurred or dark on dark, which must lie at so many of the points: chance puts
no patch of one colour and size at each (our own)."""
AT_POINTS = 3
"""A set that lies at fewer of the points that a witness sees, or of a leg's alone at fewer than
two, is a pattern's: of 90 rendered bare photos in which dots were said 35 are left, and of 88
photos whose dots were refused one more is silent (set there)."""


def refusal_said(
    picture: Picture, refused: NotMeasured, readings: Sequence[Reading], best: Reading | None,
    expected: Expected | None,
) -> NotMeasured:  # fmt: skip
    """A refusal with the dots that were seen, from the best reading that is plainly of dots."""
    found, names = picture.square_on(), dict[int, PointName]()
    if best is not None:
        dots = _of_reading(picture.photo, best, best.named.index)
    else:
        which = _stuck(found, plain_set(found), expected)
        if len(which) == 0 and expected is not None:
            which = _at_points(found, expected)
        if len(which) == 0 and expected is not None:
            which = _at_most_points(found, expected)
        if len(which) == 0 and expected is None:
            which = plain_set(found, least=FAINT, sizes=SIZE_LIMIT)
        if len(which) == 0:
            some = _plain_of_sets(readings) if expected is not None else plain_in(picture)
            if some is not None:
                found, which = some, _stuck(some, np.arange(len(some)), expected)
        if expected is not None:
            names = _names(found, which, expected)
        dots = _as_unused(picture.photo, found, which.tolist(), names)
    if dots and refused.kind == "no_dots":  # who stuck dots on needs no other word of it
        refused = replace(refused, advice=WHICH_IS_WHICH, kind=None)
    said = with_unused(refused, dots, refused.reason)
    return said if isinstance(said, NotMeasured) else refused


def _stuck(found: Candidates, which: Ints, expected: Expected | None) -> Ints:
    """A set, or none of it where a witness sees a leg and machine that it does not lie at."""
    if len(which) == 0 or expected is None:
        return which
    at = (expected.distance2(found.xy[which]) < LIMIT2).any(axis=0).sum()
    return which if at >= min(AT_POINTS, len(expected.names) - 1) else which[:0]


def _plain_of_sets(readings: Sequence[Reading]) -> Candidates | None:
    """The plain dots of the first set about where a witness sees the leg that has enough."""
    for found in {id(r.found): r.found for r in readings if r.together and r.named.rare}.values():
        plain = plain_of(found)
        if len(plain) >= LEAST_DOTS:
            return plain
    return None


def used_said(photo: Photo, found: Landmarks, used: Reading) -> Landmarks:
    """A leg with its machine's dots, and which of those are not among them."""
    missing = [name for name in MACHINE_POINTS if name not in used.named.index]
    if not missing:
        return found  # whatever else has their colour is no dot of this set
    left = used.named.left
    dots: tuple[UnusedDot, ...] = ()
    why = SPARE_WHY
    if left:
        # Which is which of two bars that fold on to each other a person says: one tap would guess.
        guess = left.keys() >= {"thigh_bar", "shank_bar"}
        names: dict[int, PointName] = {} if guess else {k: n for n, k in left.items()}
        dots = _as_unused(photo, used.found, list(left.values()), names)
        why = TWO_PLACES_WHY
    elif used.named.rare:
        dots = _of_reading(photo, used, {})
    said = with_unused(found, dots, why)
    assert isinstance(said, Landmarks)  # noqa: S101  only narrows: a leg stays a leg
    unseen = [name for name in missing if name not in left]
    if not unseen or len(unseen) == len(MACHINE_POINTS):
        return said  # a machine without dots lacks none
    return replace(said, cautions=(*said.cautions, not_seen(unseen)))


def _of_reading(
    photo: Photo, reading: Reading, named: Mapping[PointName, int]
) -> tuple[UnusedDot, ...]:
    """Those named in a reading that does not stand, and what else is alike."""
    found, members = reading.found, list(reading.named.index.values())
    leg = found.xy[[reading.named.index[name] for name in LEG_POINTS]]
    reach = float(np.linalg.norm(np.diff(leg, axis=0), axis=1).mean())
    rest = alike_dots(found, members, reach=reach)
    if len(named) + len(rest) > MOST_DOTS:
        rest = rest[:0]
    names: dict[int, PointName] = {which: name for name, which in named.items()}
    return _as_unused(photo, found, [*named.values(), *map(int, rest)], names)


def _at_points(found: Candidates, expected: Expected) -> Ints:
    """The most dots alike that lie where a witness sees the points (99 %).

    Black or white ones must lie at two of the leg's: a machine's screws are like that too.
    """
    own, far2 = quality(found), expected.distance2(found.xy)
    vivid = vivid_colour(found.lab)
    plain = np.where(vivid, own > CLEAN, (own > CLEAR) & (pigment_prior(found.lab) > -CLEAN))
    there = np.nonzero((far2.min(axis=1) < LIMIT2) & plain)[0]
    point = far2[there].argmin(axis=1)
    leg = point < len(LEG_POINTS)
    best = there[:0]
    for one in there:
        like = colour_distance2(found.lab[there], found.lab[one]) < SAME_PIGMENT2 / 2.0
        like &= np.abs(np.log(found.radius[there] / found.radius[one])) < SIZE_LIMIT
        two = len(np.unique(point[like & leg])) > 1
        several = like.sum() >= LEAST_DULL and (two or vivid[one])
        enough = several or (vivid[one] and two and like.sum() >= LEAST_VIVID)
        if enough and like.sum() > len(best):
            best = there[like]
    return best if len(best) <= MOST_DOTS else best[:0]


def _at_most_points(found: Candidates, expected: Expected) -> Ints:
    """Dots alike of no clear outline, one at each of nearly all points that a witness sees."""
    own, far2 = quality(found), expected.distance2(found.xy)
    vivid = vivid_colour(found.lab)
    dull = (own > POOR_DULL) & (pigment_prior(found.lab) > -CLEAN)
    plain = np.where(vivid, own > POOR_VIVID, dull)
    there = np.nonzero((far2.min(axis=1) < LIMIT2) & plain)[0]
    best = there[:0]
    for one in there:
        like = colour_distance2(found.lab[there], found.lab[one]) < SAME_PIGMENT2 / 2.0
        like &= np.abs(np.log(found.radius[there] / found.radius[one])) < SIZE_LIMIT
        some = there[like]
        value = np.where(far2[some] < LIMIT2, own[some, None] - 0.5 * far2[some], -np.inf)
        at = np.isfinite(value).any(axis=0)
        each = np.unique(some[value[:, at].argmax(axis=0)])
        least = VIVID_POINTS if vivid[one] else DULL_POINTS
        if len(each) >= least and len(each) > len(best):
            best = each
    return best


def _names(found: Candidates, which: Ints, expected: Expected) -> dict[int, PointName]:
    """What each of these dots most probably is, the nearest pairs first; some are nothing."""
    far2 = expected.distance2(found.xy[which])
    names: dict[int, PointName] = {}
    for pair in np.argsort(far2, axis=None, kind="stable"):
        row, column = divmod(int(pair), len(expected.names))
        name, dot = expected.names[column], int(which[row])
        if far2[row, column] < 2.0 * LIMIT2 and dot not in names and name not in names.values():
            names[dot] = name
    return names


def _as_unused(
    photo: Photo, found: Candidates, which: Sequence[int], names: Mapping[int, PointName]
) -> tuple[UnusedDot, ...]:
    """These patches with their exact centres."""
    scale = np.array([photo.scale_x, photo.scale_y])
    factor = float(scale.mean())
    usual = float(np.median(found.radius[list(which)])) * factor if len(which) else 0.0
    sizes = (found.radius[list(which)] * factor).tolist()
    seen = [
        SeenDot(found.xy[one] * scale, size, size, usual, usual, False, factor)
        for one, size in zip(which, sizes, strict=True)
    ]
    return tuple(
        UnusedDot(
            Landmark(*mark.xy, mark.cov_px2, "dot"),
            2.0 * mark.radius,
            colour_word(found.lab[one]),
            names.get(one),
        )
        for one, mark in zip(which, centres(photo, seen), strict=True)
    )
