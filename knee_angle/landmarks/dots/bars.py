"""The machine's dots of a leg: hinge near the knee, bars about parallel to thigh and shank.

A boss or cap may surround the hinge; both bars are of one make, painted alike on both sides
of a dot, and hip and ankle do not lie on them.

Picture coordinates: x right, y down. Scores are natural logarithms, as in `assignment`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from knee_angle.angle.geometry import dot
from knee_angle.landmarks.dots.candidates import Candidates
from knee_angle.landmarks.dots.colour import PAINT2, SAME_PIGMENT2, colour_distance2
from knee_angle.landmarks.dots.legs import Legs

__all__ = ["bar_cue", "folded", "folded_over", "machine_dots", "most_bar_cue", "on_bar"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]

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
SAME_PAINT2 = 2.0
"""Bars are painted alike and go on straight on both sides of a dot."""
ON_BAR_FROM = 0.4
ON_BAR_TO = 0.6
"""Share of the surroundings with the bars' paint: a dot on a bar has 0.5 and more, one
beside or half behind it up to 0.5."""
BENT_DEG, AGAINST_DEG, FOLDED_DEG = 35.0, 5.0, 10.0
"""From which bend in the picture on a leg is plainly bent, and bars bend against it: in 192 drawn
photos bars did so only beside a leg bent by at most 20 degrees. And bars that lie on each other
within so much tell no side: of 13 rendered machines folded so they crossed in six, of nine with
bars 10 to 15 degrees apart in one, of 984 scenes in no other beside a bent leg (set there)."""
HINGES = 3
"""Patches tried as the hinge of a leg."""


def machine_dots(found: Candidates, own: Floats, legs: Legs, up: Floats) -> tuple[Ints, Floats]:
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


def _similarity(found: Candidates, legs: Legs) -> tuple[Bools, Floats, Floats]:
    """For each leg: free patches of its pigment, how unlike, and their log size; (m, n)."""
    colour = found.lab[legs.index].mean(axis=1)
    radius = found.radius[legs.index].max(axis=1)
    gap2 = colour_distance2(found.lab[None], colour[:, None])
    size = np.log(found.radius[None] / radius[:, None])
    alike = (gap2 < SAME_PIGMENT2) & (size > -0.7) & (size < HINGE_SIZE_LIMIT)
    alike[np.arange(len(radius))[:, None], legs.index] = False
    return alike, 0.5 * gap2, size


def _hinge_position(found: Candidates, legs: Legs, up: Floats) -> Floats:
    """How well each patch lies for a hinge, shape (m, n)."""
    xy = found.xy
    thigh, shank = xy[legs.hip] - xy[legs.knee], xy[legs.ankle] - xy[legs.knee]
    length = 0.5 * (np.linalg.norm(thigh, axis=1) + np.linalg.norm(shank, axis=1))
    # Coordinate by coordinate: numpy's own sum is slow over an axis of two.
    gap = [part - part[legs.knee][:, None] for part in xy.T]
    x, y = (part / length[:, None] for part in gap)
    level = np.stack([up[:, 1], -up[:, 0]], axis=1)
    level *= np.sign(dot(thigh - shank, level))[:, None]
    anterior = x * up[:, :1] + y * up[:, 1:]
    proximal = x * level[:, :1] + y * level[:, 1:]
    far2 = ((proximal - HINGE_MEAN[0]) / HINGE_SPREAD[0]) ** 2
    far2 += ((anterior - HINGE_MEAN[1]) / HINGE_SPREAD[1]) ** 2
    # Two outlines of one dot are no knee and hinge.
    apart = 0.8 * (found.radius + found.radius[legs.knee][:, None])
    near = np.sqrt(x * x + y * y) < HINGE_LIMIT
    near &= np.sqrt(gap[0] * gap[0] + gap[1] * gap[1]) > apart
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


def _bar_places(found: Candidates, legs: Legs, end: Ints, bar_value: Floats) -> _BarPlaces:
    """Patches beside the segment from the knee to ``end``; the rest could gain nothing."""
    knee = found.xy[legs.knee]
    segment = found.xy[end] - knee
    length = np.linalg.norm(segment, axis=1)
    unit = segment / length[:, None]
    leg, patch = np.nonzero(bar_value > -BAR_GAIN)
    off = found.xy[patch] - knee[leg]
    along = dot(off, unit[leg]) / length[leg]
    across = (off[:, 0] * unit[leg, 1] - off[:, 1] * unit[leg, 0]) / length[leg]
    value = bar_value[leg, patch] + BAR_GAIN
    value -= 0.5 * np.minimum((across / BAR_ACROSS_SPREAD) ** 2, 12.0)
    keep = (along > BAR_ALONG[0]) & (along < BAR_ALONG[1]) & (value > 0.0)
    return _BarPlaces(leg[keep], patch[keep], value[keep], unit)


def _bars(
    found: Candidates, legs: Legs, hinge: Ints, places: tuple[_BarPlaces, _BarPlaces]
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
            np.arctan2(arm[:, 0] * unit[:, 1] - arm[:, 1] * unit[:, 0], dot(arm, unit))
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


def bar_cue(found: Candidates, legs: Legs, machine: Ints) -> Floats:
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


def most_bar_cue(machine: Ints) -> Floats:
    """Most that `bar_cue` says: each bar goes straight on, and both are of one make."""
    thigh_bar, _, shank_bar = machine.T >= 0
    return np.asarray(BAR_MAKE * (0.0 + thigh_bar + shank_bar + (thigh_bar & shank_bar)))


def on_bar(found: Candidates, legs: Legs, machine: Ints) -> Floats:
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


def folded_over(xy: Floats, legs: Legs, machine: Ints) -> Bools:
    """Whether bars bend to the other side than a leg that is plainly bent, (m,).

    A machine in whose plane the leg lies is seen from the same side. Only near a straight leg
    does a machine that sits wrongly, seen obliquely, bend the other way in a picture.
    """
    leg = _bend_deg(*(xy[end] for end in (legs.hip, legs.knee, legs.ankle)))
    bars = _bend_deg(*xy[machine.T])
    against = leg * bars < 0.0
    bent = (np.abs(leg) > BENT_DEG) & (np.abs(bars) > AGAINST_DEG)
    return np.asarray(against & bent & ~folded(xy, machine) & (machine >= 0).all(axis=1))


def folded(xy: Floats, machine: Ints) -> Bools:
    """Whether both bars of a machine lie about on each other in the picture, (m,)."""
    bars = _bend_deg(*xy[machine.T])
    return np.asarray((np.abs(bars) >= 180.0 - FOLDED_DEG) & (machine >= 0).all(axis=1))


def _bend_deg(end: Floats, middle: Floats, other: Floats) -> Floats:
    """How far the way from one end to the other bends, signed."""
    one, two = middle - end, other - middle
    cross = one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]
    return np.asarray(np.degrees(np.arctan2(cross, (one * two).sum(axis=1))))


def _start(found: Candidates, legs: Legs, machine: Ints) -> Floats:
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
