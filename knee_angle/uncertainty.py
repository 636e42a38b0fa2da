"""The knee's flexion with its uncertainty, by Monte Carlo (JCGM 101:2008).

One trial draws everything that is not known exactly, meets the rays through hip,
knee and ankle with planes parallel to the sagittal plane, each mark at its own
lateral depth, and takes the angle as seen along the plane's normal. Where the
machine's three points were found they go through the same trial, so that what knee
and frame share (camera, scale) cancels in their difference as it does in the photo.

========================= ========================================================
budget line               what is drawn
========================= ========================================================
``landmark_finding``      the detector's 2 x 2 covariance of each point
``landmark_placement``    mark to bony point, in the sagittal plane, mm
``landmark_depth``        lateral depth of every mark against the knee's
``camera_direction``      tilt of the plane's normal (and its mirrored solution)
``focal_length``          focal length and lens
``leg_distance``          distance of the leg from the lens, or the tape that gives it
========================= ========================================================

Where the view is only a prior (``plane: image``) the reported angle is the flat one
in the picture; its u is the root mean square distance of the drawn true angles from
it, so that the bias of measuring flat is inside, and the interval is that of the
drawn angles.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from knee_angle import geometry
from knee_angle.records import (
    LEG_POINTS,
    MACHINE_POINTS,
    Angle,
    Frame,
    LegInView,
    PointName,
    Segments,
)

__all__ = [
    "BARS_TOGETHER_MM",
    "BUDGET_LINES",
    "MARK_DEPTH_MM",
    "U_TAPE_MM",
    "Drawn",
    "flat_flexion_deg",
    "flexion_with_uncertainty",
    "frame_with_uncertainty",
    "interval_of",
    "linear_u_deg",
    "plane_flexion_deg",
    "segments_with_uncertainty",
    "simulate",
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
    "thigh_bar": (35.0, 4.0),
    "hinge": (41.0, 4.0),
    "shank_bar": (35.0, 4.0),
}
"""Lateral depth of a mark against the knee's, mean and ±, mm, towards the camera.

Half the breadth over the trochanters less half the distance of the hip joints
(165 - 87 mm), half the knee's breadth (50 mm) and half the ankle's (36 mm), with the
foot standing inwards of the knee; adult means from memory (common practice), so the
± is wide. The bars run beside the leg, nearer to the camera; how far they stand off
together is `BARS_TOGETHER_MM`, their ± here is against each other."""

BARS_TOGETHER_MM = 15.0
"""± of the bars' common depth against the knee's mark, mm (common practice)."""

U_TAPE_MM = 5.0
"""± of a length measured with a tape between two marks on the skin, mm (common practice)."""

LINE_TRIALS = 1500
"""Trials for one line of the budget; its u is then known to 1.8 %."""


@dataclass(frozen=True, slots=True)
class _Draw:
    """One set of inputs per trial; first axis = trials (or 1), k = number of points."""

    points_px: Floats  # (n, k, 2)
    placement_mm: Floats  # (n, k, 2), in the plane
    depth_mm: Floats  # (n, k), towards the camera
    normal: Floats  # (n, 3)
    focal_px: Floats  # (n,)
    distance_mm: Floats  # (n,)
    thigh_mm: Floats | None  # (n,), where it gives the distance


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """What every trial gave.

    Parameters
    ----------
    knee_deg : ndarray, shape (n,)
        Flexion of the knee.
    segment_mm : ndarray, shape (n, 2)
        Length of thigh and shank between the marks, in the plane.
    frame_deg : ndarray, shape (n,), or None
        Flexion of the machine's bars; None without its three points.
    hinge_mm : ndarray, shape (n, 2), or None
        The hinge seen from the knee: distal along the thigh, anterior.
    """

    knee_deg: Floats
    segment_mm: Floats
    frame_deg: Floats | None
    hinge_mm: Floats | None


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
    found = simulate_deg(leg, lines=_WITHOUT_PLACEMENT, trials=trials, rng=rng)
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


def frame_with_uncertainty(
    leg: LegInView, *, trials: int, rng: np.random.Generator
) -> Frame | None:
    """The machine's bars and hinge against the leg; None without its three points.

    Parameters
    ----------
    leg : LegInView
        Points, camera, view.
    trials : int
        Monte Carlo trials.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    Frame or None
        Angles are flat where the view is a prior; their u holds that bias.
    """
    if not set(MACHINE_POINTS) <= set(leg.points):
        return None
    at_best = _simulated(leg, _draw(leg, lines=(), trials=1, rng=None))
    drawn = simulate(leg, lines=BUDGET_LINES, trials=trials, rng=rng)
    assert at_best.frame_deg is not None  # noqa: S101  the points are there
    assert at_best.hinge_mm is not None  # noqa: S101
    assert drawn.frame_deg is not None  # noqa: S101
    assert drawn.hinge_mm is not None  # noqa: S101
    flat = leg.view.plane == "image"
    frame = flat_flexion_deg(leg, points=MACHINE_POINTS) if flat else float(at_best.frame_deg[0])
    knee = flat_flexion_deg(leg) if flat else float(at_best.knee_deg[0])
    hinge = at_best.hinge_mm[0]
    fits = drawn.frame_deg - drawn.knee_deg
    away = np.column_stack([fits - (frame - knee), drawn.hinge_mm - hinge])
    cov = away.T @ away / trials
    return Frame(
        deg=frame,
        u_deg=_spread(drawn.frame_deg, frame),
        interval_deg=interval_of(drawn.frame_deg),
        fit_deg=frame - knee,
        u_fit_deg=float(np.sqrt(cov[0, 0])),
        distal_mm=float(hinge[0]),
        anterior_mm=float(hinge[1]),
        hinge_cov_mm2=(float(cov[1, 1]), float(cov[1, 2]), float(cov[2, 2])),
        cov_fit_hinge=(float(cov[0, 1]), float(cov[0, 2])),
    )


def segments_with_uncertainty(leg: LegInView, *, trials: int, rng: np.random.Generator) -> Segments:
    """Lengths of thigh and shank between the marks, in the sagittal plane, mm."""
    best = _simulated(leg, _draw(leg, lines=(), trials=1, rng=None)).segment_mm[0]
    drawn = simulate(leg, lines=BUDGET_LINES, trials=trials, rng=rng).segment_mm
    u_thigh, u_shank = np.sqrt(np.mean((drawn - best) ** 2, axis=0))
    return Segments(float(best[0]), float(u_thigh), float(best[1]), float(u_shank))


def flat_flexion_deg(leg: LegInView, *, points: tuple[PointName, ...] = LEG_POINTS) -> float:
    """Signed flexion in the picture as it is, degrees, of the leg (or of the bars)."""
    first, middle, last = ((leg.points[n].x_px, leg.points[n].y_px) for n in points)
    return float(geometry.signed_flexion_deg(first, middle, last, side=leg.side))


def plane_flexion_deg(leg: LegInView) -> float:
    """Signed flexion along the view's best normal, degrees."""
    return float(_simulated(leg, _draw(leg, lines=(), trials=1, rng=None)).knee_deg[0])


def simulate(
    leg: LegInView, *, lines: tuple[str, ...], trials: int, rng: np.random.Generator
) -> Drawn:
    """Knee, frame and hinge in every trial, with only the named budget lines drawn."""
    return _simulated(leg, _draw(leg, lines=lines, trials=trials, rng=rng))


def simulate_deg(
    leg: LegInView, *, lines: tuple[str, ...], trials: int, rng: np.random.Generator
) -> Floats:
    """Flexion of the knee in every trial; shape (trials,)."""
    alone = replace(leg, points={n: leg.points[n] for n in LEG_POINTS})
    return simulate(alone, lines=lines, trials=trials, rng=rng).knee_deg


def linear_u_deg(leg: LegInView) -> float:
    """Standard uncertainty of the knee by linear propagation (GUM), the Monte Carlo's check.

    Central differences of half a standard uncertainty in every independent input.
    The mirrored solution is not linear and is left out.
    """
    total = 0.0
    for line in BUDGET_LINES:
        for unit in np.eye(_inputs(leg)[line]):
            up, down = (
                _simulated(leg, _from_normals(leg, {line: s * unit[None]})).knee_deg[0]
                for s in (0.5, -0.5)
            )
            total += float(up - down) ** 2
    return float(np.sqrt(total))


def interval_of(values: Floats) -> tuple[float, float]:
    """The probabilistically symmetric 95 % interval of a sample (JCGM 101, 7.7)."""
    low, high = np.quantile(values, (0.025, 0.975))
    return float(low), float(high)


def _spread(values: Floats, about: float | None = None) -> float:
    centre = float(np.mean(values)) if about is None else about
    return float(np.sqrt(np.mean((values - centre) ** 2)))


_WITHOUT_PLACEMENT = tuple(line for line in BUDGET_LINES if line != "landmark_placement")


def _names(leg: LegInView) -> tuple[PointName, ...]:
    """The points that are simulated: the leg's, and the machine's where all are there."""
    seen = set(MACHINE_POINTS) <= set(leg.points)
    return (*LEG_POINTS, *MACHINE_POINTS) if seen else LEG_POINTS


def _inputs(leg: LegInView) -> dict[str, int]:
    """Independent standard normal inputs of each line."""
    count = len(_names(leg))
    return {
        "landmark_finding": 2 * count,
        "landmark_placement": 6,
        # One for each mark, and one that all bars share.
        "landmark_depth": count + 1,
        "camera_direction": 2,
        "focal_length": 1,
        "leg_distance": 1,
    }


def _draw(
    leg: LegInView, *, lines: tuple[str, ...], trials: int, rng: np.random.Generator | None
) -> _Draw:
    """Inputs for all trials; lines that are not named stay at their best estimate."""
    if rng is None:
        return _from_normals(leg, {})
    inputs = _inputs(leg)
    normals = {line: rng.standard_normal((trials, inputs[line])) for line in lines}
    mirrored = None
    if "camera_direction" in lines and leg.view.other_normal is not None:
        mirrored = rng.random(trials) < leg.view.p_other
    return _from_normals(leg, normals, mirrored=mirrored)


def _from_normals(
    leg: LegInView, z: Mapping[str, Floats], *, mirrored: NDArray[np.bool_] | None = None
) -> _Draw:
    """Standard normal numbers turned into inputs; a line without numbers stands still."""
    view, lens = leg.view, leg.lens
    still = np.zeros((1, 1))
    # Lengths are positive: their relative ± is drawn in the logarithm.
    focal = lens.focal_px * np.exp(lens.u_relative * z.get("focal_length", still)[:, 0])
    u_distance = view.u_distance_mm / view.knee_distance_mm
    far = z.get("leg_distance", still)[:, 0]
    # Whatever size gave the distance was seen through the same lens: both go together.
    distance = view.knee_distance_mm * np.exp(u_distance * far) * focal / lens.focal_px
    return _Draw(
        points_px=_drawn_points(leg, z.get("landmark_finding")),
        placement_mm=_drawn_placement(leg, z.get("landmark_placement")),
        depth_mm=_drawn_depth(leg, z.get("landmark_depth")),
        normal=_drawn_normal(leg, z.get("camera_direction"), mirrored),
        focal_px=focal,
        distance_mm=distance,
        thigh_mm=None if leg.thigh_mm is None else leg.thigh_mm + U_TAPE_MM * far,
    )


def _drawn_points(leg: LegInView, z: Floats | None) -> Floats:
    """Points (n, k, 2) in px, each by its own covariance."""
    marks = [leg.points[name] for name in _names(leg)]
    best = np.array([[p.x_px, p.y_px] for p in marks])[None]
    if z is None:
        return best
    roots = np.array([_root(p.cov_px2) for p in marks])
    return np.asarray(best + np.einsum("kij,nkj->nki", roots, z.reshape(-1, len(marks), 2)))


def _drawn_placement(leg: LegInView, z: Floats | None) -> Floats:
    """Mark to bony point (n, k, 2), mm in the plane; the machine's marks are the points."""
    count = len(_names(leg))
    if z is None:
        return np.zeros((1, count, 2))
    off = np.zeros((len(z), count, 2))
    off[:, :3] = z.reshape(-1, 3, 2) * np.array(leg.placement_mm)[:, None]
    return off


def _drawn_depth(leg: LegInView, z: Floats | None) -> Floats:
    """Depth (n, k) of each mark against the knee's, mm towards the camera."""
    names = _names(leg)
    best = np.array([[MARK_DEPTH_MM[name][0] for name in names]])
    if z is None:
        return best
    own = z[:, :-1] * np.array([MARK_DEPTH_MM[name][1] for name in names])
    shared = z[:, -1:] * np.array([BARS_TOGETHER_MM * (n in MACHINE_POINTS) for n in names])
    return np.asarray(best + own + shared)


def _drawn_normal(leg: LegInView, z: Floats | None, mirrored: NDArray[np.bool_] | None) -> Floats:
    """The plane's normal (n, 3)."""
    view = leg.view
    normal = np.array(view.normal)[None]
    if mirrored is not None and view.other_normal is not None:
        normal = np.where(mirrored[:, None], np.array(view.other_normal), normal)
    if z is None:
        return normal
    return geometry.tilt_normal(normal, np.clip(z @ _root(view.tilt_cov_deg2).T, -60.0, 60.0))


def _root(cov: tuple[float, float, float]) -> Floats:
    """A matrix square root (2, 2) of a covariance (xx, xy, yy), also a singular one."""
    xx, xy, yy = cov
    values, vectors = np.linalg.eigh(np.array([[xx, xy], [xy, yy]]))
    return np.asarray(vectors * np.sqrt(np.clip(values, 0.0, None)))


def _simulated(leg: LegInView, draw: _Draw) -> Drawn:
    """Every trial's leg (and machine), seen along the plane's normal."""
    directions = geometry.rays(
        draw.points_px, focal_px=draw.focal_px[:, None], centre_px=leg.lens.centre_px
    )
    normal = draw.normal[:, None, :]
    met = geometry.meet_plane(directions, normal=normal, distance_mm=1.0)
    # A plane k times as far away shows everything k times as large.
    unit = geometry.to_plane_mm(met, normal=normal)
    distance_mm = draw.distance_mm
    if draw.thigh_mm is not None:
        distance_mm = _distance_of_thigh(unit, draw.depth_mm, draw.thigh_mm)
    flat = unit * (distance_mm[:, None] - draw.depth_mm)[..., None] + draw.placement_mm
    hip, knee, ankle = flat[:, 0], flat[:, 1], flat[:, 2]
    knee_deg = geometry.signed_flexion_deg(hip, knee, ankle, side=leg.side)
    segments = np.stack(
        [np.linalg.norm(knee - hip, axis=-1), np.linalg.norm(ankle - knee, axis=-1)], axis=-1
    )
    if flat.shape[1] == len(LEG_POINTS):
        return Drawn(knee_deg, segments, None, None)
    bar, hinge, shank = flat[:, 3], flat[:, 4], flat[:, 5]
    return Drawn(
        knee_deg=knee_deg,
        segment_mm=segments,
        frame_deg=geometry.signed_flexion_deg(bar, hinge, shank, side=leg.side),
        hinge_mm=geometry.along_and_anterior(hinge - knee, axis=knee - hip, side=leg.side),
    )


def _distance_of_thigh(unit: Floats, depth_mm: Floats, thigh_mm: Floats) -> Floats:
    """Distance (n,) of the knee's plane at which hip and knee mark are a thigh apart.

    ``unit`` (n, k, 2) are points as seen on a plane at distance 1, ``depth_mm`` (n, k). With
    the marks at their depths the two are |D e - g| apart in the plane, a square root in D.
    """
    apart = depth_mm[:, 0] - depth_mm[:, 1]
    length2 = thigh_mm**2 - apart**2
    e = unit[:, 1] - unit[:, 0]
    g = depth_mm[:, 1:2] * unit[:, 1] - depth_mm[:, :1] * unit[:, 0]
    ee, eg, gg = (np.sum(a * b, axis=-1) for a, b in ((e, e), (e, g), (g, g)))
    return np.asarray((eg + np.sqrt(np.maximum(eg**2 - ee * (gg - length2), 0.0))) / ee)
