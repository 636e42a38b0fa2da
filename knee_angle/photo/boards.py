"""Boards: which printed tags count in a photo, and what is said of those that do not.

A strip counts where it is flat as printed (`strips`) and can be on this machine:

* by **size**: in its plane the leg is as long as a person's,
* by **place**: it lies within a machine's reach of the leg,
* by the **bars**: it is parallel to the plane of the tags on them, and about as far.

Of several strips that can be, any one is as good where they show one direction; where
they do not, none counts and the person who took the photo is asked. A wrong direction in
silence is worse than none.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from knee_angle.angle import geometry, scale
from knee_angle.assumptions import (
    BOARD_MOST_SIGMA,
    MARK_DEPTH_MM,
    MOST_FLAT_DEG,
    STRIP_REACH_MM,
    STRIP_TO_KNEE_MM,
    U_LEG_ENDS,
    U_STRIP_TO_BARS_DEG,
    U_STRIPS_PARALLEL_DEG,
)
from knee_angle.language import say
from knee_angle.photo import camera
from knee_angle.photo.camera import Board
from knee_angle.photo.strips import Strip, most_rms_px, strips_of
from knee_angle.photo.tags import Tag, bars_of, strip_of
from knee_angle.records import LEG_POINTS, Landmarks, Lens, NotMeasured, View
from knee_angle.settings import Settings

__all__ = ["Boards", "boards_of", "too_oblique"]

Floats = NDArray[np.float64]


TWICE = say(
    "Tag numbers seen more than once: {tags}. Another machine's tags, or a second "
    "print of the same sheet, are in the picture."
)
BARS_TWICE = say(
    "So the tags on the bars do not count: cover the other machine's, and photograph again."
)
BAR_ALONE = say(
    "Of the two tags on the bars only tag {tag} is seen, so it does not count: "
    "nothing may cover the other."
)
BARS_ELSEWHERE = say("The tags on the bars ({tags}) do not count: {why}.")
SPOILT = say(
    "The tags {tags} do not count: they do not lie flat in one row as printed. The "
    "strip is bent or partly covered, tags of it were moved, or they are of "
    "several strips: stick one strip flat on the machine, or print a new one."
)
ELSEWHERE = say(
    "{row} does not count: {why}. It is taken for another machine's; when it is "
    "on this one, check the size of its tags, that it lies parallel to the "
    "bars, and the points."
)
TURNED_AWAY = say(
    "The tag {tag} does not count: it is seen about {off_deg:.0f}° off square, and no second tag "
    "shows whether it lies flat on the machine."
)
OBLIQUE = say(
    "Were it on this one, the camera would stand {off_deg:.0f}° off square and the "
    "angle be far off."
)
TOO_OBLIQUE = say(
    "no strip of printed tags counts, and those seen at the leg (tags {tags}) show "
    "that the camera stands about {off_deg:.0f}° off square: an angle in the flat "
    "picture would be far off"
)
SQUARE_ON = say(
    "stick one strip flat on this machine and cover every other, or stand "
    "square to the leg; then photograph again"
)
UNDECIDED = say(
    "Several strips are seen (tags {tags}), and the photo does not tell which of "
    "them is on this machine, so none counts. Which is it? Cover or take away "
    "the others, and photograph again."
)
SECOND = say(
    "A second strip is seen (tags {tags}): it shows the same direction within its "
    "±, and is not needed."
)
LOOSE = say(
    "The tag {tag} is no part of the strip that counts (tags {tags}) and does not "
    "count: it lies apart, or was moved on its strip."
)
BEHIND_BARS = say("by its size it is {apart_mm:.0f} mm too far behind the bars")
BEFORE_BARS = say("by its size it is {apart_mm:.0f} mm too far before the bars")
ODD_THIGH = say("by its size the thigh would be {seen_mm:.0f} mm long, not about {usual_mm:.0f} mm")
ODD_LEG = say("by its size the leg would be {seen_mm:.0f} mm long, not about {usual_mm:.0f} mm")
LOOSE_ALONE = say("The tag {tag} lies apart from every strip and does not count.")


@dataclass(frozen=True, slots=True)
class Boards:
    """The printed tags that count.

    Parameters
    ----------
    strip : Board or None
        The plane of this machine's strip.
    bars : Board or None
        The plane of the two tags on its bars.
    bar_tags : tuple of Tag
        These two, thigh first; empty where they do not count.
    cautions : tuple of str
        What was seen and does not count, why, and what to do.
    refused : tuple of (float, tuple of Tag)
        Tags at this leg that do not count, and how far off square they are seen, degrees.
    """

    strip: Board | None
    bars: Board | None
    bar_tags: tuple[Tag, ...]
    cautions: tuple[str, ...]
    refused: tuple[tuple[float, tuple[Tag, ...]], ...] = ()


@dataclass(frozen=True, slots=True)
class _Scene:
    """What a board is held against."""

    lens: Lens
    landmarks: Landmarks
    settings: Settings


def boards_of(
    tags: tuple[Tag, ...], lens: Lens, landmarks: Landmarks, settings: Settings
) -> Boards:
    """Sort the tags of a photo and fit those that count.

    Parameters
    ----------
    tags : tuple of Tag
        All that were found.
    lens : Lens
        The camera.
    landmarks : Landmarks
        Hip, knee and ankle: what the tags have to go with.
    settings : Settings
        Sizes of the tags; stature and thigh where known.
    """
    scene = _Scene(lens, landmarks, settings)
    cautions = [TWICE.format(tags=_named(twice))] if (twice := _twice(tags)) else []
    bar_tags, bars, why = _bars(bars_of(tags), scene)
    cautions += why
    strip, refused, of_strips = _strip(strip_of(tags), bars, scene)
    cautions += of_strips
    if bars is not None and strip is not None:
        bars = camera.bars_board(bar_tags, lens, tag_mm=settings.bar_tag_mm, strip=strip)
    return Boards(strip, bars, bar_tags, tuple(cautions), refused)


def too_oblique(found: Boards, view: View) -> NotMeasured | None:
    """Why a photo is not measured in the flat picture although its tags do not count.

    Bent or doubtful tags give no direction, but they do tell a camera square to them from one
    that is far off, where the flat angle leaves its interval (`MOST_FLAT_DEG`).
    """
    if view.plane != "image" or not found.refused:
        return None
    off_deg, tags = min(found.refused, key=lambda one: one[0])
    if off_deg <= MOST_FLAT_DEG:
        return None
    return NotMeasured(TOO_OBLIQUE.format(tags=_named(tags), off_deg=off_deg), SQUARE_ON)


def _bars(
    tags: tuple[Tag, ...], scene: _Scene
) -> tuple[tuple[Tag, ...], Board | None, tuple[str, ...]]:
    """The two tags on the bars and their plane, without any strip's help."""
    if _twice(tags):
        return (), None, (BARS_TWICE,)
    if len(tags) == 1:
        return (), None, (BAR_ALONE.format(tag=tags[0].number),)
    if not tags:
        return (), None, ()
    board = camera.bars_board(tags, scene.lens, tag_mm=scene.settings.bar_tag_mm)
    assert board is not None  # noqa: S101  there are tags
    reason = _not_at_the_leg(tags, board, scene, behind_mm=MARK_DEPTH_MM["thigh_bar"][0])
    if reason is not None:
        return (), None, (BARS_ELSEWHERE.format(tags=_named(tags), why=reason),)
    return tags, board, ()


def _strip(
    tags: tuple[Tag, ...], bars: Board | None, scene: _Scene
) -> tuple[Board | None, tuple[tuple[float, tuple[Tag, ...]], ...], list[str]]:
    """The plane of the one strip that is on this machine, and what is said of the others."""
    found = strips_of(tags)
    cautions = [SPOILT.format(tags=_named(group)) for group in found.spoilt]
    spoilt = found.spoilt
    # A single tag counts only where nothing else is seen.
    alone = len(tags) == 1
    rows = (Strip(tags, (0,)),) if alone else found.rows
    if not rows and not spoilt and tags:
        cautions, spoilt = [SPOILT.format(tags=_named(tags))], (tags,)
        alone = True
    if alone and rows and (off_deg := _off_square_deg(tags, scene)) > MOST_FLAT_DEG:
        # The last tag seen of a bent strip looks like any other: further off, it proves nothing.
        rows, spoilt = (), (tags,)
        cautions = [TURNED_AWAY.format(tag=tags[0].number, off_deg=off_deg)]
    refused = [(_off_square_deg(g, scene), g) for g in spoilt if _beside_the_leg(g, scene)]
    suited: list[tuple[Strip, Board]] = []
    for row in rows:
        board = camera.board_of(row.tags, scene.lens, tag_mm=scene.settings.tag_mm)
        assert board is not None  # noqa: S101  a row has tags
        reason = _not_on_this_machine(row, board, bars, scene)
        if reason is None:
            suited.append((row, board))
            continue
        cautions.append(ELSEWHERE.format(row=_called(row), why=reason))
        if (off_deg := _off_square_deg(row.tags, scene)) > MOST_FLAT_DEG:
            cautions.append(OBLIQUE.format(off_deg=off_deg))
    # The most tags, then the surest direction.
    suited.sort(key=lambda one: (-len(one[0].tags), np.trace(one[1].tilt_cov_deg2)))
    used = suited[0] if suited and all(_alike(suited[0][1], b) for _, b in suited[1:]) else None
    if used is None and suited:
        cautions.append(UNDECIDED.format(tags="; ".join(_named(row.tags) for row, _ in suited)))
        refused += [(_off_square_deg(row.tags, scene), row.tags) for row, _ in suited]
    elif used is not None:
        cautions += [SECOND.format(tags=_named(row.tags)) for row, _ in suited[1:]]
    if not alone:
        cautions += [_loose(tag, used) for tag in found.singles]
    return None if used is None else used[1], tuple(refused), cautions


def _off_square_deg(tags: Sequence[Tag], scene: _Scene) -> float:
    """How far from square tags are seen, each by its own square; the middle one, degrees."""
    off = []
    for tag in tags:
        board = camera.board_of((tag,), scene.lens, tag_mm=scene.settings.tag_mm)
        assert board is not None  # noqa: S101  there is a tag
        sight = geometry.rays(
            np.mean(tag.corners_px, axis=0),
            focal_px=scene.lens.focal_px,
            centre_px=scene.lens.centre_px,
        )
        off.append(float(geometry.tilt_between_deg(-sight / np.linalg.norm(sight), board.normal)))
    return float(np.median(off))


def _beside_the_leg(tags: Sequence[Tag], scene: _Scene) -> bool:
    """Whether tags lie within a machine's reach of the leg, by their size in the picture."""
    corners = np.array([tag.corners_px for tag in tags])
    sides_px = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
    mm_per_px = scene.settings.tag_mm / float(sides_px.max(axis=1).mean())
    leg = [scene.landmarks.points[name] for name in LEG_POINTS]
    hip, knee, ankle = (np.array([point.x_px, point.y_px]) for point in leg)
    middle = corners.mean(axis=(0, 1))
    far_px = min(_from_line(middle, hip, knee), _from_line(middle, knee, ankle))
    return far_px * mm_per_px <= STRIP_REACH_MM


def _called(row: Strip) -> str:
    if len(row.tags) == 1:
        return say("The tag {tag}", tag=_named(row.tags))
    return say("The strip with tags {tags}", tags=_named(row.tags))


def _loose(tag: Tag, used: tuple[Strip, Board] | None) -> str:
    if used is None:
        return LOOSE_ALONE.format(tag=tag.number)
    return LOOSE.format(tag=tag.number, tags=_named(used[0].tags))


def _not_on_this_machine(row: Strip, board: Board, bars: Board | None, scene: _Scene) -> str | None:
    """Why a strip cannot be this machine's, or None where it can."""
    if len(row.tags) == 1 and board.rms_px > most_rms_px(row.tags):
        return say("its corners are {rms_px:.1f} px off a flat square", rms_px=board.rms_px)
    depth_mm, u_depth_mm = STRIP_TO_KNEE_MM
    if (reason := _not_at_the_leg(row.tags, board, scene, behind_mm=depth_mm)) is not None:
        return reason
    if bars is None:
        return None
    if not _alike(board, bars, u_deg=U_STRIP_TO_BARS_DEG):
        return say("it is not parallel to the tags on the bars")
    behind_mm, u_behind_mm = MARK_DEPTH_MM["thigh_bar"]
    apart_mm = board.distance_mm + depth_mm - bars.distance_mm - behind_mm
    u_mm = math.hypot(u_depth_mm, u_behind_mm, board.u_distance_mm, bars.u_distance_mm)
    if abs(apart_mm) > BOARD_MOST_SIGMA * u_mm:
        far = BEHIND_BARS if apart_mm > 0 else BEFORE_BARS
        return far.format(apart_mm=abs(apart_mm))
    return None


def _not_at_the_leg(
    tags: Sequence[Tag], board: Board, scene: _Scene, *, behind_mm: float
) -> str | None:
    """Why tags cannot be at this leg, by their size and place, or None where they can."""
    leg = [scene.landmarks.points[name] for name in LEG_POINTS]
    points_px = np.array([[point.x_px, point.y_px] for point in leg])
    middle_px = np.mean([tag.corners_px for tag in tags], axis=(0, 1))
    places_px = np.vstack([points_px, middle_px])
    hip, knee, ankle, middle = _in_plane_mm(places_px, board, scene.lens, behind_mm=behind_mm)
    seen_mm, too_long = math.dist(hip, knee), ODD_THIGH
    usual_mm, u = scene.settings.thigh_mm, 0.0
    if usual_mm is None:
        seen_mm, too_long = seen_mm + math.dist(knee, ankle), ODD_LEG
        usual_mm, u = scale.usual_leg_mm(scene.settings.stature_mm)
    length_px = float(np.linalg.norm(np.diff(points_px, axis=0), axis=1).sum())
    u = math.hypot(u, U_LEG_ENDS, math.hypot(*(point.u_px for point in leg)) / length_px)
    # Written so that a plane seen from behind (not a number) does not pass.
    if not abs(math.log(max(seen_mm, 1.0) / usual_mm)) <= BOARD_MOST_SIGMA * u:
        return too_long.format(seen_mm=seen_mm, usual_mm=usual_mm)
    far_mm = min(_from_line(middle, hip, knee), _from_line(middle, knee, ankle))
    return (
        say("it lies {far_mm:.0f} mm from the leg", far_mm=far_mm)
        if far_mm > STRIP_REACH_MM
        else None
    )


def _in_plane_mm(places_px: Floats, board: Board, lens: Lens, *, behind_mm: float) -> Floats:
    """Places (4, 2) in the board's plane, mm; the first three lie behind it (the leg)."""
    line = geometry.rays(places_px, focal_px=lens.focal_px, centre_px=lens.centre_px)
    far_mm = board.distance_mm + np.array([behind_mm, behind_mm, behind_mm, 0.0])
    places = geometry.meet_plane(line, normal=board.normal, distance_mm=far_mm)
    places[places[:, 2] <= 0.0] = math.nan
    return geometry.to_plane_mm(places, normal=board.normal)


def _from_line(place: Floats, start: Floats, end: Floats) -> float:
    """Distance of a place from the line between two others, mm; each (2,)."""
    way = end - start
    share = float(np.clip((place - start) @ way / max(float(way @ way), 1e-9), 0.0, 1.0))
    return float(np.linalg.norm(place - start - share * way))


def _alike(one: Board, other: Board, *, u_deg: float = U_STRIPS_PARALLEL_DEG) -> bool:
    """Whether two boards may be parallel, by either of their solutions."""
    largest = float(np.linalg.eigvalsh(one.tilt_cov_deg2 + other.tilt_cov_deg2)[-1])
    most_deg = BOARD_MOST_SIGMA * math.sqrt(largest + u_deg**2)
    return any(
        float(geometry.tilt_between_deg(a, b)) <= most_deg
        for a in (one.normal, one.other_normal)
        for b in (other.normal, other.other_normal)
        if a is not None and b is not None
    )


def _twice(tags: Sequence[Tag]) -> tuple[int, ...]:
    """Numbers that more than one of the tags has."""
    numbers = [tag.number for tag in tags]
    return tuple(sorted({number for number in numbers if numbers.count(number) > 1}))


def _named(tags: Sequence[Tag | int]) -> str:
    return ", ".join(str(tag if isinstance(tag, int) else tag.number) for tag in tags)
