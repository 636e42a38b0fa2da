"""What a visit is made of: photos of one leg and machine, each with its setting."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from knee_angle.errors import InvalidInput
from knee_angle.language import figure, joined, say
from knee_angle.records import MACHINE_POINTS, Angle, Frame, LegInView, NotMeasured

__all__ = [
    "ALONE",
    "Shot",
    "VisitPhoto",
    "by_leg",
    "flat",
    "in_order",
    "nothing_common",
    "open_distance",
    "refused",
    "without_bars",
    "without_guessed_bars",
]

OPEN_DISTANCE = 0.4
"""Relative ± of a distance that is left open."""
SIZE_KNOWN = 0.08
"""A distance by dots of known size is surer than this, one by the leg's size is not."""


@dataclass(frozen=True, slots=True)
class Shot:
    """One photo of a visit as it was taken.

    Parameters
    ----------
    name : str
        The photo's name, once in a visit.
    setting : str
        The place at which the machine was paused; photos of one setting are repeats.
    displayed_deg : float or None
        The machine's number, degrees of flexion.
    adjusted : int
        How often the machine's sections had been moved in this visit before the photo.
    """

    name: str
    setting: str
    displayed_deg: float | None = None
    adjusted: int = 0

    @property
    def place(self) -> str:
        """The setting's name: after adjusting the same word means another setting."""
        if self.adjusted == 0:
            return self.setting
        if self.adjusted == 1:
            return say("{setting} (adjusted)", setting=self.setting)
        return say("{setting} (adjusted {times} times)", setting=self.setting, times=self.adjusted)


@dataclass(frozen=True, slots=True)
class VisitPhoto:
    """One photo of a visit.

    Parameters
    ----------
    name : str
        The photo's name, once in a visit.
    setting : str
        The place at which the machine was paused; photos of one setting are repeats.
    leg : LegInView
        Points, camera and view, as measured.
    displayed_deg : float or None
        The machine's number at that setting, degrees of flexion. It is handed on and never
        used to estimate knee or bars.
    marks : str
        Which set of dots the leg carries: photos with the same word show the same dots, so
        that dots that were stuck anew within a visit get another word.
    adjusted : int
        How often the machine's sections had been moved in this visit. The leg and its marks
        stay the same; the machine has another geometry, and a setting is of one geometry.
    own : tuple of (Angle, Frame or None), or None
        Knee and bars as this photo alone gave them: a visit of it alone says just that, so
        that nothing falls on two sides of a limit by two runs of trials.
    """

    name: str
    setting: str
    leg: LegInView
    displayed_deg: float | None = None
    marks: str = "1"
    adjusted: int = 0
    own: tuple[Angle, Frame | None] | None = None


def without_guessed_bars(leg: LegInView) -> LegInView:
    """The leg without machine points that a network alone saw: they prove nothing.

    Behind a covered hinge they read 9 to 22 degrees too bent, all the same way (seen on
    rendered photos), so neither their stated ± nor independence can be relied on.
    """
    kept = {
        name: point
        for name, point in leg.points.items()
        if name not in MACHINE_POINTS or point.source not in ("network", "pose")
    }
    if not leg.lens.trusted:  # nothing of a picture that may be stretched proves anything
        return without_bars(leg)
    if any(name not in kept for name in MACHINE_POINTS):  # bars are seen whole or not at all
        return replace(without_bars(leg), bar_tags=leg.bar_tags)
    return replace(leg, points=kept)


def without_bars(leg: LegInView) -> LegInView:
    """The leg alone: nothing of the machine, neither points nor tags."""
    kept = {name: point for name, point in leg.points.items() if name not in MACHINE_POINTS}
    return replace(leg, points=kept, bar_tags=None)


def in_order(photos: Sequence[VisitPhoto]) -> tuple[VisitPhoto, ...]:
    """The photos by setting and name, so that the order given does not matter.

    Raises
    ------
    InvalidInput
        Where a name comes twice.
    """
    twice = [name for name, count in Counter(p.name for p in photos).items() if count > 1]
    if twice:
        raise InvalidInput(
            say(
                "each photo of a visit needs a name of its own, but {twice} came more than "
                "once: give it once, or rename one",
                twice=", ".join(sorted(twice)),
            )
        )
    return tuple(sorted(photos, key=lambda photo: (photo.setting, photo.name)))


def refused(photos: Sequence[VisitPhoto]) -> NotMeasured | None:
    """Why these photos are no visit, or None."""
    if not photos:
        return NotMeasured(
            say("a visit needs at least one photo in which the leg was measured"),
            say("photograph the leg again, as the advice for each photo says"),
        )
    sides = {
        side: [photo.name for photo in photos if photo.leg.side == side]
        for side in ("left", "right")
    }
    if all(sides.values()):
        return NotMeasured(
            say(
                "a visit is of one leg, but the left leg is in {left} and the right one in {right}",
                left=", ".join(sides["left"]),
                right=", ".join(sides["right"]),
            ),
            say("give the photos of each leg as a visit of its own"),
        )
    geometries = {(photo.setting, photo.adjusted) for photo in photos}
    mixed = [name for name, count in Counter(name for name, _ in geometries).items() if count > 1]
    if mixed:
        return NotMeasured(
            say(
                "setting {mixed} has photos from before and after adjusting the machine",
                mixed=min(mixed),
            ),
            say("give what was photographed after adjusting a setting of its own"),
        )
    displays: dict[str, set[float]] = {}
    for photo in photos:
        if photo.displayed_deg is not None:
            displays.setdefault(photo.setting, set()).add(photo.displayed_deg)
    for setting, numbers in displays.items():
        if len(numbers) > 1:
            said = joined(say(" and "), [figure(f"{number:g}") for number in sorted(numbers)])
            return NotMeasured(
                say(
                    "photos of one setting share one displayed number, but setting {setting} "
                    "has {said}",
                    setting=setting,
                    said=said,
                ),
                say("give photos taken at another displayed number a setting of their own"),
            )
    return None


def open_distance(photos: Sequence[VisitPhoto]) -> tuple[VisitPhoto, ...]:
    """The photos with every distance left open that only the leg's own size gave."""
    return tuple(
        replace(
            photo,
            leg=replace(
                photo.leg,
                view=replace(
                    photo.leg.view, u_distance_mm=OPEN_DISTANCE * photo.leg.view.knee_distance_mm
                ),
            ),
        )
        if len(photos) > 1 and by_leg(photo.leg) and not flat(photo.leg)
        else photo
        for photo in photos
    )


def flat(leg: LegInView) -> bool:
    """Whether nobody saw from where it was photographed: such a photo is compared with no other.

    Its direction is only believed. Seen 45 degrees off square, what it has in common with
    others turned it half-way to the truth, and three such photos held 61 % of their knees.
    """
    return leg.view.plane == "image"


def by_leg(leg: LegInView) -> bool:
    """Whether the size of the leg itself gave its distance."""
    view = leg.view
    u_relative = view.u_distance_mm / view.knee_distance_mm
    return view.plane != "tag" and leg.thigh_mm is None and u_relative > SIZE_KNOWN


ALONE = NotMeasured(
    say("the points of this photo are none of a leg in a machine together"),
    say("check hip, knee and ankle and the machine's points, then photograph again"),
)


def nothing_common(said: str) -> NotMeasured:
    """The refusal of photos that no leg and machine explain together."""
    return NotMeasured(
        say("no common leg and machine explain these photos together: {said}", said=said),
        say(
            "look at the points of each photo, check that all show one leg at one "
            "visit and that each stands at its own setting; else judge them one by one"
        ),
    )
