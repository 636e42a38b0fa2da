"""What a file tells of how its picture was made: the few EXIF entries that are looked at."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from PIL import Image

__all__ = ["Told", "told_by"]

EXIF_IFD = 0x8769
EXIF_ORIENTATION = 0x0112
EXIF_F35, EXIF_ZOOM = 0xA405, 0xA404
"""FocalLengthIn35mmFilm, DigitalZoomRatio."""
EXIF_WIDE, EXIF_HIGH = 0xA002, 0xA003
"""PixelXDimension, PixelYDimension: of the picture as its camera stored it."""
EXIF_COMMENT = 0x9286
EXIF_RENDERED, PANORAMA = 0xA401, 6
"""CustomRendered, and its value in a phone's panorama (the maker's own list of them)."""
XMP_NAMES, XMP_PANORAMA = ("xmp", "XML:com.adobe.xmp"), b"http://ns.google.com/photos/1.0/panorama/"
"""Where XMP stands in JPEG, HEIC and WebP, and in PNG; the name space of panoramas' entries (its
maker's reference)."""
EXIF_LENS, FRONT = 0xA434, "front"
"""LensModel (Exif 2.3), and the word by which phones name the camera on their screen's side (from
memory)."""
EXIF_TAKEN, EXIF_TAKEN_OFFSET = 0x9003, 0x9011
"""DateTimeOriginal and OffsetTimeOriginal (CIPA DC-008, Exif 2.31)."""
F35_RANGE_MM = (5.0, 1000.0)
"""Outside of it the entry is a mistake; 0 officially means unknown."""
ZOOM_RANGE = (1.0, 100.0)
"""A ratio of 0 officially means that digital zoom was not used."""


@dataclass(frozen=True, slots=True)
class Told:
    """What the file says; nothing of it is checked against the picture here.

    Parameters
    ----------
    f35_mm : float or None
        Focal length for a 36 mm x 24 mm picture.
    size_px : (int, int) or None
        The longer and the shorter side as the camera stored them.
    zoom : float or None
        Digital zoom, where there was any.
    screenshot : bool
        Whether the file calls itself a screenshot.
    panorama : bool
        Whether the file calls itself a panorama.
    front : bool
        Whether the file names the camera on the screen's side, whose pictures may be mirrored.
    taken, taken_offset : str
        When, and by how much that clock was ahead of UTC, as they stand; empty where not said.
    """

    f35_mm: float | None = None
    size_px: tuple[int, int] | None = None
    zoom: float | None = None
    screenshot: bool = False
    panorama: bool = False
    front: bool = False
    taken: str = ""
    taken_offset: str = ""


def told_by(image: Image.Image) -> tuple[int, Told]:
    """EXIF's orientation (1 to 8) and the rest that is looked at; broken entries tell nothing."""
    try:
        exif = image.getexif()
        orientation = exif.get(EXIF_ORIENTATION, 1)
    except Exception:  # noqa: BLE001
        # A picture with broken EXIF is still a picture.
        return 1, Told()
    try:
        entries: Mapping[int, Any] = exif.get_ifd(EXIF_IFD)
    except Exception:  # noqa: BLE001
        entries = {}
    wide, high = (_number(entries, which) for which in (EXIF_WIDE, EXIF_HIGH))
    zoom = _within(_number(entries, EXIF_ZOOM), ZOOM_RANGE)
    comment = entries.get(EXIF_COMMENT, b"")
    said = comment if isinstance(comment, bytes) else str(comment).encode(errors="replace")
    told = Told(
        f35_mm=_within(_number(entries, EXIF_F35), F35_RANGE_MM),
        size_px=(round(max(wide, high)), round(min(wide, high))) if min(wide, high) >= 1 else None,
        zoom=zoom if zoom is not None and zoom > 1.0 else None,
        screenshot=b"screenshot" in said.replace(b"\0", b"").lower(),
        panorama=_number(entries, EXIF_RENDERED) == PANORAMA or _panorama_by_xmp(image),
        front=FRONT in _text(entries, EXIF_LENS).lower(),
        taken=_text(entries, EXIF_TAKEN),
        taken_offset=_text(entries, EXIF_TAKEN_OFFSET),
    )
    return (int(orientation) if orientation in range(1, 9) else 1), told


def _panorama_by_xmp(image: Image.Image) -> bool:
    told = [image.info.get(name, b"") for name in XMP_NAMES]
    return any(
        XMP_PANORAMA in (xmp if isinstance(xmp, bytes) else str(xmp).encode(errors="replace"))
        for xmp in told
    )


def _number(entries: Mapping[int, Any], which: int) -> float:
    """An entry as a number, 0 where it is none."""
    try:
        number = float(entries.get(which, 0))
    except Exception:  # noqa: BLE001  whatever a broken file has put there
        return 0.0
    return number if 0.0 < number < 1e6 else 0.0


def _text(entries: Mapping[int, Any], which: int) -> str:
    return str(entries.get(which, "")).strip("\0 ")


def _within(number: float, ends: tuple[float, float]) -> float | None:
    return number if ends[0] <= number <= ends[1] else None
