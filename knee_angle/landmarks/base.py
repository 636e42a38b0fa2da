"""What a landmark detector is: one question, one answer.

To add another one, see "How to add a landmark detector" in DEVELOPERS.md.
"""

from __future__ import annotations

from typing import Protocol, runtime_checkable

from knee_angle.photo.reading import Photo
from knee_angle.records import Direction, Landmarks, NotMeasured, Quad, Source

__all__ = ["Detector", "DirectionDetector", "Quad", "Witness", "WitnessedDetector"]


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
        """The sagittal plane's normal with its covariance; None where the leg is not seen.

        ``landmarks`` are those that were chosen, so that it knows where the leg is.
        """
        ...


@runtime_checkable
class Witness(Protocol):
    """A detector whose view of the leg can be asked for quickly, beside another's answer."""

    def near(self, photo: Photo, landmarks: Landmarks) -> Landmarks | None:
        """Hip, knee and ankle as one quick look shows them; None where it sees no leg.

        ``landmarks`` say about where the leg is; the look must not lean on more than that.
        """
        ...

    def find(self, photo: Photo, *, masked: tuple[Quad, ...] = ()) -> Landmarks | NotMeasured:
        """Its full answer; see :class:`Detector`."""
        ...


@runtime_checkable
class GlimpsingWitness(Protocol):
    """A witness that also tells what it hardly believes, for who can hold it against more."""

    def glimpse(self, photo: Photo, landmarks: Landmarks | None) -> Landmarks | None:
        """As ``near``, but for a leg that is hardly seen or oddly shaped too.

        Without ``landmarks`` it looks at the whole photo first.
        """
        ...


@runtime_checkable
class WitnessedDetector(Protocol):
    """A detector that may ask a witness where it is unsure of its own answer."""

    def find_with(
        self, photo: Photo, *, witness: Witness, masked: tuple[Quad, ...] = ()
    ) -> Landmarks | NotMeasured:
        """As :meth:`Detector.find`, settled by a witness where that is worth its time."""
        ...
