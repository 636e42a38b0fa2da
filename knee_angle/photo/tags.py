"""Printed tags in the photo: AprilTags of family 36h11 and their exact corners.

The detector's corners lie half a pixel inside the black square, because it follows
dark pixels. Each edge is therefore measured again: across it the picture runs from
black to white, and in *linear* light the place of the step is where the two areas
balance, however blurred it is. Two passes, then neighbouring edges are crossed.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from knee_angle.photo.reading import Photo
from knee_angle.records import Quad

__all__ = ["SHANK_TAG", "THIGH_TAG", "Tag", "bars_of", "find_tags", "strip_of"]

Floats = NDArray[np.float64]

THIGH_TAG, SHANK_TAG = 585, 586
"""Numbers of the tags on the machine's bars: the family's last two, which no strip has."""

SRGB_GAMMA = 2.2
"""Picture value to light, the usual power for sRGB (IEC 61966-2-1, approximately)."""
LIGHT = (np.arange(256, dtype=np.float32) / 255) ** SRGB_GAMMA
EDGE_REACH = 0.1
"""How far across an edge to look, as a share of the tag; its black frame is 1/8 wide."""
EDGE_SAMPLES = 24
EDGE_STEP_PX = 0.125
CELLS, CELL_PX = 8, 8
"""A tag is 8 x 8 cells, its dark frame included; px that one gets to be read."""
LEAST_CONTRAST = 40.0
MIRROR_CORRECTION = 0.6
"""Black and white of a tag differ by more than this; wrong cells that are put right, as a
share of what the family allows (the detector's own usual share)."""
EDGE_ENDS = (0.12, 0.88)
"""The part of an edge that is used: its ends are rounded by blur."""


@dataclass(frozen=True, slots=True)
class Tag:
    """One printed tag: its number and its corners as printed (from top left, clockwise).

    ``corners_px`` are full-size pixels of the upright photo. One that reads only in a
    mirror is ``mirrored``.
    """

    number: int
    corners_px: Quad
    mirrored: bool = False


def find_tags(photo: Photo) -> tuple[Tag, ...]:
    """All AprilTags 36h11 in the photo, corners refined at full size, by number.

    Parameters
    ----------
    photo : Photo
        The upright photo.

    Returns
    -------
    tuple of Tag
        By number; a number may come twice, where two machines are in the picture. Tags of
        a mirrored picture are told where no other one is seen.
    """
    grey = cv2.cvtColor(photo.small, cv2.COLOR_RGB2GRAY)
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    quads, found, rest = cv2.aruco.ArucoDetector(family).detectMarkers(grey)
    if found is None or len(found) == 0:
        return _mirrored(photo, grey, family, [quad.reshape(4, 2) for quad in rest])
    numbers = [int(number) for number in np.ravel(found)]
    scale = np.array([photo.scale_x, photo.scale_y])
    tags = [
        Tag(number, _refined(photo, (quad.reshape(4, 2) + 0.5) * scale))
        for number, quad in zip(numbers, quads, strict=True)
    ]
    return tuple(sorted(tags, key=lambda tag: (tag.number, tag.corners_px)))


def _mirrored(
    photo: Photo, grey: NDArray[np.uint8], family: cv2.aruco.Dictionary, quads: list[Floats]
) -> tuple[Tag, ...]:
    """Which of the squares that are no tags are tags in a mirror; corners not refined."""
    scale = np.array([photo.scale_x, photo.scale_y])
    side = CELLS * CELL_PX
    flipped = np.array([[side, 0], [0, 0], [0, side], [side, side]], dtype=np.float32)
    tags = []
    for quad in quads:
        onto = cv2.getPerspectiveTransform(quad.astype(np.float32), flipped)
        card = cv2.warpPerspective(grey, onto, (side, side))
        cells = card.reshape(CELLS, CELL_PX, CELLS, CELL_PX).mean(axis=(1, 3))
        white = cells > (cells.min() + cells.max()) / 2.0
        if np.ptp(cells) < LEAST_CONTRAST or white[[0, -1]].any() or white[:, [0, -1]].any():
            continue
        bits = np.ascontiguousarray(white[1:-1, 1:-1].astype(np.uint8))
        known, number, _ = family.identify(bits, MIRROR_CORRECTION)
        if known:
            a, b, c, d = ((float(x), float(y)) for x, y in (quad + 0.5) * scale)
            tags.append(Tag(int(number), (a, b, c, d), mirrored=True))
    return tuple(sorted(tags, key=lambda tag: (tag.number, tag.corners_px)))


def strip_of(tags: tuple[Tag, ...]) -> tuple[Tag, ...]:
    """The tags that belong to the strip: all but those on the bars."""
    bars = (THIGH_TAG, SHANK_TAG)
    return tuple(tag for tag in tags if tag.number not in bars and not tag.mirrored)


def bars_of(tags: tuple[Tag, ...]) -> tuple[Tag, ...]:
    """The tags on thigh and shank bar, in this order, as far as they are seen."""
    bars = (THIGH_TAG, SHANK_TAG)
    return tuple(tag for tag in tags if tag.number in bars and not tag.mirrored)


def _refined(photo: Photo, corners: Floats) -> Quad:
    """Corners (4, 2) in full-size px, measured again on the full-size photo."""
    side = float(np.mean(np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1)))
    reach = max(1.5, EDGE_REACH * side)
    low = np.floor(corners.min(axis=0) - 2 * reach - 2).astype(int)
    high = np.ceil(corners.max(axis=0) + 2 * reach + 2).astype(int)
    crop, origin = photo.window(int(low[0]), int(low[1]), int(high[0]), int(high[1]))
    light = np.asarray(cv2.LUT(cv2.cvtColor(crop, cv2.COLOR_RGB2GRAY), LIGHT), dtype=np.float32)
    # OpenCV counts from pixel centres.
    local = corners - np.asarray(origin) - 0.5
    for _ in range(2):
        local = _crossed(_edges(light, local, reach_px=reach))
    a, b, c, d = ((float(x), float(y)) for x, y in local + np.asarray(origin) + 0.5)
    return (a, b, c, d)


def _edges(light: NDArray[np.float32], corners: Floats, *, reach_px: float) -> list[Floats]:
    """The edge from each corner to the next as a line (direction x, y, point x, y)."""
    along = np.roll(corners, -1, axis=0) - corners
    outward = np.stack([along[:, 1], -along[:, 0]], axis=1)
    outward /= np.linalg.norm(along, axis=1, keepdims=True)
    middle = corners + along / 2.0 - corners.mean(axis=0)
    outward *= np.where(np.sum(outward * middle, axis=1, keepdims=True) < 0.0, -1.0, 1.0)
    steps = np.arange(-reach_px, reach_px + EDGE_STEP_PX / 2, EDGE_STEP_PX)
    shares = np.linspace(*EDGE_ENDS, EDGE_SAMPLES)[:, None]
    base = corners[:, None] + shares * along[:, None]
    # Coordinate by coordinate: numpy is slow over an axis of two.
    map_x, map_y = (
        (base[..., k, None] + steps * outward[:, k, None, None])
        .reshape(-1, len(steps))
        .astype(np.float32)
        for k in (0, 1)
    )
    profile = cv2.remap(light, map_x, map_y, cv2.INTER_LINEAR)
    quarter = len(steps) // 4
    black = profile[:, :quarter].mean(axis=1, keepdims=True)
    white = profile[:, -quarter:].mean(axis=1, keepdims=True)
    share = np.clip((profile - black) / np.maximum(white - black, 1e-3), -0.2, 1.2)
    place = (steps[-1] + EDGE_STEP_PX / 2 - share.sum(axis=1) * EDGE_STEP_PX).reshape(4, -1)
    kept = np.abs(place - np.median(place, axis=1, keepdims=True)) < 1.0
    points = (base + place[..., None] * outward[:, None]).astype(np.float32)
    return [
        np.asarray(cv2.fitLine(some[use], cv2.DIST_HUBER, 0, 0.01, 0.01), dtype=float).ravel()
        for some, use in zip(points, kept, strict=True)
    ]


def _crossed(edges: list[Floats]) -> Floats:
    """Corners (4, 2): where each edge crosses the one before it."""
    this = np.array(edges)
    before = np.roll(this, 1, axis=0)
    slopes = np.stack([before[:, :2], -this[:, :2]], axis=2)
    share = np.linalg.solve(slopes, (this[:, 2:] - before[:, 2:])[..., None])[:, 0]
    return np.asarray(before[:, 2:] + share * before[:, :2])
