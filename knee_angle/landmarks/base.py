"""What a landmark detector is: one question, one answer.

To add another one, see "How to add a landmark detector" in DEVELOPERS.md.
"""

from __future__ import annotations

from typing import Protocol, runtime_checkable

from knee_angle.photo import Photo
from knee_angle.records import Direction, Landmarks, NotMeasured, Quad, Source

__all__ = ["Detector", "DirectionDetector", "Quad"]


class Detector(Protocol):
    """Finds leg (and machine) points in one photo.

    The same photo always gives the same answer. Whether the answer makes a leg is
    the detector's own judgement: where it does not, it returns ``NotMeasured``.
    """

    @property
    def source(self) -> Source:
        """What its points are called in a result."""
        ...

    def find(self, photo: Photo, *, masked: tuple[Quad, ...] = ()) -> Landmarks | NotMeasured:
        """The points in full-size pixels of the upright photo.

        Parameters
        ----------
        photo : Photo
            The upright photo, with a reduced copy and windows of full size.
        masked : tuple of Quad
            Regions that are known to be something else (printed tags).
        """
        ...


@runtime_checkable
class DirectionDetector(Protocol):
    """A detector that also estimates how the camera stands to the leg.

    It is asked where no printed tags show it.
    """

    def direction(self, photo: Photo, landmarks: Landmarks) -> Direction | None:
        """The sagittal plane's normal with its covariance; None where it is unsure.

        ``landmarks`` are those that were chosen, so that it knows where the leg is.
        """
        ...
