"""Turns, ends and cycles of a motion against time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from knee_angle.assumptions import COVERAGE
from knee_angle.clip.joint import Quantity

__all__ = [
    "Turn",
    "as_far_as_furthest",
    "cycle_seconds",
    "end_weights",
    "furthest_of",
    "shape_of",
    "turns_of",
    "turns_unseen",
    "u_of_tip",
]

Floats = NDArray[np.float64]

LEAST_TURN_DEG = 3.0
LEAST_TURN_SHARE = 0.15
"""A motion turns where it goes back by so much: degrees, and share of the whole range (our
own; a hand's tremor and finding the points move it by less)."""
NEAR_SHARE, NEAR_DEG = 0.06, 1.5
"""Pictures this near to an end tell how far it goes: share of the range, degrees at least."""
TURN_SHARE, LEAST_U_TURN = 0.15, 0.05
"""The same for when it turns, which near the end alone noise decides; and its ± at least, of the
time between two pictures (our own)."""
FEWEST, FAR_SHARE = 5, 0.35
"""Pictures that a parabola takes, and how far, of the range, the outermost may be from the end:
an eighth of an even cycle, over which a parabola is off by 1 % of the range (our own)."""
NOISY_U_DEG, BESIDE = 0.8, 3
"""Pictures with a larger ± of their own are told apart by a parabola through so many before and
after: of single ones the furthest is the noisiest (our own; dots have 0.3, the network 3)."""
NEAR_U = 3.0
"""Pictures so many of their own ± from an end still tell how far it goes, up to `FAR_SHARE`."""
AS_FAR_DEG, AS_FAR_U = 0.5, 2.0
"""Ends that differ by no more go as far: degrees, and so many ± of one picture (our own); noisy
pictures, whose shape is already that of several, by their own ±."""
TIP_SHARE = 0.1
"""Of how far the pictures about an end reach from it, the ± of a parabola through them, where
they are too noisy to show the motion's shape: it cuts 0.19 of a turn at even speed (3/16)."""
MOST_STEP_SHARE = 0.36
"""A knee that moves from one picture to the next by more of its range (root mean square) turns
unseen between them: fewer than five or six to a cycle (our own)."""


@dataclass(frozen=True, slots=True)
class Turn:
    """Where a motion turns.

    Parameters
    ----------
    at : int
        Which picture.
    high : bool
        From bending to stretching, else the other way.
    inside : bool
        Whether the motion was seen before and after; else the clip begins or ends there.
    """

    at: int
    high: bool
    inside: bool


def turns_of(values: Floats, *, least: float | None = None) -> tuple[Turn, ...]:
    """Where a motion turns, in time's order; its begin and end are turns too.

    Parameters
    ----------
    values : ndarray, shape (n,)
        The motion in time's order.
    least : float, optional
        By how much it has to go back; else the constants at the top.

    Examples
    --------
    >>> [(turn.at, turn.high) for turn in turns_of(np.array([0.0, 40, 80, 50, 10, 30]))]
    [(0, False), (2, True), (4, False), (5, True)]
    """
    span = float(np.ptp(values))
    least = max(LEAST_TURN_DEG, LEAST_TURN_SHARE * span) if least is None else least
    if span < least:
        at = (int(np.argmin(values)), int(np.argmax(values)))
        return tuple(Turn(k, high, inside=False) for k, high in zip(at, (False, True), strict=True))
    turns: list[Turn] = []
    low = high = 0
    rising: bool | None = None
    for k, value in enumerate(values):
        low = k if value < values[low] else low
        high = k if value > values[high] else high
        if rising is not False and values[high] - value >= least:
            turns.append(Turn(high, high=True, inside=rising is not None or high > 0))
            rising, low = False, k
        elif rising is not True and value - values[low] >= least:
            turns.append(Turn(low, high=False, inside=rising is not None or low > 0))
            rising, high = True, k
    last = high if rising else low
    turns.append(Turn(last, high=bool(rising), inside=False))
    return tuple(_seen_before_and_after(turns, values, least))


def _seen_before_and_after(turns: list[Turn], values: Floats, least: float) -> list[Turn]:
    """With the word whether the first turn was preceded by motion towards it."""
    first = turns[0]
    before = values[: first.at + 1]
    came = float(np.ptp(before)) if len(before) else 0.0
    return [Turn(first.at, first.high, inside=came >= 0.3 * least), *turns[1:]]


def turns_unseen(values: Floats, u_own: float) -> bool:
    """Whether a motion is too quick for noisy pictures to show where it turns.

    Parameters
    ----------
    values : ndarray, shape (n,)
        The knee in picture after picture, degrees of flexion.
    u_own : float
        Standard uncertainty of a picture for itself, degrees; up to `NOISY_U_DEG` pictures show
        the shape.

    Examples
    --------
    >>> around = np.arange(40.0) * 2.0 * np.pi
    >>> [turns_unseen(40.0 * np.cos(around / looks), 3.0) for looks in (4.0, 8.0)]
    [True, False]
    """
    step2 = float(np.mean(np.diff(values) ** 2)) - 2.0 * u_own**2
    unseen = step2 > (MOST_STEP_SHARE * float(np.ptp(values))) ** 2
    return unseen and u_own > NOISY_U_DEG


def shape_of(seconds: Floats, values: Floats, u_own: float) -> Floats:
    """The motion's shape, by which turns and pictures near them are found; no value is its own.

    Parameters
    ----------
    seconds, values : ndarray, shape (n,)
        The motion.
    u_own : float
        ± of one picture for itself.
    """
    if u_own <= NOISY_U_DEG or len(values) < 2 * FEWEST:
        return values
    shape = np.empty_like(values)
    for k, middle in enumerate(seconds):
        about = slice(max(k - BESIDE, 0), k + BESIDE + 1)
        t = seconds[about] - middle
        shape[k] = (np.linalg.pinv(np.vander(t, 3)) @ values[about])[2]
    return shape


def furthest_of(shape: Floats, turns: Sequence[Turn], *, high: bool, u_own: float) -> Turn:
    """The turn that goes furthest; one that was seen to turn, where its end goes as far."""
    same = [turn for turn in turns if turn.high is high]
    sign = 1.0 if high else -1.0
    as_far = max(AS_FAR_DEG, AS_FAR_U * u_own) if u_own <= NOISY_U_DEG else u_own
    least = max(sign * shape[turn.at] for turn in same) - as_far
    return max(
        (turn for turn in same if sign * shape[turn.at] >= least),
        key=lambda turn: (turn.inside, sign * shape[turn.at]),
    )


def as_far_as_furthest(ends: Sequence[Floats], of: Quantity, *, high: bool) -> Floats:
    """Weights of the mean of all ends of one kind that go as far, as far as pictures can tell.

    The one that goes least far is left out until it goes as far as the mean of the others. The
    furthest alone would be the one whose errors reach furthest.

    Parameters
    ----------
    ends : sequence of ndarray, shape (n,)
        Weights over all pictures, of each end (`end_weights`).
    of : Quantity
        What ends there.
    high : bool
        Whether it turns from bending to stretching.
    """
    rest = sorted(ends, key=lambda one: of.weighed(one)[0], reverse=not high)
    while len(rest) > 1:
        apart, u = of.weighed(rest[0] - np.mean(rest[1:], axis=0))
        if abs(apart) <= COVERAGE * u:
            break
        rest = rest[1:]
    return np.asarray(np.mean(rest, axis=0))


def u_of_tip(shape: Floats, u_own: float) -> float:
    """± of an end for the shape of the motion about it, degrees: noise hides it."""
    if u_own <= NOISY_U_DEG:
        return 0.0
    return TIP_SHARE * _reach(shape, share=NEAR_SHARE, u_own=u_own)


def end_weights(
    seconds: Floats, values: Floats, turn: Turn, *, shape: Floats | None = None, u_own: float = 0.0
) -> Floats:
    """Weights (n,) whose sum over the values is how far the motion goes at a turn.

    A parabola through the pictures near the turn, at its own highest or lowest point; through
    two before and two after where hardly any are near. Where the motion was not seen to turn,
    the furthest picture. Near are those whose ``shape`` is, the more the noisier they are.
    """
    shape = values if shape is None else shape
    near = _near(shape, turn, share=NEAR_SHARE, u_own=u_own)
    weights = np.zeros(len(values))
    if near.sum() < FEWEST:
        near[max(turn.at - 2, 0) : turn.at + 3] = True
        near &= np.abs(shape - shape[turn.at]) <= FAR_SHARE * float(np.ptp(shape))
    if near.sum() < FEWEST or not turn.inside:
        weights[turn.at] = 1.0
        return weights
    middle = float(seconds[turn.at])
    t = seconds[near] - middle
    scale = max(float(np.abs(t).max()), 1e-6)
    design = np.vander(t / scale, 3)
    solve = np.linalg.pinv(design)
    curved, sloped, _ = solve @ values[near]
    top = -sloped / (2.0 * curved) if curved * (-1.0 if turn.high else 1.0) > 0 else 0.0
    top = float(np.clip(top, (t / scale).min(), (t / scale).max()))
    weights[near] = np.array([top**2, top, 1.0]) @ solve
    return weights


def _near(values: Floats, turn: Turn, *, share: float, u_own: float) -> NDArray[np.bool_]:
    """Pictures about a turn, without a gap, that are near to it in value."""
    close = np.abs(values - values[turn.at]) <= _reach(values, share=share, u_own=u_own)
    near = np.zeros(len(values), dtype=bool)
    for step in (1, -1):
        k = turn.at
        while 0 <= k < len(values) and close[k]:
            near[k] = True
            k += step
    return near


def _reach(values: Floats, *, share: float, u_own: float) -> float:
    """How far from an end pictures still tell of it, degrees."""
    span = float(np.ptp(values))
    return max(NEAR_DEG, share * span, min(NEAR_U * u_own, FAR_SHARE * span))


def cycle_seconds(
    seconds: Floats,
    values: Floats,
    turns: tuple[Turn, ...],
    *,
    shape: Floats | None = None,
    u_own: float = 0.0,
) -> tuple[int, tuple[float, float] | None]:
    """Whole cycles, and how long one takes with its u, by turns of the same kind.

    Parameters
    ----------
    seconds : ndarray, shape (n,)
        Times of the pictures.
    values : ndarray, shape (n,)
        The motion.
    turns : tuple of Turn
        The motion's turns.
    shape, u_own : ndarray, float
        As of `end_weights`.
    """
    shape = values if shape is None else shape
    nears = {turn: _near(shape, turn, share=TURN_SHARE, u_own=u_own) for turn in turns}
    at = {turn: _turned_at(seconds, values, turn, nears[turn]) for turn in turns if turn.inside}
    ways = [[turn for turn in at if turn.high is high] for high in (False, True)]
    pairs, share = [pair for way in ways for pair in pairwise(way)], 1.0
    if not pairs:
        pairs, share = [(a, b) for a, b in pairwise(turns) if a in at and b in at], 2.0
    whole = (len(turns) - 1) // 2
    if not pairs:
        return whole, None
    lengths = share * np.array([at[later][0] - at[earlier][0] for earlier, later in pairs])
    weights = np.array([at[earlier][1] ** 2 + at[later][1] ** 2 for earlier, later in pairs]) ** -1
    weights /= weights.sum()
    length = float(weights @ lengths)
    spread = float(np.sqrt(weights @ (lengths - length) ** 2 / max(len(pairs) - 1, 1)))
    parts = dict.fromkeys(at, 0.0)  # neighbours share a turn
    for weight, (earlier, later) in zip(weights, pairs, strict=True):
        parts[later] += share * weight
        parts[earlier] -= share * weight
    u = float(np.sqrt(sum((parts[turn] * at[turn][1]) ** 2 for turn in at)))
    return whole, (length, max(u, spread))


def _turned_at(
    seconds: Floats, values: Floats, turn: Turn, near: NDArray[np.bool_]
) -> tuple[float, float]:
    """When a motion turns, with its u: where a parabola through the pictures about it does."""
    t = seconds[near] - seconds[turn.at]
    step = float(np.median(np.diff(seconds)))
    if near.sum() < FEWEST:
        return float(seconds[turn.at]), step
    scale = float(np.abs(t).max())
    solve = np.linalg.pinv(np.vander(t / scale, 3))
    curved, sloped, _ = found = solve @ values[near]
    if curved * (-1.0 if turn.high else 1.0) <= 0:
        return float(seconds[turn.at]), step
    top = -sloped / (2.0 * curved)
    left = values[near] - np.vander(t / scale, 3) @ found
    noise = float(np.sqrt(np.sum(left**2) / max(near.sum() - 3, 1)))
    moved = (-solve[1] / (2.0 * curved) + sloped * solve[0] / (2.0 * curved**2)) * noise
    u = scale * float(np.linalg.norm(moved))
    top = float(np.clip(scale * top, t.min(), t.max()))
    return float(seconds[turn.at]) + top, float(np.hypot(u, LEAST_U_TURN * step))
