"""The knee's flexion with its uncertainty, by Monte Carlo (JCGM 101:2008).

One trial draws everything that is not known exactly, meets the rays through hip,
knee and ankle with planes parallel to the sagittal plane, each mark at its own
lateral depth, and takes the angle as seen along the plane's normal.

========================= ========================================================
budget line               what is drawn
========================= ========================================================
``landmark_finding``      the detector's 2 x 2 covariance of each point
``landmark_placement``    mark to bony point, in the sagittal plane, mm
``landmark_depth``        lateral depth of hip and ankle mark against the knee's
``camera_direction``      tilt of the plane's normal (and its mirrored solution)
``focal_length``          focal length and lens
``leg_distance``          distance of the leg from the lens
========================= ========================================================

Where the view is only a prior (``plane: image``) the reported angle is the flat one
in the picture; its u is the root mean square distance of the drawn true angles from
it, so that the bias of measuring flat is inside, and the interval is that of the
drawn angles.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from knee_angle import geometry
from knee_angle.records import LEG_POINTS, Angle, Landmark, LegInView, PointName

__all__ = [
    "BUDGET_LINES",
    "MARK_DEPTH_MM",
    "flat_flexion_deg",
    "flexion_with_uncertainty",
    "interval_of",
    "linear_u_deg",
    "plane_flexion_deg",
    "simulate_deg",
]

Floats = NDArray[np.float64]

BUDGET_LINES = (
    "landmark_finding",
    "landmark_placement",
    "landmark_depth",
    "camera_direction",
    "focal_length",
    "leg_distance",
)
"""Every line of the budget, in the order of the table above."""

MARK_DEPTH_MM: Mapping[PointName, tuple[float, float]] = {
    "hip": (20.0, 15.0),
    "knee": (0.0, 0.0),
    "ankle": (-36.0, 18.0),
}
"""Lateral depth of a mark against the knee's, mean and ±, mm, towards the camera.

Half the breadth over the trochanters less half the distance of the hip joints
(165 - 87 mm), half the knee's breadth (50 mm) and half the ankle's (36 mm), with the
foot standing inwards of the knee; adult means from memory (common practice), so the
± is wide."""

LINE_TRIALS = 2000
"""Trials for one line of the budget; its u is then known to 1.6 %."""


@dataclass(frozen=True, slots=True)
class _Draw:
    """One set of inputs per trial; first axis = trials (or 1)."""

    points_px: Floats  # (n, 3, 2)
    placement_mm: Floats  # (n, 3, 2), in the plane
    depth_mm: Floats  # (n, 3), towards the camera
    normal: Floats  # (n, 3)
    focal_px: Floats  # (n,)
    distance_mm: Floats  # (n,)


def flexion_with_uncertainty(leg: LegInView, *, trials: int, rng: np.random.Generator) -> Angle:
    """Flexion of one leg with u, 95 % interval and budget.

    Parameters
    ----------
    leg : LegInView
        Points, camera, view.
    trials : int
        Monte Carlo trials for the result.
    rng : numpy.random.Generator
        Source of randomness; seeded from the photo, the answer repeats.

    Returns
    -------
    Angle
        ``deg`` is the value at the best estimates (flat where the view is a prior).
    """
    best = flat_flexion_deg(leg) if leg.view.plane == "image" else plane_flexion_deg(leg)
    drawn = simulate_deg(leg, lines=BUDGET_LINES, trials=trials, rng=rng)
    found = simulate_deg(
        leg,
        lines=tuple(line for line in BUDGET_LINES if line != "landmark_placement"),
        trials=trials,
        rng=rng,
    )
    budget = {
        line: _spread(
            simulate_deg(leg, lines=(line,), trials=LINE_TRIALS, rng=rng),
            # Measuring flat is a bias of the camera's direction, and of nothing else.
            best if line == "camera_direction" else None,
        )
        for line in BUDGET_LINES
    }
    return Angle(
        deg=best,
        u_deg=_spread(drawn, best),
        interval_deg=interval_of(drawn),
        budget_deg=budget,
        found_interval_deg=interval_of(found),
    )


def flat_flexion_deg(leg: LegInView) -> float:
    """Signed flexion in the picture as it is, degrees."""
    hip, knee, ankle = ((p.x_px, p.y_px) for p in _three(leg))
    return float(geometry.signed_flexion_deg(hip, knee, ankle, side=leg.side))


def plane_flexion_deg(leg: LegInView) -> float:
    """Signed flexion along the view's best normal, degrees."""
    return float(_angles(leg, _draw(leg, lines=(), trials=1, rng=None))[0])


def simulate_deg(
    leg: LegInView, *, lines: tuple[str, ...], trials: int, rng: np.random.Generator
) -> Floats:
    """Flexion in every trial, with only the named budget lines drawn; shape (trials,)."""
    return _angles(leg, _draw(leg, lines=lines, trials=trials, rng=rng))


def linear_u_deg(leg: LegInView) -> float:
    """Standard uncertainty by linear propagation (GUM), the Monte Carlo's check.

    Central differences of half a standard uncertainty in every independent input.
    The mirrored solution is not linear and is left out.
    """
    total = 0.0
    for line in BUDGET_LINES:
        for unit in _unit_inputs(line):
            up, down = (_angles(leg, _shifted(leg, line, s * unit))[0] for s in (0.5, -0.5))
            total += float(up - down) ** 2
    return float(np.sqrt(total))


def _three(leg: LegInView) -> tuple[Landmark, Landmark, Landmark]:
    hip, knee, ankle = (leg.points[name] for name in LEG_POINTS)
    return hip, knee, ankle


def _spread(values: Floats, about: float | None = None) -> float:
    centre = float(np.mean(values)) if about is None else about
    return float(np.sqrt(np.mean((values - centre) ** 2)))


def interval_of(values: Floats) -> tuple[float, float]:
    """The probabilistically symmetric 95 % interval of a sample (JCGM 101, 7.7)."""
    low, high = np.quantile(values, (0.025, 0.975))
    return float(low), float(high)


_INPUTS: Mapping[str, int] = {
    "landmark_finding": 6,
    "landmark_placement": 6,
    "landmark_depth": 3,
    "camera_direction": 2,
    "focal_length": 1,
    "leg_distance": 1,
}
"""Independent standard normal inputs of each line."""


def _unit_inputs(line: str) -> Floats:
    return np.eye(_INPUTS[line])


def _shifted(leg: LegInView, line: str, z: Floats) -> _Draw:
    return _from_normals(leg, {line: z[None, :]})


def _draw(
    leg: LegInView, *, lines: tuple[str, ...], trials: int, rng: np.random.Generator | None
) -> _Draw:
    """Inputs for all trials; lines that are not named stay at their best estimate."""
    if rng is None:
        return _from_normals(leg, {})
    normals = {line: rng.standard_normal((trials, _INPUTS[line])) for line in lines}
    mirrored = None
    if "camera_direction" in lines and leg.view.other_normal is not None:
        mirrored = rng.random(trials) < leg.view.p_other
    return _from_normals(leg, normals, mirrored=mirrored)


def _from_normals(
    leg: LegInView, z: Mapping[str, Floats], *, mirrored: NDArray[np.bool_] | None = None
) -> _Draw:
    """Standard normal numbers turned into inputs; a line without numbers stands still."""
    view, lens = leg.view, leg.lens
    points = np.array([[p.x_px, p.y_px] for p in _three(leg)])[None]
    if "landmark_finding" in z:
        roots = np.array([_root(p.cov_px2) for p in _three(leg)])
        points = points + np.einsum("kij,nkj->nki", roots, z["landmark_finding"].reshape(-1, 3, 2))
    placement = np.zeros((1, 3, 2))
    if "landmark_placement" in z:
        placement = z["landmark_placement"].reshape(-1, 3, 2) * np.array(leg.placement_mm)[:, None]
    depth = np.array([[MARK_DEPTH_MM[name][0] for name in LEG_POINTS]])
    if "landmark_depth" in z:
        depth = depth + z["landmark_depth"] * np.array([MARK_DEPTH_MM[n][1] for n in LEG_POINTS])
    normal = np.array(view.normal)[None]
    if mirrored is not None and view.other_normal is not None:
        normal = np.where(mirrored[:, None], np.array(view.other_normal), normal)
    if "camera_direction" in z:
        tilt = z["camera_direction"] @ _root(view.tilt_cov_deg2).T
        normal = geometry.tilt_normal(normal, np.clip(tilt, -60.0, 60.0))
    # Lengths are positive: their relative ± is drawn in the logarithm.
    focal = lens.focal_px * np.exp(lens.u_relative * z.get("focal_length", np.zeros((1, 1)))[:, 0])
    u_distance = view.u_distance_mm / view.knee_distance_mm
    distance = view.knee_distance_mm * np.exp(
        u_distance * z.get("leg_distance", np.zeros((1, 1)))[:, 0]
    )
    return _Draw(points, placement, depth, normal, focal, distance)


def _root(cov: tuple[float, float, float]) -> Floats:
    """A matrix square root (2, 2) of a covariance (xx, xy, yy), also a singular one."""
    xx, xy, yy = cov
    values, vectors = np.linalg.eigh(np.array([[xx, xy], [xy, yy]]))
    return np.asarray(vectors * np.sqrt(np.clip(values, 0.0, None)))


def _angles(leg: LegInView, draw: _Draw) -> Floats:
    """Signed flexion of every trial, (n,)."""
    directions = geometry.rays(
        draw.points_px, focal_px=draw.focal_px[:, None], centre_px=leg.lens.centre_px
    )
    met = geometry.meet_plane(
        directions,
        normal=draw.normal[:, None, :],
        distance_mm=draw.distance_mm[:, None] - draw.depth_mm,
    )
    flat = geometry.to_plane_mm(met, normal=draw.normal[:, None, :]) + draw.placement_mm
    return geometry.signed_flexion_deg(flat[:, 0], flat[:, 1], flat[:, 2], side=leg.side)
