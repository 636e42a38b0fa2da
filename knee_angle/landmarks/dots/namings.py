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
- surroundings: skin, bars, bosses (`legs`, `bars`), and what a network sees there (`lying`);
- what is left without a name costs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from knee_angle.landmarks.dots.along import MOST_ALONG, along_bars
from knee_angle.landmarks.dots.assignment import Assignment
from knee_angle.landmarks.dots.bars import bar_cue, folded, folded_over, on_bar
from knee_angle.landmarks.dots.candidates import Candidates, half_length
from knee_angle.landmarks.dots.expected import Expected
from knee_angle.landmarks.dots.legs import Legs, flexion_deg_of, leg_cues
from knee_angle.landmarks.dots.lying import SCALES, lying_of
from knee_angle.landmarks.dots.quality import CLEAN, quality, vivid_colour
from knee_angle.landmarks.dots.sets import (
    BLURRED,
    pigment_of,
    tail,
    unlike,
    usual_radius,
    wrong_size,
)
from knee_angle.records import LEG_POINTS, MACHINE_POINTS, PointName

__all__ = ["FIRM", "MARGIN", "NO_OUTLINE", "TWIN_RADII", "named_together"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]
Rgb = NDArray[np.uint8]

NAMES = LEG_POINTS + MACHINE_POINTS
MARGIN = 3.0
"""How much better a naming must be than another one to leave no doubt, of what it names and of the
leg (set with `together.ENOUGH`)."""
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
REACH = ((0.69, 0.22), (0.78, 0.20))
REACH_GAIN, REACH_MOST = 0.5, 2.0
"""How far from the hinge the thigh bar's dot lies, and the shank bar's, in the bone beside, and ±
of its logarithm (280 rendered scenes); what that is worth at best, and costs at most: no bar
reaches past a hip. Of 329 sets of other scenes, half of them failed, another leg then came within
2 of the true one in 48 instead of 65 (set there)."""
NEARER, SIZE_SPREAD, SIZE_MOST = 0.05, 0.25, 2.0
"""Logarithm of size of a machine's dot, flat and nearer, against that of the leg's beside it:
0.05 ± 0.10 in 63 rendered scenes, and what outlines err; and the most that it costs. With 0.18 and
4 the true leg led by `MARGIN_WHOLE` in 340 of 418 sets that had failed, with these and the lower
`ON_BAR_COST` in 344 (of 934 others in 910 and 909); all six were named rightly in 366, 357 before
(896 and 887), another leg led in 6 and 7 (none)."""
SMALL_SPREAD, SMALL_MOST = 0.5, 3.0
"""The same for a dot of the leg that is smaller than the best outlines, half hidden or far; and the
most that it costs (our own)."""
BESIDE_GAIN, BESIDE_SEGMENTS = 2.0, 0.08
"""The step from a point of the leg to the machine's beside it, ± in mean segments (our own)."""
BARS_WEIGHT, BESIDE_WEIGHT, MAKE_WEIGHT, ALONG_WEIGHT = 1.2, 1.5, 0.05, 1.4
BAR_LEVEL, HINGE_LEVEL = -0.75, -0.5
"""What a bar's place, the step beside a point of the leg, the bars' make (`bar_cue`) and what runs
along them (`along_bars`) weigh among the rest: by a conditional logit over the namings of 708 sets
of 105 rendered scenes, 120 failures among them. The true leg then leads by `MARGIN` in 646, by
weights of 1 in 615; another one in 1. And what makes a dot that is there count about as much as
with weights of 1. Then, by pairs of a bar's dot and the leg's beside it, exchanged, in 190 other
scenes: what runs along a bar tells more, and its place and make less, than that fit had it (1.35,
1.5, 0.15 and 1); of 303 pairs 5 instead of 9 are then the wrong way round (set there)."""
LIES_WEIGHT, LIES_THERE = 1.2, 1.0
"""What it weighs on which a dot lies (`lying`), and what it makes a name worth that suits. By one
view and a conditional logit over the namings of 1,385 sets of rendered photos, half of them
failures, the best weight was 0.6 to 0.8. Three views (`SCALES`) at 1.2 instead of one at 0.75, by
a network trained further, read 93 instead of 76 of 300 photos that had failed, 20 instead of 18
falsely, and 1,345 instead of 1,319 of 1,703 others, 25 instead of 28 falsely (set there,
`FOLDED_MARGIN` too); of 755 bare ones none. Of 1,758 fresh photos, with `SIX_AHEAD`, 1,716 instead
of 1,714, one instead of two falsely."""
LEFT_OUT, LEFT_MOST = 3.0, 4.0
"""Cost of a whole dot of the set without a name, and how many count. What is not quite of its
pigment makes the set no worse for one naming than for another, and all namings less sure."""
LEFT_OF_SIX, UNLIKE_OF_SIX, SMALL_OF_SIX, SIX_AHEAD = 5.0, 0.6, 0.45, 1.0
"""What each costs besides where six whole dots are all that there is of their pigment: then nothing
else is known that one of them could be. How unlike each is at most, how small in radii of the best
outlines, and by how much each is better than all else (our own). With other patches that are so
much worse, and black ones too, 76 instead of 63 of 227 photos that had failed use all six, 11
instead of 13 falsely, and 1,319 instead of 1,309 of 1,703 others, 28 instead of 29 falsely; of 755
bare ones none (set there)."""
ON_BAR_COST = 1.0
FOLDED_COST, FOLDED_MARGIN = 10.0, 9.0
"""Bars that bend against a plainly bent leg: no hinge does (`bars.folded_over`; our own). And how
much better which is which of two bars that fold on to each other must be known to be named: of 71
photos of bars within 15 degrees the wrong way led in 16 of four scenes, by up to 5.6 in three and
by 7.3 to 8.4 in one, the right way by 6.0 to 8.0 in six (set to 6 there). What dots lie on weighing
more, it is 9: with 6 a scene's eight photos had their bars the wrong way round."""
EXCHANGED = [0, 1, 2, 5, 4, 3]
"""Names of a naming with its bars exchanged."""
TWIN_RADII = 1.3
"""Two outlines this near, in radii of the larger, are of one dot: of what glares and of the rest;
stickers that lie side by side are 2 apart (our own)."""
LITTLE = 1.5
"""A machine's dot that makes a naming no more probable than this may be none: of 41 sets those that
were none made it 0.4 to 1.0 more so, right ones 1.5 and more (set there)."""
NO_OUTLINE, FAINT = -1.7, -1.5
"""A machine's dot of no outline and of about the colour only may be anything: of ten that showed no
outline among 190 rendered photos those wrongly named counted -1.8 and less, right ones -1.3 and
more (set there)."""
AT_HINGE = 2.0
"""Up to this cost (`tail`) a knee's dot may as well be the hinge's, where that has none."""
HIDDEN_MARGIN, SHAPELESS_MARGIN, FIRM = 1.0, 2.0, 6
"""By how much a leg must beat the thought that one of its dots is hidden, and that the machine's
dot beside it stands for it (surroundings apart; our own); not where all six are firmly there."""
ASTRAY = 9.0
"""A dot of the leg that lies so far (`tail`) from the witness's point is doubted even so: those of
190 rendered photos lay within 6.6, a patch that stood for one at 14.6."""
MOST_BENT_DEG = 160.0
"""No leg bends further in a picture. Two seen along the thigh, of what failed in some 950 rendered
scenes, bend by 148 and 150; of a panorama six dots were read as a knee at 170 (limit our own)."""
MOST_LEGS, MOST_HIDDEN, MOST_BARS, MOST_CLOSE = 60, 20, 3, 250
"""Legs followed up with machines, those with a hidden dot, patches for each bar of a leg and a
hinge, and namings whose surroundings are looked at."""


@dataclass(frozen=True, slots=True)
class _Rows:
    """Namings: patch of hip, knee, ankle, thigh bar, hinge, shank bar (m, 6), -1 none."""

    which: Ints
    score: Floats


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
        None are told where no naming has a score above it.
    """
    own = _counted(quality(found)) - UNLIKE_COST * unlike(found) - wrong_size(found)
    far2 = expected.distance2(found.xy)
    lies = _lies(found, expected, picture)
    rows = _with_machines(found, own, expected, _legs(found, own, far2, lies), lies)
    whole: Bools = np.asarray((rows.which[:, :3] >= 0).all(axis=1))
    best = _best_of(rows.score, whole, MOST_CLOSE)
    close = _with_surroundings(found, _Rows(rows.which[best], rows.score[best]), picture, least)
    if close.score.max(initial=-np.inf) <= least:
        return []
    doubtful = _one_hidden(found, rows, best, _best_of(rows.score, ~whole, MOST_CLOSE))
    firm = (np.r_[own, -np.inf][rows.which[best]] > WORST_COUNTED).sum(axis=1)
    firm = np.where(firm >= FIRM - 2, _outlined(found, rows.which[best]), firm)
    astray = tail(far2[rows.which[best][:, :3], np.arange(3)]).max(axis=1) > ASTRAY
    doubtful &= (firm < FIRM) | astray
    doubtful |= _hinge_for_knee(rows.which[best], far2, expected)
    return _assignments(found, own, close, doubtful)


def _lies(found: Candidates, expected: Expected, picture: Rgb | None) -> Floats:
    """Gain of each name for each patch by what it lies on, as a network sees that, (n, 6)."""
    if picture is None:
        return np.zeros((len(found), FIRM))
    return LIES_WEIGHT * lying_of(picture, found.xy, expected.xy, scales=SCALES) + LIES_THERE


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


def _outlined(found: Candidates, which: Ints) -> Ints:
    """How many patches of namings show an outline or a colour beyond doubt, of six."""
    own = quality(found) - wrong_size(found)
    return np.asarray((np.r_[own, -np.inf][which] > 0.0).sum(axis=1))


def _hinge_for_knee(which: Ints, far2: Floats, expected: Expected) -> Bools:
    """Which namings have both bars, no hinge, and a knee where the witness sees the hinge."""
    if "hinge" not in expected.names:
        return np.zeros(len(which), dtype=bool)
    near = tail(far2[which[:, 1], expected.names.index("hinge")]) < AT_HINGE
    return np.asarray(near & (which[:, 4] < 0) & (which[:, 3] >= 0) & (which[:, 5] >= 0))


def _counted(own: Floats) -> Floats:
    """How much of a dot a patch of the set's pigment counts as, by its outline."""
    return np.asarray(np.maximum(own, WORST_COUNTED) + SHAPELESS * np.minimum(own - BLURRED, 0.0))


def _legs(found: Candidates, own: Floats, far2: Floats, lies: Floats) -> _Rows:
    """Hip, knee and ankle, (m, 3), each the best of its kind; of some one dot is hidden (-1)."""
    every = np.arange(-1, len(found))
    sets = _different(np.array(np.meshgrid(every, every, every, indexing="ij")).reshape(3, -1).T)
    sets = sets[(sets < 0).sum(axis=1) <= 1]
    gain = PLACE_GAIN + (own - _too_small(found))[sets] - tail(far2[sets, np.arange(3)])
    gain = gain + lies[sets, np.arange(3)]
    score = np.where(sets >= 0, gain, 0.0).sum(axis=1)
    whole: Bools = np.asarray((sets >= 0).all(axis=1))
    hip, knee, ankle = sets.T
    bend = flexion_deg_of(found.xy, Legs(hip, knee, ankle, score))
    score = np.where(whole & (bend > MOST_BENT_DEG), -np.inf, score)
    best = np.r_[_best_of(score, whole, MOST_LEGS), _best_of(score, ~whole, MOST_HIDDEN)]
    return _Rows(sets[best], score[best])


def _too_small(found: Candidates) -> Floats:
    """What speaks against each patch being as large as the set's best outlines, or farther."""
    size = np.minimum(np.log(found.radius / usual_radius(found)) / SMALL_SPREAD, 0.0)
    return np.asarray(np.minimum(0.5 * size**2, SMALL_MOST))


def _best_of(score: Floats, which: Bools, most: int) -> Ints:
    rows = np.nonzero(which)[0]
    return np.asarray(rows[np.argsort(-score[rows], kind="stable")[:most]])


def _different(rows: Ints) -> Ints:
    """Rows that name no patch twice; -1 is none."""
    same = (rows[:, :, None] == rows[:, None]) & (rows[:, :, None] >= 0)
    return np.asarray(rows[same.sum(axis=(1, 2)) == (rows >= 0).sum(axis=1)])


def _with_machines(
    found: Candidates, own: Floats, expected: Expected, legs: _Rows, lies: Floats
) -> _Rows:
    """Every leg with every hinge, or none, and the bars that suit both best."""
    hinge_gain, bars = _machine_gains(found, own, expected, legs.which, lies)
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
    found: Candidates, own: Floats, expected: Expected, legs: Ints, lies: Floats
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
    hinge = hinge + lies[:, NAMES.index("hinge")]
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
        value = value + lies[:, NAMES.index(name)]
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
    own = quality(found)
    weight = np.exp(np.minimum(own - UNLIKE_COST * unlike(found), 0.0))
    rest, alike = (
        min(max(float(some.sum()) - FIRM, 0.0), LEFT_MOST)
        for some in (np.exp(np.minimum(own, 0.0)), weight)
    )
    taken = np.where(rows >= 0, weight[rows], 0.0).sum(axis=1)
    cost = LEFT_OUT * (np.minimum(weight.sum() - taken, LEFT_MOST) + rest - alike)
    six = _six_alone(found)
    if six is not None:
        # A bit for each dot, none for no patch: rows are many.
        bits = np.r_[np.packbits(six, axis=0, bitorder="little")[0], np.uint8(0)]
        named = np.unpackbits(np.bitwise_or.reduce(bits[rows], axis=1)[:, None], axis=1)
        cost = cost + LEFT_OF_SIX * (FIRM - named.sum(axis=1, dtype=np.intp))
    return np.asarray(cost)


def _six_alone(found: Candidates) -> Bools | None:
    """Which patches are of each of six whole dots, (6, n), where no other is nearly as good a one.

    Good by outline, colour and size.
    """
    own, usual = quality(found), usual_radius(found)
    whole = (own > WORST_COUNTED) & (unlike(found) < UNLIKE_OF_SIX) & (wrong_size(found) == 0.0)
    whole &= found.radius > SMALL_OF_SIX * usual
    good = own - UNLIKE_COST * unlike(found) - wrong_size(found)
    near = np.linalg.norm(found.xy[:, None] - found.xy, axis=2) < TWIN_RADII * max(usual, 1.0)
    dots: list[int] = []
    for one in np.argsort(-good, kind="stable"):
        if near[one, dots].any():
            continue
        if len(dots) == FIRM:
            return near[dots] if good[one] < good[dots[-1]] - SIX_AHEAD else None
        if not whole[one]:
            return None
        dots.append(int(one))
    return near[dots] if len(dots) == FIRM else None


def _with_surroundings(found: Candidates, rows: _Rows, picture: Rgb | None, least: float) -> _Rows:
    """Namings with what surrounds them; along the bars only where that can lift one above least."""
    hip, knee, ankle = rows.which[:, :3].T
    legs = Legs(hip, knee, ankle, rows.score)
    machine = rows.which[:, 3:]
    cues = leg_cues(found, legs) + MAKE_WEIGHT * bar_cue(found, legs, machine)
    cues = cues - ON_BAR_COST * on_bar(found, legs, machine).sum(axis=1)
    cues = cues - FOLDED_COST * folded_over(found.xy, legs, machine)
    cues = cues + _reach(found.xy, rows.which)
    most = (rows.score + cues).max(initial=-np.inf) + 2.0 * ALONG_WEIGHT * MOST_ALONG
    if picture is not None and most > least:
        odds = along_bars(picture, found, machine[:, ::2].T.ravel(), np.tile(machine[:, 1], 2))
        cues += ALONG_WEIGHT * odds.reshape(2, -1).sum(axis=0)
    return _Rows(rows.which, rows.score + cues)


def _reach(xy: Floats, which: Ints) -> Floats:
    """Gain of bars that are about as long as a bar beside its bone, from the hinge or the knee."""
    gain = np.zeros(len(which))
    knee = which[:, 1]
    start = np.where(which[:, 4] >= 0, which[:, 4], knee)
    ends = (which[:, [0, 2]].T, which[:, [3, 5]].T)
    for (usual, spread), end, bar in zip(REACH, *ends, strict=True):
        bone = np.linalg.norm(xy[end] - xy[knee], axis=1)
        arm = np.linalg.norm(xy[bar] - xy[start], axis=1)
        off = np.log(np.maximum(arm, 1e-9) / np.maximum(usual * bone, 1e-9)) / spread
        gain += np.where(bar >= 0, REACH_GAIN - np.minimum(0.5 * off**2, REACH_MOST), 0.0)
    return gain


def _doubted(found: Candidates, faint: Bools, half: Floats, rows: _Rows, row: int) -> Bools:
    """Which of a naming's machine dots could as well be other patches, or none, (6,).

    Two outlines of one dot (its glare, its crescent) are no two dots; ``half`` how long each is.
    """
    which = rows.which[row]
    there = which >= 0
    same = (rows.which[:, :3] == which[:3]).all(axis=1)
    nearly = rows.which[same & (rows.score > rows.score[row] - LITTLE)]
    close = rows.which[same & (rows.score > rows.score[row] - MARGIN)]
    gap = np.linalg.norm(found.xy[close] - found.xy[which], axis=2)
    reach = TWIN_RADII * np.maximum(half[close], half[which])
    other = ((close >= 0) & there & (gap > reach)).any(axis=0)
    if folded(found.xy, which[None, len(LEG_POINTS) :])[0]:
        exchanged = (rows.which == which[EXCHANGED]).all(axis=1)
        unsure = (exchanged & (rows.score > rows.score[row] - FOLDED_MARGIN)).any()
        other |= unsure & (which != which[EXCHANGED])
    machine = np.arange(FIRM) >= len(LEG_POINTS)
    none = (nearly < 0).any(axis=0) | (faint[which] & machine)
    return np.asarray(other | (none & there))


def _assignments(found: Candidates, own: Floats, rows: _Rows, doubtful: Bools) -> list[Assignment]:
    clear, half = quality(found) > CLEAN, half_length(found)
    faint = (quality(found) < NO_OUTLINE) & (own < FAINT)
    hip, knee, ankle = rows.which[:, :3].T
    rare = bool(vivid_colour(pigment_of(found)[None])[0])
    flexion = flexion_deg_of(found.xy, Legs(hip, knee, ankle, rows.score))
    best: dict[tuple[int, ...], Assignment] = {}
    order = np.argsort(-rows.score, kind="stable")
    for row in order:
        leg = tuple(int(w) for w in rows.which[row, :3])
        if leg in best:
            continue
        which, doubted = rows.which[row], _doubted(found, faint, half, rows, int(row))
        used = which[(which >= 0) & ~doubted]
        best[leg] = Assignment(
            index={NAMES[k]: int(which[k]) for k in np.nonzero((which >= 0) & ~doubted)[0]},
            score=float(rows.score[row]),
            flexion_deg=float(flexion[row]),
            clean=int(clear[used].sum()),
            spare=int(clear.sum() - clear[used].sum()),
            rare=rare,
            doubtful=bool(doubtful[row]),
            left={NAMES[k]: int(which[k]) for k in np.nonzero(doubted)[0]},
        )
    return list(best.values())
