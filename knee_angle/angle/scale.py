"""Millimetres per pixel at the leg, where no tag gives the scale."""

from __future__ import annotations

import math

from knee_angle.assumptions import (
    DOT_MM,
    SEGMENT_SPREAD,
    SHANK_SHARE,
    STATURE_MM,
    THIGH_SHARE,
    U_DOT_RELATIVE,
    U_FORESHORTENING,
)
from knee_angle.language import joined, say
from knee_angle.records import Landmarks, PointName, Segments

__all__ = ["implausible", "mm_per_px", "usual_leg_mm"]

ODD_THIGH = say("thigh {value_mm:.0f} mm, about {usual_mm:.0f} mm would be usual")
ODD_LOWER_LEG = say("lower leg {value_mm:.0f} mm, about {usual_mm:.0f} mm would be usual")


def mm_per_px(
    landmarks: Landmarks, *, dot_mm: float | None, thigh_mm: float | None = None
) -> tuple[float, float]:
    """Scale at the leg and its relative standard uncertainty.

    Parameters
    ----------
    landmarks : Landmarks
        With hip, knee and ankle; ``diameter_px`` where dots were seen.
    dot_mm : float or None
        Diameter of the dots, where known.
    thigh_mm : float or None
        Length between hip and knee mark, where known.

    Returns
    -------
    (float, float)
        mm per full-size px, and u relative. From the dots when their size is given,
        else from the thigh's length, else from the leg's at an adult's stature, weighed
        with dots of unknown size.
    """
    if dot_mm is not None and landmarks.diameter_px is not None:
        return dot_mm / landmarks.diameter_px, U_DOT_RELATIVE
    if thigh_mm is not None:
        return thigh_mm / _segment_px(landmarks, "hip", "knee"), U_FORESHORTENING
    by_leg = _by_leg(landmarks)
    if landmarks.diameter_px is None:
        return by_leg
    by_dot = DOT_MM[0] / landmarks.diameter_px, math.hypot(DOT_MM[1] / DOT_MM[0], U_DOT_RELATIVE)
    weights = [1 / u**2 for _, u in (by_leg, by_dot)]
    total = sum(weights)
    value = sum(w * v for w, (v, _) in zip(weights, (by_leg, by_dot), strict=True)) / total
    return value, math.sqrt(1 / total)


def _segment_px(landmarks: Landmarks, one: PointName, other: PointName) -> float:
    a, b = landmarks.points[one], landmarks.points[other]
    return math.dist((a.x_px, a.y_px), (b.x_px, b.y_px))


def _by_leg(landmarks: Landmarks) -> tuple[float, float]:
    length_px = _segment_px(landmarks, "hip", "knee") + _segment_px(landmarks, "knee", "ankle")
    stature_mm, u_mm = STATURE_MM
    value = stature_mm * (THIGH_SHARE + SHANK_SHARE) / length_px
    return value, math.hypot(u_mm / stature_mm, U_FORESHORTENING)


def usual_leg_mm(stature_mm: float | None) -> tuple[float, float]:
    """Thigh and lower leg together, mm, and u relative: of this height, or of any adult."""
    usual_mm, u_mm = STATURE_MM if stature_mm is None else (stature_mm, 0.0)
    return usual_mm * (THIGH_SHARE + SHANK_SHARE), math.hypot(u_mm / usual_mm, SEGMENT_SPREAD)


def implausible(segments: Segments, *, stature_mm: float) -> str | None:
    """What is odd about the lengths for a person of this height, or None.

    Parameters
    ----------
    segments : Segments
        Measured lengths.
    stature_mm : float
        The person's height.

    Returns
    -------
    str or None
        A caution where a length is three standard deviations off Drillis and Contini's
        share of stature.
    """
    odd = []
    for odd_length, value, u, share in (
        (ODD_THIGH, segments.thigh_mm, segments.u_thigh_mm, THIGH_SHARE),
        (ODD_LOWER_LEG, segments.shank_mm, segments.u_shank_mm, SHANK_SHARE),
    ):
        expected = share * stature_mm
        if abs(value - expected) > 3 * math.hypot(u, SEGMENT_SPREAD * expected):
            odd.append(odd_length.format(value_mm=value, usual_mm=expected))
    if not odd:
        return None
    return say(
        "At this height the lengths are unusual ({odd}): check points and sizes.",
        odd=joined("; ", odd),
    )
