"""What the displays in a photo show: the steps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from io import BytesIO

import numpy as np
from PIL import Image

from knee_angle.photo.display.choose import chosen
from knee_angle.photo.display.find import FoundLine, find_lines, over
from knee_angle.photo.display.networks import Networks, networks
from knee_angle.photo.display.read import read_lines
from knee_angle.photo.display.rectify import box_of
from knee_angle.photo.reading import Photo
from knee_angle.records.shown import DisplaySeen, NumberSeen
from knee_angle.settings import Settings

__all__ = ["display_crop", "picture_of_numbers", "read_display", "read_places"]

LONGER = 1.2
"""A line so many times as long as another one over it is the whole of which that is a part."""
CROP_DIGIT_PX = 64.0
"""Height of the digits in the picture that is shown to people, at most."""
MOST_PX = 900
"""Longest side of a picture with several numbers."""


def read_display(photo: Photo, *, settings: Settings) -> DisplaySeen:
    """Numbers on displays in a photo, and which is the angle.

    Parameters
    ----------
    photo : Photo
        The photo.
    settings : Settings
        How the display counts, and whether the prior is used.

    Returns
    -------
    DisplaySeen
        The same photo always gives the same answer.
    """
    nets = networks()
    numbers = read_places(photo, find_lines(photo, nets), nets)
    seen = chosen(numbers, accept=nets.accept, settings=settings)
    if not seen.numbers:
        return seen
    shown = seen.numbers if seen.angle is None else (seen.angle,)
    return replace(seen, crop_jpeg=picture_of_numbers(photo, shown))


def read_places(photo: Photo, lines: Sequence[FoundLine], nets: Networks) -> list[NumberSeen]:
    """The numbers at places that were found, each once; pixels of the photo."""
    return each_once(read_lines(photo.full(), lines, nets))


def each_once(numbers: Sequence[NumberSeen]) -> list[NumberSeen]:
    """Of readings that lie over one another the likeliest, but no part of a longer number.

    A single digit has an outline of its own, too; where a longer line over it is read as a
    number, that one stands, however sure the part is.
    """
    kept: list[NumberSeen] = []
    for one in sorted(numbers, key=lambda n: -n.probability):
        box = box_of(np.array(one.quad))
        beneath = [n for n in kept if over(box, box_of(np.array(n.quad)))]
        length = float(np.hypot(*box.along))
        shorter = [
            n for n in beneath if length > LONGER * np.hypot(*box_of(np.array(n.quad)).along)
        ]
        if beneath and len(shorter) < len(beneath):
            continue
        kept = [n for n in kept if not any(n is part for part in shorter)] + [one]
    return kept


def display_crop(photo: Photo, number: NumberSeen) -> bytes:
    """The picture of a number with what stands around it, upright: a JPEG, nothing but pixels."""
    quad = np.array(number.quad)
    along, down = quad[1] - quad[0], quad[3] - quad[0]
    length, height = float(np.linalg.norm(along)), float(np.linalg.norm(down))
    scale = min(CROP_DIGIT_PX / max(height, 1.0), 4.0)
    margin = 0.9 * height
    size = (round((length + 2 * margin) * scale), round((height + 2 * margin) * scale))
    low, high = quad.min(0) - 2 * margin - height, quad.max(0) + 2 * margin + height
    part, offset = photo.window(int(low[0]), int(low[1]), int(high[0]) + 1, int(high[1]) + 1)
    x, y = along / max(length, 1.0), down / max(height, 1.0)
    start = quad[0] - margin * (x + y) - np.array(offset)
    turn = (x[0] / scale, y[0] / scale, start[0], x[1] / scale, y[1] / scale, start[1])
    picture = Image.fromarray(np.ascontiguousarray(part)).transform(
        size, Image.Transform.AFFINE, turn, Image.Resampling.BICUBIC
    )
    out = BytesIO()
    picture.save(out, "JPEG", quality=85)
    return out.getvalue()


def picture_of_numbers(photo: Photo, numbers: Sequence[NumberSeen]) -> bytes:
    """One number laid straight, or the part of the photo that holds several, as a JPEG."""
    if len(numbers) == 1:
        return display_crop(photo, numbers[0])
    corners = np.concatenate([np.array(one.quad) for one in numbers])
    room = max(one.digit_px for one in numbers)
    low, high = corners.min(0) - room, corners.max(0) + room
    part, _ = photo.window(int(low[0]), int(low[1]), int(high[0]) + 1, int(high[1]) + 1)
    picture = Image.fromarray(np.ascontiguousarray(part))
    picture.thumbnail((MOST_PX, MOST_PX))
    out = BytesIO()
    picture.save(out, "JPEG", quality=85)
    return out.getvalue()
