"""What must come out the same in several photos of a visit.

A row is one quantity of one photo: a length of the leg, the knee, the bars' angle by points
or by tags, the hinge, the gap between the two places at which the bars' tags put it.

* Thigh and lower leg are as long in every photo.
* Photos of one setting share knee, bars and hinge, whatever showed them.
* The bars' tags put the hinge at one place, in every photo (of at least two).

* Where the size of the leg itself gave the distance (no tag, no tape, no dots of known size)
  the photos' mean thigh and lower leg are those of an adult, within `LENGTHS`. Each photo's
  distance is then left open (`photos.open_distance`): one seen obliquely looks short, hence far.

That is a set of linear contrasts of the rows, each at its target within its ±: orthonormal in
each group, so that no photo counts more than another and their order does not matter.
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
from knee_angle.visit.photos import VisitPhoto, by_leg
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


@dataclass(frozen=True, slots=True, eq=False)
class System:
    """All rows of a visit and the contrasts that must be zero.

    Parameters
    ----------
    photos : tuple of VisitPhoto
        In order.
    inputs : Inputs
        The visit's inputs.
    rows : tuple of Row
        All quantities of all photos, q in all.
    contrasts : ndarray, shape (m, q)
        Linear combinations of the rows that are zero.
    targets, still : ndarray, shape (m,)
        What each contrast is, and its standard deviation.
    """

    photos: tuple[VisitPhoto, ...]
    inputs: Inputs
    rows: tuple[Row, ...]
    contrasts: Floats
    targets: Floats
    still: Floats

    def values(self, inputs: Floats) -> Floats:
        """The rows (n, q) for inputs (n, k) of the visit."""
        parts = []
        for photo, share in zip(self.photos, self.inputs.shares, strict=True):
            drawn = uncertainty.drawn_from(photo.leg, share.of_photo(inputs))
            parts += [value for _, _, value in _seen(drawn)]
        return np.stack(parts, axis=-1)

    def slopes(self, inputs: Floats, scale: Floats) -> Floats:
        """Derivatives (q, k) of the rows at inputs (k,) counted in ``scale`` (k,).

        Central differences over a hundredth, all of a photo in one call.
        """
        step, first = 0.01, 0
        slopes = np.zeros((len(self.rows), len(inputs)))
        for photo, share in zip(self.photos, self.inputs.shares, strict=True):
            own, size = inputs[share.columns], len(share.columns)
            moved = own + np.concatenate([step * np.eye(size), -step * np.eye(size)])
            real = moved * scale[share.columns]
            drawn = uncertainty.drawn_from(
                photo.leg, {line: real @ turn.T for line, turn in share.turns.items()}
            )
            for _, _, value in _seen(drawn):
                up, down = np.broadcast_to(value, (2 * size,)).reshape(2, size)
                slopes[first, share.columns] = (up - down) / (2.0 * step)
                first += 1
        return slopes


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
        drawn = uncertainty.drawn_from(photo.leg, share.of_photo(np.zeros((1, len(inputs.keys)))))
        rows += [Row(quantity, source, which) for quantity, source, _ in _seen(drawn)]
    wanted = list(_wanted(photos, rows, movement_deg)) if len(photos) > 1 else []
    return System(
        tuple(photos),
        inputs,
        tuple(rows),
        np.reshape([line for line, _, _ in wanted], (-1, len(rows))),
        np.array([target for _, target, _ in wanted]),
        np.array([still for _, _, still in wanted]),
    )


def _wanted(
    photos: Sequence[VisitPhoto], rows: Sequence[Row], movement_deg: float
) -> Iterator[tuple[Floats, float, float]]:
    """Every contrast: its weights on the rows, its target and its ±."""
    moving = movement_deg / math.sqrt(3.0)
    still = {q: math.hypot(u, moving * (q in {"knee", "frame"})) for q, u in STILL.items()}
    groups: dict[tuple[str, str], list[int]] = {}
    for k, row in enumerate(rows):
        whose = "" if row.quantity in LENGTHS else photos[row.photo].setting
        if not row.quantity.startswith("gap"):
            groups.setdefault((row.quantity, whose), []).append(k)
    for (quantity, _), members in groups.items():
        for weights in _contrasts(len(members)):
            line = np.zeros(len(rows))
            line[members] = weights
            yield line, 0.0, still[quantity]
        if quantity in LENGTHS and any(by_leg(photo.leg) for photo in photos):
            share, u = LENGTHS[quantity]
            mean = np.isin(np.arange(len(rows)), members) / len(members)
            yield mean, math.log(share * assumptions.STATURE_MM[0]), u
    gaps = [k for k, row in enumerate(rows) if row.quantity.startswith("gap")]
    # The two rows of one photo alone say little, and that photo keeps its own answer.
    if len(gaps) > 2:
        for k in gaps:
            yield np.eye(len(rows))[k], 0.0, still[rows[k].quantity]


def _contrasts(members: int) -> Floats:
    """Orthonormal contrasts (members - 1, members) of Helmert."""
    lines = []
    for k in range(1, members):
        line = np.zeros(members)
        line[:k], line[k] = 1.0, -k
        lines.append(line / np.sqrt(k * (k + 1.0)))
    return np.reshape(lines, (-1, members))
