"""Tags stuck on the machine's two bars: what they say of the frame's angle and hinge.

Conventions
-----------
Positions in the machine's plane, mm, x right and y down as the camera sees them. A tag's
own axes: origin in its middle, x along its printed upper edge from left to right, y down.
The tags are stuck with **x along the bar towards the foot**, so the hinge lies at about
+x of the thigh tag and at about -x of the shank tag.

A stuck tag is never exact. How it lies on its bar is unknown but stays the same in every
photo of the machine, so it enters an offset and never a gain:

* its turn against the bar, ± `U_STUCK_DEG`,
* its middle across the bar's middle line, ± `U_STUCK_ACROSS_MM`,
* its distance from the hinge, `HINGE_FROM_TAG_MM`.

**One photo** gives the frame's angle from the two directions, and the hinge from where the
bars' middle lines cross: well for a bent frame, hardly along the bars of a straight one.

**Several photos** of one machine give the hinge without any of this: seen from the thigh
tag the shank tag turns about it. With c the shank tag's middle and theta its turn, both in
the thigh tag's axes, and the hinge at p in the thigh tag's and q in the shank tag's axes::

    p = c + R(theta) q

which is linear in (p, q). The hinge in turn says how each tag is turned against its bar.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc

from knee_angle.angle import geometry
from knee_angle.assumptions import (
    HINGE_FROM_TAG_MM,
    LEAST_TURN_DEG,
    U_STUCK_ACROSS_MM,
    U_STUCK_DEG,
)
from knee_angle.errors import InvalidInput
from knee_angle.language import say
from knee_angle.records import HingeInTags

__all__ = [
    "HingeFit",
    "Poses",
    "TagMotion",
    "arrows_wrong",
    "crossing",
    "fit_hinge",
    "motion",
    "poses",
    "stuck_turn",
    "tags_shared_u_deg",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Poses:
    """Tags in the machine's plane; all arrays share their leading shape (...).

    Parameters
    ----------
    middle_mm : ndarray, shape (..., 2)
        Middle of the tag.
    along : ndarray, shape (..., 2)
        Unit vector of its x axis.
    """

    middle_mm: Floats
    along: Floats

    def at(self, place_mm: ArrayLike) -> Floats:
        """Points (..., 2) given in the tag's own axes, in the plane."""
        place_mm = np.asarray(place_mm, dtype=float)
        down = np.stack([-self.along[..., 1], self.along[..., 0]], axis=-1)
        return np.asarray(
            self.middle_mm + place_mm[..., :1] * self.along + place_mm[..., 1:] * down
        )

    def turned(self, by_deg: ArrayLike) -> Poses:
        """The same tags with their axes turned from x towards y; (...) degrees."""
        return Poses(self.middle_mm, geometry.turned(self.along, by_deg=by_deg))


def poses(corners_mm: ArrayLike) -> Poses:
    """Middle and direction of tags from their corners, shape (..., 4, 2), as printed.

    Least squares for a square of any size: both edges count alike.
    """
    corners = np.asarray(corners_mm, dtype=float)
    a, b, c, d = (corners[..., k, :] for k in range(4))
    along = (b + c - a - d) + geometry.turned(c + d - a - b, by_deg=-90.0)
    unit = along / np.linalg.norm(along, axis=-1, keepdims=True)
    return Poses(np.asarray((a + b + c + d) / 4.0), np.asarray(unit))


def crossing(thigh: Poses, shank: Poses, *, from_tag_mm: ArrayLike, across_mm: ArrayLike) -> Floats:
    """Where the bars' middle lines cross: the hinge, shape (..., 2), from one photo.

    Parameters
    ----------
    thigh, shank : Poses
        Each turned along its bar.
    from_tag_mm, across_mm : array_like, shape (..., 2)
        Distance of the hinge from each tag along its bar, and each bar's middle line beside
        its tag (y down), as assumed or drawn; thigh first.

    Notes
    -----
    Each tag says where the hinge lies, well across its bar and badly along it; both are
    weighed by the figures at the top of this module. Nearly parallel bars leave the
    assumed distances to decide, halfway between both.
    """
    along_mm, across_mm = (np.asarray(v, dtype=float) for v in (from_tag_mm, across_mm))
    u_across = math.hypot(U_STUCK_ACROSS_MM, math.radians(U_STUCK_DEG) * HINGE_FROM_TAG_MM[0])
    precision, weighed = np.zeros((2, 2)), np.zeros(2)
    for which, (pose, sign) in enumerate(((thigh, 1.0), (shank, -1.0))):
        place = np.stack([sign * along_mm[..., which], across_mm[..., which]], axis=-1)
        own = pose.along[..., :, None] * pose.along[..., None, :]
        # Good across the bar, bad along it: 1/u² each, as I - aaᵀ and aaᵀ.
        weight = (np.eye(2) - own) / u_across**2 + own / HINGE_FROM_TAG_MM[1] ** 2
        precision = precision + weight
        weighed = weighed + np.einsum("...ij,...j->...i", weight, pose.at(place))
    return np.asarray(np.linalg.solve(precision, weighed[..., None])[..., 0])


def stuck_turn(hinge: HingeInTags | None) -> tuple[Floats, Floats]:
    """Turn of thigh and shank bar against their tags, degrees, and its u; shapes (2,).

    Without the hinge 0 ± `U_STUCK_DEG`. The hinge shows the bar's direction as well as the
    tag's middle lies on the bar's middle line; both are weighed.
    """
    prior = np.array([U_STUCK_DEG, U_STUCK_DEG])
    if hinge is None:
        return np.zeros(2), prior
    towards = np.array([hinge.thigh_mm, -np.array(hinge.shank_mm)])
    shown = np.array([geometry.direction_deg(way) for way in towards])
    cov = np.array(hinge.cov_mm2)
    own_mm = np.sqrt(U_STUCK_ACROSS_MM**2 + np.array([cov[1, 1], cov[3, 3]]))
    u_shown = np.degrees(own_mm / np.linalg.norm(towards, axis=-1))
    weight = prior**2 / (prior**2 + u_shown**2)
    return np.asarray(weight * shown), np.asarray(prior * np.sqrt(1.0 - weight))


def tags_shared_u_deg() -> float:
    """± of the bars' angle by tags that all photos of one machine share.

    How both tags are stuck, with the hinge as the photos of one check show it: more photos
    do not lower it, so a plan has to start from it.
    """
    away = HINGE_FROM_TAG_MM[0]
    cov = tuple(tuple(row) for row in (U_STUCK_ACROSS_MM**2 * np.eye(4)).tolist())
    return float(np.hypot(*stuck_turn(HingeInTags((away, 0.0), (-away, 0.0), cov))[1]))


def arrows_wrong(hinge: HingeInTags) -> bool:
    """Whether the hinge lies behind a card's arrow, so that the card was stuck the wrong way."""
    return hinge.thigh_mm[0] < 0.0 or hinge.shank_mm[0] > 0.0


@dataclass(frozen=True, slots=True)
class TagMotion:
    """One photo's shank tag in the thigh tag's axes.

    Parameters
    ----------
    turn_deg : float
        From the thigh tag's x to the shank tag's, from x towards y.
    middle_mm : (float, float)
        Middle of the shank tag.
    cov : tuple of 3 tuples
        Covariance of (turn, middle x, middle y); deg², deg mm, mm².
    """

    turn_deg: float
    middle_mm: tuple[float, float]
    cov: tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True)
class HingeFit:
    """The hinge from several photos of one machine.

    Parameters
    ----------
    motions : tuple of TagMotion
        The input.
    hinge : HingeInTags
        Its place in each tag's axes, with covariance.
    chi2, dof, p_value : float, int, float
        Goodness of fit; p is 1 where nothing is left to test.
    """

    motions: tuple[TagMotion, ...]
    hinge: HingeInTags
    chi2: float
    dof: int
    p_value: float


def motion(thigh: Poses, shank: Poses) -> Floats:
    """(turn in degrees, x, y in mm) of the shank tag in the thigh tag's axes; (..., 3)."""
    down = np.stack([-thigh.along[..., 1], thigh.along[..., 0]], axis=-1)
    off = shank.middle_mm - thigh.middle_mm
    x, y = (np.sum(off * axis, axis=-1) for axis in (thigh.along, down))
    cos, sin = (np.sum(shank.along * axis, axis=-1) for axis in (thigh.along, down))
    return np.stack([np.degrees(np.arctan2(sin, cos)), x, y], axis=-1)


def fit_hinge(motions: Sequence[TagMotion]) -> HingeFit:
    """The pole of the shank tag's turn, by weighted least squares.

    Each photo gives two equations; the turn's error enters them by the lever q, which is
    taken from the round before (iterated).

    Raises
    ------
    InvalidInput
        Fewer than two photos, or less than `LEAST_TURN_DEG` between them.
    """
    turns = np.array([one.turn_deg for one in motions])
    spread = 0.0 if len(turns) == 0 else float(_apart(turns))
    if len(turns) < 2 or spread < LEAST_TURN_DEG:
        raise InvalidInput(
            say(
                "the hinge needs photos at two or more settings, {least_turn_deg:g} "
                "degrees apart or more, but got {n_turns} within {spread:.0f} degrees: "
                "photograph further settings",
                least_turn_deg=LEAST_TURN_DEG,
                n_turns=len(turns),
                spread=spread,
            )
        )
    middles = np.array([one.middle_mm for one in motions])
    cos, sin = np.cos(np.radians(turns)), np.sin(np.radians(turns))
    rotation = np.stack([np.stack([cos, -sin], -1), np.stack([sin, cos], -1)], -2)
    design = np.concatenate([np.broadcast_to(np.eye(2), rotation.shape), -rotation], axis=-1)
    whole = np.array([one.cov for one in motions])
    place = np.zeros(4)
    for _ in range(4):
        roots = np.array([_root(cov, r, place[2:]) for cov, r in zip(whole, rotation, strict=True)])
        rows = np.linalg.solve(roots, design).reshape(-1, 4)
        seen = np.linalg.solve(roots, middles[..., None]).reshape(-1)
        place, *_ = np.linalg.lstsq(rows, seen, rcond=None)
    cov = np.linalg.inv(rows.T @ rows)
    left = seen - rows @ place
    chi2, dof = float(left @ left), len(left) - 4
    p, q = place[:2], place[2:]
    return HingeFit(
        motions=tuple(motions),
        hinge=HingeInTags(
            (float(p[0]), float(p[1])),
            (float(q[0]), float(q[1])),
            tuple(tuple(float(v) for v in row) for row in cov),
        ),
        chi2=chi2,
        dof=dof,
        p_value=float(chdtrc(dof, chi2)) if dof > 0 else 1.0,
    )


def _apart(turns_deg: Floats) -> float:
    """Largest difference of any two turns, degrees, in [0, 180]."""
    apart = (turns_deg[:, None] - turns_deg[None] + 180.0) % 360.0 - 180.0
    return float(np.max(np.abs(apart)))


def _root(cov: Floats, rotation: Floats, lever: Floats) -> Floats:
    """Cholesky root (2, 2) of one photo's covariance of ``c + R(theta) q``."""
    # dR/dtheta q is R q turned by 90 degrees, per degree.
    by_turn = geometry.turned(rotation @ lever, by_deg=90.0) * math.radians(1.0)
    slopes = np.column_stack([by_turn, np.eye(2)])
    return np.asarray(np.linalg.cholesky(slopes @ cov @ slopes.T + 1e-12 * np.eye(2)))
