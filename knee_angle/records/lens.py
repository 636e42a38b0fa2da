"""The lens that a photo was taken through.

Conventions and units as in `knee_angle.records`, where it is imported from.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

__all__ = ["Lens"]


@dataclass(frozen=True, slots=True)
class Lens:
    """A pinhole camera without distortion, its principal point in or near the photo's centre.

    Parameters
    ----------
    width_px, height_px : int
        Size of the upright photo.
    focal_px : float
        Focal length, full-size pixels.
    u_relative : float
        Relative standard uncertainty of the focal length.
    source : {"exif", "prior"}
        Read from the photo, or a stated assumption about phones.
    u_aspect : float
        Relative standard uncertainty of a pixel's width against its height.
    trusted : bool
        Whether the picture is as a camera took it; where it is not, nothing is proven.
    off_centre_px : (float, float)
        Where the principal point lies, seen from the photo's centre.
    u_centre : float
        Standard uncertainty of that, per axis, as a share of the diagonal; beside that of every
        lens, only in a picture that may be cropped.
    """

    width_px: int
    height_px: int
    focal_px: float
    u_relative: float
    source: Literal["exif", "prior"]
    u_aspect: float = 0.0
    trusted: bool = True
    off_centre_px: tuple[float, float] = (0.0, 0.0)
    u_centre: float = 0.0

    @property
    def centre_px(self) -> tuple[float, float]:
        """The principal point."""
        x, y = self.off_centre_px
        return self.width_px / 2.0 + x, self.height_px / 2.0 + y

    @property
    def diagonal_px(self) -> float:
        """The photo's diagonal."""
        return math.hypot(self.width_px, self.height_px)

    def moved(self, log_focal: float, off_px: tuple[float, float]) -> Lens:
        """Another lens, longer by the natural logarithm, its principal point moved, full px."""
        (x, y), (more_x, more_y) = self.off_centre_px, off_px
        return replace(
            self,
            focal_px=self.focal_px * math.exp(log_focal),
            off_centre_px=(x + more_x, y + more_y),
        )
