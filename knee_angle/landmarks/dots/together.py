"""Which of a set of dots is which, all six weighed together where a witness sees the leg.

The other readings ask first whether three dots make a leg and then what else lies beside it.
Where a witness sees the six points, the whole set says more: dots of one rare pigment stick on
a leg and its machine and nowhere else, so a naming that uses all of them is nearly always the
true one, however far the hinge lies from the knee and however small the far dots look.

Every naming of the set gets a score in natural logarithms, how much better it explains where
the dots lie than chance does:

- each dot lies where the witness sees its point, with a long tail: a witness errs;
- a machine's dots may also lie where a machine that sits wrongly has them: the hinge anywhere
  round the knee, a bar's anywhere along a line about parallel to its bone;
- surroundings: skin, bars, bosses (`legs`, `bars`);
- what is left without a name costs.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import permutations

import numpy as np
from numpy.typing import NDArray

from knee_angle.landmarks.dots.along import MOST_ALONG, along_bars
from knee_angle.landmarks.dots.assignment import Assignment
from knee_angle.landmarks.dots.bars import MOST_BAR_CUE, bar_cue, on_bar
from knee_angle.landmarks.dots.candidates import Candidates, half_length
from knee_angle.landmarks.dots.expected import Expected
from knee_angle.landmarks.dots.legs import Legs, flexion_deg_of, leg_cues
from knee_angle.landmarks.dots.picture import Picture
from knee_angle.landmarks.dots.quality import CLEAN, quality, vivid_colour
from knee_angle.landmarks.dots.readings import Reading
from knee_angle.landmarks.dots.refusals import AMBIGUOUS, NOT_ALL
from knee_angle.landmarks.dots.sets import (
    BLURRED,
    FEWEST_CLEAN,
    LEAST_DOTS,
    pigment_of,
    sets_of,
    tail,
    too_large,
    unlike,
)
from knee_angle.records import LEG_POINTS, MACHINE_POINTS, NotMeasured, PointName

__all__ = [
    "FAR_AHEAD",
    "best_named",
    "far_ahead",
    "named_together",
    "plainly_dots",
    "readings_together",
    "settled_together",
    "together_with",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]
Rgb = NDArray[np.uint8]

ENOUGH, ENOUGH_DULL, MARGIN, FAR_AHEAD, SAID = 14.0, 22.0, 3.0, 6.0, 10.0
"""Least score of a set, of one of black or white dots, how much better the best naming must
be than one of another leg, and than one of which the dots alone are sure; and from where a set
that does not stand is said. Sets of dots in 17 rendered scenes reached 18 to 37, patches of one
vivid colour without dots 2 to 8, of black or grey 19 (set there)."""
MARGIN_WHOLE = 2.0
"""The same margin where all six are named and five of them are whole outlines: of 184 such sets of
81 rendered scenes the true leg led by so much in 170, another one in none."""
LEAST_CLEAN, CLEAN_GAIN = 4, 2.0
"""Whole outlines expected among black or white dots, and what each more or less is worth of
`ENOUGH_DULL` (our own)."""
UNLIKE_COST = 2.5
"""What another colour counts (`sets.unlike`): of 963 dots rightly named in rendered photos one in
fifty was unlike by 0.6 and more, of 17 patches wrongly named twelve."""
WORST_COUNTED, SHAPELESS = -0.8, 0.4
"""As how bad the worst patch that shows its outline counts, and what each unit of quality below
`BLURRED` costs one that shows none (our own)."""
PLACE_GAIN = 5.0
HINGE_GAIN, HINGE_SPREAD, HINGE_FAR = 3.5, 0.2, 0.65
BAR_GAIN, BAR_TURN_DEG, BAR_ALONG = 3.0, 9.0, (0.12, 1.25)
"""A patch of the right pigment there instead of anywhere: the place known to 0.1 segments, to
0.2 round the knee, or along a line to 9 degrees, in a picture of some 5 x 5 segments with a
patch or two of that pigment besides (our own). As far as a misfit of 260 mm of 400."""
NEARER, SIZE_SPREAD, SIZE_MOST = 0.05, 0.25, 2.0
"""Logarithm of size of a machine's dot, flat and nearer, against that of the leg's beside it:
0.05 ± 0.10 in 63 rendered scenes, and what outlines err; and the most that it costs. With 0.18 and
4 the true leg led by `MARGIN_WHOLE` in 340 of 418 sets that had failed, with these and the lower
`ON_BAR_COST` in 344 (of 934 others in 910 and 909); all six were named rightly in 366, 357 before
(896 and 887), another leg led in 6 and 7 (none)."""
BESIDE_GAIN, BESIDE_SEGMENTS = 2.0, 0.08
"""The step from a point of the leg to the machine's beside it, ± in mean segments (our own)."""
BARS_WEIGHT, BESIDE_WEIGHT, MAKE_WEIGHT = 1.35, 1.5, 0.15
BAR_LEVEL, HINGE_LEVEL = -0.75, -0.5
"""What a bar's place, the step beside a point of the leg and the bars' make (`bar_cue`) weigh among
the rest: by a conditional logit over the namings of 708 sets of 105 rendered scenes, 120 failures
among them. The true leg then leads by `MARGIN` in 646, by weights of 1 in 615; another one in 1.
And what makes a dot that is there count about as much as with weights of 1."""
LEFT_OUT, LEFT_MOST = 3.0, 4.0
"""Cost of a whole dot of the set without a name, and how many count."""
ON_BAR_COST = 1.0
TWIN_RADII = 1.3
"""Two outlines this near, in radii of the larger, are of one dot: of what glares and of the rest;
stickers that lie side by side are 2 apart (our own)."""
LITTLE = 1.5
"""A machine's dot that makes a naming no more probable than this may be none: of 41 sets those that
were none made it 0.4 to 1.0 more so, right ones 1.5 and more (set there)."""
LEVEL, SAME_PLACES = 2.0, 0.5
"""Namings of other legs this near level with the best leave a leg found otherwise in doubt; and by
how much a sure naming of the same dots may suit the witness's points worse (our own). By a level of
2 instead of 1 13 instead of 17 of 219 photos that had failed are misread, and 3 more refused."""
AT_HINGE = 2.0
"""Up to this cost (`tail`) a knee's dot may as well be the hinge's, where that has none."""
HIDDEN_MARGIN, SHAPELESS_MARGIN, FIRM = 1.0, 2.0, 6
"""By how much a leg must beat the thought that one of its dots is hidden, and that the machine's
dot beside it stands for it (surroundings apart; our own); not where all six are firmly there."""
MOST_LEGS, MOST_HIDDEN, MOST_BARS, MOST_CLOSE = 60, 20, 3, 250
"""Legs followed up with machines, those with a hidden dot, patches for each bar of a leg and a
hinge, and namings whose surroundings are looked at."""


@dataclass(frozen=True, slots=True)
class _Rows:
    """Namings: patch of hip, knee, ankle, thigh bar, hinge, shank bar (m, 6), -1 none."""

    which: Ints
    score: Floats


def readings_together(picture: Picture, expected: Expected) -> list[Reading]:
    """All namings of all sets, the best first."""
    readings: list[Reading] = []
    poor: list[Candidates] = []
    for one in sets_of(picture, expected):
        # Black, grey or white patches that reach no more than this are neither used nor said.
        vivid = bool(vivid_colour(pigment_of(one)[None])[0])
        named = named_together(one, expected, picture.photo.small, least=-np.inf if vivid else SAID)
        if not named:
            poor.append(one)
        readings += [Reading(each, one, True) for each in named]
        if readings and _enough(max(readings, key=lambda reading: reading.named.score)):
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
    best = readings[0].named
    whole = best.clean >= FIRM - 1 and len(best.index) == FIRM
    close = best.score - (MARGIN_WHOLE if whole else MARGIN)
    rivals = [reading for reading in readings[1:] if reading.named.score > close]
    return readings[0] if all(_alike_legs(readings[0], rival) for rival in rivals) else None


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


def together_with(readings: list[Reading], one: Reading) -> Reading | NotMeasured:
    """A leg found otherwise, judged by the sets: theirs where it is the same, or denied."""
    whole = len(one.named.index) == len(LEG_POINTS) + len(MACHINE_POINTS)
    if not readings or not _plain(readings[0]):
        doubtful = bool(readings) and readings[0].named.doubtful and not whole
        likely = doubtful and readings[0].named.score > SAID
        return NOT_ALL if likely and _alike_legs(readings[0], one) else one
    level = readings[0].named.score - LEVEL
    best = [reading for reading in readings if reading.named.score > level]
    if not all(_alike_legs(reading, one) for reading in best):
        return AMBIGUOUS
    # Bars that fold on to each other: which is which no other reading knows better.
    if whole and not readings[0].named.left.keys() >= {"thigh_bar", "shank_bar"}:
        return one
    return NOT_ALL if readings[0].named.doubtful else readings[0]


def _plain(reading: Reading) -> bool:
    """Whether a naming is surely of dots, whichever is which."""
    return _enough(replace(reading, named=replace(reading.named, doubtful=False)))


def _enough(reading: Reading) -> bool:
    named = reading.named
    if named.doubtful:
        return False
    if named.rare:
        return len(named.index) + len(named.left) >= LEAST_DOTS and named.score > ENOUGH
    whole = len(named.index) == len(LEG_POINTS) + len(MACHINE_POINTS)
    if named.clean < (FEWEST_CLEAN if whole else LEAST_DOTS):
        return False
    return named.score > ENOUGH_DULL - CLEAN_GAIN * (named.clean - LEAST_CLEAN)


def _alike_legs(one: Reading, other: Reading) -> bool:
    """Whether two readings have hip, knee and ankle at the same dots."""
    mine, its = ([r.named.index[name] for name in LEG_POINTS] for r in (one, other))
    gap = np.linalg.norm(one.found.xy[mine] - other.found.xy[its], axis=1)
    reach = TWIN_RADII * np.maximum(half_length(one.found)[mine], half_length(other.found)[its])
    return bool((gap < reach).all())


def named_together(
    found: Candidates, expected: Expected, picture: Rgb | None = None, *, least: float = -np.inf
) -> list[Assignment]:
    """Namings of a set, the most probable first; at most one for each hip, knee and ankle.

    Parameters
    ----------
    found : Candidates
        One of `sets_of`.
    expected : Expected
        With hip, knee and ankle first.
    picture : ndarray of uint8, optional
        RGB: the paint along the bars counts too.
    least : float
        None are told where no naming can have a score above it.
    """
    own = _counted(quality(found)) - UNLIKE_COST * unlike(found) - too_large(found)
    far2 = expected.distance2(found.xy)
    rows = _with_machines(found, own, expected, _legs(found, own, far2))
    whole: Bools = np.asarray((rows.which[:, :3] >= 0).all(axis=1))
    best = _best_of(rows.score, whole, MOST_CLOSE)
    if least > -np.inf and _most_of(found, _Rows(rows.which[best], rows.score[best])) <= least:
        return []
    doubtful = _one_hidden(found, rows, best, _best_of(rows.score, ~whole, MOST_CLOSE))
    firm = (np.r_[own, -np.inf][rows.which[best]] > WORST_COUNTED).sum(axis=1)
    doubtful &= firm < FIRM
    doubtful |= _hinge_for_knee(rows.which[best], far2, expected)
    rows = _with_surroundings(found, _Rows(rows.which[best], rows.score[best]), picture)
    return _assignments(found, rows, doubtful)


def _one_hidden(found: Candidates, rows: _Rows, best: Ints, hidden: Ints) -> Bools:
    """Which of the best namings yield to the thought that a dot of the leg is hidden.

    Where only that dot's own patch would be another thing, an outline speaks for it; without one
    it has to be far more probable. Where a machine's dot stands for it, the thought counts
    already if it comes close.
    """
    mine, theirs = rows.which[best].T[:, :, None], rows.which[hidden].T[:, None]
    shapeless = quality(found)[rows.which[best][:, :3]].T[:, :, None] < BLURRED
    # Name by name: numpy is slow over an axis of six.
    others_stay: Bools = np.ones((len(best), len(hidden)), dtype=bool)
    alone = ~others_stay
    for here, there in zip(mine, theirs, strict=True):
        others_stay &= (there < 0) | (here == there)
    for lacks, there in zip(shapeless, theirs, strict=False):
        alone |= lacks & (there < 0)
    margin = np.where(others_stay, np.where(alone, SHAPELESS_MARGIN, 0.0), HIDDEN_MARGIN)
    return np.asarray((rows.score[best][:, None] < rows.score[hidden] + margin).any(axis=1))


def _hinge_for_knee(which: Ints, far2: Floats, expected: Expected) -> Bools:
    """Which namings have both bars, no hinge, and a knee where the witness sees the hinge."""
    if "hinge" not in expected.names:
        return np.zeros(len(which), dtype=bool)
    near = tail(far2[which[:, 1], expected.names.index("hinge")]) < AT_HINGE
    return np.asarray(near & (which[:, 4] < 0) & (which[:, 3] >= 0) & (which[:, 5] >= 0))


def _counted(own: Floats) -> Floats:
    """How much of a dot a patch of the set's pigment counts as, by its outline."""
    return np.asarray(np.maximum(own, WORST_COUNTED) + SHAPELESS * np.minimum(own - BLURRED, 0.0))


def _legs(found: Candidates, own: Floats, far2: Floats) -> _Rows:
    """Hip, knee and ankle, (m, 3), each the best of its kind; of some one dot is hidden (-1)."""
    every = np.arange(-1, len(found))
    sets = _different(np.array(np.meshgrid(every, every, every, indexing="ij")).reshape(3, -1).T)
    sets = sets[(sets < 0).sum(axis=1) <= 1]
    gain = PLACE_GAIN + own[sets] - tail(far2[sets, np.arange(3)])
    score = np.where(sets >= 0, gain, 0.0).sum(axis=1)
    whole = (sets >= 0).all(axis=1)
    best = np.r_[_best_of(score, whole, MOST_LEGS), _best_of(score, ~whole, MOST_HIDDEN)]
    return _Rows(sets[best], score[best])


def _best_of(score: Floats, which: Bools, most: int) -> Ints:
    rows = np.nonzero(which)[0]
    return np.asarray(rows[np.argsort(-score[rows], kind="stable")[:most]])


def _different(rows: Ints) -> Ints:
    """Rows that name no patch twice; -1 is none."""
    same = (rows[:, :, None] == rows[:, None]) & (rows[:, :, None] >= 0)
    return np.asarray(rows[same.sum(axis=(1, 2)) == (rows >= 0).sum(axis=1)])


def _with_machines(found: Candidates, own: Floats, expected: Expected, legs: _Rows) -> _Rows:
    """Every leg with every hinge, or none, and the bars that suit both best."""
    hinge_gain, bars = _machine_gains(found, own, expected, legs.which)
    none = np.zeros((*hinge_gain.shape, 1))
    picked, gains = [], []
    for gain in bars:
        best = np.argsort(-gain, axis=2, kind="stable")[:, :, :MOST_BARS]
        picked.append(np.concatenate([np.full(none.shape, -1), best], axis=2).astype(np.intp))
        gains.append(np.concatenate([none, np.take_along_axis(gain, best, axis=2)], axis=2))
    thigh, shank = picked[0][..., None], picked[1][..., None, :]
    total = hinge_gain[..., None, None] + gains[0][..., None] + gains[1][..., None, :]
    total = np.where((thigh == shank) & (thigh >= 0), -np.inf, total)
    total += legs.score[:, None, None, None]
    leg, hinge, one, other = np.nonzero(np.isfinite(total))
    rows = np.c_[
        legs.which[leg], picked[0][leg, hinge, one], hinge - 1, picked[1][leg, hinge, other]
    ]
    return _Rows(rows, total[leg, hinge, one, other] - _left_out(found, rows))


def _machine_gains(
    found: Candidates, own: Floats, expected: Expected, legs: Ints
) -> tuple[Floats, list[Floats]]:
    """Gain of each patch as hinge of each leg, (m, 1 + n), the first for none; and as its bars.

    Those are (m, 1 + n, n), for each hinge.
    """
    n = len(found)
    ends = np.where((legs >= 0)[..., None], found.xy[legs], expected.xy[:3])
    segment = np.linalg.norm(np.diff(ends, axis=1), axis=2).mean(axis=1)
    size = np.log(found.radius)
    usual = np.where(legs >= 0, size[legs], np.nan)
    usual = np.where(legs >= 0, usual, np.nanmean(usual, axis=1, keepdims=True))
    far2 = expected.distance2(found.xy)
    taken = (legs[:, :, None] == np.arange(n)).any(axis=1)
    off = np.linalg.norm(found.xy - ends[:, 1, None], axis=2) / segment[:, None]
    round_knee = HINGE_GAIN - 0.5 * (off / HINGE_SPREAD) ** 2
    hinge = _either(np.where(off < HINGE_FAR, round_knee, -np.inf), far2, expected, "hinge")
    hinge = HINGE_LEVEL + hinge + own - _other_size(size - usual[:, 1, None])
    hinge = hinge + _beside(found, ends[:, 1], expected, "knee", "hinge")
    hinge = np.where(taken, -np.inf, hinge)
    hinge = np.concatenate([np.zeros((len(legs), 1)), hinge], axis=1)
    start = np.broadcast_to(found.xy, (len(legs), n, 2))
    none = ends[:, 1]
    if "hinge" in expected.names:
        none = np.broadcast_to(expected.xy[expected.names.index("hinge")], none.shape)
    arm = found.xy - np.concatenate([none[:, None], start], axis=1)[:, :, None]
    same = np.concatenate([np.zeros((1, n), dtype=bool), np.eye(n, dtype=bool)])
    bars = []
    ends_of: tuple[tuple[PointName, int], ...] = (("thigh_bar", 0), ("shank_bar", 2))
    for name, end in ends_of:
        along = _along(arm, ends[:, end] - ends[:, 1])
        value = BAR_LEVEL + BARS_WEIGHT * _either(along, far2, expected, name) + own
        beside = _beside(found, ends[:, end], expected, LEG_POINTS[end], name)
        value = value + (beside - _other_size(size - usual[:, end, None]))[:, None]
        bars.append(np.where(taken[:, None] | same, -np.inf, value))
    return hinge, bars


def _along(arm: Floats, bone: Floats) -> Floats:
    """Gain of arms (m, k, n, 2) from hinges that run about as a bone (m, 2) does."""
    length = np.maximum(np.linalg.norm(bone, axis=1), 1e-9)[:, None, None]
    along = np.linalg.norm(arm, axis=3) / length
    x, y = bone[:, 0, None, None], bone[:, 1, None, None]
    turn = np.degrees(
        np.arctan2(arm[..., 0] * y - arm[..., 1] * x, arm[..., 0] * x + arm[..., 1] * y)
    )
    fits = (along > BAR_ALONG[0]) & (along < BAR_ALONG[1])
    return np.where(fits, BAR_GAIN - 0.5 * (turn / BAR_TURN_DEG) ** 2, -np.inf)


def _beside(
    found: Candidates, points: Floats, expected: Expected, leg: PointName, name: PointName
) -> Floats:
    """Gain of patches that lie from the leg's point as the witness sees it; (m, n).

    A witness that errs takes both along; where the machine sits otherwise, nothing is lost but
    the gain.
    """
    if name not in expected.names:
        return np.zeros((len(points), len(found)))
    step = expected.xy[expected.names.index(name)] - expected.xy[LEG_POINTS.index(leg)]
    off = found.xy - points[:, None] - step
    off2 = (off**2).sum(axis=2) / (BESIDE_SEGMENTS * expected.segment) ** 2
    return np.asarray(BESIDE_WEIGHT * np.logaddexp(BESIDE_GAIN - tail(off2), 0.0))


def _other_size(log_ratio: Floats) -> Floats:
    """What speaks against a machine's dot and the leg's beside it being of one size."""
    return np.asarray(np.minimum(0.5 * ((log_ratio - NEARER) / SIZE_SPREAD) ** 2, SIZE_MOST))


def _either(anywhere: Floats, far2: Floats, expected: Expected, name: PointName) -> Floats:
    """Gain of a place (..., n) that follows from the leg, or from what the witness sees."""
    if name not in expected.names:
        return anywhere
    seen = PLACE_GAIN - tail(far2[:, expected.names.index(name)])
    return np.asarray(np.logaddexp(anywhere, seen) - np.log(2.0))


def _left_out(found: Candidates, rows: Ints) -> Floats:
    """What speaks against leaving dots of the set without a name."""
    weight = np.exp(np.minimum(quality(found), 0.0))
    taken = np.where(rows >= 0, weight[rows], 0.0).sum(axis=1)
    return np.asarray(LEFT_OUT * np.minimum(weight.sum() - taken, LEFT_MOST))


def _with_surroundings(found: Candidates, rows: _Rows, picture: Rgb | None) -> _Rows:
    hip, knee, ankle = rows.which[:, :3].T
    legs = Legs(hip, knee, ankle, rows.score)
    machine = rows.which[:, 3:]
    cues = leg_cues(found, legs) + MAKE_WEIGHT * bar_cue(found, legs, machine)
    cues = cues - ON_BAR_COST * on_bar(found, legs, machine).sum(axis=1)
    if picture is not None:
        odds = along_bars(picture, found, machine[:, ::2].T.ravel(), np.tile(machine[:, 1], 2))
        cues += odds.reshape(2, -1).sum(axis=0)
    return _Rows(rows.which, rows.score + cues)


def _most_of(found: Candidates, rows: _Rows) -> float:
    """What the score of one of the namings can be at most, whatever the bars look like."""
    hip, knee, ankle = rows.which[:, :3].T
    legs = Legs(hip, knee, ankle, rows.score)
    bars = MAKE_WEIGHT * MOST_BAR_CUE + 2.0 * MOST_ALONG
    return float((rows.score + leg_cues(found, legs)).max(initial=-np.inf)) + bars


def _doubted(found: Candidates, rows: _Rows, row: int) -> Bools:
    """Which of a naming's machine dots could as well be other patches, or none, (6,).

    Two outlines of one dot (its glare, its crescent) are no two dots.
    """
    which = rows.which[row]
    same = (rows.which[:, :3] == which[:3]).all(axis=1)
    nearly = rows.which[same & (rows.score > rows.score[row] - LITTLE)]
    close = rows.which[same & (rows.score > rows.score[row] - MARGIN)]
    gap = np.linalg.norm(found.xy[close] - found.xy[which], axis=2)
    reach = TWIN_RADII * np.maximum(half_length(found)[close], half_length(found)[which])
    other = ((close >= 0) & (which >= 0) & (gap > reach)).any(axis=0)
    return np.asarray(other | ((nearly < 0) & (which >= 0)).any(axis=0))


def _assignments(found: Candidates, rows: _Rows, doubtful: Bools) -> list[Assignment]:
    names = LEG_POINTS + MACHINE_POINTS
    clear = quality(found) > CLEAN
    hip, knee, ankle = rows.which[:, :3].T
    rare = bool(vivid_colour(pigment_of(found)[None])[0])
    flexion = flexion_deg_of(found.xy, Legs(hip, knee, ankle, rows.score))
    best: dict[tuple[int, ...], Assignment] = {}
    order = np.argsort(-rows.score, kind="stable")
    for row in order:
        leg = tuple(int(w) for w in rows.which[row, :3])
        if leg in best:
            continue
        which, doubted = rows.which[row], _doubted(found, rows, int(row))
        used = which[(which >= 0) & ~doubted]
        best[leg] = Assignment(
            index={names[k]: int(which[k]) for k in np.nonzero((which >= 0) & ~doubted)[0]},
            score=float(rows.score[row]),
            flexion_deg=float(flexion[row]),
            clean=int(clear[used].sum()),
            spare=int(clear.sum() - clear[used].sum()),
            rare=rare,
            doubtful=bool(doubtful[row]),
            left={names[k]: int(which[k]) for k in np.nonzero(doubted)[0]},
        )
    return list(best.values())
