"""The display in one picture of a film after another: looked for where it was last."""

from __future__ import annotations

import numpy as np

from knee_angle.photo.display.choose import chosen
from knee_angle.photo.display.find import lines_near
from knee_angle.photo.display.networks import networks
from knee_angle.photo.display.rectify import box_of
from knee_angle.photo.display.seen import read_display, read_places
from knee_angle.photo.display.told import clear_number
from knee_angle.photo.reading import Photo
from knee_angle.records import Displayed
from knee_angle.records.shown import DisplaySeen, NumberSeen
from knee_angle.settings import Settings

__all__ = ["DisplayReader"]


class DisplayReader:
    """Reads the display in the pictures of a film.

    The whole picture is searched only where no number is clearly read at the last place.

    Parameters
    ----------
    settings : Settings
        How the display counts, and whether the prior is used.
    """

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self._last: NumberSeen | None = None

    def displayed(self, photo: Photo) -> Displayed | None:
        """The displayed number as flexion; None where it is not clearly read."""
        seen = None if self._last is None else self._where_it_was(photo, self._last)
        if seen is None or seen.state != "read":
            seen = read_display(photo, settings=self.settings)
        self._last = seen.angle if seen.state == "read" else None
        number = clear_number(seen, self.settings)
        if number is None or seen.angle is None:
            return None
        return Displayed(number, "read", seen.angle.probability)

    def _where_it_was(self, photo: Photo, last: NumberSeen) -> DisplaySeen:
        """What is read around the place where the number stood."""
        nets = networks()
        numbers = read_places(photo, lines_near(photo, box_of(np.array(last.quad)), nets), nets)
        return chosen(numbers, accept=nets.accept, settings=self.settings)
