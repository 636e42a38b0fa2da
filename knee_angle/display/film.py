"""The display in one picture of a film after another: looked for where it was last."""

from __future__ import annotations

import numpy as np

from knee_angle.display.choose import chosen
from knee_angle.display.find import FoundLine, look_again
from knee_angle.display.networks import networks
from knee_angle.display.rectify import box_of
from knee_angle.display.seen import read_display, read_places
from knee_angle.display.told import clear_number
from knee_angle.photo.reading import Photo
from knee_angle.records import DisplaySeen
from knee_angle.records.shown import NumberSeen
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
        self._last: tuple[NumberSeen, ...] = ()

    def number_deg(self, photo: Photo) -> float | None:
        """The displayed number as degrees of flexion; None where it is not clearly read."""
        seen = self._where_it_was(photo)
        if seen is None or seen.state != "read":
            seen = read_display(photo, settings=self.settings)
        self._last = seen.numbers if seen.state == "read" else ()
        return clear_number(seen, self.settings)

    def _where_it_was(self, photo: Photo) -> DisplaySeen | None:
        """Every number that was seen, looked for where it stood."""
        if not self._last:
            return None
        nets = networks()
        lines = [FoundLine(box_of(np.array(one.quad)), 0.0) for one in self._last]
        again = [line for one in lines if (line := look_again(photo, one, nets)) is not None]
        if len(again) < len(lines):
            return None
        numbers = read_places(photo, again, nets)
        return chosen(numbers, accept=nets.accept, settings=self.settings)
