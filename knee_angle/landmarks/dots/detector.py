"""Finds adhesive dots on leg and machine and says which is which.

::

    picture -> patches -> pigments -> named dots -> centres in the full-size photo
               candidates  legs     bars, assignment   centres

The dots may have any colour, black and white included; they only have to be alike.
Where the patches found do not make one leg beyond doubt, the answer is
``NotMeasured``: a wrong leg is worse than none.

A witness (the leg network) settles what geometry leaves open (`expected`). It is asked
only where the dots alone refuse, or answer less than surely (`sure`): then the dots must lie
where it sees hip, knee, ankle, bars and hinge, within its ellipses (99 %) widened by
`DOTS_BESIDE_SEGMENTS`. So buttons, screws and other discs of the dots' colour drop out. Where
they are sure it still is asked for one look, and denies a leg that it sees otherwise. It says
only which dot is which: the centres are the same with and without it. Where six dots are sure
but for the end at which the hip lies (heel and hip at one height, both on bare skin), it says
that end.

Once the leg is sure, three more dots alike that make two bars are the machine's, wherever its
hinge is. What is seen and not used is kept in the answer and said (`unused`).
"""

from __future__ import annotations

from dataclasses import replace
from typing import TypeGuard

import numpy as np
from numpy.typing import NDArray

from knee_angle.assumptions import (
    DOTS_BESIDE_SEGMENTS,
    DOTS_ENOUGH,
    DOTS_ENOUGH_ALONE,
    DOTS_ENOUGH_EXPECTED,
    DOTS_ENOUGH_PLAIN,
    DOTS_MARGIN,
    DOTS_MARGIN_EXPECTED,
    DOTS_MARGIN_INCOMPLETE,
    DOTS_OTHER_ANGLE_DEG,
    DOTS_SPARE_MARGIN,
    DOTS_SPARE_MOST,
    DOTS_SURE,
)
from knee_angle.landmarks.base import GlimpsingWitness, Quad, Witness
from knee_angle.landmarks.dots.assignment import Assignment
from knee_angle.landmarks.dots.expected import (
    LIMIT2,
    Expected,
    covered,
    with_bars_anywhere,
)
from knee_angle.landmarks.dots.picture import Picture
from knee_angle.landmarks.dots.placed import leg_about, leg_at, placed
from knee_angle.landmarks.dots.readings import (
    Reading,
    is_sure,
    readings_expected,
    readings_of,
)
from knee_angle.landmarks.dots.refusals import (
    AMBIGUOUS,
    NO_DOTS,
    NO_LEG_THERE,
    NOT_ALL,
    OTHER_LEG,
)
from knee_angle.landmarks.dots.said import refusal_said, used_said
from knee_angle.landmarks.dots.sets import may_be_sets, plain_in
from knee_angle.landmarks.dots.together import (
    FAR_AHEAD,
    agrees,
    best_named,
    far_ahead,
    lie_exchanged,
    plainly_dots,
    readings_together,
    settled_together,
    together_with,
)
from knee_angle.photo.reading import Photo
from knee_angle.records import (
    LEG_POINTS,
    MACHINE_POINTS,
    Landmarks,
    NotMeasured,
    PointName,
    Source,
)

__all__ = ["DotDetector", "yields"]

Floats = NDArray[np.float64]

HARDLY_SURE = 4.0
"""By how much less than so above `DOTS_SURE` a leg may be another one of the same six dots: of 11
that were, among 1,900 rendered photos, the surest was 3.5 above."""
MOST_UNSURE = 0.2
"""Largest ± of a witness's hip, knee and ankle, mean segments, by which dots get their names: in
two of 430 rendered photos it was 0.3, and their legs were named from the wrong end; in the others
0.14 at most (set there)."""
BARS: tuple[PointName, ...] = ("thigh_bar", "shank_bar")


class DotDetector:
    """Landmarks from round adhesive dots of one colour.

    Hip, knee and ankle must be found, machine points are given where seen. The same
    photo always gives the same answer.
    """

    source: Source = "dot"

    def find(self, photo: Photo, *, masked: tuple[Quad, ...] = ()) -> Landmarks | NotMeasured:
        """The dots in full-size pixels of the upright photo.

        Parameters
        ----------
        photo : Photo
            The upright photo.
        masked : tuple of Quad
            Regions without dots (printed tags), full-size pixels.

        Returns
        -------
        Landmarks or NotMeasured
            ``NotMeasured`` where the dots do not make one leg beyond doubt.
        """
        picture = Picture.of(photo, masked)
        readings = readings_of(picture)
        return _answer(picture, _decided(readings), readings)

    def find_with(
        self, photo: Photo, *, witness: Witness, masked: tuple[Quad, ...] = ()
    ) -> Landmarks | NotMeasured:
        """As `find`; a witness says which dot is which where the dots alone do not.

        Parameters
        ----------
        photo : Photo
            The upright photo.
        witness : Witness
            Asked only where the dots are not sure. Where it sees no leg at three or four dots
            they may be an empty machine's, and where its leg and that of the dots differ they
            may be anything: then the answer is ``NotMeasured``.
        masked : tuple of Quad
            Regions without dots (printed tags), full-size pixels.
        """
        picture = Picture.of(photo, masked)
        readings = readings_of(picture)
        alone = _decided(readings)
        sure = isinstance(alone, Reading) and is_sure(alone.named)
        if isinstance(alone, Reading) and sure and not _ahead(readings):
            sure = _ahead_as_seen(photo, witness, alone, readings)
        other_end = _exchanged(readings) if sure else None
        if isinstance(alone, Reading) and sure and other_end is None:
            seen = _seen_elsewhere(picture, witness, alone)
        else:
            seen = _seen(picture, witness, alone, masked)
        if seen is None:
            found = _glimpsed(picture, witness, alone)
            return found or _unwitnessed(picture, alone, readings)
        expected = _expected(photo, seen)
        if isinstance(alone, Reading) and other_end is not None:
            alone = _nearer(photo, alone, other_end, seen)
            if _as_seen(alone, expected):
                return _answer(picture, alone, readings)
        whole = readings_together(picture, expected)
        settled = settled_together(whole)
        sure_leg = alone if isinstance(alone, Reading) and sure else None
        if settled is not None and sure_leg is not None and not _same_leg(sure_leg, settled):
            instead = yields(sure_leg, settled, whole, readings)
            return _answer(picture, settled if instead else OTHER_LEG, whole, expected)
        if settled is not None and _same_dots(alone, settled):
            return _answer(picture, alone, whole, expected)
        if settled is not None and _is_whole(settled):
            return _answer(picture, settled, whole, expected)
        there = readings_expected(picture, expected, readings)
        agreed = _agreed(alone, readings, there, expected)
        denied = agreed if isinstance(agreed, Reading) else None
        if isinstance(agreed, Reading):
            agreed = together_with(whole, agreed)
        if settled is not None and not (isinstance(agreed, Reading) and _is_whole(agreed)):
            agreed = settled
        return _answer(picture, agreed, whole + there + readings, expected, denied)


def _answer(
    picture: Picture,
    decided: Reading | NotMeasured,
    readings: list[Reading],
    expected: Expected | None = None,
    denied: Reading | None = None,
) -> Landmarks | NotMeasured:
    """The points, or why there are none; with the dots that were seen and not used."""
    if isinstance(decided, NotMeasured):
        best = next(filter(_plainly_dots, readings), denied)
        return refusal_said(picture, decided, readings, best, expected)
    used = replace(decided, named=with_bars_anywhere(decided.found, decided.named))
    return used_said(picture.photo, placed(picture.photo, decided), used)


def _unwitnessed(
    picture: Picture, alone: Reading | NotMeasured, readings: list[Reading]
) -> Landmarks | NotMeasured:
    """What the dots say where a witness sees no leg: no more than a machine's are a leg's."""
    if not _may_be_bars(alone):
        return _answer(picture, alone, readings)
    told = _answer(picture, NO_LEG_THERE, readings)
    return replace(NO_LEG_THERE, unused_dots=told.unused_dots)


def _glimpsed(
    picture: Picture, witness: Witness, alone: Reading | NotMeasured
) -> Landmarks | NotMeasured | None:
    """Six dots that are all where a witness hardly sees a leg; None where nothing is plainly dots.

    A hip at the picture's edge, a leg seen along its length: it would not answer by itself.
    """
    if isinstance(alone, Reading) and is_sure(alone.named):
        return None
    if not isinstance(witness, GlimpsingWitness) or not may_be_sets(picture):
        return None
    plain = plain_in(picture)
    about = None if plain is None else leg_about(picture.photo, plain)
    hint = witness.glimpse(picture.photo, about)
    if hint is None:
        return None
    expected = _expected(picture.photo, hint)
    whole = readings_together(picture, expected)
    settled = settled_together(whole) if _tells_ends(expected) else None
    if settled is not None and _is_whole(settled):
        return _answer(picture, settled, whole, expected)
    if not whole or not plainly_dots(whole[0]):
        return None
    refused = alone if isinstance(alone, NotMeasured) else NO_LEG_THERE
    return _answer(picture, refused, whole, expected)


def _tells_ends(expected: Expected) -> bool:
    """Whether a witness tells where the leg begins and ends; a picture may show none of it."""
    spread = np.trace(expected.cov[: len(LEG_POINTS)], axis1=1, axis2=2) / 2.0
    return bool((np.sqrt(spread) < MOST_UNSURE * expected.segment).all())


def _may_be_bars(alone: Reading | NotMeasured) -> bool:
    """Whether the dots may be an empty machine's three, or with one more disc of their colour."""
    return isinstance(alone, Reading) and len(alone.named.index) <= len(MACHINE_POINTS) + 1


def _plainly_dots(reading: Reading) -> bool:
    """Whether a reading that does not stand is of dots at least."""
    if reading.together:
        return plainly_dots(reading)
    rare = reading.named.rare and reading.named.clean >= len(LEG_POINTS)
    return rare or reading.named.score > _least_score(reading)


def _agreed(
    alone: Reading | NotMeasured,
    readings: list[Reading],
    there: list[Reading],
    expected: Expected,
) -> Reading | NotMeasured:
    """What the dots alone and the dots where a witness expects them say together."""
    both = bool(readings and there) and _same_leg(readings[0], there[0])
    settled = _settled(there, both_ways=both)
    # Where a cover hides the knee's dot no witness brings it back.
    if both and covered(readings[0].found, readings[0].named.index):
        settled = None
    if settled is not None:
        first = readings[0] if both else settled
        return first if len(first.named.index) > len(settled.named.index) else settled
    if isinstance(alone, NotMeasured):
        return alone
    close = [r for r in there if r.named.score > there[0].named.score - DOTS_MARGIN_EXPECTED]
    if any(_same_leg(alone, reading) for reading in close):
        return alone
    return AMBIGUOUS if _lies(alone, expected) else OTHER_LEG


def _places(reading: Reading) -> Floats:
    """Hip, knee and ankle, px of the reduced photo."""
    return reading.found.xy[[reading.named.index[name] for name in LEG_POINTS]]


def _segment(leg: Floats) -> float:
    """Mean length of thigh and shank, px."""
    return float(np.linalg.norm(np.diff(leg, axis=0), axis=1).mean())


def _same_leg(one: Reading, other: Reading) -> bool:
    gap = np.linalg.norm(_places(one) - _places(other), axis=1)
    return bool(gap.max() < one.found.radius[one.named.index["knee"]])


def yields(sure: Reading, seen: Reading, whole: list[Reading], alone: list[Reading]) -> bool:
    """Whether a leg of which the dots alone are sure yields to one where a witness sees it.

    With all six named and far more probable among the ``whole`` set's namings, where the dots
    ``alone`` read nearly as well as that leg; or further ahead, where that leg alone would have
    been beyond doubt, or where both are of the same six dots (of 11 such pairs among 1,900
    rendered photos the witnessed one was right in 11). A witness by itself may see another
    person's.
    """
    if not _is_whole(seen):
        return False
    if far_ahead(whole, sure) and _own(alone, seen, alone[0].named.score - DOTS_MARGIN_EXPECTED):
        return True
    further = far_ahead(whole, sure, by=1.5 * FAR_AHEAD)
    same = sure.named.score < DOTS_SURE + HARDLY_SURE and _of_same_dots(sure, seen)
    return further and (same or _own(alone, seen, DOTS_ENOUGH))


def _own(readings: list[Reading], other: Reading, least: float) -> bool:
    """Whether the dots by themselves read as that leg with a score above the ``least``."""
    return any(r.named.score > least and _same_leg(r, other) for r in readings)


def _is_whole(reading: Reading) -> bool:
    """Whether all six dots are named."""
    return len(reading.named.index) == len(LEG_POINTS) + len(MACHINE_POINTS)


def _same_dots(alone: Reading | NotMeasured, other: Reading) -> TypeGuard[Reading]:
    """Whether a leg found alone has all dots of another naming, by the same names."""
    if isinstance(alone, NotMeasured) or not other.named.index.keys() <= alone.named.index.keys():
        return False
    if other.named.left.keys() >= set(BARS) or not agrees(other, alone):
        return False
    mine = alone.found.xy[[alone.named.index[name] for name in other.named.index]]
    which = list(other.named.index.values())
    gap = np.linalg.norm(mine - other.found.xy[which], axis=1)
    return bool((gap < other.found.radius[which]).all())


def _of_same_dots(one: Reading, other: Reading) -> bool:
    """Whether two readings name the same six dots, by whatever names."""
    mine, its = (list(reading.named.index.values()) for reading in (one, other))
    gap = np.linalg.norm(one.found.xy[mine][:, None] - other.found.xy[its], axis=2)
    same = (gap < one.found.radius[mine][:, None]).any(axis=1)
    return bool(len(mine) == len(its) and same.all())


def _lies(reading: Reading, expected: Expected) -> bool:
    """Whether a leg lies where a witness sees it (99 %)."""
    return bool((np.diagonal(expected.distance2(_places(reading))) < LIMIT2).all())


def _decided(readings: list[Reading]) -> Reading | NotMeasured:
    """What the dots alone say."""
    readings = [r for r in readings if r.named.score > _least_score(r)]
    certain = [reading for reading in readings if not reading.named.doubtful]
    if not readings:
        return NO_DOTS
    if not certain:
        return NOT_ALL
    best = certain[0]
    if readings[0].named.score > best.named.score:
        return NOT_ALL
    if any(_rivals(best.named, other.named) for other in readings):
        return AMBIGUOUS
    return best


def _seen(
    picture: Picture, witness: Witness, alone: Reading | NotMeasured, masked: tuple[Quad, ...]
) -> Landmarks | None:
    """The witness's leg: by a quick look where the dots show one, else by a full search.

    Where that finds none, by a look at where plain dots lie: they say where the leg is.
    """
    photo = picture.photo
    quick = witness.near(photo, placed(photo, alone)) if isinstance(alone, Reading) else None
    if quick is not None:
        return quick
    found = witness.find(photo, masked=masked)
    if isinstance(found, Landmarks):
        return found
    plain = plain_in(picture)
    return None if plain is None else witness.near(photo, leg_about(photo, plain))


def _seen_elsewhere(picture: Picture, witness: Witness, sure: Reading) -> Landmarks | None:
    """The witness's leg where it denies one that the dots are sure of: another knee, say.

    Six dots of a leg seen obliquely can make another leg with other bars as well, and a hinge
    right before the knee is told from it by what the dots lie on alone. The look is the one that
    later tells how the camera stands.
    """
    seen = _near_leg(picture.photo, witness, sure)
    agreed = seen is None or _as_seen(sure, _expected(picture.photo, seen))
    return seen if seen is None or not agreed or lie_exchanged(picture, sure) else None


def _near_leg(photo: Photo, witness: Witness, sure: Reading) -> Landmarks | None:
    """What a witness sees of a leg in a look at where a reading has it, all of it or nothing."""
    leg = _places(sure) * np.array([photo.scale_x, photo.scale_y])
    seen = witness.near(photo, leg_at((x, y) for x, y in leg))
    return seen if seen is not None and seen.has(*LEG_POINTS) else None


def _as_seen(sure: Reading, expected: Expected) -> bool:
    """Whether a witness sees the leg there, and no other naming of its dots that suits better."""
    return _lies(sure, expected) and best_named(sure, expected)


def _exchanged(readings: list[Reading]) -> Reading | None:
    """The best reading with hip and ankle exchanged, where it explains the dots nearly as well.

    The angle is the same; the side and the machine's sections are not.
    """
    return next((other for other in _close(readings) if _other_way(readings[0], other)), None)


def _ahead(readings: list[Reading]) -> bool:
    """Whether the dots alone are very sure, or read as no other leg nearly as well."""
    best = readings[0]
    if best.named.score > DOTS_SURE + HARDLY_SURE:
        return True
    return all(_same_leg(best, other) or _other_way(best, other) for other in _close(readings))


def _ahead_as_seen(photo: Photo, witness: Witness, alone: Reading, readings: list[Reading]) -> bool:
    """Whether a witness sees that leg, and no other that the dots alone read nearly as well."""
    seen = _near_leg(photo, witness, alone)
    if seen is None:
        return False
    expected = _expected(photo, seen)
    others = [one for one in _close(readings) if not _same_leg(alone, one)]
    return _as_seen(alone, expected) and not any(_lies(one, expected) for one in others)


def _close(readings: list[Reading]) -> list[Reading]:
    least = readings[0].named.score - DOTS_MARGIN_EXPECTED
    return [other for other in readings[1:] if other.named.score > least]


def _other_way(one: Reading, other: Reading) -> bool:
    """Whether two readings have one knee, and hip and ankle exchanged."""
    return np.array_equal(_places(one), _places(other)[::-1])


def _nearer(photo: Photo, one: Reading, other: Reading, seen: Landmarks) -> Reading:
    """Of a leg and its reading from the other end, the one whose hip the witness sees."""
    hip = np.array([seen.points["hip"].x_px, seen.points["hip"].y_px])
    scale = np.array([photo.scale_x, photo.scale_y])
    mine, its = (_places(reading)[0] * scale for reading in (one, other))
    return one if np.linalg.norm(hip - mine) <= np.linalg.norm(hip - its) else other


def _expected(photo: Photo, seen: Landmarks) -> Expected:
    """Where a witness expects the dots of the leg, px of the reduced photo."""
    scale = np.array([photo.scale_x, photo.scale_y])
    names = tuple(name for name in LEG_POINTS + MACHINE_POINTS if name in seen.points)
    marks = [seen.points[name] for name in names]
    xy = np.array([[p.x_px, p.y_px] for p in marks]) / scale
    cov = np.array([[p.cov_px2[:2], p.cov_px2[1:]] for p in marks]) / np.outer(scale, scale)
    return Expected(names, xy, cov + np.eye(2) * (DOTS_BESIDE_SEGMENTS * _segment(xy[:3])) ** 2)


def _settled(readings: list[Reading], *, both_ways: bool) -> Reading | None:
    """The one reading that a witness leaves beyond doubt, if any.

    ``both_ways``: the dots by themselves are best read as the same leg.
    """
    if not readings:
        return None
    best = readings[0].named
    whole = len(best.index) == len(LEG_POINTS) + len(MACHINE_POINTS) and best.rare
    plain = whole or (best.rare and best.clean >= len(LEG_POINTS))
    if best.doubtful or best.score < (DOTS_ENOUGH_PLAIN if plain else DOTS_ENOUGH_EXPECTED):
        return None
    least = best.score - (
        DOTS_MARGIN if both_ways or (whole and not best.spare) else DOTS_MARGIN_EXPECTED
    )
    rivals = (reading for reading in readings[1:] if reading.named.score > least)
    return readings[0] if all(_same_leg(readings[0], rival) for rival in rivals) else None


def _least_score(reading: Reading) -> float:
    """From which score on a reading is beyond doubt a leg with dots."""
    named = reading.named
    if len(named.index) > len(LEG_POINTS):
        return DOTS_ENOUGH if named.clean >= 3 else np.inf
    return DOTS_ENOUGH_ALONE if named.rare and named.clean >= 2 else np.inf


def _rivals(best: Assignment, other: Assignment) -> bool:
    """Whether the other gives clearly another angle and is nearly as good."""
    complete = len(best.index) == len(LEG_POINTS) + len(MACHINE_POINTS)
    margin = DOTS_MARGIN if complete else DOTS_MARGIN_INCOMPLETE
    margin += DOTS_SPARE_MARGIN * min(best.spare, DOTS_SPARE_MOST)
    if other.doubtful:
        margin = 0.0 if complete else DOTS_MARGIN_INCOMPLETE
    close = other.score > best.score - margin
    return close and abs(other.flexion_deg - best.flexion_deg) > DOTS_OTHER_ANGLE_DEG
