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

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from knee_angle.landmarks.dot_candidates import SAME_PIGMENT2, Candidates, colour_distance2
from knee_angle.records import LEG_POINTS, MACHINE_POINTS, PointName

__all__ = [
    "CLEAN",
    "RARE",
    "RING_COST",
    "RING_SURE",
    "VOUCHED",
    "Assignment",
    "assign",
    "crowd",
    "pigment_prior",
    "pigments",
    "quality",
    "surroundings_alike",
    "vivid",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]

# The leg ----------------------------------------------------------------------------

SHORTEST_SEGMENT_DOTS = 8.0
LONGEST_SEGMENT_DOTS = 56.0
"""A thigh of 340-520 mm and dots of 10-25 mm give 14 to 52; a view 40 degrees off
shortens to 0.77, a hidden part makes a dot look smaller."""
LOG_RATIO_SPREAD = 0.28
LOG_RATIO_LIMIT = 0.6
"""Thigh against shank: 1.0 (Drillis and Contini: .245 and .246 of stature); the view and
a high or low mark change it by up to 1.6 in the picture."""
LARGEST_FLEXION_DEG = 145.0
"""125 degrees, plus 20 for the view."""
SURE_BEND_DEG = 15.0
"""From this bend on the bend itself tells the anterior side; below, the picture's top."""
LEG_SIZE_SPREAD = 0.35
"""Logarithm of size among leg dots: seen obliquely, partly hidden."""
UPSIDE_DOWN_COST = 3.0
"""A knee cap that points down: the photo would not be upright."""
RISE_WEIGHT = 8.0
RISE_MOST = 1.5
"""A machine holds the ankle some 50 mm higher than the bed holds the hip: 0.12 of the
distance between, spread 0.1, taken as 0.17 for a camera that is not level."""
SKIN_AT_ANKLE = 3.5
SKIN_AT_HIP = 1.5
"""Ankle and knee lie on one skin, the hip usually on cloth."""
LEAST_SKIN = 0.3
"""Share of the ankle's surroundings that a lone ankle must have in common with the knee."""
LEAST_CUES = 0.3
"""Least sum of cues for a leg whose ankle does not lie on the knee's skin (a sock)."""

# The pigment ------------------------------------------------------------------------

STRONG_CHROMA = 28.0
BLACK_LIGHTNESS = 38.0
WHITE_LIGHTNESS = 80.0
FAINT_PIGMENT = 4.0
"""A pigment that stands out: chroma of a marker or pen (from 28), or nearly black, or
white. Cost of a middling grey or beige."""
USUAL_CROWD = 8.0
RARE = 0.3
"""Six dots and a few buttons are usual; more of one kind are a pattern. Logarithm up to
which a pigment counts as rare."""
VOUCHED = -0.3
"""Least quality of a patch whose rare pigment vouches for it."""
UNEXPLAINED = 1.5
UNEXPLAINED_MOST = 6.0
"""Cost of leaving a dot of a rare pigment unnamed, and how many count at most."""

# The machine, in mean segment lengths -----------------------------------------------

HINGE_GAIN = 3.5
BAR_GAIN = 3.5
"""A patch of the right pigment at the right place: chance is about 1 in 30."""
HINGE_MEAN = (0.0, -0.09)
HINGE_SPREAD = (0.10, 0.11)
HINGE_LIMIT = 0.38
"""Proximal and anterior of the knee. Seats are wrong by up to 60 mm (0.15), and the hinge
is 100 mm nearer to the camera (0.15 at 35 degrees)."""
BAR_SPREAD_DEG = 8.0
"""Frame and knee angle differ by up to 15 degrees, shared by two bars."""
BAR_ALONG = (0.18, 1.15)
BAR_ACROSS_SPREAD = 0.10
MACHINE_SIZE_SPREAD = 0.3
BAR_SIZE_SPREAD = 0.15
BAR_SIZE_LIMIT = 0.6
HINGE_SIZE_LIMIT = 1.25
HINGE_SIZE_SPREAD = 0.6
"""Logarithm of size. A hinge may be seen as its whole boss when that has the dot's colour."""
BAR_MAKE = 1.5
PAINT2 = 4.0
SAME_PAINT2 = 2.0
"""Bars are painted alike and go on straight on both sides of a dot."""
ON_BAR_COST = 4.0
ON_BAR_FROM = 0.4
ON_BAR_TO = 0.6
"""Share of the surroundings with the bars' paint: a dot on a bar has 0.5 and more, one
beside or half behind it up to 0.5."""
RING_SURE = 18.0
RING_COST = 3.0
"""A concentric step above JPEG noise and skin texture (RGB units)."""
COMPANY_COST = 1.0
"""For each further round patch of another colour close by: a row of buttons."""

CLEAN = 0.5
"""Quality of a patch that looks like a whole dot by itself."""
LEAST_QUALITY_DULL = -1.0
"""Shadows and gaps are black too, highlights white: such a dot must show its outline."""
NEIGHBOURS = 20
TRIPLES = 120
HINGES = 3
MOST_ASSIGNMENTS = 60


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
    """

    index: dict[PointName, int]
    score: float
    flexion_deg: float
    clean: int
    spare: int
    rare: bool
    doubtful: bool


@dataclass(frozen=True, slots=True)
class _Legs:
    """Indices of possible legs, shape (m,) each, with their score so far."""

    hip: Ints
    knee: Ints
    ankle: Ints
    score: Floats

    @property
    def index(self) -> Ints:
        """All three, shape (m, 3)."""
        return np.stack([self.hip, self.knee, self.ankle], axis=1)


def quality(found: Candidates) -> Floats:
    """How much of a dot each patch is: +1.5 for a clean disc, down to about -4."""
    shape = np.minimum((found.misfit / 0.06) ** 2, 6.0)
    gap = (1.0 - found.arc) / 0.2
    uneven = np.minimum((found.roughness / np.maximum(found.contrast, 1.0) / 0.5) ** 2, 4.0)
    faint = np.maximum(0.0, 1.0 - found.contrast / 20.0)
    thin = np.maximum(np.hypot(found.stretch[:, 0], found.stretch[:, 1]) - 0.2, 0.0) / 0.1
    return np.asarray(1.5 - 0.5 * shape - 0.6 * gap - 0.4 * uneven - faint - thin)


def pigment_prior(lab: Floats) -> Floats:
    """0 for a strong colour, black or white, down to -4 for a middling grey or beige."""
    chroma = np.hypot(lab[..., 1], lab[..., 2])
    dull = np.clip((STRONG_CHROMA - chroma) / 12.0, 0.0, 1.0)
    middling = np.minimum(lab[..., 0] - BLACK_LIGHTNESS, WHITE_LIGHTNESS - lab[..., 0])
    return np.asarray(-FAINT_PIGMENT * dull * np.clip(middling / 10.0, 0.0, 1.0))


def crowd(found: Candidates, own: Floats, colours: Floats) -> Floats:
    """Logarithm of how many more patches of these colours there are than usual."""
    near = colour_distance2(found.lab[None], colours[:, None]) < SAME_PIGMENT2
    count = (near * np.exp(np.minimum(own, 0.0))).sum(axis=1)
    return np.asarray(np.log(np.maximum(count / USUAL_CROWD, 1.0)))


def pigments(found: Candidates, most: int) -> Floats:
    """Colours that make a V of three similar dots, the most convincing first.

    Returns
    -------
    ndarray, shape (k, 3)
        CIE L*a*b*, k <= most.
    """
    if len(found) < len(LEG_POINTS):
        return np.zeros((0, 3))
    own = quality(found)
    legs = _triples(found, own)
    colours = found.lab[legs.index].mean(axis=1)
    score = legs.score - 2.0 * crowd(found, own, colours)
    kept: list[Floats] = []
    for row in np.argsort(-score, kind="stable"):
        colour = colours[row]
        if all(colour_distance2(colour, other) > SAME_PIGMENT2 / 3.0 for other in kept):
            kept.append(colour)
        if len(kept) == most:
            break
    return np.array(kept).reshape(-1, 3)


def vivid(found: Candidates) -> bool:
    """Whether patches of about one colour have that of a marker or pen, and are not black."""
    return bool(np.hypot(*np.median(found.lab[:, 1:], axis=0)) > STRONG_CHROMA)


def assign(found: Candidates) -> list[Assignment]:
    """All plausible assignments, the best first.

    Parameters
    ----------
    found : Candidates
        Patches of about one colour.

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
    legs = _either_way(_triples(found, np.maximum(own, VOUCHED) if rare else own))
    up, upright = _anterior(found.xy, legs)
    cues = _leg_cues(found, legs)
    score = legs.score + cues - np.where(upright, 0.0, UPSIDE_DOWN_COST)
    machine, gain = _machine(found, own, legs, up)
    ends = _on_bar(found, legs, machine)
    score = score + gain + _bar_cue(found, legs, machine) - ON_BAR_COST * ends.sum(axis=1)
    score = score - crowded * (2.0 + (machine >= 0).sum(axis=1))
    if crowded < RARE:
        score = score - _unexplained(found, own, legs, machine)
    doubtful = _doubtful(found, legs, machine, ends, cues, vivid=strong)
    if not strong:
        doubtful |= own[legs.index].min(axis=1) < LEAST_QUALITY_DULL
    return _assignments(found, own, legs, machine, score, doubtful, rare=rare)


def _assignments(
    found: Candidates,
    own: Floats,
    legs: _Legs,
    machine: Ints,
    score: Floats,
    doubtful: Bools,
    *,
    rare: bool,
) -> list[Assignment]:
    order = np.argsort(-score, kind="stable")[:MOST_ASSIGNMENTS]
    rows = np.concatenate([legs.index, machine], axis=1)[order]
    flexion = _flexion(found.xy, _chosen(legs, order))
    used = rows >= 0
    clear = own > CLEAN
    clean = (clear[rows] & used).sum(axis=1)
    usual = np.nanmedian(np.where(used, found.radius[rows], np.nan), axis=1)
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


# Legs -------------------------------------------------------------------------------


def _triples(found: Candidates, good: Floats) -> _Legs:
    """The best V-shaped threes of one pigment and size, one way round."""
    colour = colour_distance2(found.lab[:, None], found.lab[None])
    size = np.log(found.radius[:, None] / found.radius[None])
    gap = np.linalg.norm(found.xy[:, None] - found.xy[None], axis=2)
    dots = gap / (2.0 * np.maximum(found.radius[:, None], found.radius[None]))
    fits = (colour < SAME_PIGMENT2) & (np.abs(size) < 0.9)
    fits &= (dots > SHORTEST_SEGMENT_DOTS) & (dots < LONGEST_SEGMENT_DOTS)
    value = good[None] - 0.5 * colour - 0.5 * (size / LEG_SIZE_SPREAD) ** 2
    value = np.where(fits, value, -np.inf)
    width = min(NEIGHBOURS, len(found))
    near = np.argsort(-value, axis=1, kind="stable")[:, :width]
    a, b = np.triu_indices(width, 1)
    middle = np.repeat(np.arange(len(found)), len(a))
    one, other = near[:, a].ravel(), near[:, b].ravel()
    keep = np.isfinite(value[middle, one] + value[middle, other])
    one, middle, other = one[keep], middle[keep], other[keep]
    ratio = np.log(gap[one, middle] / gap[middle, other])
    score = value[middle, one] + value[middle, other] + good[middle]
    score = score - 0.5 * colour[one, other] - 0.5 * (ratio / LOG_RATIO_SPREAD) ** 2
    legs = _Legs(one, middle, other, score + pigment_prior(found.lab[middle]))
    keep = (np.abs(ratio) < LOG_RATIO_LIMIT) & (colour[one, other] < SAME_PIGMENT2)
    keep &= _flexion(found.xy, legs) < LARGEST_FLEXION_DEG
    best = np.nonzero(keep)[0]
    return _chosen(legs, best[np.argsort(-legs.score[best], kind="stable")[:TRIPLES]])


def _chosen(legs: _Legs, rows: Ints) -> _Legs:
    return _Legs(legs.hip[rows], legs.knee[rows], legs.ankle[rows], legs.score[rows])


def _either_way(legs: _Legs) -> _Legs:
    """Each leg, and each with hip and ankle exchanged."""
    return _Legs(
        np.concatenate([legs.hip, legs.ankle]),
        np.concatenate([legs.knee, legs.knee]),
        np.concatenate([legs.ankle, legs.hip]),
        np.concatenate([legs.score, legs.score]),
    )


def _flexion(xy: Floats, legs: _Legs) -> Floats:
    thigh, shank = xy[legs.knee] - xy[legs.hip], xy[legs.ankle] - xy[legs.knee]
    cross = thigh[:, 0] * shank[:, 1] - thigh[:, 1] * shank[:, 0]
    dot = np.sum(thigh * shank, axis=1)
    return np.asarray(np.degrees(np.arctan2(np.abs(cross), dot)))


def _anterior(xy: Floats, legs: _Legs) -> tuple[Floats, Bools]:
    """Unit vectors across the leg to its anterior side, (m, 2), and whether that is up."""
    along = xy[legs.ankle] - xy[legs.hip]
    across = np.stack([along[:, 1], -along[:, 0]], axis=1)
    across /= np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-9)
    bulge = np.sum((xy[legs.knee] - xy[legs.hip]) * across, axis=1)
    bent = _flexion(xy, legs) > SURE_BEND_DEG
    flip = np.where(bent, bulge < 0.0, across[:, 1] > 0.0)
    across = np.where(flip[:, None], -across, across)
    return across, np.asarray(across[:, 1] < 0.35)  # up to 20 degrees below level


def _leg_cues(found: Candidates, legs: _Legs) -> Floats:
    """What the surroundings say about hip, knee and ankle."""
    skin = SKIN_AT_ANKLE * surroundings_alike(found, legs.ankle, legs.knee)
    skin = skin - SKIN_AT_HIP * surroundings_alike(found, legs.hip, legs.knee)
    rise = found.xy[legs.hip, 1] - found.xy[legs.ankle, 1]
    length = np.linalg.norm(found.xy[legs.hip] - found.xy[legs.ankle], axis=1)
    rise = np.clip(RISE_WEIGHT * rise / np.maximum(length, 1e-9), -RISE_MOST, RISE_MOST)
    ring = np.where(found.ring[legs.knee] > RING_SURE, RING_COST, 0.0)
    company = np.clip(found.company[legs.index] - 1.0, 0.0, 2.0).sum(axis=1)
    return np.asarray(skin + rise - ring - COMPANY_COST * company)


def surroundings_alike(found: Candidates, one: Ints, other: Ints) -> Floats:
    """Share of the surroundings of one that also surround the other, 0 to 1."""
    pairs, back = np.unique(np.stack([one, other], axis=1), axis=0, return_inverse=True)
    a, b = found.around[pairs[:, 0]][:, ::2], found.around[pairs[:, 1]][:, ::2]
    gap2 = np.sort(colour_distance2(a[:, :, None], b[:, None]), axis=2)
    # The third nearest: two rays of the other may be chance.
    shared = (gap2[:, :, 2] < PAINT2).mean(axis=1)
    return np.asarray(shared[back.ravel()])


def _unexplained(found: Candidates, own: Floats, legs: _Legs, machine: Ints) -> Floats:
    """What speaks against leaving dots of a rare pigment unnamed."""
    size = found.radius / np.median(found.radius[legs.knee])
    weight = np.where(size > 0.45, np.exp(np.minimum(own, 0.0)), 0.0)
    used = np.concatenate([legs.index, machine], axis=1)
    taken = np.where(used >= 0, weight[used], 0.0).sum(axis=1)
    return np.asarray(UNEXPLAINED * np.minimum(weight.sum() - taken, UNEXPLAINED_MOST))


# The machine ------------------------------------------------------------------------


def _machine(found: Candidates, own: Floats, legs: _Legs, up: Floats) -> tuple[Ints, Floats]:
    """Best thigh_bar, hinge, shank_bar for each leg, shape (m, 3), -1 none; its gain."""
    alike, unlike, size = _similarity(found, legs)
    hinge_value = own - unlike - 0.5 * (size / HINGE_SIZE_SPREAD) ** 2
    hinge_value = hinge_value + _hinge_position(found, legs, up)
    hinge_value = np.where(alike, hinge_value, -np.inf)
    hinge_value += np.clip((found.ring - 8.0) / 8.0, -1.0, 3.0)
    bar_value = own - unlike - 0.5 * (size / MACHINE_SIZE_SPREAD) ** 2
    bar_value = np.where(alike & (size < BAR_SIZE_LIMIT), bar_value, -np.inf)
    places = (
        _bar_places(found, legs, legs.hip, bar_value),
        _bar_places(found, legs, legs.ankle, bar_value),
    )
    none = np.full((len(legs.hip), 1), -1)
    order = np.argsort(-hinge_value, axis=1, kind="stable")[:, :HINGES]
    order = np.concatenate([none, order], axis=1)
    best = np.full((len(legs.hip), 3), -1)
    most = np.full(len(legs.hip), -np.inf)
    rows = np.arange(len(legs.hip))
    for hinge in order.T:
        gain = np.where(hinge < 0, 0.0, hinge_value[rows, np.maximum(hinge, 0)])
        bars, more = _bars(found, legs, hinge, places)
        total = gain + more
        better = total > most
        most = np.where(better, total, most)
        row = np.stack([bars[:, 0], hinge, bars[:, 1]], axis=1)
        best = np.where(better[:, None], row, best)
    return best, most


def _similarity(found: Candidates, legs: _Legs) -> tuple[Bools, Floats, Floats]:
    """For each leg: free patches of its pigment, how unlike, and their log size; (m, n)."""
    colour = found.lab[legs.index].mean(axis=1)
    radius = found.radius[legs.index].max(axis=1)
    gap2 = colour_distance2(found.lab[None], colour[:, None])
    size = np.log(found.radius[None] / radius[:, None])
    alike = (gap2 < SAME_PIGMENT2) & (size > -0.7) & (size < HINGE_SIZE_LIMIT)
    alike[np.arange(len(radius))[:, None], legs.index] = False
    return alike, 0.5 * gap2, size


def _hinge_position(found: Candidates, legs: _Legs, up: Floats) -> Floats:
    """How well each patch lies for a hinge, shape (m, n)."""
    xy = found.xy
    thigh, shank = xy[legs.hip] - xy[legs.knee], xy[legs.ankle] - xy[legs.knee]
    length = 0.5 * (np.linalg.norm(thigh, axis=1) + np.linalg.norm(shank, axis=1))
    gap = xy[None] - xy[legs.knee][:, None]
    off = gap / length[:, None, None]
    level = np.stack([up[:, 1], -up[:, 0]], axis=1)
    level *= np.sign(np.sum((thigh - shank) * level, axis=1))[:, None]
    anterior = np.sum(off * up[:, None], axis=2)
    proximal = np.sum(off * level[:, None], axis=2)
    far2 = ((proximal - HINGE_MEAN[0]) / HINGE_SPREAD[0]) ** 2
    far2 += ((anterior - HINGE_MEAN[1]) / HINGE_SPREAD[1]) ** 2
    # Two outlines of one dot are no knee and hinge.
    apart = found.radius[None] + found.radius[legs.knee][:, None]
    near = (np.linalg.norm(off, axis=2) < HINGE_LIMIT) & (np.linalg.norm(gap, axis=2) > 0.8 * apart)
    return np.where(near, HINGE_GAIN - 0.5 * np.minimum(far2, 12.0), -np.inf)


@dataclass(frozen=True, slots=True)
class _BarPlaces:
    """Patches that could lie on the bar beside one segment, whatever the hinge.

    ``leg`` and ``patch`` (k,) name the pairs; ``value`` (k,) their gain before the bar's
    turn is judged, always above 0; ``unit`` (m, 2) the segment's direction.
    """

    leg: Ints
    patch: Ints
    value: Floats
    unit: Floats


def _bar_places(found: Candidates, legs: _Legs, end: Ints, bar_value: Floats) -> _BarPlaces:
    """Patches beside the segment from the knee to ``end``; the rest could gain nothing."""
    knee = found.xy[legs.knee]
    segment = found.xy[end] - knee
    length = np.linalg.norm(segment, axis=1)
    unit = segment / length[:, None]
    leg, patch = np.nonzero(bar_value > -BAR_GAIN)
    off = found.xy[patch] - knee[leg]
    along = np.sum(off * unit[leg], axis=1) / length[leg]
    across = (off[:, 0] * unit[leg, 1] - off[:, 1] * unit[leg, 0]) / length[leg]
    value = bar_value[leg, patch] + BAR_GAIN
    value -= 0.5 * np.minimum((across / BAR_ACROSS_SPREAD) ** 2, 12.0)
    keep = (along > BAR_ALONG[0]) & (along < BAR_ALONG[1]) & (value > 0.0)
    return _BarPlaces(leg[keep], patch[keep], value[keep], unit)


def _bars(
    found: Candidates, legs: _Legs, hinge: Ints, places: tuple[_BarPlaces, _BarPlaces]
) -> tuple[Ints, Floats]:
    """Best dots on thigh and shank bar, shape (m, 2), -1 none, and their gain."""
    start = np.where((hinge >= 0)[:, None], found.xy[np.maximum(hinge, 0)], found.xy[legs.knee])
    spread = np.where(hinge >= 0, BAR_SPREAD_DEG, 2.0 * BAR_SPREAD_DEG)
    which = np.full((len(hinge), 2), -1)
    gain = np.zeros((len(hinge), 2))
    for side, place in enumerate(places):
        arm = found.xy[place.patch] - start[place.leg]
        unit = place.unit[place.leg]
        turn = np.degrees(
            np.arctan2(arm[:, 0] * unit[:, 1] - arm[:, 1] * unit[:, 0], np.sum(arm * unit, axis=1))
        )
        value = place.value - 0.5 * np.minimum((turn / spread[place.leg]) ** 2, 20.0)
        value[place.patch == hinge[place.leg]] = 0.0
        # The best of each leg is written last; of equals the first patch.
        order = np.lexsort((-place.patch, value))
        order = order[value[order] > 0.0]
        which[place.leg[order], side] = place.patch[order]
        gain[place.leg[order], side] = value[order]
    # One patch cannot lie on both bars; the better use stays.
    double = (which[:, 0] == which[:, 1]) & (which[:, 0] >= 0)
    worse = np.where(gain[:, 0] < gain[:, 1], 0, 1)
    rows = np.nonzero(double)[0]
    which[rows, worse[rows]] = -1
    gain[rows, worse[rows]] = 0.0
    return which, gain.sum(axis=1)


def _bar_cue(found: Candidates, legs: _Legs, machine: Ints) -> Floats:
    """Both bars are of one make and size of dot, and go on straight."""
    thigh_bar, _, shank_bar = machine.T
    start = _start(found, legs, machine)
    paint = [_along_bar(found, bar, start) for bar in (thigh_bar, shank_bar)]
    cue = np.zeros(len(legs.hip))
    for bar, colours in zip((thigh_bar, shank_bar), paint, strict=True):
        straight = 1.0 - _unlike(colours[:, :1], colours[:, 1:])
        cue += np.where(bar >= 0, BAR_MAKE * straight, 0.0)
    both = (thigh_bar >= 0) & (shank_bar >= 0)
    size = np.log(found.radius[thigh_bar] / found.radius[shank_bar])
    cue -= np.where(both, 0.5 * np.minimum((size / BAR_SIZE_SPREAD) ** 2, 6.0), 0.0)
    same = 1.0 - np.minimum(_unlike(paint[0], paint[1]), _unlike(paint[0], paint[1][:, ::-1]))
    return np.asarray(cue + np.where(both, BAR_MAKE * same, 0.0))


def _on_bar(found: Candidates, legs: _Legs, machine: Ints) -> Floats:
    """How much hip and ankle look as if they lay on the machine's bars, 0 to 1, (m, 2)."""
    start = _start(found, legs, machine)
    looks = np.zeros((len(legs.hip), 2))
    for bar in (machine[:, 0], machine[:, 2]):
        paint = _along_bar(found, bar, start).mean(axis=1)[:, None]
        for column, end in enumerate((legs.hip, legs.ankle)):
            same = colour_distance2(found.around[end], paint) < SAME_PAINT2
            share = np.where(bar >= 0, same.mean(axis=1), 0.0)
            looks[:, column] = np.maximum(looks[:, column], share)
    return np.clip((looks - ON_BAR_FROM) / (ON_BAR_TO - ON_BAR_FROM), 0.0, 1.0)


def _start(found: Candidates, legs: _Legs, machine: Ints) -> Floats:
    """Where the bars meet: the hinge, or else the knee; shape (m, 2)."""
    hinge = machine[:, 1]
    here = found.xy[np.maximum(hinge, 0)]
    return np.where((hinge >= 0)[:, None], here, found.xy[legs.knee])


def _along_bar(found: Candidates, bar: Ints, start: Floats) -> Floats:
    """Colours beside a dot towards the hinge and away from it, shape (m, 2, 3)."""
    which = np.maximum(bar, 0)
    arm = start - found.xy[which]
    rays = found.around.shape[1]
    first = np.round(np.arctan2(arm[:, 1], arm[:, 0]) / (2.0 * np.pi) * rays).astype(np.intp)
    sides = first[:, None, None] + np.array([[0], [rays // 2]]) + np.array([[-1, 0, 1]])
    return np.asarray(found.around[which[:, None, None], sides % rays].mean(axis=2))


def _unlike(one: Floats, other: Floats) -> Floats:
    """0 for equal colours, 1 from the limit of one paint on, 2 at most; (m, k, 3)."""
    return np.asarray(np.minimum(colour_distance2(one, other).mean(axis=1) / PAINT2, 2.0))


def _doubtful(
    found: Candidates, legs: _Legs, machine: Ints, ends: Floats, cues: Floats, *, vivid: bool
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
