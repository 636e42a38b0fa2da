"""The knee's flexion with its uncertainty, by Monte Carlo (JCGM 101:2008).

One trial draws everything that is not known exactly, meets the rays through hip,
knee and ankle with planes parallel to the sagittal plane, each mark at its own
lateral depth, and takes the angle as seen along the plane's normal. What was found of
the machine (its three points, tags on its bars) goes through the same trial, so that what
knee and frame share (camera, scale) cancels in their difference as it does in the photo.
The bars' own plane is the view's; the leg's own turn tilts the leg's alone.

========================= ========================================================
budget line               what is drawn
========================= ========================================================
``landmark_finding``      the detector's 2 x 2 covariance of each point
``landmark_placement``    mark to bony point, in the sagittal plane, mm
``landmark_depth``        lateral depth of every mark against the knee's
``camera_direction``      tilt of the plane's normal (and its mirrored solution)
``focal_length``          focal length and lens
``leg_distance``          distance of the leg from the lens, or the tape that gives it
``sticking``              how points and tags lie on the bars: the frame's alone (`bars`)
========================= ========================================================

Where the view is only a prior (``plane: image``) the reported angle is the flat one
in the picture; its u is the root mean square distance of the drawn true angles from
it, so that the bias of measuring flat is inside, and the interval is that of the
drawn angles.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from operator import attrgetter

import numpy as np
from numpy.typing import NDArray

from knee_angle import assumptions
from knee_angle.angle import bars, geometry
from knee_angle.angle.bars import TagMotion
from knee_angle.assumptions import (
    BARS_TOGETHER_MM,
    MARK_DEPTH_MM,
    U_POINTS_DEG,
    U_TAPE_MM,
)
from knee_angle.records import (
    LEG_POINTS,
    MACHINE_POINTS,
    Angle,
    Frame,
    FrameSource,
    LegInView,
    PointName,
    Segments,
    Side,
    Source,
)

__all__ = [
    "ALL_LINES",
    "BUDGET_LINES",
    "PRIOR_TAILS",
    "Drawn",
    "drawn_from",
    "flat_flexion_deg",
    "flexion_with_uncertainty",
    "frame_with_uncertainty",
    "inputs_of",
    "interval_of",
    "linear_u",
    "linear_u_deg",
    "plane_flexion_deg",
    "root_of",
    "segments_with_uncertainty",
    "simulate",
    "simulate_deg",
    "tag_motion",
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
"""Every line of the knee's budget, in the order of the table above."""
ALL_LINES = (*BUDGET_LINES, "sticking")
"""With the line that only the frame has."""


PRIOR_TAILS = 0.8
"""How much further than a normal distribution a direction that is only a prior reaches:
its multiples z of the usual ± become sinh(0.8 z) / 0.8. Two in three lie within 1.1 times
the usual ± and one in twenty beyond 2.9 times, 43 degrees of yaw: people do photograph from
the foot of the bed (our own figure)."""

LINE_TRIALS = 1500
"""Trials for one line of the budget; its u is then known to 1.8 %."""


@dataclass(frozen=True, slots=True)
class _Draw:
    """One set of inputs per trial; first axis = trials (or 1), k = number of points."""

    points_px: Floats  # (n, k, 2)
    placement_mm: Floats  # (n, k, 2), in the plane
    depth_mm: Floats  # (n, k), towards the camera
    normal: Floats  # (n, 3), of the leg's plane
    bars_normal: Floats  # (n, 3), of the machine's
    corners_px: Floats  # (n, t, 4, 2), of the t = 0 or 2 tags on the bars
    tag_depth_mm: Floats  # (n, t)
    sticking: Floats  # (n, 3, 2): turn (deg), across (mm), hinge from tag (mm); thigh, shank
    hinge_off_mm: Floats  # (n, 4): error of a known hinge in both tags
    points_turn_deg: Floats  # (n,), of the machine's points against its bars
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
    marks_deg : ndarray, shape (n,)
        Flexion between the marks as they lie: the same trials without the placement.
    segment_mm : ndarray, shape (n, 2)
        Length of thigh and shank between the marks, in the plane.
    frame_deg : ndarray, shape (n,), or None
        Flexion of the machine's bars; None without its three points.
    hinge_mm : ndarray, shape (n, 2), or None
        The hinge's point seen from the knee: distal along the thigh, anterior.
    tag_frame_deg, tag_hinge_mm : ndarray, shapes (n,) and (n, 2), or None
        The same from the tags on the bars.
    motion : ndarray, shape (n, 3), or None
        The shank tag in the thigh tag's axes: turn (deg), x, y (mm).
    hinge_gap_mm : ndarray, shape (n, 2), or None
        How far apart the thigh tag and the shank tag put the hinge, in the machine's plane:
        no gap, where all inputs are the true ones.
    """

    knee_deg: Floats
    marks_deg: Floats
    segment_mm: Floats
    frame_deg: Floats | None = None
    hinge_mm: Floats | None = None
    tag_frame_deg: Floats | None = None
    tag_hinge_mm: Floats | None = None
    motion: Floats | None = None
    hinge_gap_mm: Floats | None = None


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
    drawn = simulate(_alone(leg), lines=BUDGET_LINES, trials=trials, rng=rng)
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
        u_deg=_spread(drawn.knee_deg, best),
        interval_deg=interval_of(drawn.knee_deg),
        budget_deg=budget,
        found_interval_deg=interval_of(drawn.marks_deg),
    )


def frame_with_uncertainty(
    leg: LegInView, *, trials: int, rng: np.random.Generator
) -> Frame | None:
    """The machine's bars and hinge against the leg; None without its points or tags.

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
        Angles are flat where the view is a prior; their u holds that bias. Where points
        and tags both show the bars, the one with the smaller u counts, for the angle and
        for the hinge.
    """
    at_best = _simulated(leg, _draw(leg, lines=(), trials=1, rng=None))
    if at_best.frame_deg is None and at_best.tag_frame_deg is None:
        return None
    drawn = simulate(leg, lines=ALL_LINES, trials=trials, rng=rng)
    angles = _seen_angles(leg, at_best, drawn)
    hinges = _seen_hinges(at_best, drawn)
    source, frame, frames = min(angles, key=lambda one: _spread(one[2], one[1]))
    hinge, hinges_drawn, seen_by = min(
        hinges, key=lambda one: float(np.sum((one[1] - one[0]) ** 2))
    )
    knee = flat_flexion_deg(leg) if leg.view.plane == "image" else float(at_best.knee_deg[0])
    away = np.column_stack([frames - drawn.knee_deg - (frame - knee), hinges_drawn - hinge])
    cov = away.T @ away / trials
    u_shared = math.hypot(*_stuck(leg)[1]) if source == "tag" else U_POINTS_DEG
    return Frame(
        source=source,
        u_shared_deg=u_shared,
        tags_minus_points_deg=_difference(angles),
        deg=frame,
        u_deg=_spread(frames, frame),
        interval_deg=interval_of(frames),
        fit_deg=frame - knee,
        u_fit_deg=float(np.sqrt(cov[0, 0])),
        distal_mm=float(hinge[0]),
        anterior_mm=float(hinge[1]),
        hinge_cov_mm2=(float(cov[1, 1]), float(cov[1, 2]), float(cov[2, 2])),
        cov_fit_hinge=(float(cov[0, 1]), float(cov[0, 2])),
        hinge_shared_mm=_hinge_shared(leg, seen_by),
    )


def _hinge_shared(
    leg: LegInView, seen_by: Callable[[Drawn], Floats | None]
) -> tuple[tuple[float, float], ...]:
    """What 1 u of each input that stays the same from photo to photo moves the hinge by.

    That is the bars' common depth before the leg, and how points and tags lie on the bars.
    """
    slopes = []
    for line, first in (("landmark_depth", -1), ("sticking", 0)):
        units = np.eye(inputs_of(leg)[line])[first:]
        up, down = (
            np.asarray(seen_by(_simulated(leg, _from_normals(leg, {line: half * units}))))
            for half in (0.5, -0.5)
        )
        slopes.append(np.broadcast_to(up - down, (len(units), 2)))
    return tuple((float(along), float(across)) for along, across in np.concatenate(slopes))


def _seen_angles(
    leg: LegInView, at_best: Drawn, drawn: Drawn
) -> list[tuple[FrameSource, float, Floats]]:
    """Every way in which the frame's angle was seen: source, estimate, trials."""
    seen: list[tuple[FrameSource, float, Floats]] = []
    if at_best.frame_deg is not None and drawn.frame_deg is not None:
        flat = leg.view.plane == "image"
        best = flat_flexion_deg(leg, points=MACHINE_POINTS) if flat else at_best.frame_deg[0]
        found = {leg.points[name].source for name in MACHINE_POINTS}
        source = next(one for one in _LEAST_SURE_FIRST if one in found)
        seen.append((source, float(best), drawn.frame_deg))
    if at_best.tag_frame_deg is not None and drawn.tag_frame_deg is not None:
        seen.append(("tag", float(at_best.tag_frame_deg[0]), drawn.tag_frame_deg))
    return seen


_LEAST_SURE_FIRST: tuple[Source, ...] = ("pose", "network", "manual", "dot")


def _seen_hinges(
    at_best: Drawn, drawn: Drawn
) -> list[tuple[Floats, Floats, Callable[[Drawn], Floats | None]]]:
    """Every way in which the hinge was seen: estimate (2,), trials (n, 2), and where it is."""
    ways: tuple[Callable[[Drawn], Floats | None], ...] = (
        attrgetter("hinge_mm"),
        attrgetter("tag_hinge_mm"),
    )
    seen = []
    for way in ways:
        best, trials = way(at_best), way(drawn)
        if best is not None and trials is not None:
            seen.append((best[0], trials, way))
    return seen


def _difference(
    angles: Sequence[tuple[FrameSource, float, Floats]],
) -> tuple[float, float] | None:
    """Tags minus points, and its u, where both showed the bars."""
    if len(angles) < 2:
        return None
    (_, points, points_drawn), (_, tags, tags_drawn) = angles
    return tags - points, _spread(tags_drawn - points_drawn, tags - points)


def tag_motion(leg: LegInView, *, trials: int, rng: np.random.Generator) -> TagMotion | None:
    """The shank tag in the thigh tag's axes, with covariance; None without both tags."""
    best = _simulated(leg, _draw(leg, lines=(), trials=1, rng=None)).motion
    drawn = simulate(leg, lines=BUDGET_LINES, trials=trials, rng=rng).motion
    if best is None or drawn is None:
        return None
    away = drawn - best[0]
    away[:, 0] = (away[:, 0] + 180.0) % 360.0 - 180.0
    turn, x, y = (float(value) for value in best[0])
    cov = away.T @ away / trials
    return TagMotion(turn, (x, y), tuple(tuple(float(v) for v in row) for row in cov))


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
    return simulate(_alone(leg), lines=lines, trials=trials, rng=rng).knee_deg


def drawn_from(leg: LegInView, z: Mapping[str, Floats]) -> Drawn:
    """The measurement model itself: what given inputs make of knee, frame and hinge.

    Parameters
    ----------
    leg : LegInView
        Points, camera, view; the mirrored solution is left out.
    z : Mapping of line to ndarray, shape (n, inputs)
        Standard normal numbers, so many a line as `inputs_of` says. A line that is not
        named stands at its best estimate.

    Returns
    -------
    Drawn
        One trial for each row.
    """
    return _simulated(leg, _from_normals(leg, z))


def _alone(leg: LegInView) -> LegInView:
    """The leg without the machine's points, which its angle does not need."""
    return replace(leg, points={n: leg.points[n] for n in LEG_POINTS})


def linear_u_deg(leg: LegInView) -> float:
    """Standard uncertainty of the knee by linear propagation; see `linear_u`."""
    return float(linear_u(leg, lambda drawn: drawn.knee_deg)[0])


def linear_u(leg: LegInView, quantity: Callable[[Drawn], Floats]) -> Floats:
    """Standard uncertainty by linear propagation (GUM), the Monte Carlo's check.

    Central differences of half a standard uncertainty in every independent input.
    The mirrored solution is not linear and is left out.

    Parameters
    ----------
    leg : LegInView
        Points, camera, view.
    quantity : callable
        What is asked for: from the trials to an array with them on its first axis.

    Returns
    -------
    ndarray
        The quantity's u, in its shape for one trial.
    """
    total = np.zeros(1)
    for line in ALL_LINES:
        for unit in np.eye(inputs_of(leg)[line]):
            up, down = (
                quantity(_simulated(leg, _from_normals(leg, {line: s * unit[None]})))[0]
                for s in (0.5, -0.5)
            )
            total = total + (up - down) ** 2
    return np.sqrt(total)


def interval_of(values: Floats) -> tuple[float, float]:
    """The probabilistically symmetric 95 % interval of a sample (JCGM 101, 7.7)."""
    low, high = np.quantile(values, (0.025, 0.975))
    return float(low), float(high)


def _spread(values: Floats, about: float | None = None) -> float:
    centre = float(np.mean(values)) if about is None else about
    return float(np.sqrt(np.mean((values - centre) ** 2)))


def _names(leg: LegInView) -> tuple[PointName, ...]:
    """The points that are simulated: the leg's, and what is there of the machine's."""
    return (*LEG_POINTS, *(name for name in MACHINE_POINTS if name in leg.points))


def inputs_of(leg: LegInView) -> dict[str, int]:
    """How many independent standard normal inputs each line has, for this leg."""
    count, tags = len(_names(leg)), 0 if leg.bar_tags is None else 2
    own_turn = any(leg.view.leg_turn_cov_deg2)
    return {
        # Two coordinates of each point, then of each tag's corners.
        "landmark_finding": 2 * count + 8 * tags,
        "landmark_placement": 6,
        # One for each mark and tag, and one that all bars share.
        "landmark_depth": count + tags + 1,
        "camera_direction": 4 if own_turn else 2,
        "focal_length": 1,
        "leg_distance": 1,
        # The points' turn; turn, across and distance from the hinge of each tag; the hinge
        # where it is known.
        "sticking": 1 + 5 * tags,
    }


def _draw(
    leg: LegInView, *, lines: tuple[str, ...], trials: int, rng: np.random.Generator | None
) -> _Draw:
    """Inputs for all trials; lines that are not named stay at their best estimate."""
    if rng is None:
        return _from_normals(leg, {})
    inputs = inputs_of(leg)
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
    normal, bars_normal = _drawn_normals(leg, z.get("camera_direction"), mirrored)
    depth, tag_depth = _drawn_depth(leg, z.get("landmark_depth"))
    stuck = z.get("sticking")
    sticking, hinge_off = _drawn_sticking(leg, None if stuck is None else stuck[:, 1:])
    return _Draw(
        points_px=_drawn_points(leg, z.get("landmark_finding")),
        placement_mm=_drawn_placement(leg, z.get("landmark_placement")),
        depth_mm=depth,
        normal=normal,
        bars_normal=bars_normal,
        corners_px=_drawn_corners(leg, z.get("landmark_finding")),
        tag_depth_mm=tag_depth,
        sticking=sticking,
        hinge_off_mm=hinge_off,
        points_turn_deg=U_POINTS_DEG * z.get("sticking", still)[:, 0],
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
    roots = np.array([root_of(p.cov_px2) for p in marks])
    own = z[:, : 2 * len(marks)].reshape(-1, len(marks), 2)
    return np.asarray(best + geometry.dot(roots, own[:, :, None]))


def _drawn_corners(leg: LegInView, z: Floats | None) -> Floats:
    """Corners (n, t, 4, 2) of the bars' tags in px; t is 0 without them."""
    if leg.bar_tags is None:
        return np.zeros((1, 0, 4, 2))
    best = np.array([leg.bar_tags.thigh_px, leg.bar_tags.shank_px])[None]
    if z is None:
        return best
    return np.asarray(best + leg.bar_tags.u_px * z[:, -16:].reshape(-1, 2, 4, 2))


def _stuck(leg: LegInView) -> tuple[Floats, Floats]:
    """Turn of both bars against their tags, degrees, and its u; shapes (2,)."""
    return bars.stuck_turn(None if leg.bar_tags is None else leg.bar_tags.hinge)


def _drawn_sticking(leg: LegInView, z: Floats | None) -> tuple[Floats, Floats]:
    """How the tags are stuck (n, 3, 2), and the error of a known hinge (n, 4), mm."""
    turn, u_turn = _stuck(leg)
    from_tag, u_from_tag = assumptions.HINGE_FROM_TAG_MM
    best = np.array([turn, [0.0, 0.0], [from_tag, from_tag]])[None]
    if z is None or leg.bar_tags is None:
        return best, np.zeros((1, 4))
    u = np.array([u_turn, [assumptions.U_STUCK_ACROSS_MM] * 2, [u_from_tag] * 2])
    sticking = best + u * z[:, :6].reshape(-1, 3, 2)
    if leg.bar_tags.hinge is None:
        return sticking, np.zeros((1, 4))
    cov = np.array(leg.bar_tags.hinge.cov_mm2)
    values, vectors = np.linalg.eigh(cov)
    root = vectors * np.sqrt(np.clip(values, 0.0, None))
    return sticking, np.asarray(z[:, 6:] @ root.T)


def _drawn_placement(leg: LegInView, z: Floats | None) -> Floats:
    """Mark to bony point (n, k, 2), mm in the plane; the machine's marks are the points."""
    count = len(_names(leg))
    if z is None:
        return np.zeros((1, count, 2))
    off = np.zeros((len(z), count, 2))
    off[:, :3] = z.reshape(-1, 3, 2) * np.array(leg.placement_mm)[:, None]
    return off


def _drawn_depth(leg: LegInView, z: Floats | None) -> tuple[Floats, Floats]:
    """Depth of each mark (n, k) and bar tag (n, t) against the view's plane, mm.

    Towards the camera. The view's plane is the knee's; how far all bars together stand off
    it is not known well. Where tags show how far the bars are, it is the leg's depth that is
    not known well, and the bars stay where they are.
    """
    names = _names(leg)
    usual = np.array([MARK_DEPTH_MM[name] for name in names])
    tags = np.array([MARK_DEPTH_MM["thigh_bar"]] * (0 if leg.bar_tags is None else 2))
    tags = tags.reshape(-1, 2)
    if z is None:
        return usual[None, :, 0], tags[None, :, 0]
    count = len(names)
    on_machine = np.array([name in MACHINE_POINTS for name in names])
    moved = on_machine * 1.0 if leg.bar_tags is None else on_machine - 1.0
    marks = usual[:, 0] + usual[:, 1] * z[:, :count] + BARS_TOGETHER_MM * moved * z[:, -1:]
    return np.asarray(marks), np.asarray(tags[:, 0] + tags[:, 1] * z[:, count:-1])


def _drawn_normals(
    leg: LegInView, z: Floats | None, mirrored: NDArray[np.bool_] | None
) -> tuple[Floats, Floats]:
    """Normals of the leg's plane and of the bars', each (n, 3)."""
    view = leg.view
    normal = np.array(view.normal)[None]
    if mirrored is not None and view.other_normal is not None:
        normal = np.where(mirrored[:, None], np.array(view.other_normal), normal)
    if z is None:
        return normal, normal
    usual = z[:, :2]
    if view.plane == "image":
        usual = np.sinh(PRIOR_TAILS * usual) / PRIOR_TAILS
    camera = usual @ root_of(view.tilt_cov_deg2).T
    of_bars = geometry.tilt_normal(normal, np.clip(camera, -60.0, 60.0))
    if z.shape[1] == 2:
        return of_bars, of_bars
    both = camera + z[:, 2:] @ root_of(view.leg_turn_cov_deg2).T
    return geometry.tilt_normal(normal, np.clip(both, -60.0, 60.0)), of_bars


def root_of(cov: tuple[float, float, float]) -> Floats:
    """A matrix square root (2, 2) of a covariance (xx, xy, yy), also a singular one."""
    xx, xy, yy = cov
    values, vectors = np.linalg.eigh(np.array([[xx, xy], [xy, yy]]))
    return np.asarray(vectors * np.sqrt(np.clip(values, 0.0, None)))


def _simulated(leg: LegInView, draw: _Draw) -> Drawn:
    """Every trial's leg (and machine), each seen along its own plane's normal."""
    directions = geometry.rays(
        draw.points_px, focal_px=draw.focal_px[:, None], centre_px=leg.lens.centre_px
    )
    count, depth = len(LEG_POINTS), draw.depth_mm
    distance = draw.distance_mm - depth[:, 1]
    if draw.thigh_mm is not None:
        distance = _distance_of_thigh(_unit(directions[:, :count], draw), depth, draw.thigh_mm)
    # The knee lies on the machine's plane at this distance, the leg's plane goes through it.
    knee_mm = geometry.meet_plane(directions[:, 1], normal=draw.bars_normal, distance_mm=distance)
    of_leg = -geometry.dot(draw.normal, knee_mm)
    far = of_leg[:, None] - depth[:, :count] + depth[:, 1:2]
    normal = draw.normal[:, None]
    met = geometry.meet_plane(directions[:, :count], normal=normal, distance_mm=far)
    marks = geometry.to_plane_mm(met, normal=normal)
    hip, knee, ankle = np.moveaxis(marks + draw.placement_mm[:, :count], 1, 0)
    thigh, shank = knee - hip, ankle - knee
    machine: dict[str, Floats] = {}
    if len(leg.points) > count or leg.bar_tags is not None:
        of_bars, from_bars = distance + depth[:, 1], _from_bars(met, draw)
        machine |= _machine_by_points(leg, draw, directions, of_bars, from_bars)
        machine |= _machine_by_tags(leg, draw, of_bars, from_bars)
    return Drawn(
        knee_deg=geometry.signed_flexion_deg(hip, knee, ankle, side=leg.side),
        marks_deg=geometry.signed_flexion_deg(*np.moveaxis(marks, 1, 0), side=leg.side),
        segment_mm=np.sqrt(np.stack([geometry.dot(v, v) for v in (thigh, shank)], axis=-1)),
        **machine,
    )


def _unit(directions: Floats, draw: _Draw) -> Floats:
    """Points (n, k, 2) as seen on the leg's plane at distance 1.

    A plane k times as far away shows everything k times as large.
    """
    normal = draw.normal[:, None]
    met = geometry.meet_plane(directions, normal=normal, distance_mm=1.0)
    return geometry.to_plane_mm(met, normal=normal)


def _from_bars(met: Floats, draw: _Draw) -> Floats:
    """The leg's bony points (n, 3, 2) seen along the bars' normal, mm.

    ``met`` (n, 3, 3) are the marks; the placement moves them in the leg's own plane.
    """
    right, down = geometry.plane_axes(draw.normal[:, None])
    off = draw.placement_mm[:, : len(LEG_POINTS)]
    moved = met + off[..., :1] * right + off[..., 1:] * down
    return geometry.to_plane_mm(moved, normal=draw.bars_normal[:, None])


def _machine_by_points(
    leg: LegInView, draw: _Draw, directions: Floats, distance_mm: Floats, from_bars: Floats
) -> dict[str, Floats]:
    """Frame and hinge from the machine's points, as far as they are there."""
    names = _names(leg)[len(LEG_POINTS) :]
    normal = draw.bars_normal[:, None]
    far = distance_mm[:, None] - draw.depth_mm[:, len(LEG_POINTS) :]
    met = geometry.meet_plane(directions[:, len(LEG_POINTS) :], normal=normal, distance_mm=far)
    points = dict(
        zip(names, np.moveaxis(geometry.to_plane_mm(met, normal=normal), 1, 0), strict=True)
    )
    seen = {}
    if "hinge" in points:
        seen["hinge_mm"] = _from_knee(points["hinge"], from_bars, side=leg.side)
    if set(names) == set(MACHINE_POINTS):
        seen["frame_deg"] = draw.points_turn_deg + geometry.signed_flexion_deg(
            *(points[name] for name in MACHINE_POINTS), side=leg.side
        )
    return seen


def _machine_by_tags(
    leg: LegInView, draw: _Draw, distance_mm: Floats, from_bars: Floats
) -> dict[str, Floats]:
    """Frame, hinge and the tags' motion from the tags on the bars, where both are there."""
    if leg.bar_tags is None:
        return {}
    directions = geometry.rays(
        draw.corners_px, focal_px=draw.focal_px[:, None, None], centre_px=leg.lens.centre_px
    )
    normal = draw.bars_normal[:, None, None]
    far = (distance_mm[:, None] - draw.tag_depth_mm)[..., None]
    met = geometry.meet_plane(directions, normal=normal, distance_mm=far)
    corners = geometry.to_plane_mm(met, normal=normal)
    thigh, shank = (bars.poses(corners[:, which]) for which in (0, 1))
    turn, across, from_tag = np.moveaxis(draw.sticking, 1, 0)
    thigh_bar, shank_bar = thigh.turned(turn[:, 0]), shank.turned(turn[:, 1])
    known = leg.bar_tags.hinge
    if known is None:
        hinge = bars.crossing(thigh_bar, shank_bar, from_tag_mm=from_tag, across_mm=across)
        in_thigh = thigh_bar.at(np.stack([from_tag[:, 0], across[:, 0]], axis=-1))
        in_shank = shank_bar.at(np.stack([-from_tag[:, 1], across[:, 1]], axis=-1))
    else:
        off = draw.hinge_off_mm
        in_thigh = thigh.at(known.thigh_mm + off[:, :2])
        in_shank = shank.at(known.shank_mm + off[:, 2:])
        hinge = (in_thigh + in_shank) / 2.0
    return {
        "tag_frame_deg": geometry.signed_flexion_deg(
            -thigh_bar.along, np.zeros(2), shank_bar.along, side=leg.side
        ),
        "tag_hinge_mm": _from_knee(hinge, from_bars, side=leg.side),
        "motion": bars.motion(thigh, shank),
        "hinge_gap_mm": in_thigh - in_shank,
    }


def _from_knee(hinge: Floats, from_bars: Floats, *, side: Side) -> Floats:
    """A hinge (n, 2) in the machine's plane as (distal, anterior) of the knee, mm."""
    hip, knee = from_bars[:, 0], from_bars[:, 1]
    return geometry.along_and_anterior(hinge - knee, axis=knee - hip, side=side)


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
