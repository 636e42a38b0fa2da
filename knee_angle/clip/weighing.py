"""Dots and strip against the leg network, in a few looks of a clip (`landmarks.doubts`).

One look can be wrong where the network is; the middle of several is not. What most of them
leave of a doubt widens the ± of the whole clip, and is said once.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from knee_angle.angle import geometry
from knee_angle.clip.film import Film, lens_of_film
from knee_angle.landmarks.base import Detector
from knee_angle.landmarks.doubts import with_doubts
from knee_angle.landmarks.view import view_of
from knee_angle.photo import boards
from knee_angle.photo.as_taken import as_taken
from knee_angle.photo.reading import Photo
from knee_angle.photo.tags import Tag
from knee_angle.records import LEG_POINTS, MACHINE_POINTS, Landmarks, LegInView, PointName
from knee_angle.settings import Settings

__all__ = ["Weighed", "Weigher", "doubted_together", "weighed_together"]

LOOKS = 5
"""So many looks are weighed, every second one."""


@dataclass(frozen=True, slots=True)
class Weighed:
    """What one look leaves of doubts.

    Parameters
    ----------
    placement_mm : (float, float, float)
        ± of hip, knee and ankle mark.
    tilt_deg : float
        What is added to the direction's ±.
    dots, strip : tuple of (str, str), str
        What is said of each dot of the leg, and of the strip; empty where nothing.
    machine : tuple of str
        Dots of the machine that cannot be its own.
    """

    placement_mm: tuple[float, float, float]
    tilt_deg: float
    dots: tuple[tuple[str, str], ...]
    strip: str
    machine: tuple[PointName, ...] = ()


class Weigher:
    """Weighs looks as a film goes by."""

    def __init__(
        self, film: Film, detectors: Sequence[Detector], settings: Settings, f35_mm: float | None
    ) -> None:
        self._film, self._detectors = film, detectors
        self._settings, self._f35_mm = settings, f35_mm
        self._asked = 0

    def weigh(self, photo: Photo, found: Landmarks, tags: tuple[Tag, ...]) -> Weighed | None:
        """Weigh one look; None where it is not asked."""
        self._asked += 1
        if self._asked % 2 == 0 or self._asked > 2 * LOOKS:
            return None
        settings = self._settings
        lens = lens_of_film(
            self._film, width_px=photo.width, height_px=photo.height, f35_mm=self._f35_mm
        )
        printed = boards.boards_of(tags, lens, found, settings)
        view, _ = view_of(photo, found, lens, printed, self._detectors, settings)
        leg = LegInView(found.points, found.side or "left", lens, view, settings.placed_mm)
        doubted, said = with_doubts(photo, found, leg, self._detectors)
        told = [one for one in said if one not in as_taken(photo).cautions]
        told = told[: len(told) - len(doubted.doubted)]
        wider = [
            name
            for name, now, usual in zip(
                LEG_POINTS, doubted.placement_mm, settings.placed_mm, strict=True
            )
            if now > usual
        ]
        of_dots = told[len(told) - len(wider) :] if wider else []
        of_strip = told[: len(told) - len(wider)]
        before, after = (np.array(v.tilt_cov_deg2)[[0, 2]] for v in (view, doubted.view))
        # A clip's direction stays the strip's, so what was drawn away of it is doubt as well.
        drawn_deg = float(
            geometry.tilt_between_deg(np.array(view.normal), np.array(doubted.view.normal))
        )
        return Weighed(
            placement_mm=doubted.placement_mm,
            tilt_deg=math.sqrt(max(0.0, float(np.mean(after - before)) + 0.5 * drawn_deg**2)),
            dots=tuple(zip(wider, of_dots, strict=True)),
            strip=of_strip[0] if of_strip else "",
            machine=doubted.doubted,
        )


def weighed_together(
    looks: Sequence[Weighed], settings: Settings
) -> tuple[tuple[float, float, float], float, tuple[str, ...]]:
    """Placement and added direction ± of the whole clip, and what most looks say.

    Parameters
    ----------
    looks : sequence of Weighed
        Those that were weighed.
    settings : Settings
        With the marks' usual placement.
    """
    if not looks:
        return settings.placed_mm, 0.0, ()
    hip, knee, ankle = (float(v) for v in np.median([one.placement_mm for one in looks], axis=0))
    told = []
    for name in LEG_POINTS:
        said = [sentence for one in looks for point, sentence in one.dots if point == name]
        told += said[len(said) // 2 :][:1] if 2 * len(said) > len(looks) else []
    slanted = [one.strip for one in looks if one.strip]
    if 2 * len(slanted) > len(looks):
        told.append(slanted[len(slanted) // 2])
    tilt = float(np.median([one.tilt_deg for one in looks]))
    return (hip, knee, ankle), tilt, tuple(told)


def doubted_together(looks: Sequence[Weighed]) -> tuple[PointName, ...]:
    """Dots of the machine that cannot be its own, as most looks say.

    Parameters
    ----------
    looks : sequence of Weighed
        Those that were weighed.
    """
    counts = {name: sum(name in one.machine for one in looks) for name in MACHINE_POINTS}
    return tuple(name for name, count in counts.items() if 2 * count > len(looks))
