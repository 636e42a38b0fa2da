"""What stands beside a result: bars seen without a leg, and the picture that is kept."""

from __future__ import annotations

from dataclasses import dataclass, field

__all__ = ["BarsAlone", "CropJpeg"]


@dataclass(frozen=True, slots=True)
class BarsAlone:
    """The bars of a machine without a leg, by the tags or the dots on them.

    Parameters
    ----------
    deg, u_deg : float
        Flexion between tags or dots, and its u but for how they are stuck.
    bend : {1.0, -1.0}
        1 where more flexion turns the lower-leg tag clockwise in the picture.
    motion : (float, float, float) or None
        The lower-leg tag in the thigh tag's axes: turn in degrees, middle in mm. None by dots.
    motion_cov : tuple of 3 tuples, or None
        Its covariance; deg², deg mm, mm².
    displayed_deg : float or None
        The machine's number.
    shared_deg : float
        By dots: what all photos of one machine share of the error, as they are stuck.
    camera_seen : bool
        Whether the camera's direction was seen, through a lens that is known; where it was
        not, nothing is proven.
    cautions : tuple of str
        How the picture is not as a camera took it, and what to do.
    seen_px : tuple of (float, float)
        Where they were seen in the upright photo, full-size px: the dots of thigh bar, hinge
        and lower-leg bar, or four corners of the thigh's tag and then of the lower leg's.
    """

    deg: float
    u_deg: float
    bend: float
    motion: tuple[float, float, float] | None
    motion_cov: tuple[tuple[float, ...], ...] | None
    displayed_deg: float | None = None
    shared_deg: float = 0.0
    camera_seen: bool = True
    cautions: tuple[str, ...] = ()
    seen_px: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class CropJpeg:
    """A photo to keep: JPEG without metadata, cropped to leg and machine.

    Parameters
    ----------
    jpeg : bytes
        The picture; refused by the store where it carries EXIF or another such block.
    left_px, top_px : float
        Its top left corner in the upright photo, full-size px.
    px_per_px : float
        Full-size px per px of the picture.
    """

    jpeg: bytes = field(repr=False)
    left_px: float
    top_px: float
    px_per_px: float
