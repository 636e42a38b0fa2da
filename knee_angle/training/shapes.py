"""Bodies beyond one model's range: a body's legs pulled, swollen and dented at rest.

Every change is smooth and moves the joints along with the flesh around them, so that
the skin points, which are found on the changed body, stay true.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from knee_angle.training.bodies import Body

__all__ = ["bulged", "reshaped"]

Floats = NDArray[np.float64]
LEG_BONES = ("upperleg", "lowerleg", "foot", "toe")
UNEVEN_M = 0.004
"""Standard deviation of the slow waves that pull everything, metres."""


@dataclass(frozen=True)
class _Lump:
    """Flesh more or less about a leg's axis.

    Parameters
    ----------
    at_m, reach_m : float
        Metres below the hip, and the standard deviation along the leg.
    grows : float
        Share by which the distance from the axis grows at most; negative: it shrinks.
    towards_rad, sided : float
        Where around the leg it is strongest (0: the front, a quarter turn: the
        patient's left), and from 0 (all around) to 1 (that side alone).
    """

    at_m: float
    reach_m: float
    grows: float
    towards_rad: float = 0.0
    sided: float = 0.0


def reshaped(body: Body, rng: np.random.Generator) -> Body:
    """The body with legs of other proportions, girth and surface, metres."""
    u = rng.uniform
    body = _lengthened(body, thigh=u(0.9, 1.12), shank=u(0.88, 1.12))
    thigh, knee, ankle = body.knee_below_hip, body.knee_below_hip, body.ankle_below_hip
    shank = ankle - knee
    both = [
        _Lump(thigh * u(0.3, 0.65), thigh * u(0.22, 0.38), u(-0.16, 0.38)),
        _Lump(knee + shank * u(0.2, 0.4), shank * u(0.15, 0.3), u(-0.22, 0.3), np.pi, u(0, 0.8)),
        _Lump(ankle, u(0.03, 0.08), u(-0.1, 0.35)),
        _Lump(thigh * u(0.1, 0.5), u(0.05, 0.12), u(-0.08, 0.2), u(0, 2 * np.pi), u(0.3, 1)),
    ]
    swollen = _Lump(knee + u(-0.05, 0.03), u(0.035, 0.09), u(-0.06, 0.34), u(-0.8, 0.8), u(0, 0.8))
    dents = [
        _Lump(u(0.05, ankle), u(0.02, 0.07), rng.normal(0, 0.06), u(0, 2 * np.pi), u(0.5, 1))
        for _ in range(5)
    ]
    vertices = _lumped(body, body.vertices, "L", both)
    vertices = _lumped(body, vertices, "R", [*both, swollen, *dents])
    waves = [_Wave.draw(rng) for _ in range(6)]
    shift = np.sum([wave.at(vertices) for wave in waves], axis=0)
    joints = np.sum([wave.at(body.heads) for wave in waves], axis=0)
    return replace(body, vertices=vertices + shift, heads=body.heads + joints)


def bulged(body: Body, rng: np.random.Generator, flexion_deg: float) -> Body:
    """The body, still at rest, with the flesh that a bent right knee presses out behind."""
    bent = max(flexion_deg, 0.0) / 120.0
    knee, u = body.knee_below_hip, rng.uniform
    lumps = [
        _Lump(knee - u(0.04, 0.14), u(0.04, 0.09), bent * u(-0.08, 0.3), np.pi, u(0.3, 1)),
        _Lump(knee + u(0.04, 0.12), u(0.03, 0.08), bent * u(-0.08, 0.25), np.pi, u(0.3, 1)),
    ]
    return replace(body, vertices=_lumped(body, body.vertices, "R", lumps))


def _lengthened(body: Body, *, thigh: float, shank: float) -> Body:
    """The body with both thighs and shanks longer or shorter by a factor."""
    hip = body.heads[body.index["upperleg01.R"]][0]
    knee, ankle = hip + body.knee_below_hip, hip + body.ankle_below_hip

    def further(x: Floats) -> Floats:
        on_thigh = np.clip(x - hip, 0, knee - hip) * (thigh - 1)
        return np.asarray(on_thigh + np.clip(x - knee, 0, ankle - knee) * (shank - 1))

    vertices, heads = body.vertices.copy(), body.heads.copy()
    vertices[:, 0] += further(vertices[:, 0]) * body.share(*LEG_BONES)
    legs = np.array([name.startswith(LEG_BONES) for name in body.names])
    heads[legs, 0] += further(heads[legs, 0])
    return replace(body, vertices=vertices, heads=heads)


def _lumped(body: Body, vertices: Floats, side: str, lumps: list[_Lump]) -> Floats:
    """Vertices, shape (V, 3), pushed away from the axis of the leg ``"R"`` or ``"L"``."""
    i = body.index
    joints = np.array([body.heads[i[n + side]] for n in ("upperleg01.", "lowerleg01.", "foot.")])
    share = body.share(*LEG_BONES[:2], ends="." + side)
    rows = share > 1e-3
    points = vertices[rows]
    axis = np.stack([np.interp(points[:, 0], joints[:, 0], joints[:, k]) for k in (1, 2)], 1)
    out = points[:, 1:] - axis
    around = np.arctan2(out[:, 0], out[:, 1])
    below = points[:, 0] - joints[0, 0]
    grows = np.zeros(len(points))
    for lump in lumps:
        near = np.exp(-0.5 * ((below - lump.at_m) / lump.reach_m) ** 2)
        facing = 1 + lump.sided * (np.cos(around - lump.towards_rad) - 1) / 2
        grows += lump.grows * near * facing
    moved = vertices.copy()
    moved[rows, 1:] = axis + out * (1 + np.clip(grows, -0.35, 0.6) * share[rows])[:, None]
    return moved


@dataclass(frozen=True)
class _Wave:
    """A slow wave that pulls everything one way and back: metres, radians a metre."""

    pull: Floats
    along: Floats
    phase: float

    @classmethod
    def draw(cls, rng: np.random.Generator) -> _Wave:
        """One of six; a quarter of a metre to a metre long."""
        way = rng.normal(0, 1, 3)
        along = way / np.linalg.norm(way) * 2 * np.pi / rng.uniform(0.25, 1.0)
        return cls(rng.normal(0, UNEVEN_M / np.sqrt(3), 3), along, rng.uniform(0, 2 * np.pi))

    def at(self, points: Floats) -> Floats:
        """Shifts of points, shape (N, 3)."""
        return np.sin(points @ self.along + self.phase)[:, None] * self.pull
