"""Codes in a photo: QR codes, and bar codes of goods (EAN, UPC), by OpenCV's own detectors.

What a code says is text of strangers: it is read only where it is one of our codes, or looks
like one. A wristband's other content (a name, a birthday) is never handed on.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from knee_angle.photo.reading import Photo

__all__ = ["Code", "codes_in", "printed"]

Whose = Literal["patient", "machine"]
Rgb = NDArray[np.uint8]

OURS = "knee-angle"
"""First word of the codes that we print: then whose it is, then the code."""
LONGEST = 16
"""As the store's codes."""
LIKE_A_CODE = re.compile(rf"(?=.*[0-9])[A-Za-z0-9](?:-?[A-Za-z0-9]){{1,{LONGEST - 1}}}")


@dataclass(frozen=True, slots=True)
class Code:
    """A code that was read.

    Parameters
    ----------
    code : str
        Such as M-03, in capitals.
    whose : {"patient", "machine"} or None
        What it names, where it is one that we printed.
    """

    code: str
    whose: Whose | None


def printed(code: str, whose: Whose) -> str:
    """What a code that we print says.

    Examples
    --------
    >>> printed("M-03", "machine")
    'knee-angle machine M-03'
    """
    return f"{OURS} {whose} {code}"


def codes_in(photo: Photo) -> tuple[Code, ...]:
    """Every code of ours, or like one of ours, each once; the reduced photo first."""
    for full in (False, True):
        picture = photo.full() if full else photo.small
        found = tuple(dict.fromkeys(_read(picture)))
        if found:
            return found
    return ()


def _read(picture: Rgb) -> Iterator[Code]:
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
    for detect in (_qr, _bars):
        for text in detect(grey):
            if (code := _ours(text)) is not None:
                yield code


def _qr(grey: Rgb) -> list[str]:
    return _texts(cv2.QRCodeDetector().detectAndDecodeMulti, grey)


def _bars(grey: Rgb) -> list[str]:
    return _texts(cv2.barcode.BarcodeDetector().detectAndDecodeMulti, grey)


def _texts(detect: Callable[[Rgb], Any], grey: Rgb) -> list[str]:
    try:
        found, texts, *_ = detect(grey)
    except cv2.error:  # a pattern that looks like a code and is none
        return []
    return [text for text in texts if text] if found else []


def _ours(text: str) -> Code | None:
    """The code, where it is one of ours or looks like one."""
    words = text.strip().split(" ")
    whose: Whose | None = None
    if len(words) == 3 and words[0] == OURS and words[1] in ("patient", "machine"):
        whose = "patient" if words[1] == "patient" else "machine"
        words = words[2:]
    if len(words) != 1 or not LIKE_A_CODE.fullmatch(words[0]) or len(words[0]) > LONGEST:
        return None
    return Code(words[0].upper(), whose)
