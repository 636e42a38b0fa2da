"""One leg of a pose, what makes it believable, and when two looks show the same one."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from knee_angle.angle import geometry
from knee_angle.assumptions import (
    POSE_LEAST_FLEXION_DEG,
    POSE_LEAST_LENGTH,
    POSE_LEAST_VISIBILITY,
    POSE_MOST_ANGLE_GAP_DEG,
    POSE_MOST_GAP,
    POSE_OTHER_LEG_GAP,
    POSE_OTHER_LEG_SIZE,
    POSE_SEGMENT_RATIO,
)
from knee_angle.language import say
from knee_angle.records import LEG_POINTS, PointName, Side

__all__ = [
    "LEFT_INDEX",
    "Leg",
    "agree",
    "best_pair",
    "fault_of",
    "gap",
    "leg_of",
    "nearer_leg",
    "other_leg_meant",
    "two_people",
    "whole_body",
]

Floats = NDArray[np.float64]

NO_PERSON = say("the pose model sees no person in the photo")
NOT_CONFIRMED = say("the pose model gives another leg for the same photo mirrored or made smaller")
OUT_OF_FRAME = say("the pose model places a point of the leg outside the photo")
ON_A_TAG = say("the pose model places a point of the leg on a printed tag")
HIDDEN = say("the pose model guesses a point of the leg that it does not see")
TOO_SHORT = say("the pose model's leg is too small in the photo")
BAD_PROPORTIONS = say("the pose model's thigh and lower leg do not make a leg")
WRONG_WAY = say("the pose model's nearer leg bends against its own side")
TWO_PEOPLE = say("the pose model sees two legs about equally near")
ONE_LEG = say("photograph one person's leg alone, or stick dots on the leg that is meant")
STRAIGHT = say("the pose model sees a nearly straight leg, which it also does where it sees none")

PoseIndex = int
LEFT_INDEX: Mapping[PointName, PoseIndex] = {
    "hip": 23,
    "knee": 25,
    "ankle": 27,
    "heel": 29,
    "toe": 31,
}
"""MediaPipe's numbering of the left leg; the right one is one higher."""
UPPER_BODY: tuple[PoseIndex, ...] = (0, 11, 12)
"""Nose and shoulders in the same numbering."""
X, Y, Z, VISIBILITY = 0, 1, 2, 3

OTHER_LEG_DEPTH, OTHER_LEG_BEND_DEG = 0.5, 15.0
"""A person's legs are about equally near where their hips' depths differ by less, in segments;
which one is meant matters where they lie apart and their flexions differ by more (our own)."""


@dataclass(frozen=True, slots=True)
class Leg:
    """The nearer leg of one pose, in px of the upright searched copy."""

    side: Side
    xy: Mapping[PointName, Floats]
    visibility: Mapping[PointName, float]

    @property
    def segment(self) -> float:
        """The longer of thigh and shank, px: a misplaced hip shortens the other one."""
        hip, knee, ankle = (self.xy[name] for name in LEG_POINTS)
        return max(math.dist(hip, knee), math.dist(knee, ankle))

    @property
    def flexion_deg(self) -> float:
        """Signed by the leg's own side: negative bends the wrong way."""
        hip, knee, ankle = (self.xy[name] for name in LEG_POINTS)
        return float(geometry.signed_flexion_deg(hip, knee, ankle, side=self.side))

    def moved(self, matrix: Floats) -> Leg:
        """The leg in another copy's px; ``matrix`` (2, 3) takes points there."""
        xy = {name: matrix[:, :2] @ at + matrix[:, 2] for name, at in self.xy.items()}
        return replace(self, xy=xy)


def nearer_leg(pose: Floats) -> Leg:
    """The leg on the camera's side of the body, by the depth of the two hips."""
    left_hip, right_hip = pose[LEFT_INDEX["hip"], Z], pose[LEFT_INDEX["hip"] + 1, Z]
    return leg_of(pose, "left" if left_hip < right_hip else "right")


def other_leg_meant(pose: Floats, *, size: tuple[int, int]) -> bool:
    """Whether a person's other leg is as near, elsewhere, and bent otherwise: it may be meant."""
    near, far = nearer_leg(pose), leg_of(pose, "left")
    if far.side == near.side:
        far = leg_of(pose, "right")
    left = LEFT_INDEX["hip"]
    apart = abs(float(pose[left, Z] - pose[left + 1, Z])) / near.segment
    bends = abs(abs(near.flexion_deg) - abs(far.flexion_deg))
    return (
        apart < OTHER_LEG_DEPTH
        and bends > OTHER_LEG_BEND_DEG
        and gap(near, far) > POSE_OTHER_LEG_GAP
        and fault_of(far, size=size, quads=(), any_bend=True) is None
    )


def whole_body(pose: Floats, *, size: tuple[int, int]) -> bool:
    """Whether nose and shoulders are seen in the photo: the model knows whole people."""
    upper = pose[list(UPPER_BODY)]
    inside = np.all((upper[:, [X, Y]] >= 0.0) & (upper[:, [X, Y]] <= size))
    return bool(inside and upper[:, VISIBILITY].min() >= POSE_LEAST_VISIBILITY)


def leg_of(pose: Floats, side: Side) -> Leg:
    """One leg of a pose."""
    shift = 0 if side == "left" else 1
    return Leg(
        side=side,
        xy={name: pose[index + shift, [X, Y]] for name, index in LEFT_INDEX.items()},
        visibility={n: float(pose[i + shift, VISIBILITY]) for n, i in LEFT_INDEX.items()},
    )


def fault_of(
    leg: Leg, *, size: tuple[int, int], quads: tuple[Floats, ...], any_bend: bool = False
) -> str | None:
    """Why the leg is not believed, or None; ``any_bend``: whichever way and however little."""
    hip, knee, ankle = (leg.xy[name] for name in LEG_POINTS)
    thigh, shank = math.dist(hip, knee), math.dist(knee, ankle)
    faults = {
        OUT_OF_FRAME: not all(
            np.all((leg.xy[name] >= 0.0) & (leg.xy[name] <= size)) for name in LEG_POINTS
        ),
        TOO_SHORT: thigh + shank < POSE_LEAST_LENGTH * math.hypot(*size),
        BAD_PROPORTIONS: not POSE_SEGMENT_RATIO[0] * shank
        <= thigh
        <= POSE_SEGMENT_RATIO[1] * shank,
        HIDDEN: min(leg.visibility[name] for name in LEG_POINTS) < POSE_LEAST_VISIBILITY,
        ON_A_TAG: any(_inside(leg.xy[name], quad) for name in LEG_POINTS for quad in quads),
        WRONG_WAY: not any_bend and leg.flexion_deg <= -POSE_LEAST_FLEXION_DEG,
        STRAIGHT: not any_bend and leg.flexion_deg < POSE_LEAST_FLEXION_DEG,
    }
    return next((text for text, applies in faults.items() if applies), None)


def _inside(point: Floats, quad: Floats) -> bool:
    """Whether a point lies in a convex quad (corners in order, either way round)."""
    edges = np.roll(quad, -1, axis=0) - quad
    to_point = point - quad
    across = edges[:, 0] * to_point[:, 1] - edges[:, 1] * to_point[:, 0]
    return bool(np.all(across >= 0.0) or np.all(across <= 0.0))


def two_people(legs: list[Leg]) -> bool:
    """Whether one look shows two legs of about one size in different places."""
    return any(
        gap(a, b) > POSE_OTHER_LEG_GAP
        and max(a.segment, b.segment) < POSE_OTHER_LEG_SIZE * min(a.segment, b.segment)
        for a, b in combinations(legs, 2)
    )


def best_pair(new: list[Leg], earlier: list[Leg]) -> tuple[Leg, Leg] | None:
    """The two looks that agree best, if any agree."""
    pairs = [(gap(a, b), a, b) for a in new for b in earlier if agree(a, b)]
    if not pairs:
        return None
    _, a, b = min(pairs, key=lambda pair: pair[0])
    return a, b


def gap(a: Leg, b: Leg) -> float:
    """Largest distance between the same joint in two looks, in segments."""
    largest = max(math.dist(a.xy[name], b.xy[name]) for name in LEG_POINTS)
    return largest / ((a.segment + b.segment) / 2.0)


def agree(a: Leg, b: Leg) -> bool:
    """Whether two looks show the same leg, about equally bent."""
    return (
        a.side == b.side
        and gap(a, b) <= POSE_MOST_GAP
        and abs(a.flexion_deg - b.flexion_deg) <= POSE_MOST_ANGLE_GAP_DEG
    )
