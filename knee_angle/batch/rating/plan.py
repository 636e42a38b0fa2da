"""Who sees which photo when: every rater has an order of their own, drawn from the seed.

All photos come once before one comes again, and then with half of the others or more in between,
so that nobody sees a photo twice in a row or remembers where the points were a moment ago.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from knee_angle.errors import InvalidInput
from knee_angle.language import joined, say
from knee_angle.records.code import checked_code

__all__ = ["RatingPlan", "Turn", "others_between", "turns_of", "turns_of_before"]

MOST = 10_000
"""Photos, and ratings of one rater: more is a mistyped number."""


@dataclass(frozen=True, slots=True)
class RatingPlan:
    """A rater study.

    Parameters
    ----------
    photos : int
        How many photos.
    raters : tuple of str
        Their codes, never names.
    repeats : int
        How often each rater sees each photo.
    seed : int
        What the orders are drawn from.
    """

    photos: int
    raters: tuple[str, ...]
    repeats: int
    seed: int

    def __post_init__(self) -> None:
        problems: list[str] = []
        if not 1 <= self.photos <= MOST:
            problems.append(
                say("photos must be 1 to {most}, but got {photos}", most=MOST, photos=self.photos)
            )
        if self.repeats < 1 or self.repeats * self.photos > MOST:
            problems.append(
                say(
                    "repeats must be 1 or more and at most {most} ratings a rater, but got "
                    "{repeats}",
                    most=MOST,
                    repeats=self.repeats,
                )
            )
        if self.seed < 0:
            problems.append(say("seed must not be negative, but got {seed}", seed=self.seed))
        if not self.raters or len(set(self.raters)) < len(self.raters):
            problems.append(
                say(
                    "raters must be named, each once, but got {raters}",
                    raters=", ".join(self.raters) or say("none"),
                )
            )
        if problems:
            raise InvalidInput(joined("; ", problems))
        for rater in self.raters:
            checked_code(rater, what="rater")


@dataclass(frozen=True, slots=True)
class Turn:
    """One photo before one rater: its number in the study and which repeat, both from 1."""

    photo: int
    repeat: int


def turns_of(plan: RatingPlan, rater: str) -> tuple[Turn, ...]:
    """A rater's turns in their order.

    Raises
    ------
    InvalidInput
        The study has no such rater.
    """
    if rater not in plan.raters:
        raise InvalidInput(
            say(
                "the study has no rater {rater}: its raters are {raters}",
                rater=repr(rater),
                raters=", ".join(plan.raters),
            )
        )
    rng = np.random.default_rng([plan.seed, plan.raters.index(rater)])
    order = [int(photo) for photo in rng.permutation(plan.photos) + 1]
    turns = [Turn(photo, 1) for photo in order]
    for repeat in range(2, plan.repeats + 1):
        order = _drawn(order, rng)
        turns += [Turn(photo, repeat) for photo in order]
    return tuple(turns)


def others_between(photos: int) -> int:
    """So many other photos, at least, come between a photo and its repeat."""
    return photos // 2


def _drawn(before: list[int], rng: np.random.Generator) -> list[int]:
    """The next round's order: each place is drawn from photos seen long enough ago."""
    late = len(before) - others_between(len(before)) - 1
    free = before[:late]
    order: list[int] = []
    for place in range(len(before)):
        free += before[late + place : late + place + 1]
        order.append(free.pop(int(rng.integers(len(free)))))
    return order


def turns_of_before(plan: RatingPlan, rater: str) -> tuple[Turn, ...]:
    """A rater's turns in a study that was begun before orders were written down."""
    rng = np.random.default_rng([plan.seed, plan.raters.index(rater)])
    turns: list[Turn] = []
    for repeat in range(1, plan.repeats + 1):
        order = rng.permutation(plan.photos) + 1
        if turns and plan.photos > 1 and order[0] == turns[-1].photo:
            order = np.roll(order, -1)
        turns += [Turn(int(photo), repeat) for photo in order]
    return tuple(turns)
