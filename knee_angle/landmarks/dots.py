"""Finds adhesive dots on leg and machine and says which is which.

::

    picture -> patches -> pigments -> named dots -> centres in the full-size photo
               dot_candidates  dot_assignment       dot_centres

The dots may have any colour, black and white included; they only have to be alike.
Where the patches found do not make one leg beyond doubt, the answer is
``NotMeasured``: a wrong leg is worse than none.

A witness (the leg network) settles what geometry leaves open. It is asked only where the
dots alone refuse, or answer less than surely (`_sure`): then hip, knee and ankle must lie
where it sees them, within its ellipses (99 %) widened by `DOTS_BESIDE_SEGMENTS`. So buttons,
screws and other discs of the dots' colour drop out. It says only which dot is which: the
centres are the same with and without it.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from knee_angle.assumptions import (
    DOTS_BESIDE_SEGMENTS,
    DOTS_CONVINCING,
    DOTS_ENOUGH,
    DOTS_ENOUGH_ALONE,
    DOTS_ENOUGH_EXPECTED,
    DOTS_HOPELESS,
    DOTS_MARGIN,
    DOTS_MARGIN_EXPECTED,
    DOTS_MARGIN_INCOMPLETE,
    DOTS_OTHER_ANGLE_DEG,
    DOTS_SPARE_EXPECTED,
    DOTS_SPARE_MARGIN,
    DOTS_SPARE_MOST,
    DOTS_SURE,
    DOTS_SURE_SIDE_DEG,
)
from knee_angle.landmarks.base import Quad, Witness
from knee_angle.landmarks.dot_assignment import (
    Assignment,
    Expected,
    assign,
    near_any,
    pigments,
    quality,
)
from knee_angle.landmarks.dot_candidates import (
    SAME_PIGMENT2,
    Candidates,
    colour_distance2,
    company_of,
    examine,
    patches_of_colour,
    propose,
)
from knee_angle.landmarks.dot_centres import Seen, centre
from knee_angle.photo.reading import Photo
from knee_angle.records import (
    LEG_POINTS,
    MACHINE_POINTS,
    Landmark,
    Landmarks,
    NotMeasured,
    PointName,
    Side,
    Source,
)

__all__ = ["DotDetector"]

Floats = NDArray[np.float64]
Box = tuple[int, int, int, int]

MOST_PIGMENTS = 2
"""Colours followed up; the right one is nearly always the first."""
WORST_QUALITY = -2.5
"""A patch worse than this is not looked at without a pigment that vouches for it."""

_NO_DOTS = NotMeasured(
    "No set of dots that makes a leg was found.",
    "Put one dot each, all of one strong colour, on hip, knee and ankle (and on the machine's "
    "bars and hinge), or place the points by hand.",
)
_AMBIGUOUS = NotMeasured(
    "The dots can be read as more than one leg.",
    "Use one colour of dot that occurs nowhere else in the picture, remove dots that are not "
    "needed, or place the points by hand.",
)
_OTHER_LEG = NotMeasured(
    "The dots can be read as a leg, but not where the leg is seen.",
    "Remove dots and buttons of the same colour that are not needed, or place the points by hand.",
)
_NOT_ALL = NotMeasured(
    "A dot of the leg seems to be hidden or missing.",
    "Photograph so that the dots on hip, knee and ankle are all seen, or place the points by hand.",
)


@dataclass(frozen=True, slots=True)
class _Reading:
    """One assignment and the patches that its numbers mean."""

    named: Assignment
    found: Candidates


class DotDetector:
    """Landmarks from round adhesive dots of one colour.

    Hip, knee and ankle must be found, machine points are given where seen. The same
    photo always gives the same answer.
    """

    source: Source = "dot"

    def find(self, photo: Photo, *, masked: tuple[Quad, ...] = ()) -> Landmarks | NotMeasured:
        """The dots in full-size pixels of the upright photo.

        Parameters
        ----------
        photo : Photo
            The upright photo.
        masked : tuple of Quad
            Regions without dots (printed tags), full-size pixels.

        Returns
        -------
        Landmarks or NotMeasured
            ``NotMeasured`` where the dots do not make one leg beyond doubt.
        """
        return _decided(photo, _readings(_Picture.of(photo, masked)))

    def find_with(
        self, photo: Photo, *, witness: Witness, masked: tuple[Quad, ...] = ()
    ) -> Landmarks | NotMeasured:
        """As `find`; a witness says which dot is which where the dots alone do not.

        Parameters
        ----------
        photo : Photo
            The upright photo.
        witness : Witness
            Asked only where the dots are not sure. What it does not see changes nothing;
            where its leg and that of the dots differ, the answer is ``NotMeasured``.
        masked : tuple of Quad
            Regions without dots (printed tags), full-size pixels.
        """
        picture = _Picture.of(photo, masked)
        readings = _readings(picture)
        alone = _decided(photo, readings)
        if isinstance(alone, Landmarks) and _sure(readings[0].named):
            return alone
        seen = _seen(photo, witness, alone, masked)
        if seen is None:
            return alone
        there = _expected_readings(picture, _expected(photo, seen), readings)
        settled = _settled(there)
        if settled is not None:
            return _landmarks(photo, settled)
        if isinstance(alone, NotMeasured):
            return alone
        return _AMBIGUOUS if there else _OTHER_LEG


@dataclass(frozen=True, slots=True)
class _Picture:
    """A photo with the patches in it that may be dots, before any colour is chosen.

    ``quads`` (k, 4, 2) are regions without dots, in px of the reduced photo. ``searched``
    keeps what `of_colour` found: two pigments often lead to the same leg.
    """

    photo: Photo
    quads: Floats
    found: Candidates
    searched: dict[tuple[bytes, float, Box], tuple[Floats, Floats]] = field(default_factory=dict)

    @classmethod
    def of(cls, photo: Photo, masked: tuple[Quad, ...]) -> _Picture:
        """Look for patches in a photo."""
        quads = np.asarray(masked, dtype=float).reshape(-1, 4, 2)
        quads = quads / np.array([photo.scale_x, photo.scale_y])
        proposed = propose(photo.small)
        found = examine(photo.small, proposed.xy, proposed.radius)
        found = found.take((quality(found) > WORST_QUALITY) & ~_inside(found.xy, quads))
        return cls(photo, quads, found)

    def of_colour(self, members: Floats, radius: float, box: Box) -> tuple[Floats, Floats]:
        """`patches_of_colour`, searched for once."""
        asked = (members.tobytes(), radius, box)
        if asked not in self.searched:
            self.searched[asked] = patches_of_colour(self.photo.small, members, radius, box)
        return self.searched[asked]


def _decided(photo: Photo, readings: list[_Reading]) -> Landmarks | NotMeasured:
    """What the dots alone say."""
    readings = [r for r in readings if r.named.score > _least_score(r)]
    certain = [reading for reading in readings if not reading.named.doubtful]
    if not readings:
        return _NO_DOTS
    if not certain:
        return _NOT_ALL
    best = certain[0]
    if readings[0].named.score > best.named.score:
        return _NOT_ALL
    if any(_rivals(best.named, other.named) for other in readings):
        return _AMBIGUOUS
    return _landmarks(photo, best)


def _seen(
    photo: Photo, witness: Witness, alone: Landmarks | NotMeasured, masked: tuple[Quad, ...]
) -> Landmarks | None:
    """The witness's leg: by a quick look where the dots show one, else by a full search."""
    quick = witness.near(photo, alone) if isinstance(alone, Landmarks) else None
    if quick is not None:
        return quick
    found = witness.find(photo, masked=masked)
    return found if isinstance(found, Landmarks) else None


def _sure(best: Assignment) -> bool:
    """Whether the best reading needs no witness."""
    complete = len(best.index) == len(LEG_POINTS) + len(MACHINE_POINTS)
    return complete and best.rare and best.score > DOTS_SURE + DOTS_SPARE_EXPECTED * best.spare


def _expected(photo: Photo, seen: Landmarks) -> Expected:
    """Where a witness expects the dots of the leg, px of the reduced photo."""
    scale = np.array([photo.scale_x, photo.scale_y])
    marks = [seen.points[name] for name in LEG_POINTS]
    xy = np.array([[p.x_px, p.y_px] for p in marks]) / scale
    cov = np.array([[p.cov_px2[:2], p.cov_px2[1:]] for p in marks]) / np.outer(scale, scale)
    segment = float(np.linalg.norm(np.diff(xy, axis=0), axis=1).mean())
    return Expected(xy, cov + np.eye(2) * (DOTS_BESIDE_SEGMENTS * segment) ** 2)


def _settled(readings: list[_Reading]) -> _Reading | None:
    """The one reading that a witness leaves beyond doubt, if any."""
    if not readings:
        return None
    best = readings[0]
    named = best.named
    spare = DOTS_SPARE_EXPECTED * min(named.spare, DOTS_SPARE_MOST + 1)
    if named.doubtful or named.clean < 2 or named.score < DOTS_ENOUGH_EXPECTED + spare:
        return None
    for other in (reading.named for reading in readings[1:]):
        close = other.score > named.score - DOTS_MARGIN_EXPECTED and not other.doubtful
        if close and abs(other.flexion_deg - named.flexion_deg) > DOTS_OTHER_ANGLE_DEG:
            return None
    return best


def _readings(picture: _Picture, expected: Expected | None = None) -> list[_Reading]:
    """All readings of all pigments, the best first; only expected ones where asked."""
    found = picture.found
    near = found if expected is None else found.take(near_any(found, expected))
    readings: list[_Reading] = []
    for colour in pigments(near, MOST_PIGMENTS):
        alike = found.take(colour_distance2(found.lab, colour) < SAME_PIGMENT2)
        alike = replace(alike, company=company_of(alike, found))
        first = assign(alike, expected)
        if not first or (expected is None and _hopeless(first[0])):
            continue
        more = _half_seen(picture, alike, first[0])
        patches = alike.joined(replace(more, company=company_of(more, found)))
        readings += [_Reading(named, patches) for named in assign(patches, expected)]
        best = max(readings, key=lambda reading: reading.named.score)
        if best.named.score > DOTS_CONVINCING and len(best.named.index) >= 5:
            break
    return _best_first(readings)


def _expected_readings(
    picture: _Picture, expected: Expected, alone: list[_Reading]
) -> list[_Reading]:
    """Readings where a witness expects them, of its own pigments and of those known alone."""
    known = {id(reading.found): reading.found for reading in alone}.values()
    again = [_Reading(named, found) for found in known for named in assign(found, expected)]
    return _best_first(again + _readings(picture, expected))


def _best_first(readings: list[_Reading]) -> list[_Reading]:
    return sorted(readings, key=lambda reading: -reading.named.score)


def _hopeless(first: Assignment) -> bool:
    """Whether looking for half seen dots of this pigment is in vain."""
    return first.score < DOTS_HOPELESS and not first.rare


def _half_seen(picture: _Picture, alike: Candidates, first: Assignment) -> Candidates:
    """Patches of the pigment that were not found by their outline."""
    members = np.array(sorted(set(first.index.values())))
    low, high = alike.xy[members].min(axis=0), alike.xy[members].max(axis=0)
    margin = 0.6 * float((high - low).max())  # the part of a leg that the first look may lack
    small = picture.photo.small
    height, width = small.shape[:2]
    box = (
        int(max(low[0] - margin, 0)),
        int(max(low[1] - margin, 0)),
        int(min(high[0] + margin + 1, width)),
        int(min(high[1] + margin + 1, height)),
    )
    radius = float(np.percentile(alike.radius[members], 75))
    xy, size = picture.of_colour(alike.lab[members], radius, box)
    gap = np.linalg.norm(xy[:, None] - alike.xy[None], axis=2)
    new = (gap > 0.6 * alike.radius[None]).all(axis=1) & ~_inside(xy, picture.quads)
    return examine(small, xy[new], size[new], trusted=True)


def _inside(xy: Floats, quads: Floats) -> NDArray[np.bool_]:
    """Which points lie in one of the quads, shape (k, 4, 2)."""
    if len(quads) == 0:
        return np.zeros(len(xy), dtype=bool)
    edge = np.roll(quads, -1, axis=1) - quads
    off = xy[:, None, None] - quads[None]
    turn = edge[None, ..., 0] * off[..., 1] - edge[None, ..., 1] * off[..., 0]
    within = np.all(turn > 0, axis=2) | np.all(turn < 0, axis=2)
    return np.asarray(np.any(within, axis=1))


def _least_score(reading: _Reading) -> float:
    """From which score on a reading is beyond doubt a leg with dots."""
    named = reading.named
    if len(named.index) > len(LEG_POINTS):
        return DOTS_ENOUGH if named.clean >= 3 else np.inf
    return DOTS_ENOUGH_ALONE if named.rare and named.clean >= 2 else np.inf


def _rivals(best: Assignment, other: Assignment) -> bool:
    """Whether the other gives clearly another angle and is nearly as good."""
    complete = len(best.index) == len(LEG_POINTS) + len(MACHINE_POINTS)
    margin = DOTS_MARGIN if complete else DOTS_MARGIN_INCOMPLETE
    margin += DOTS_SPARE_MARGIN * min(best.spare, DOTS_SPARE_MOST)
    if other.doubtful:
        margin = 0.0 if complete else DOTS_MARGIN_INCOMPLETE
    close = other.score > best.score - margin
    return close and abs(other.flexion_deg - best.flexion_deg) > DOTS_OTHER_ANGLE_DEG


def _landmarks(photo: Photo, reading: _Reading) -> Landmarks:
    """Exact centres, side and size of a reading."""
    index, found = reading.named.index, reading.found
    scale = np.array([photo.scale_x, photo.scale_y])
    factor = float(scale.mean())
    on_machine = [index[name] for name in MACHINE_POINTS if name in index]
    stretch = np.hypot(*found.stretch.T)
    long, narrow = found.radius * (1.0 + stretch), found.radius * (1.0 - stretch)
    flat = on_machine or list(index.values())
    points: dict[PointName, Landmark] = {}
    sizes: list[float] = []
    for name, which in index.items():
        seen = Seen(
            xy=found.xy[which] * scale,
            radius=float(found.radius[which]) * factor,
            narrow_radius=float(narrow[which]) * factor,
            usual_radius=float(np.median(long[flat])) * factor,
            usual_narrow_radius=float(np.median(narrow[flat])) * factor,
            on_machine=name in MACHINE_POINTS,
            unit_px=factor,
        )
        mark = centre(photo, seen)
        points[name] = Landmark(*mark.xy, mark.cov_px2, "dot")
        if seen.on_machine or not on_machine:
            sizes.append(mark.radius)
    side, cautions = _side(points)
    return Landmarks(points, side, 2.0 * float(np.median(sizes)), cautions)


def _side(points: dict[PointName, Landmark]) -> tuple[Side, tuple[str, ...]]:
    """Left or right leg, photographed from its lateral side.

    A left leg bends so that hip, knee, ankle turn counter-clockwise in the picture
    (its foot lies left of its hip when the knee cap points up).
    """
    hip, knee, ankle = (np.array([points[n].x_px, points[n].y_px]) for n in LEG_POINTS)
    thigh, shank = knee - hip, ankle - knee
    cross = float(thigh[0] * shank[1] - thigh[1] * shank[0])
    dot = float(thigh @ shank)
    if np.degrees(np.arctan2(abs(cross), dot)) > DOTS_SURE_SIDE_DEG:
        return ("right" if cross > 0 else "left"), ()
    caution = "The knee is nearly straight: the side assumes that the photo is upright."
    return ("left" if ankle[0] < hip[0] else "right"), (caution,)
