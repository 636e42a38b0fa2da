"""What must come out the same in several photos of a visit.

A row is one quantity of one photo: a length of the leg, the knee, the bars' angle by points
or by tags, the hinge, the gap between the two places at which the bars' tags put it.

* Thigh and lower leg are as long in every photo.
* Photos of one setting share knee, bars and hinge, whatever showed them.
* The bars' tags put the hinge at one place, in every photo (of at least two).

* A photo whose direction nobody saw (plane ``image``) is compared with no other: what is only
  believed of its view is not to turn them, nor they it. It keeps its own interval.

* Where the size of the leg itself gave the distance (no tag, no tape, no dots of known size)
  the photos' mean thigh and lower leg are those of an adult, within `LENGTHS`. Each photo's
  distance is then left open (`photos.open_distance`): one seen obliquely looks short, hence far.

Each of these is a `Group` of rows: they differ from their mean by no more than how still they
are, and where the mean itself is known it is a `Known`. No photo counts more than another, and
their order does not matter.
One photo alone has nothing to compare, and stays as it is.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from knee_angle import assumptions
from knee_angle.angle import uncertainty
from knee_angle.angle.uncertainty import Drawn
from knee_angle.assumptions import SHANK_SHARE, THIGH_SHARE
from knee_angle.visit.photos import VisitPhoto, by_leg, flat
from knee_angle.visit.sharing import Inputs

__all__ = ["LENGTHS", "STILL", "Row", "System", "system_of"]

Floats = NDArray[np.float64]

STILL = {
    "thigh": 0.003,
    "shank": 0.003,
    "knee": 0.2,
    "frame": 0.2,
    "distal": 1.0,
    "anterior": 1.0,
    "gap x": 0.5,
    "gap y": 0.5,
}
"""How far what is the same may differ from photo to photo: lengths relative (1.3 mm of a
thigh: skin), degrees and mm (a paused machine, breathing, soft slings); our own figures."""

LENGTHS = {
    "thigh": (THIGH_SHARE, 0.09),
    "shank": (SHANK_SHARE, 0.09),
}
"""Share of the mean stature (`scale`), and relative ±: stature 5.6 % and 7 % of the share."""


@dataclass(frozen=True, slots=True)
class Row:
    """One quantity in one photo: its name, what showed it, and the photo's place."""

    quantity: str
    source: str
    photo: int


@dataclass(frozen=True, slots=True)
class Known:
    """What the mean of a group is, with its standard deviation."""

    target: float
    u: float


@dataclass(frozen=True, slots=True, eq=False)
class Group:
    """Rows that are the same.

    Parameters
    ----------
    rows : ndarray of int, shape (n,)
        Which ones.
    still : float
        Standard deviation of each from what they have in common.
    known : Known or None
        Their mean, where that is known beforehand.
    """

    rows: NDArray[np.int_]
    still: float
    known: Known | None = None

    @property
    def said(self) -> int:
        """How many things it says: every difference, and the mean where that is known."""
        return len(self.rows) - (self.known is None)

    def missed(self, seen: Floats) -> Floats:
        """By how much rows (n, ...) miss what the group says, the mean left out if unknown."""
        return np.asarray(seen - (self.known.target if self.known else np.mean(seen, axis=0)))

    def square(self, missed: Floats) -> Floats:
        """Sum of squares (...) of what is missed (n, ...), each in its standard deviation."""
        mean = np.mean(missed, axis=0)
        apart = np.sum((missed - mean) ** 2, axis=0) / self.still**2
        return np.asarray(apart + (mean / self.known.u) ** 2 if self.known else apart)

    def noise(self, own: Floats) -> Floats:
        """What the rows (n, ...) may differ by, of standard normal inputs (said, ...).

        By Helmert's contrasts, orthonormal: k rows against the next one.
        """
        n = len(self.rows)
        k = np.arange(1, n).reshape(-1, *[1] * (own.ndim - 1))
        step = self.still * own[: n - 1] / np.sqrt(k * (k + 1.0))
        noise = np.zeros((n, *own.shape[1:]))
        noise[:-1] = np.cumsum(step[::-1], axis=0)[::-1]
        noise[1:] -= k * step
        return noise + self.known.u * own[-1] if self.known else noise

    def spread(self, weights: Floats) -> Floats:
        """The noise's covariance times weights (n, ...); without a known mean they sum to 0."""
        if self.known is None:
            return np.asarray(self.still**2 * weights)
        mean, n = np.mean(weights, axis=0), len(self.rows)
        return np.asarray(self.still**2 * (weights - mean) + self.known.u**2 * n * mean)


@dataclass(frozen=True, slots=True, eq=False)
class System:
    """All rows of a visit and what must be the same among them.

    Parameters
    ----------
    photos : tuple of VisitPhoto
        In order.
    inputs : Inputs
        The visit's inputs.
    rows : tuple of Row
        All quantities of all photos, q in all; those of a photo stand together.
    groups : tuple of Group
        What is the same; no row is in two of them.
    """

    photos: tuple[VisitPhoto, ...]
    inputs: Inputs
    rows: tuple[Row, ...]
    groups: tuple[Group, ...]

    @property
    def said(self) -> int:
        """How many things must hold."""
        return sum(group.said for group in self.groups)

    @property
    def spans(self) -> tuple[NDArray[np.int_], ...]:
        """Where each photo's rows stand."""
        whose = np.array([row.photo for row in self.rows])
        return tuple(np.flatnonzero(whose == k) for k in range(len(self.photos)))

    def missed(self, rows: Floats) -> Floats:
        """By how much rows (q, ...) miss what the groups say; 0 outside of them."""
        missed = np.zeros(rows.shape)
        for group in self.groups:
            missed[group.rows] = group.missed(rows[group.rows])
        return missed

    def square(self, missed: Floats) -> Floats:
        """Sum of squares (...) of what is missed (q, ...), each in its standard deviation."""
        squares = (group.square(missed[group.rows]) for group in self.groups)
        return np.asarray(sum(squares, np.zeros(missed.shape[1:])))

    def noise(self, own: Floats) -> Floats:
        """What the rows (q, ...) may differ by, of standard normal inputs (said, ...)."""
        noise, first = np.zeros((len(self.rows), *own.shape[1:])), 0
        for group in self.groups:
            noise[group.rows] = group.noise(own[first : first + group.said])
            first += group.said
        return noise

    def spread(self, weights: Floats) -> Floats:
        """The noise's covariance times weights (q, ...)."""
        spread = np.zeros(weights.shape)
        for group in self.groups:
            spread[group.rows] = group.spread(weights[group.rows])
        return spread

    def values(self, inputs: Floats) -> Floats:
        """The rows (q, n) for inputs (k, n) of the visit."""
        parts = []
        for photo, share in zip(self.photos, self.inputs.shares, strict=True):
            drawn = uncertainty.drawn_from(photo.leg, share.of_photo(inputs))
            parts += [value for _, _, value in _seen(drawn)]
        return np.array(parts)

    def with_slopes(self, inputs: Floats, scale: Floats) -> tuple[Floats, tuple[Floats, ...]]:
        """The rows (q,) at inputs (k,) counted in ``scale`` (k,), and each photo's derivatives.

        One (rows of the photo, its columns) each. Central differences over a hundredth, all of
        a photo in one call, which costs hardly more than the rows alone.
        """
        step, rows, slopes = 0.01, [], []
        for photo, share in zip(self.photos, self.inputs.shares, strict=True):
            own, size = inputs[share.columns], len(share.columns)
            aside = step * np.eye(size)
            moved = own + np.concatenate([np.zeros((1, size)), aside, -aside])
            real = moved.T * scale[share.columns, None]
            drawn = uncertainty.drawn_from(photo.leg, share.of_own(real))
            values = np.array(
                [np.broadcast_to(value, (2 * size + 1,)) for _, _, value in _seen(drawn)]
            )
            rows.append(values[:, 0])
            slopes.append((values[:, 1 : size + 1] - values[:, size + 1 :]) / (2.0 * step))
        return np.concatenate(rows), tuple(slopes)


def _seen(drawn: Drawn) -> list[tuple[str, str, Floats]]:
    """What one photo shows: quantity, source, values (n,)."""
    seen = [
        ("thigh", "points", np.log(drawn.segment_mm[:, 0])),
        ("shank", "points", np.log(drawn.segment_mm[:, 1])),
        ("knee", "points", drawn.knee_deg),
    ]
    ways = (
        ("points", drawn.frame_deg, drawn.hinge_mm),
        ("tags", drawn.tag_frame_deg, drawn.tag_hinge_mm),
    )
    for source, frame, hinge in ways:
        if frame is not None:
            seen.append(("frame", source, frame))
        if hinge is not None:
            seen += [("distal", source, hinge[:, 0]), ("anterior", source, hinge[:, 1])]
    if drawn.hinge_gap_mm is not None:
        seen += [(f"gap {axis}", "tags", drawn.hinge_gap_mm[:, k]) for k, axis in enumerate("xy")]
    return seen


def system_of(photos: Sequence[VisitPhoto], inputs: Inputs, *, movement_deg: float = 0.0) -> System:
    """The rows of these photos and what must be equal among them.

    ``movement_deg`` is how far the leg may have moved at a setting, half-width: 0 where the
    machine was paused.
    """
    rows: list[Row] = []
    for which, (photo, share) in enumerate(zip(photos, inputs.shares, strict=True)):
        drawn = uncertainty.drawn_from(photo.leg, share.of_photo(np.zeros((len(inputs.keys), 1))))
        rows += [Row(quantity, source, which) for quantity, source, _ in _seen(drawn)]
    groups = tuple(_groups(photos, rows, movement_deg)) if len(photos) > 1 else ()
    return System(tuple(photos), inputs, tuple(rows), groups)


def _groups(
    photos: Sequence[VisitPhoto], rows: Sequence[Row], movement_deg: float
) -> Iterator[Group]:
    """Everything that must be the same."""
    moving = movement_deg / math.sqrt(3.0)
    still = {q: math.hypot(u, moving * (q in {"knee", "frame"})) for q, u in STILL.items()}
    members: dict[tuple[str, str], list[int]] = {}
    for k, row in enumerate(rows):
        whose = "" if row.quantity in LENGTHS else photos[row.photo].setting
        if not row.quantity.startswith("gap") and not flat(photos[row.photo].leg):
            members.setdefault((row.quantity, whose), []).append(k)
    size_counts = any(by_leg(photo.leg) and not flat(photo.leg) for photo in photos)
    for (quantity, _), at in members.items():
        known = None
        if quantity in LENGTHS and size_counts:
            share, u = LENGTHS[quantity]
            known = Known(math.log(share * assumptions.STATURE_MM[0]), u)
        group = Group(np.array(at), still[quantity], known)
        if group.said:
            yield group
    gaps = [k for k, row in enumerate(rows) if row.quantity.startswith("gap")]
    # The two rows of one photo alone say little, and that photo keeps its own answer.
    if len(gaps) > 2:
        for k in gaps:
            u = still[rows[k].quantity]
            yield Group(np.array([k]), u, Known(0.0, u))
