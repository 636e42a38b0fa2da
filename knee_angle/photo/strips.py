"""Strips: which printed tags stick together as one flat row.

Tags of one strip show one plane, upright in one row, at whole steps of
1 + `STRIP_GAP` tags. Whether they do is asked of the picture itself: the corners of the
row, mapped by the best plane-to-picture homography, must come where the photo has them.
That holds at any slant, for any lens without distortion, and needs neither focal length
nor the size of the print.

Steps are those of the printed numbers where these follow one another as on our sheet;
another print's come from where its tags lie.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from knee_angle.assumptions import (
    STRIP_CLEAN_SHARE,
    STRIP_GAP,
    STRIP_MOST_SIGMA,
    U_CORNER_PX,
    U_STRIP,
)
from knee_angle.photo.tags import Tag

__all__ = [
    "Strip",
    "Strips",
    "most_rms_px",
    "steps_of",
    "strips_of",
]

Floats = NDArray[np.float64]

FURTHEST = 3
"""Steps between the ends of our strip of four; further apart no two tags are asked."""
FEWEST_LEFT = 3
"""Of two tags that do not fit nobody can say which one was moved."""
BESIDE = 0.5
"""A tag further beside a row, in tags, is none of its strip, however that is bent (our own)."""
DRAWN = 100.0
"""Tens of units a tag keep the solver's own scaling out of the way."""


@dataclass(frozen=True, slots=True)
class Strip:
    """Tags of one flat row, with each one's whole step along it; one tag has step 0."""

    tags: tuple[Tag, ...]
    steps: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Strips:
    """All tags of a photo.

    Parameters
    ----------
    rows : tuple of Strip
        Flat rows of two tags or more, the longest first.
    singles : tuple of Tag
        Tags that stick to no other one.
    spoilt : tuple of tuple of Tag
        Tags that hang together but are no flat row: bent, or more than one was moved.
    """

    rows: tuple[Strip, ...]
    singles: tuple[Tag, ...]
    spoilt: tuple[tuple[Tag, ...], ...]


def most_rms_px(tags: Sequence[Tag]) -> float:
    """The largest rms of corner residuals, px, that a flat strip of ours can have."""
    corners = np.array([tag.corners_px for tag in tags])
    side_px = float(np.mean(np.linalg.norm(corners - np.roll(corners, 1, axis=-2), axis=-1)))
    return STRIP_MOST_SIGMA * math.hypot(U_CORNER_PX, U_STRIP * side_px)


def steps_of(tags: Sequence[Tag]) -> tuple[int, ...] | None:
    """Whole steps of each tag along their strip, or None where they are not one flat strip."""
    found = strips_of(tuple(tags)).rows
    if len(found) != 1 or len(found[0].tags) != len(tags):
        return None
    step = dict(zip(found[0].tags, found[0].steps, strict=True))
    return tuple(step[tag] for tag in tags)


@lru_cache(maxsize=16)  # lens, boards and each board ask for the same tags
def strips_of(tags: tuple[Tag, ...]) -> Strips:
    """Sort tags into flat rows, single tags and rows that are not flat.

    Parameters
    ----------
    tags : tuple of Tag
        Tags of one photo.
    """
    between = {
        (i, j): step
        for i, j in itertools.combinations(range(len(tags)), 2)
        if (step := _step(tags[i], tags[j])) is not None
    }
    rows: list[Strip] = []
    singles: list[Tag] = []
    spoilt: list[tuple[Tag, ...]] = []
    for places in _linked(len(tags), between):
        group = [tags[i] for i in places]
        if len(group) == 1:
            singles += group
        elif (row := _flat_row(group, list(places.values()))) is None:
            spoilt.append(tuple(group))
        else:
            rows.append(row)
            singles += [tag for tag in group if tag not in row.tags]
    rows.sort(key=lambda row: -len(row.tags))
    whole, pieces = _without_pieces(rows, singles)
    apart = tuple(tag for tag in singles if not any(tag in piece for piece in pieces))
    return Strips(whole, apart, (*spoilt, *pieces))


def _without_pieces(
    rows: list[Strip], singles: list[Tag]
) -> tuple[tuple[Strip, ...], tuple[tuple[Tag, ...], ...]]:
    """Rows that are strips of their own, and tags that are pieces of one bent strip.

    Two tags next to each other lie flat enough on any strip: their plane is that of one place
    of it. Where further tags lie on the short row's continuation and yet are not flat with it,
    nobody can say which of them lies as the strip should.
    """
    pieces: list[list[Tag]] = []
    others = [row.tags for row in rows] + [(tag,) for tag in singles]
    for row in rows:
        if len(row.tags) >= FEWEST_LEFT:
            continue
        on = [tags for tags in others if tags != row.tags and _goes_on(row, tags)]
        if on:
            joined = [*row.tags, *(tag for tags in on for tag in tags)]
            met = [piece for piece in pieces if any(tag in piece for tag in joined)]
            pieces = [piece for piece in pieces if piece not in met]
            pieces.append([tag for piece in met for tag in piece] + joined)
    broken = tuple(tuple(dict.fromkeys(piece)) for piece in pieces)
    kept = tuple(row for row in rows if not any(row.tags[0] in piece for piece in broken))
    return kept, broken


def _goes_on(row: Strip, tags: Sequence[Tag]) -> bool:
    """Whether tags lie, upright and to about half a tag, where the row's strip goes on."""
    onto, _, _ = _onto(row.tags, row.steps)
    if onto is None:
        return False
    back = np.linalg.inv(onto)
    for tag in tags:
        corners = cv2.perspectiveTransform(np.array([tag.corners_px], dtype=float), back)[0] / DRAWN
        middle = corners.mean(axis=0) - 0.5
        step = middle[0] / (1 + STRIP_GAP)
        apart = step - np.clip(step, min(row.steps), max(row.steps))
        upright = corners[1, 0] > corners[0, 0] and corners[3, 1] > corners[0, 1]
        if not (upright and abs(middle[1]) < BESIDE and 0.5 < abs(apart) < FURTHEST + 0.5):
            return False
    return True


def _step(one: Tag, other: Tag) -> int | None:
    """Steps from one tag to the other along a flat strip, or None where none fits.

    What the numbers say is asked first.
    """
    if one.number == other.number or not _near(one, other):
        return None
    printed = other.number - one.number
    asked = [k for k in range(-FURTHEST, FURTHEST + 1) if k != 0]
    asked.sort(key=lambda k: k != printed)
    for step in asked:
        if _rms_px((one, other), (0, step)) <= most_rms_px((one, other)):
            return step
    return None


def _near(one: Tag, other: Tag) -> bool:
    """Whether a look is worth while: near enough, and not many times larger."""
    corners = np.array([one.corners_px, other.corners_px])
    reach = np.linalg.norm(corners - corners.mean(axis=1, keepdims=True), axis=-1).max(axis=1)
    apart = float(np.linalg.norm(corners[0].mean(axis=0) - corners[1].mean(axis=0)))
    return bool(apart < 4 * FURTHEST * reach.max() and reach.max() < 3 * reach.min())


def _linked(count: int, between: dict[tuple[int, int], int]) -> list[dict[int, int]]:
    """Groups of tags that hang together, each as tag to step."""
    groups: list[dict[int, int]] = []
    left = set(range(count))
    while left:
        first = min(left)
        places, todo = {first: 0}, [first]
        while todo:
            here = todo.pop()
            for (i, j), step in between.items():
                for start, end, way in ((i, j, step), (j, i, -step)):
                    if start == here and end not in places:
                        places[end] = places[here] + way
                        todo.append(end)
        left -= set(places)
        groups.append(places)
    return groups


def _flat_row(tags: list[Tag], steps: list[int]) -> Strip | None:
    """The group as a strip, without the one tag that was moved; None where it is not flat."""
    whole = list(zip(tags, steps, strict=True))
    if _fits(whole, share=1.0):
        return _strip(whole)
    rests = [whole[:k] + whole[k + 1 :] for k in range(len(whole))]
    good = [
        rest for rest in rests if len(rest) >= FEWEST_LEFT and _fits(rest, share=STRIP_CLEAN_SHARE)
    ]
    return _strip(good[0]) if len(good) == 1 else None


def _fits(members: list[tuple[Tag, int]], *, share: float) -> bool:
    tags, steps = zip(*members, strict=True)
    return len(set(steps)) == len(steps) and _rms_px(tags, steps) <= share * most_rms_px(tags)


def _strip(members: list[tuple[Tag, int]]) -> Strip:
    """Members in their order along the strip."""
    ordered = sorted(members, key=lambda member: member[1])
    return Strip(tuple(tag for tag, _ in ordered), tuple(step for _, step in ordered))


def _rms_px(tags: Sequence[Tag], steps: Sequence[int]) -> float:
    """Rms of the corners against the best homography of a strip, px, for its freedom."""
    onto, drawn, seen = _onto(tags, steps)
    if onto is None:
        return math.inf
    left = cv2.perspectiveTransform(drawn[None], onto)[0] - seen
    return float(np.sqrt(np.sum(left**2) / (left.size - 8)))


def _onto(tags: Sequence[Tag], steps: Sequence[int]) -> tuple[Floats | None, Floats, Floats]:
    """Homography from a strip as drawn to the picture, and the corners in both, (4 n, 2)."""
    square = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    starts = np.array([[step * (1 + STRIP_GAP), 0.0] for step in steps])
    drawn = DRAWN * (square + starts[:, None]).reshape(-1, 2)
    seen = np.array([tag.corners_px for tag in tags]).reshape(-1, 2)
    onto, _ = cv2.findHomography(drawn, seen, 0)
    return onto, drawn, seen
