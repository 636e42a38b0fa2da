"""Which leg it is, and so which way flexion counts.

The leg is photographed from its own outer (lateral) side. A knee that is clearly
bent tells its side by the way it bends. A nearly straight one is taken as lying
knee cap up in the upright photo.
"""

from __future__ import annotations

from knee_angle.angle import geometry
from knee_angle.assumptions import (
    CLEARLY_BENT_DEG,
)
from knee_angle.records import Landmarks, Side

__all__ = ["side_of"]


def side_of(landmarks: Landmarks) -> Side:
    """The leg in the picture.

    Parameters
    ----------
    landmarks : Landmarks
        With hip, knee and ankle.

    Returns
    -------
    {"left", "right"}
        By the bend where the knee is clearly bent, else what the detector says,
        else from which end the foot lies with the knee cap up.
    """
    hip, knee, ankle = (
        (landmarks.points[n].x_px, landmarks.points[n].y_px) for n in ("hip", "knee", "ankle")
    )
    as_left = float(geometry.signed_flexion_deg(hip, knee, ankle, side="left"))
    if abs(as_left) > CLEARLY_BENT_DEG:
        return "left" if as_left > 0 else "right"
    if landmarks.side is not None:
        return landmarks.side
    return "left" if ankle[0] < hip[0] else "right"
