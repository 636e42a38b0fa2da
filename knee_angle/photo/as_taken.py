"""Is this the picture as a camera took it? What its file and its shape say.

An angle is measured through a pinhole camera in the middle of the picture, with square pixels
and the focal length of its EXIF. Gallery, messenger, zoom and screen change that, and mostly
leave the EXIF as it was. Here stands what can be told before anything in the picture is
looked at; what printed tags say of the lens stands in `lens_seen`.

=============================================  ===========================================
what is seen                                   what follows
=============================================  ===========================================
other shape than its EXIF says                 refused: cropped, stretched or edited
a screenshot, by its EXIF or its even borders  refused
a straight edge before an even dark border,    to the left or right refused: a photo of a
or a shorter one between two dark corners      screen or print; above or below that may be a
                                               dark ceiling or floor as well: no verdict
longer than any camera's picture, or a         refused: a panorama
panorama by its file's word
longer than a film's 16:9                      a short panorama or cut from 4:3: focal length
                                               and shape ±, and no verdict
smaller or larger than its EXIF says           resized, cropped or zoomed: focal length and
                                               the lens's middle ±
a side that is no multiple of 4 pixels         resized or cropped: the same
an ultra-wide lens                             bent picture: focal length and shape ±
digital zoom by its EXIF                       some phones count it into the focal length,
                                               some do not: focal length ±
a shape that cameras do not make               cropped or stretched: focal length, middle and
                                               shape ±, and no verdict
=============================================  ===========================================
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal
from weakref import WeakKeyDictionary

import cv2
import numpy as np
from numpy.typing import NDArray

from knee_angle.assumptions import (
    BORDER_BRIGHT,
    BORDER_DARK,
    BORDER_EVEN_RGB,
    BORDER_SHARE,
    CAMERA_SHAPES,
    CORNERS_APART,
    LONGEST_SINGLE,
    MOST_CROPPED,
    MOST_PULLED,
    PANORAMA_FROM,
    SCREEN_EDGE_PX,
    SHAPE_WITHIN,
    SIDES_BY,
    U_ODD_SHAPE,
    U_OFF_CENTRE,
    U_ULTRA_WIDE,
    ULTRA_WIDE_BELOW_MM,
)
from knee_angle.language import capital, say
from knee_angle.photo.colours import Rgb
from knee_angle.photo.reading import Photo
from knee_angle.records import NotMeasured

__all__ = ["ADVICE", "AsTaken", "MaybePanorama", "as_taken", "maybe_panorama", "not_as_taken"]

ADVICE = say(
    "use the photo as the camera saved it (camera set to 4:3, no zoom, not a "
    "screenshot, not cropped or edited), or photograph again"
)
RESHAPED = say(
    "the picture has {wide} x {high} pixels but its camera stored {stored_wide} x {stored_high}: "
    "it was cropped, stretched or edited, which changes angles"
)
PANORAMA = say(
    "the picture is {times:.1f} times as long as it is high: a panorama or a "
    "cropped strip, whose angles cannot be measured"
)
PANORAMA_TOLD = say("the picture's file calls it a panorama, whose angles cannot be measured")
SCREENSHOT = say(
    "the picture is a screenshot or lies in a frame of one colour, so lens and size are not known"
)
OF_A_SCREEN = say(
    "the picture ends at a straight line before an even dark border, as a "
    "photo of a screen or of a print does, so lens and size are not known"
)
DARK_END = say(
    "Above or below the picture ends at a straight line before an even dark border, as a "
    "photo of a screen or of a print does, and one of a dark ceiling or floor as well: nothing "
    "counts as proven. Photograph the leg itself, from closer or in better light."
)
ULTRA_WIDE = say(
    "The photo was taken with an ultra-wide lens, whose pictures are bent "
    "towards their corners: the ± allows for it. Use the main camera, from "
    "further away."
)
RESIZED = say(
    "The picture has {wide} x {high} pixels but its camera stored {stored_wide} x {stored_high}: "
    "it was made smaller or larger, or cropped, and the ± allows for either. Use the photo "
    "as the camera saved it."
)
ODD_SIDE = say(
    "No phone's camera is known to store a picture of {wide} x {high} pixels, whose sides are "
    "multiples of 4: it was made smaller or cropped, and the ± allows for either. Use the photo as "
    "the camera saved it."
)
ZOOMED = say(
    "The photo was taken with digital zoom ({zoom:.1f} times): the ± allows for a "
    "focal length that counts it and for one that does not. Photograph without "
    "zoom, from closer."
)
ODD_SHAPE = say(
    "No camera is known to make pictures of this shape ({wide} x {high}): it was "
    "cropped or stretched, so the ± is wide and nothing counts as proven. {advice}"
)
MAYBE_PANORAMA = say(
    "The picture is {times:.1f} times as long as it is high: a short panorama, or cropped from a "
    "camera's picture, so the ± is wide and nothing counts as proven. {advice}"
)
FRAME = math.hypot(4, 3) / 4
"""Diagonal of a camera's frame (4:3) over its longer side."""


LINE_ROWS = 48
"""So many rows are tried in pairs for a line through them (our own)."""
LEAST_SIDE_PX = 48
"""Narrower a picture shows no border (our own)."""
End = Literal["left", "above", "right", "below"]
ENDS: tuple[End, ...] = ("left", "above", "right", "below")
"""The sides in the order in which quarter turns to the left bring them to the left."""
ABOVE_OR_BELOW: frozenset[End] = frozenset({"above", "below"})
_DARK_ENDS: WeakKeyDictionary[Photo, frozenset[End]] = WeakKeyDictionary()
"""Of the photos in use: every look of the network asks for the lens, and so for them."""


@dataclass(frozen=True, slots=True)
class AsTaken:
    """How far a picture can be believed to be as its camera took it.

    Parameters
    ----------
    focal : float
        The most probable focal length, as a multiple of what the picture's size gives.
    u_focal : float
        Relative ± of that, beside the usual.
    u_aspect : float
        Relative ± of a pixel's width against its height.
    u_centre : float
        ± of the lens's middle against the picture's, per axis, as a share of the diagonal.
    trusted : bool
        Whether anything may count as proven.
    cautions : tuple of str
        What was seen, and what to do.
    """

    focal: float = 1.0
    u_focal: float = 0.0
    u_aspect: float = 0.0
    u_centre: float = 0.0
    trusted: bool = True
    cautions: tuple[str, ...] = ()


def not_as_taken(photo: Photo) -> NotMeasured | None:
    """Why a picture cannot be one as taken, by its file and its shape, or None."""
    reason = _refused(photo)
    return None if reason is None else NotMeasured(reason, ADVICE)


def as_taken(photo: Photo) -> AsTaken:
    """What file and shape of a photo leave open."""
    (log_cropped, resized), zoomed = _resized(photo), _zoomed(photo)
    u_centre = U_OFF_CENTRE * math.expm1(log_cropped)
    log_focal, var_focal, cautions = 0.0, 0.0, []
    for log_most, caution in ((log_cropped, resized), zoomed):
        # Either of two focal lengths: their middle, and half of what they are apart.
        log_focal, var_focal = log_focal + log_most / 2.0, var_focal + (log_most / 2.0) ** 2
        cautions += caution
    wide = photo.f35_mm is not None and photo.f35_mm < ULTRA_WIDE_BELOW_MM
    if wide:
        cautions.append(ULTRA_WIDE)
        var_focal += U_ULTRA_WIDE**2
    odd, long = _camera_shape(photo) is None, maybe_panorama(photo.width, photo.height)
    if long is not None:
        cautions.append(MAYBE_PANORAMA.format(times=long.times, advice=capital(ADVICE)))
        log_focal, var_focal = log_focal + long.log_focal, var_focal + long.u_log_focal**2
    elif odd:
        cautions.append(
            ODD_SHAPE.format(wide=photo.width, high=photo.height, advice=capital(ADVICE))
        )
        log_focal, var_focal = log_focal + U_ODD_SHAPE / 2.0, var_focal + U_ODD_SHAPE**2
        u_centre = math.hypot(u_centre, U_OFF_CENTRE * (MOST_PULLED - 1.0))
    dark_end = bool(_dark_ends(photo) & ABOVE_OR_BELOW)
    if dark_end:
        cautions.append(DARK_END)
    return AsTaken(
        focal=math.exp(log_focal),
        u_focal=math.sqrt(var_focal),
        u_aspect=U_ODD_SHAPE if odd else U_ULTRA_WIDE if wide else 0.0,
        u_centre=u_centre,
        trusted=not odd and not dark_end,
        cautions=tuple(cautions),
    )


@dataclass(frozen=True, slots=True)
class MaybePanorama:
    """What a picture that may be a panorama leaves open of its focal length.

    Parameters
    ----------
    times : float
        Longer side to shorter.
    log_focal, u_log_focal : float
        Logarithm of the focal length against what the picture's size gives, and its ±.
    """

    times: float
    log_focal: float
    u_log_focal: float


def maybe_panorama(width_px: int, height_px: int) -> MaybePanorama | None:
    """Whether a picture is longer than a single one, and what that leaves open.

    The 35 mm length counts over the camera's frame. Cut from it, the picture kept the frame's
    longer side; a camera that was held upright and turned drew that side as the picture's
    shorter one. Between the two lie one held level, and one that counts over this picture.
    """
    long, short = max(width_px, height_px), min(width_px, height_px)
    if math.log(long / short / LONGEST_SINGLE) <= SHAPE_WITHIN:
        return None
    return MaybePanorama(
        times=long / short,
        log_focal=math.log(FRAME * math.sqrt(long * short) / math.hypot(long, short)),
        u_log_focal=math.log(long / short) / 2.0,
    )


def _refused(photo: Photo) -> str | None:
    """Why a picture cannot be one as taken, or None."""
    if photo.told.screenshot or _framed(photo.small):
        return SCREENSHOT
    if _dark_ends(photo) - ABOVE_OR_BELOW:
        return OF_A_SCREEN
    if photo.told.panorama:
        return PANORAMA_TOLD
    long, short = _sides(photo)
    if long > PANORAMA_FROM * short:
        return PANORAMA.format(times=long / short)
    stored = photo.told.size_px
    if stored is None or _alike(long / short, stored[0] / stored[1]):
        return None
    if photo.width < photo.height:
        stored = stored[::-1]
    return RESHAPED.format(**_sizes(photo, stored))


def _sizes(photo: Photo, stored: tuple[int, int]) -> dict[str, int]:
    wide, high = stored
    return {
        "wide": photo.width, "high": photo.height, "stored_wide": wide, "stored_high": high,
    }  # fmt: skip


def _sides(photo: Photo) -> tuple[int, int]:
    return max(photo.width, photo.height), min(photo.width, photo.height)


def _alike(one: float, other: float) -> bool:
    return abs(math.log(one / other)) <= SHAPE_WITHIN


def _camera_shape(photo: Photo) -> float | None:
    """The shape that cameras make which this picture has, longer side to shorter."""
    long, short = _sides(photo)
    return next((shape for shape in CAMERA_SHAPES if _alike(long / short, shape)), None)


def _resized(photo: Photo) -> tuple[float, list[str]]:
    """By how much the focal length is larger (log) if a picture of another size was cropped."""
    stored = photo.told.size_px
    long, _ = _sides(photo)
    if stored is None or _alike(long, stored[0]):
        whole = photo.width % SIDES_BY == 0 and photo.height % SIDES_BY == 0
        if photo.f35_mm is None or whole:
            return 0.0, []
        return math.log(MOST_CROPPED), [ODD_SIDE.format(wide=photo.width, high=photo.height)]
    if photo.width < photo.height:
        stored = stored[::-1]
    most = min(math.log(MOST_CROPPED), abs(math.log(max(stored) / long)))
    return most, [RESIZED.format(**_sizes(photo, stored))]


def _zoomed(photo: Photo) -> tuple[float, list[str]]:
    """By how much it is larger if the 35 mm length does not count the digital zoom."""
    if photo.told.zoom is None or photo.f35_mm is None:
        return 0.0, []
    if math.log(photo.told.zoom) <= SHAPE_WITHIN:
        return 0.0, []
    return math.log(photo.told.zoom), [ZOOMED.format(zoom=photo.told.zoom)]


def _framed(small: Rgb) -> bool:
    """Whether one pair of opposite borders is even and black or white, as on a screen.

    No camera gives that: even a black night has noise. Where both pairs are even there is a
    frame on all sides: a drawing on plain paper, or a dark screen, which `_dark_ends` tells.
    """
    across, along = (_even_ends(turned) for turned in (small, small.transpose(1, 0, 2)))
    return across != along


def _even_ends(small: Rgb) -> bool:
    rows = max(2, round(BORDER_SHARE * small.shape[0]))
    ends = np.concatenate([small[:rows], small[-rows:]])
    low, high = int(ends.min()), int(ends.max())
    return high - low <= BORDER_EVEN_RGB and (high <= BORDER_DARK or low >= BORDER_BRIGHT)


def _dark_ends(photo: Photo) -> frozenset[End]:
    """At which sides the picture ends at a straight line before an even dark border."""
    if (known := _DARK_ENDS.get(photo)) is not None:
        return known
    green = photo.small[..., 1]
    ends = (end for turn, end in enumerate(ENDS) if _edge_before_dark(np.rot90(green, turn)))
    return _DARK_ENDS.setdefault(photo, frozenset(ends))


def _edge_before_dark(grey: NDArray[np.uint8]) -> bool:
    """The same at the left side of a picture of one channel."""
    if min(grey.shape) < LEAST_SIDE_PX:
        return False
    wide = max(4, round(BORDER_SHARE * grey.shape[1]))
    band = grey[:, : wide // 2]
    level = float(band.mean())
    if level > BORDER_DARK + 20:
        return False
    band = band.astype(float)
    # Means over blocks of rows, so that noise is none.
    blocks = np.array([part.mean() for part in np.array_split(band, 24)])
    if np.ptp(blocks) > BORDER_EVEN_RGB or band.std() > BORDER_EVEN_RGB:
        return False
    part = grey[:, : grey.shape[1] // 2]
    off = cv2.blur(np.ascontiguousarray(part), (3, 3)) > level + 3 * BORDER_EVEN_RGB
    rows = np.nonzero(off.any(axis=1))[0]
    if len(rows) < 0.4 * len(grey):
        return False
    ends = off[rows].argmax(axis=1)
    corners = _between_dark_corners(off, rows, ends, least=wide // 2)
    return corners or _mostly_straight(grey, rows, ends, least=wide // 2)


def _mostly_straight(
    grey: NDArray[np.uint8], rows: NDArray[np.int_], ends: NDArray[np.int_], *, least: int
) -> bool:
    """An edge that lies on one line in much of the picture's height."""
    # Above and below the screen its other edges are met, so the middle comes first.
    near = np.abs(rows - len(grey) / 2.0) < len(grey) / 4.0
    for _ in range(5):  # dark things at the edge of the picture hide it here and there
        if near.sum() < len(grey) / 4.0:
            return False
        line = np.polyfit(rows[near], ends[near], 1)
        away = np.abs(ends - np.polyval(line, rows))
        near = away < max(SCREEN_EDGE_PX, 2.0 * float(np.median(away[near])))
    straight = np.abs(ends - np.polyval(line, rows)) < SCREEN_EDGE_PX
    return bool(straight.sum() >= 0.4 * len(grey) and np.polyval(line, rows).min() >= least)


def _between_dark_corners(
    off: NDArray[np.bool_], rows: NDArray[np.int_], ends: NDArray[np.int_], *, least: int
) -> bool:
    """A straight edge of which both ends are seen, and beyond them it is as dark as before it.

    So ends a screen or print that is seen from the side, also where dark things in its picture
    hide most of that edge; a doorpost or a curtain goes on to the floor or out of the picture.
    ``off`` (h, w) is what is brighter than the border, ``ends`` where that begins in its rows.
    """
    high = len(off)
    seen = np.linspace(0, len(rows) - 1, LINE_ROWS).astype(int)
    one, other = (seen[k] for k in np.triu_indices(len(seen), 1))
    apart = rows[other] - rows[one]
    far = apart >= CORNERS_APART * high
    if not far.any():
        return False
    one, slope = one[far], (ends[other] - ends[one])[far] / apart[far]
    away = ends - ends[one, None] - slope[:, None] * (rows - rows[one, None])
    on = np.abs(away) < SCREEN_EDGE_PX
    best = on[on.sum(axis=1).argmax()]
    if best.sum() < CORNERS_APART * high:
        return False
    line = np.polyval(np.polyfit(rows[best], ends[best], 1), np.arange(high))
    first, last = int(rows[best][0]), int(rows[best][-1])
    room = max(2, round(BORDER_SHARE * high))
    if first < 3 * room or last >= high - 3 * room or line.min() < least:
        return False
    further = np.where(off.any(axis=1), off.argmax(axis=1), off.shape[1]) - line
    beyond = np.r_[further[: first - 2 * room], further[last + 2 * room :]]
    between = further[first : last + 1]
    return bool(beyond.min() > room and between.min() > -2.0 * SCREEN_EDGE_PX)
