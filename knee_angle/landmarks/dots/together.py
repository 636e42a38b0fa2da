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

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from knee_angle.landmarks.dots.assignment import Assignment
from knee_angle.landmarks.dots.bars import bar_cue, on_bar
from knee_angle.landmarks.dots.candidates import Candidates, company_of, examine
from knee_angle.landmarks.dots.colour import SAME_PIGMENT2, colour_distance2
from knee_angle.landmarks.dots.expected import Expected
from knee_angle.landmarks.dots.legs import Legs, flexion_deg_of, leg_cues
from knee_angle.landmarks.dots.picture import Picture, inside
from knee_angle.landmarks.dots.quality import CLEAN, pigment_prior, quality, vivid_colour
from knee_angle.landmarks.dots.readings import Reading
from knee_angle.landmarks.dots.refusals import AMBIGUOUS, NOT_ALL
from knee_angle.records import LEG_POINTS, MACHINE_POINTS, NotMeasured, PointName

__all__ = ["named_together", "readings_together", "sets_of", "settled_together", "together_with"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]

ENOUGH, ENOUGH_DULL, MARGIN = 14.0, 22.0, 3.0
"""Least score of a set, of one of black or white dots, and how much better the best naming must
be than one of another leg. Sets of dots in 17 rendered scenes reached 18 to 37, patches of one
vivid colour without dots 2 to 8, of black or grey 19 (set there)."""
NEAR2 = 25.0
"""A patch this far (squared ±) from a point that a witness sees tells nothing of a pigment."""
SIZE_RATIO = 4.0
"""Nearest against farthest dot of a leg seen obliquely from close by: 11.8 against 3.4 px in a
rendered photo (our own)."""
MOST_PIGMENTS, LEAST_PIGMENT, LEAST_SEEDS = 3, -0.5, 2
LEAST_DOTS, LEAST_CLEAN, FEWEST_CLEAN, MOST_DOTS = 5, 4, 3, 12
"""Six dots and as many buttons; more of one kind are a pattern (as in `unused`). Of black or white
ones fewer whole outlines than `FEWEST_CLEAN` are not even said."""
BOX_SEGMENTS = 0.7
"""How far around the points dots of their pigment are looked for, mean segments."""
SMALL_SHARE = 0.05
"""Least area of a half seen dot, of the largest (`SIZE_RATIO`, a part of it hidden)."""
SHADE, LEAST_LIGHTNESS = 0.65, 15.0
"""How dark a shadow makes a dot, and below which lightness all colours look black (our own)."""
WORST_HALF_SEEN, WORST_COUNTED = -5.0, -0.8
"""Of patches that colour alone shows: least quality, and as how bad the worst count."""
WHOLE, UNLIKE = 4, 0.5
"""How many of the best outlines tell the pigment, and what each squared spread from it costs:
glare may show in the middle of a dot (our own)."""
WHITE, GLARE_SHARES = np.array([97.0, 0.0, 0.0]), np.array([[0.3], [0.6], [0.9]])
GLARE_COST2 = 2.0
"""Glare mixes white into a dot's colour; this much (squared spreads) a mixture costs anyway."""
TAIL = 6.0
"""Degrees of freedom of the witness's error: one in a hundred is 4 ± off (our own)."""
PLACE_GAIN = 5.0
HINGE_GAIN, HINGE_SPREAD, HINGE_FAR = 3.5, 0.2, 0.65
BAR_GAIN, BAR_TURN_DEG, BAR_ALONG = 3.0, 9.0, (0.12, 1.25)
"""A patch of the right pigment there instead of anywhere: the place known to 0.1 segments, to
0.2 round the knee, or along a line to 9 degrees, in a picture of some 5 x 5 segments with a
patch or two of that pigment besides (our own). As far as a misfit of 260 mm of 400."""
NEARER, SIZE_SPREAD, SIZE_MOST = 0.05, 0.18, 4.0
"""Logarithm of size of a machine's dot, flat and nearer, against that of the leg's beside it:
0.05 ± 0.10 in 63 rendered scenes, and what outlines err; and the most that it costs."""
BESIDE_GAIN, BESIDE_SEGMENTS = 2.0, 0.08
"""The step from a point of the leg to the machine's beside it, ± in mean segments (our own)."""
LEFT_OUT, LEFT_MOST = 3.0, 4.0
"""Cost of a whole dot of the set without a name, and how many count."""
ON_BAR_COST = 3.0
HIDDEN_MARGIN, FIRM = 1.0, 6
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
    for one in sets_of(picture, expected):
        readings += [Reading(named, one) for named in named_together(one, expected)]
        if readings and _enough(max(readings, key=lambda reading: reading.named.score)):
            break
    return sorted(readings, key=lambda reading: -reading.named.score)


def settled_together(readings: list[Reading]) -> Reading | None:
    """The best naming, where it is beyond doubt."""
    if not readings or not _enough(readings[0]):
        return None
    close = readings[0].named.score - MARGIN
    rivals = [reading for reading in readings[1:] if reading.named.score > close]
    return readings[0] if all(_alike_legs(readings[0], rival) for rival in rivals) else None


def together_with(readings: list[Reading], one: Reading) -> Reading | NotMeasured:
    """A leg found otherwise, judged by the sets: theirs where it is the same, or denied."""
    if not readings or not _plain(readings[0]):
        return one
    if not _alike_legs(readings[0], one):
        return AMBIGUOUS
    if len(one.named.index) == len(LEG_POINTS) + len(MACHINE_POINTS):
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
        return len(named.index) >= LEAST_DOTS and named.score > ENOUGH
    whole = len(named.index) == len(LEG_POINTS) + len(MACHINE_POINTS)
    return whole and named.clean >= LEAST_CLEAN and named.score > ENOUGH_DULL


def _alike_legs(one: Reading, other: Reading) -> bool:
    return _is_leg(one, other.found.xy[[other.named.index[name] for name in LEG_POINTS]])


def _is_leg(reading: Reading, leg: Floats) -> bool:
    which = [reading.named.index[name] for name in LEG_POINTS]
    gap = np.linalg.norm(reading.found.xy[which] - leg, axis=1)
    return bool((gap < reading.found.radius[which]).all())


def sets_of(picture: Picture, expected: Expected) -> Iterator[Candidates]:
    """Sets of patches of one pigment about where a witness sees the points, most telling first."""
    found = picture.found
    own = quality(found)
    far2 = expected.distance2(found.xy)
    near = np.nonzero((far2.min(axis=1) < NEAR2) & (own > -1.0))[0]
    near = near[pigment_prior(found.lab[near]) > LEAST_PIGMENT]
    if len(near) < LEAST_SEEDS:
        return
    colours: list[Floats] = []
    for seed in near[np.argsort(-_covered(found, own, far2, near), kind="stable")]:
        if len(colours) == MOST_PIGMENTS:
            break
        if all(colour_distance2(found.lab[seed], c) > SAME_PIGMENT2 / 2.0 for c in colours):
            colours.append(found.lab[seed])
            members = near[_alike(found, near, int(seed))]
            one = _whole_set(picture, expected, members) if _hopeful(found, members) else None
            if one is not None and _may_be_dots(one):
                yield one


def _hopeful(found: Candidates, members: Ints) -> bool:
    """Whether the patches about the points may be a set's: most pigments near a leg are none.

    The picture is then looked through for the rest, which takes longer than all before.
    """
    clean = int((quality(found)[members] > CLEAN).sum())
    if vivid_colour(np.median(found.lab[members], axis=0)[None])[0]:
        return clean + len(members) > 1
    return clean >= FEWEST_CLEAN


def _may_be_dots(whole: Candidates) -> bool:
    """Whether a set could be enough, whichever dot is which (`_enough`)."""
    clean = int((quality(whole) > CLEAN).sum())
    return clean >= FEWEST_CLEAN or bool(vivid_colour(_pigment(whole)[None])[0])


def _alike(found: Candidates, among: Ints, seed: int) -> Bools:
    ratio = np.abs(np.log(found.radius[among] / found.radius[seed]))
    same = colour_distance2(found.lab[among], found.lab[seed]) < SAME_PIGMENT2 / 2.0
    return np.asarray(same & (ratio < np.log(SIZE_RATIO)))


def _covered(found: Candidates, own: Floats, far2: Floats, near: Ints) -> Floats:
    """How many of the points have a patch like each of the near ones beside them."""
    weight = np.exp(np.minimum(own[near], 0.0))[:, None] * np.exp(-far2[near] / 16.0)
    like = np.array([_alike(found, near, int(seed)) for seed in near]).reshape(len(near), -1)
    best = np.where(like[:, :, None], weight[None], 0.0)
    return np.asarray(best.max(axis=1, initial=0.0).sum(axis=1))


def _whole_set(picture: Picture, expected: Expected, members: Ints) -> Candidates | None:
    """All patches of a pigment around the leg, half seen ones too."""
    found = picture.found
    margin = BOX_SEGMENTS * expected.segment
    low, high = expected.xy.min(axis=0) - margin, expected.xy.max(axis=0) + margin
    height, width = picture.photo.small.shape[:2]
    box = (
        int(np.clip(low[0], 0, width - 2)), int(np.clip(low[1], 0, height - 2)),
        int(np.clip(high[0] + 1, 2, width)), int(np.clip(high[1] + 1, 2, height)),
    )  # fmt: skip
    there = ((found.xy > low) & (found.xy < high)).all(axis=1)
    lab = found.lab[members]
    unlike = colour_distance2(found.lab[:, None], lab[None]).min(axis=1)
    ratio = np.abs(np.log(found.radius / np.median(found.radius[members])))
    alike = found.take(there & (unlike < SAME_PIGMENT2 / 2.0) & (ratio < np.log(SIZE_RATIO)))
    radius = float(alike.radius.max())
    xy, size = picture.of_colour(_also_shaded(lab), radius, box)
    gap = np.linalg.norm(xy[:, None] - alike.xy[None], axis=2)
    new = (gap > 0.8 * np.maximum(alike.radius[None], size[:, None])).all(axis=1)
    new &= ~inside(xy, picture.quads) & (size > np.sqrt(SMALL_SHARE) * radius)
    more = examine(picture.photo.small, xy[new], size[new], trusted=True)
    whole = alike.joined(more)
    own = quality(whole)
    whole = whole.take(_apart(whole) & (own > WORST_HALF_SEEN))
    own = quality(whole)
    if len(whole) < LEAST_DOTS or np.exp(np.minimum(own, 0.0)).sum() > MOST_DOTS:
        return None
    telling = own - _tail(expected.distance2(whole.xy)).min(axis=1)
    whole = whole.take(np.sort(np.argsort(-telling, kind="stable")[:MOST_DOTS]))
    return replace(whole, company=company_of(whole, found))


def _also_shaded(lab: Floats) -> Floats:
    """Colours of a pigment and what a shadow makes of them."""
    dark = SHADE * lab[SHADE * lab[:, 0] > LEAST_LIGHTNESS]
    return np.concatenate([lab, dark])


def _apart(found: Candidates) -> Bools:
    """Without second outlines of one dot: the better stays."""
    keep = np.ones(len(found), dtype=bool)
    own = quality(found)
    for here in np.argsort(-own, kind="stable"):
        gap = np.linalg.norm(found.xy - found.xy[here], axis=1)
        over = gap < 0.8 * np.maximum(found.radius, found.radius[here])
        over[here] = False
        if keep[here]:
            keep[over] = False
    return keep


def named_together(found: Candidates, expected: Expected) -> list[Assignment]:
    """Namings of a set, the most probable first; at most one for each hip, knee and ankle.

    Parameters
    ----------
    found : Candidates
        One of `sets_of`.
    expected : Expected
        With hip, knee and ankle first.
    """
    own = np.maximum(quality(found), WORST_COUNTED) - _unlike(found)
    far2 = expected.distance2(found.xy)
    rows = _with_machines(found, own, expected, _legs(found, own, far2))
    whole: Bools = np.asarray((rows.which[:, :3] >= 0).all(axis=1))
    hidden = rows.score[~whole].max(initial=-np.inf)
    best = _best_of(rows.score, whole, MOST_CLOSE)
    doubtful = rows.score[best] < hidden + HIDDEN_MARGIN
    firm = (np.r_[own, -np.inf][rows.which[best]] > WORST_COUNTED).sum(axis=1)
    doubtful &= firm < FIRM
    rows = _with_surroundings(found, _Rows(rows.which[best], rows.score[best]))
    return _assignments(found, rows, doubtful)


def _pigment(found: Candidates) -> Floats:
    """The colour of the best outlines of a set."""
    return np.asarray(
        np.median(found.lab[np.argsort(-quality(found), kind="stable")[:WHOLE]], axis=0)
    )


def _unlike(found: Candidates) -> Floats:
    """What speaks against each patch being of the set's pigment, in the sun or a shadow."""
    core = _also_shaded(_pigment(found)[None])
    far2 = colour_distance2(found.lab[:, None], core[None]).min(axis=1)
    glare = core[:1] + GLARE_SHARES * (WHITE - core[:1])
    glare2 = GLARE_COST2 + colour_distance2(found.lab[:, None], glare[None]).min(axis=1)
    return np.asarray(UNLIKE * np.minimum(np.minimum(far2, glare2), SAME_PIGMENT2))


def _tail(far2: Floats) -> Floats:
    """Minus logarithm of a long-tailed density, 0 in the middle."""
    return np.asarray(0.5 * (TAIL + 2.0) * np.log1p(far2 / TAIL))


def _legs(found: Candidates, own: Floats, far2: Floats) -> _Rows:
    """Hip, knee and ankle, (m, 3), each the best of its kind; of some one dot is hidden (-1)."""
    every = np.arange(-1, len(found))
    sets = _different(np.array(np.meshgrid(every, every, every, indexing="ij")).reshape(3, -1).T)
    sets = sets[(sets < 0).sum(axis=1) <= 1]
    gain = PLACE_GAIN + own[sets] - _tail(far2[sets, np.arange(3)])
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
    hinge = hinge + own - _other_size(size - usual[:, 1, None])
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
        value = _either(along, far2, expected, name) + own
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
    return np.asarray(np.logaddexp(BESIDE_GAIN - _tail(off2), 0.0))


def _other_size(log_ratio: Floats) -> Floats:
    """What speaks against a machine's dot and the leg's beside it being of one size."""
    return np.asarray(np.minimum(0.5 * ((log_ratio - NEARER) / SIZE_SPREAD) ** 2, SIZE_MOST))


def _either(anywhere: Floats, far2: Floats, expected: Expected, name: PointName) -> Floats:
    """Gain of a place (..., n) that follows from the leg, or from what the witness sees."""
    if name not in expected.names:
        return anywhere
    seen = PLACE_GAIN - _tail(far2[:, expected.names.index(name)])
    return np.asarray(np.logaddexp(anywhere, seen) - np.log(2.0))


def _left_out(found: Candidates, rows: Ints) -> Floats:
    """What speaks against leaving dots of the set without a name."""
    weight = np.exp(np.minimum(quality(found), 0.0))
    taken = np.where(rows >= 0, weight[rows], 0.0).sum(axis=1)
    return np.asarray(LEFT_OUT * np.minimum(weight.sum() - taken, LEFT_MOST))


def _with_surroundings(found: Candidates, rows: _Rows) -> _Rows:
    hip, knee, ankle = rows.which[:, :3].T
    legs = Legs(hip, knee, ankle, rows.score)
    machine = rows.which[:, 3:]
    cues = leg_cues(found, legs) + bar_cue(found, legs, machine)
    cues = cues - ON_BAR_COST * on_bar(found, legs, machine).sum(axis=1)
    return _Rows(rows.which, rows.score + cues)


def _without_doubts(rows: _Rows, row: int) -> Ints:
    """A naming less the machine's dots that could as well be other patches."""
    which = rows.which[row].copy()
    same = (rows.which[:, :3] == which[:3]).all(axis=1)
    close = rows.which[same & (rows.score > rows.score[row] - MARGIN)]
    which[((close != which) & (close >= 0)).any(axis=0)] = -1
    return np.asarray(which, dtype=np.intp)


def _assignments(found: Candidates, rows: _Rows, doubtful: Bools) -> list[Assignment]:
    names = LEG_POINTS + MACHINE_POINTS
    clear = quality(found) > CLEAN
    hip, knee, ankle = rows.which[:, :3].T
    rare = bool(vivid_colour(_pigment(found)[None])[0])
    flexion = flexion_deg_of(found.xy, Legs(hip, knee, ankle, rows.score))
    best: dict[tuple[int, ...], Assignment] = {}
    order = np.argsort(-rows.score, kind="stable")
    for row in order:
        leg = tuple(int(w) for w in rows.which[row, :3])
        if leg in best:
            continue
        which = _without_doubts(rows, int(row))
        used = which[which >= 0]
        best[leg] = Assignment(
            index={n: int(w) for n, w in zip(names, which, strict=True) if w >= 0},
            score=float(rows.score[row]),
            flexion_deg=float(flexion[row]),
            clean=int(clear[used].sum()),
            spare=int(clear.sum() - clear[used].sum()),
            rare=rare,
            doubtful=bool(doubtful[row]),
        )
    return list(best.values())
