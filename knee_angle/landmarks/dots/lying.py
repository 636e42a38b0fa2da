"""What each dot lies on, as a small network sees it: hip, knee, ankle, a bar, the hinge, or else.

It sees nothing but the surroundings of one patch, near and wide, not where the leg is: so what it
says comes on top of where the dots lie (`namings`).
"""

from __future__ import annotations

import hashlib
import json
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from knee_angle.errors import MissingModel
from knee_angle.language import say

if TYPE_CHECKING:
    import onnxruntime

__all__ = ["KINDS", "SCALES", "SIDE_PX", "crops", "exchanged", "lies_on", "lying_of"]

Floats = NDArray[np.float64]
Rgb = NDArray[np.uint8]

KINDS = 7
"""Hip, knee, ankle, thigh bar, hinge, shank bar, and none of these."""
SIDE_PX = 64
LOG_SHARES = np.log([0.037, 0.049, 0.045, 0.067, 0.061, 0.076, 0.665])
"""Shares that the kinds are held to have before a look, about those of the places in training: a
photo's own are not known."""
LOG_FLOOR, LEAST = np.log(0.005), -4.0
"""A network is never surer than this against anything (our own)."""
SCALES = (0.8, 1.0, 1.25)
"""Of sets in doubt three views are weighed, smaller and larger: its mistakes differ between them.
Of 300 photos that had failed 97 are then read, 20 falsely, with one view 99 and 23 (set there, at
the same weight among the cues)."""
NEAR_PX, WIDE_PX = 200.0, 53.0
"""Length of a mean segment in the near look and in the wide one: sides of 0.32 and 1.2 segments."""


def crops(
    picture: Rgb, xy: Floats, *, segment_px: float, mirrored: bool, side_px: int = SIDE_PX
) -> Rgb:
    """The surroundings of places, near and wide.

    Parameters
    ----------
    picture : ndarray of uint8, shape (height, width, 3)
        RGB.
    xy : ndarray, shape (n, 2)
        Places, px.
    segment_px : float
        Mean length of thigh and shank.
    mirrored : bool
        Whether the foot lies left of the hip: then both looks are mirrored.

    Returns
    -------
    ndarray of uint8, shape (n, 2, side_px, side_px, 3)
        The near look and the wide one, the place in the middle.
    """
    looks = np.zeros((len(xy), 2, side_px, side_px, 3), np.uint8)
    if len(xy) == 0:
        return looks
    scale = NEAR_PX / segment_px
    for look, place in zip(looks, xy, strict=True):
        part, corner = _about(picture, place[None], 0.5 * side_px / scale + 2.0)
        look[0] = _look(_scaled(part, scale), (place - corner) * scale, side_px)
    scale = WIDE_PX / segment_px
    part, corner = _about(picture, xy, 0.5 * side_px / scale + 2.0)
    whole = _scaled(part, scale)
    for look, place in zip(looks, xy, strict=True):
        look[1] = _look(whole, (place - corner) * scale, side_px)
    return np.ascontiguousarray(looks[:, :, :, ::-1]) if mirrored else looks


def _about(picture: Rgb, xy: Floats, reach: float) -> tuple[Rgb, Floats]:
    """The part of a picture about places (n, 2), and its top-left corner."""
    high, wide = picture.shape[:2]
    (left, top), (right, low) = (
        np.clip(np.round(ends), 0, (wide, high)).astype(int)
        for ends in (xy.min(axis=0) - reach, xy.max(axis=0) + reach)
    )
    return picture[top:low, left:right], np.array([left, top], dtype=float)


def _scaled(picture: Rgb, scale: float) -> Rgb:
    fold = int(1.0 / scale)
    if fold > 1 and min(picture.shape[:2]) > fold:
        # By whole pixels first: looks about six dots take half as long.
        wide, high = picture.shape[1] // fold, picture.shape[0] // fold
        whole = picture[: high * fold, : wide * fold]
        picture = np.asarray(cv2.resize(whole, (wide, high), interpolation=cv2.INTER_AREA))
        scale *= fold
    how = cv2.INTER_AREA if scale < 1.0 else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(picture, None, fx=scale, fy=scale, interpolation=how))


def _look(picture: Rgb, place: Floats, side_px: int) -> Rgb:
    """A square about a place; beyond the picture its rim goes on."""
    at = (float(place[0]) - 0.5, float(place[1]) - 0.5)
    return np.asarray(cv2.getRectSubPix(picture, (side_px, side_px), at))


@cache
def _session() -> onnxruntime.InferenceSession:
    """The weights, checked against their card."""
    import onnxruntime

    folder = resources.files("knee_angle.landmarks") / "weights"
    message = say("the dots' network cannot be used: reinstall the package")
    try:
        card = json.loads((folder / "dots.json").read_text(encoding="utf-8"))
        weights = (folder / card["file"]).read_bytes()
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise MissingModel(message) from error
    if hashlib.sha256(weights).hexdigest() != card.get("sha256"):
        raise MissingModel(message)
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    options.log_severity_level = 3
    return onnxruntime.InferenceSession(weights, options, providers=["CPUExecutionProvider"])


def lies_on(*views: Rgb) -> Floats:
    """How much speaks for each dot of :func:`crops` lying on what each name says, (n, 6).

    Natural logarithm of its probability among the seven, each held equally possible before:
    0 is one in three, 1.1 is certain, `LEAST` is the least. Of several ``views`` of the same dots
    the mean of what the network says.
    """
    if len(views[0]) == 0:
        return np.zeros((0, KINDS - 1))
    answers = [_session().run(None, {"looks": looks})[0] for looks in views]
    mean = np.mean(np.asarray(answers, dtype=np.float64), axis=0)
    says = np.maximum(mean, LOG_FLOOR) - LOG_SHARES
    each = says - np.logaddexp.reduce(says, axis=1, keepdims=True) + np.log(3.0)
    return np.asarray(np.maximum(each[:, : KINDS - 1], LEAST))


def lying_of(
    picture: Rgb, xy: Floats, leg: Floats, *, scales: tuple[float, ...] = (1.0,)
) -> Floats:
    """:func:`lies_on` of places (n, 2) about a leg: hip, knee and ankle first, (3 or more, 2).

    ``scales``: how much larger each view shows it than the trained one.
    """
    segment = float(np.linalg.norm(np.diff(leg[:3], axis=0), axis=1).mean())
    mirrored = bool(leg[2, 0] < leg[0, 0])
    views = (crops(picture, xy, segment_px=segment / by, mirrored=mirrored) for by in scales)
    return lies_on(*views)


def exchanged(lies: Floats) -> float:
    """By how much two names exchanged suit what dots lie on better than the names they have.

    Negative where every exchange suits worse. ``lies`` (k, k): how much speaks for each of k dots
    lying on what each of their names says.
    """
    own = np.diagonal(lies)
    gain = lies + lies.T - own[:, None] - own
    return float(gain[np.triu_indices(len(own), 1)].max(initial=-np.inf))
