"""A photo made fit to be kept: cropped to leg and machine, encoded anew, nothing but pixels."""

from __future__ import annotations

import math
from collections.abc import Sequence
from io import BytesIO

from PIL import Image

from knee_angle.photo.reading import Photo
from knee_angle.records import BarsAlone, CropJpeg, Measurement

__all__ = ["crop_jpeg"]

Points = Sequence[tuple[float, float]]

MARGIN = 0.15
"""Room around the points, as a share of thigh and lower leg together: enough for straps
and foot plate, too little to reach from the hip to the face of a person lying down."""
BARS_MARGIN = 0.4
"""Room around what shows an empty machine's bars, as a share of the farthest two apart: enough for
both bars (our own)."""
LONGEST_PX = 1600
QUALITY = 88


def crop_jpeg(photo: Photo, measured: Measurement | BarsAlone) -> CropJpeg:
    """The part of a photo around the measured points, as a JPEG without metadata.

    Parameters
    ----------
    photo : Photo
        The photo that was measured.
    measured : Measurement or BarsAlone
        Its result: its points and tags are inside the crop, or those of an empty machine.

    Returns
    -------
    CropJpeg
        At most 1600 px on its longer side. A point at full-size ``x`` lies at
        ``(x - left_px) / px_per_px`` in it.
    """
    if isinstance(measured, BarsAlone):
        box = _box_of_bars(measured.seen_px)
    else:
        box = _box_of_leg(measured)
    pixels, (left, top) = photo.window(*box)
    picture = Image.fromarray(pixels)
    shrink = max(1.0, max(picture.size) / LONGEST_PX)
    if shrink > 1.0:
        size = (round(picture.width / shrink), round(picture.height / shrink))
        picture = picture.resize(size, Image.Resampling.LANCZOS)
    out = BytesIO()
    picture.save(out, "JPEG", quality=QUALITY)
    return CropJpeg(out.getvalue(), float(left), float(top), shrink)


def _box_of_leg(measurement: Measurement) -> tuple[int, int, int, int]:
    points = measurement.landmarks.points
    at = [(p.x_px, p.y_px) for p in points.values()]
    hip, knee, ankle = (points[name] for name in ("hip", "knee", "ankle"))
    length = math.dist((hip.x_px, hip.y_px), (knee.x_px, knee.y_px)) + math.dist(
        (knee.x_px, knee.y_px), (ankle.x_px, ankle.y_px)
    )
    # Tags far from the leg stand for no part of it: only those near widen the crop.
    near = [
        corner
        for quad in measurement.tags
        for corner in quad
        if any(math.dist(corner, point) < length / 2 for point in at)
    ]
    return _box([*at, *near], room_px=MARGIN * length)


def _box_of_bars(seen: Points) -> tuple[int, int, int, int]:
    apart = max(math.dist(one, other) for one in seen for other in seen)
    return _box(seen, room_px=BARS_MARGIN * apart)


def _box(places: Points, *, room_px: float) -> tuple[int, int, int, int]:
    """Left, top, right, bottom in full-size px; may reach past the photo."""
    xs, ys = zip(*places, strict=True)
    return (
        math.floor(min(xs) - room_px),
        math.floor(min(ys) - room_px),
        math.ceil(max(xs) + room_px),
        math.ceil(max(ys) + room_px),
    )
