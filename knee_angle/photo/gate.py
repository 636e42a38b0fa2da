"""The gate before any measurement: a picture whose angles can be measured, or why not."""

from __future__ import annotations

from knee_angle.language import say
from knee_angle.photo import camera
from knee_angle.photo.as_taken import not_as_taken
from knee_angle.photo.lens_seen import seen_through
from knee_angle.photo.reading import Photo
from knee_angle.photo.tags import Tag
from knee_angle.records import Lens, NotMeasured

__all__ = ["lens_through"]

MIRRORED = NotMeasured(
    say(
        "the picture is mirrored (its printed tags read in a mirror), so left and "
        "right are exchanged"
    ),
    say(
        "use the camera at the back of the phone, or turn off the mirroring of the "
        "front one, and photograph again"
    ),
)


def lens_through(photo: Photo, tags: tuple[Tag, ...], *, tag_mm: float) -> Lens | NotMeasured:
    """The lens that the picture was taken through, or why its angles cannot be measured.

    Parameters
    ----------
    photo : Photo
        The photo.
    tags : tuple of Tag
        Printed tags that were seen in it.
    tag_mm : float
        Edge of a tag of the strip, mm.
    """
    refused = not_as_taken(photo)
    if refused is None and any(tag.mirrored for tag in tags):
        refused = MIRRORED
    return refused or seen_through(tags, camera.lens_of(photo), tag_mm=tag_mm)
