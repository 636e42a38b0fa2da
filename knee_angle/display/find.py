"""Where lines of digits are in a photo: a look at the whole, then one at each place found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from knee_angle.display.networks import Networks
from knee_angle.display.rectify import LineBox
from knee_angle.photo.reading import Photo

__all__ = ["FoundLine", "find_lines", "look_again"]

Floats = NDArray[np.float64]
Rgb = NDArray[np.uint8]

SEARCH_PX = 1024
"""Longest side of the picture that is searched: digits of 12 px in a photo of 1600 px are 8 px
high there, which is about the smallest that the finder learned."""
COARSE_PX = 320
"""Longest side of the second picture, for displays that fill the photo."""
FIRST_ODDS = -1.4
"""Logarithm of the odds from which a place is looked at again (probability 0.2; our own)."""
SECOND_ODDS = -0.4
"""The same at the second look (probability 0.4; our own)."""
MOST = 8
"""So many places are looked at again, the likeliest first."""
CLOSE_PX, CLOSE_DIGIT_PX = 192, 22.0
"""The second look: its size, and how high digits are in it."""
STRIDE = 4
STEPS = 32


@dataclass(frozen=True, slots=True)
class FoundLine:
    """A line and the logarithm of the odds that it is one; pixels of the photo."""

    box: LineBox
    odds: float


def find_lines(photo: Photo, networks: Networks) -> list[FoundLine]:
    """Lines of digits in a photo, the likeliest first.

    Parameters
    ----------
    photo : Photo
        The photo; its full size is asked for only around places that were found.
    networks : Networks
        The finder is used.
    """
    longest = max(photo.small.shape[:2])
    first: list[FoundLine] = []
    for size in (SEARCH_PX, COARSE_PX):
        if size == COARSE_PX and longest < 2 * COARSE_PX:
            continue
        first += _looked(photo.small, min(1.0, size / longest), networks, FIRST_ODDS)
    scale = photo.width / photo.small.shape[1]
    there = [FoundLine(one.box.moved(scale=scale), one.odds) for one in _apart(first)[:MOST]]
    again = [better for one in there if (better := look_again(photo, one, networks)) is not None]
    return _apart(again)


def _looked(picture: Rgb, scale: float, networks: Networks, least: float) -> list[FoundLine]:
    """Lines in a picture that is first made smaller; pixels of the picture as given."""
    if scale < 1.0:
        size = (round(picture.shape[1] * scale), round(picture.shape[0] * scale))
        small = np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.uint8)
    else:
        small = picture
    h, w = small.shape[:2]
    padded = cv2.copyMakeBorder(
        small, 0, -h % STEPS, 0, -w % STEPS, cv2.BORDER_CONSTANT, value=(127, 127, 127)
    )
    lines = _peaks(networks.found(np.asarray(padded, np.uint8)), least)
    back = picture.shape[1] / w
    return [FoundLine(one.box.moved(scale=back), one.odds) for one in lines]


def _peaks(seen: Floats, least: float) -> list[FoundLine]:
    """The map's tops as lines, pixels of the picture looked at."""
    odds = seen[0].astype(np.float32)
    top = cv2.dilate(odds, np.ones((3, 3), np.uint8))
    rows, columns = np.nonzero((odds >= top) & (odds > least))
    lines = []
    for row, column in zip(rows, columns, strict=True):
        log_size, dx, dy, ax, ay, vx, vy = (float(v) for v in seen[1:, row, column])
        digit = 16.0 * 2.0 ** float(np.clip(log_size, -3, 5))
        centre = ((column + 0.5) * STRIDE + dx * digit, (row + 0.5) * STRIDE + dy * digit)
        box = LineBox(centre, (ax * digit, ay * digit), (vx * digit, vy * digit))
        if _sound(box):
            lines.append(FoundLine(box, float(odds[row, column])))
    return lines


def _sound(box: LineBox) -> bool:
    """Whether a box can be one: its axes neither vanish nor nearly coincide."""
    (ax, ay), (vx, vy) = box.along, box.down
    along, down = np.hypot(ax, ay), np.hypot(vx, vy)
    if not (np.isfinite([along, down]).all() and down > 1.0 and along > 0.2 * down):
        return False
    return bool(ax * vy - ay * vx > 0.35 * along * down)


def _apart(lines: Sequence[FoundLine]) -> list[FoundLine]:
    """Of lines that lie over one another, the likeliest; the likeliest first."""
    kept: list[FoundLine] = []
    for one in sorted(lines, key=lambda line: -line.odds):
        if not any(_over(one.box, other.box) for other in kept):
            kept.append(one)
    return kept


def _over(one: LineBox, other: LineBox) -> bool:
    """Whether the middle of one lies in the other, or the other way round."""

    def inside(point: tuple[float, float], box: LineBox) -> bool:
        axes = np.array([box.along, box.down]).T
        at = np.linalg.solve(axes, np.array(point) - np.array(box.centre))
        return bool((np.abs(at) < 1.0).all())

    return inside(one.centre, other) or inside(other.centre, one)


def look_again(photo: Photo, line: FoundLine, networks: Networks) -> FoundLine | None:
    """The line as seen again, its digits as large as the finder likes them; None where not."""
    digit = line.box.digit_px
    along = float(np.hypot(*line.box.along))
    scale = CLOSE_DIGIT_PX / digit
    scale = min(scale, 0.42 * CLOSE_PX / max(along, 1.0), 3.0)
    half = CLOSE_PX / 2 / scale
    x, y = line.box.centre
    part, (left, top) = photo.window(
        int(x - half), int(y - half), int(np.ceil(x + half)), int(np.ceil(y + half))
    )
    if min(part.shape[:2]) < 8:
        return None
    size = (max(8, round(part.shape[1] * scale)), max(8, round(part.shape[0] * scale)))
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    close = np.asarray(cv2.resize(part, size, interpolation=way), np.uint8)
    back = part.shape[1] / size[0]
    seen = [
        FoundLine(one.box.moved(scale=back, by=(left, top)), one.odds)
        for one in _looked(close, 1.0, networks, SECOND_ODDS)
    ]
    near = [one for one in seen if _over(one.box, line.box)]
    return max(near, key=lambda one: one.odds, default=None)
