"""A photo with the round patches in it that may be dots, before any colour is chosen."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from knee_angle.landmarks.base import Quad
from knee_angle.landmarks.dots.candidates import Candidates, examine, square_on
from knee_angle.landmarks.dots.colour import NEAR_PIGMENT2, Box, Paint, patches_of_colour
from knee_angle.landmarks.dots.proposals import propose
from knee_angle.landmarks.dots.quality import CLEAN, LEAST_PIGMENT, pigment_prior, quality
from knee_angle.photo.reading import Photo

__all__ = ["Box", "Picture", "inside"]

Floats = NDArray[np.float64]

WORST_QUALITY = -2.5
"""A patch worse than this is not looked at without a pigment that vouches for it."""


@dataclass(frozen=True, slots=True)
class Picture:
    """A photo with the patches in it that may be dots, before any colour is chosen.

    ``quads`` (k, 4, 2) are regions without dots, in px of the reduced photo. ``searched``
    keeps what `of_colour` found: two pigments often lead to the same leg. ``paints`` keeps the
    picture's colours, ``squared`` its patches as if seen square on, and ``plain`` its plain dots
    (`sets.plain_in`), once they were asked for.
    """

    photo: Photo
    quads: Floats
    found: Candidates
    searched: dict[tuple[bytes, float, Box, float], tuple[Floats, Floats]] = field(
        default_factory=dict
    )
    paints: list[Paint] = field(default_factory=list)
    squared: list[Candidates] = field(default_factory=list)
    plain: list[Candidates | None] = field(default_factory=list)

    @classmethod
    def of(cls, photo: Photo, masked: tuple[Quad, ...]) -> Picture:
        """Look for patches in a photo."""
        quads = np.asarray(masked, dtype=float).reshape(-1, 4, 2)
        quads = quads / np.array([photo.scale_x, photo.scale_y])
        proposed = propose(photo.small)
        found = examine(photo.small, proposed.xy, proposed.radius, least=WORST_QUALITY)
        found = found.take((quality(found) > WORST_QUALITY) & ~inside(found.xy, quads))
        return cls(photo, quads, found)

    def of_colour(
        self, members: Floats, radius: float, box: Box, near2: float = NEAR_PIGMENT2
    ) -> tuple[Floats, Floats]:
        """`patches_of_colour`, searched for once."""
        asked = (members.tobytes(), radius, box, near2)
        if asked not in self.searched:
            found = patches_of_colour(self.paint(box), members, radius, box, near2)
            self.searched[asked] = found
        return self.searched[asked]

    def paint(self, box: Box) -> Paint:
        """The picture's colours in a box at least."""
        for paint in self.paints:
            if paint.covers(box):
                return paint
        self.paints.append(Paint.of(self.photo.small, box))
        return self.paints[-1]

    def square_on(self) -> Candidates:
        """The patches, those of a pigment without a clear outline as if seen square on."""
        if not self.squared:
            poor = (quality(self.found) < CLEAN) & (pigment_prior(self.found.lab) > LEAST_PIGMENT)
            self.squared.append(square_on(self.photo.small, self.found, np.nonzero(poor)[0]))
        return self.squared[0]


def inside(xy: Floats, quads: Floats) -> NDArray[np.bool_]:
    """Which points lie in one of the quads, shape (k, 4, 2)."""
    if len(quads) == 0:
        return np.zeros(len(xy), dtype=bool)
    edge = np.roll(quads, -1, axis=1) - quads
    off = xy[:, None, None] - quads[None]
    turn = edge[None, ..., 0] * off[..., 1] - edge[None, ..., 1] * off[..., 0]
    within = np.all(turn > 0, axis=2) | np.all(turn < 0, axis=2)
    return np.asarray(np.any(within, axis=1))
