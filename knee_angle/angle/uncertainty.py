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
from dataclasses import replace
from operator import attrgetter

import numpy as np
from numpy.typing import NDArray

from knee_angle.angle import geometry
from knee_angle.angle.bars import TagMotion
from knee_angle.angle.inputs import (
    ALL_LINES,
    BUDGET_LINES,
    PRIOR_TAILS,
    draw,
    from_normals,
    inputs_of,
    normals_of,
    root_of,
    stuck_turn,
    with_machine,
)
from knee_angle.angle.trials import Drawn, simulated
from knee_angle.assumptions import U_POINTS_DEG
from knee_angle.records import (
    LEG_POINTS,
    MACHINE_POINTS,
    Angle,
    Frame,
    FrameSource,
    LegInView,
    PointName,
    Segments,
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
    "photo_with_uncertainty",
    "plane_flexion_deg",
    "root_of",
    "simulate",
    "simulate_deg",
    "tag_motion",
]

Floats = NDArray[np.float64]

LINE_TRIALS = 1500
"""Trials for one line of the budget; its u is then known to 1.8 %."""


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
    drawn = simulate(_alone(leg), lines=BUDGET_LINES, trials=trials, rng=rng)
    best = _best_deg(leg, _at_best(leg))
    return _angle(drawn, best, _budget(leg, best, rng))


def photo_with_uncertainty(
    leg: LegInView, *, trials: int, rng: np.random.Generator
) -> tuple[Angle, Frame | None, Segments]:
    """Knee, machine and lengths of one photo, all by the same trials.

    Parameters and answers as for `flexion_with_uncertainty` and `frame_with_uncertainty`; the
    lengths lie in the sagittal plane. The knee is the first one's with the same ``rng``: what
    is kept of a photo can be computed again without its machine.
    """
    at_best, seen = _at_best(leg), _alone(leg)
    best = _best_deg(leg, at_best)
    z, mirrored = normals_of(seen, lines=BUDGET_LINES, trials=trials, rng=rng)
    budget = _budget(leg, best, rng)
    if _has_frame(at_best):
        seen, z = leg, with_machine(leg, z, rng)
    drawn = simulated(seen, from_normals(seen, z, mirrored=mirrored))
    frame = _frame(leg, at_best, drawn) if _has_frame(at_best) else None
    return _angle(drawn, best, budget), frame, _segments(at_best, drawn)


def _at_best(leg: LegInView) -> Drawn:
    """One trial with every input at its best estimate."""
    return simulated(leg, draw(leg, lines=(), trials=1, rng=None))


def _best_deg(leg: LegInView, at_best: Drawn) -> float:
    """The reported flexion, degrees: flat where the view is only a prior."""
    return flat_flexion_deg(leg) if leg.view.plane == "image" else float(at_best.knee_deg[0])


def _budget(leg: LegInView, best: float, rng: np.random.Generator) -> dict[str, float]:
    """Standard uncertainty of the knee from each line alone, degrees."""
    return {
        line: _spread(
            simulate_deg(leg, lines=(line,), trials=LINE_TRIALS, rng=rng),
            # Measuring flat is a bias of the camera's direction, and of nothing else.
            best if line == "camera_direction" else None,
        )
        for line in BUDGET_LINES
    }


def _angle(drawn: Drawn, best: float, budget: dict[str, float]) -> Angle:
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
        for the hinge; points that a network guessed do not count beside tags.
    """
    at_best = _at_best(leg)
    if not _has_frame(at_best):
        return None
    return _frame(leg, at_best, simulate(leg, lines=ALL_LINES, trials=trials, rng=rng))


def _has_frame(at_best: Drawn) -> bool:
    return at_best.frame_deg is not None or at_best.tag_frame_deg is not None


def _frame(leg: LegInView, at_best: Drawn, drawn: Drawn) -> Frame:
    angles = _seen_angles(leg, at_best, drawn)
    hinges = _seen_hinges(at_best, drawn)
    if len(angles) > 1 and angles[0][0] in ("network", "pose"):
        angles, hinges = angles[1:], hinges[1:]
    difference = _difference(angles)
    source, frame, frames = min(angles, key=lambda one: _spread(one[2], one[1]))
    hinge, hinges_drawn, seen_by = min(
        hinges, key=lambda one: float(np.sum((one[1] - one[0]) ** 2))
    )
    knee = _best_deg(leg, at_best)
    away = np.column_stack([frames - drawn.knee_deg - (frame - knee), hinges_drawn - hinge])
    cov = away.T @ away / len(away)
    u_shared = math.hypot(*stuck_turn(leg)[1]) if source == "tag" else U_POINTS_DEG
    return Frame(
        source=source,
        u_shared_deg=u_shared,
        tags_minus_points_deg=difference,
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
    depth, stuck = (inputs_of(leg)[line] for line in ("landmark_depth", "sticking"))
    half = 0.5 * np.eye(depth + stuck)[depth - 1 :]  # the last depth is what all bars share
    rows = np.concatenate([half, -half])
    z = {"landmark_depth": rows[:, :depth], "sticking": rows[:, depth:]}
    seen = np.asarray(seen_by(simulated(leg, from_normals(leg, z))))
    up, down = np.split(seen, 2)
    return tuple((float(along), float(across)) for along, across in up - down)


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
    """Tags minus points that nobody guessed, and its u, where both showed the bars."""
    if len(angles) < 2:
        return None
    (_, points, points_drawn), (_, tags, tags_drawn) = angles
    return tags - points, _spread(tags_drawn - points_drawn, tags - points)


def tag_motion(leg: LegInView, *, trials: int, rng: np.random.Generator) -> TagMotion | None:
    """The shank tag in the thigh tag's axes, with covariance; None without both tags."""
    best = _at_best(leg).motion
    drawn = simulate(leg, lines=BUDGET_LINES, trials=trials, rng=rng).motion
    if best is None or drawn is None:
        return None
    away = drawn - best[0]
    away[:, 0] = (away[:, 0] + 180.0) % 360.0 - 180.0
    turn, x, y = (float(value) for value in best[0])
    cov = away.T @ away / trials
    return TagMotion(turn, (x, y), tuple(tuple(float(v) for v in row) for row in cov))


def _segments(at_best: Drawn, drawn: Drawn) -> Segments:
    """Lengths of thigh and shank between the marks, in the sagittal plane, mm."""
    best = at_best.segment_mm[0]
    u_thigh, u_shank = np.sqrt(np.mean((drawn.segment_mm - best) ** 2, axis=0))
    return Segments(float(best[0]), float(u_thigh), float(best[1]), float(u_shank))


def flat_flexion_deg(leg: LegInView, *, points: tuple[PointName, ...] = LEG_POINTS) -> float:
    """Signed flexion in the picture as it is, degrees, of the leg (or of the bars)."""
    first, middle, last = ((leg.points[n].x_px, leg.points[n].y_px) for n in points)
    return float(geometry.signed_flexion_deg(first, middle, last, side=leg.side))


def plane_flexion_deg(leg: LegInView) -> float:
    """Signed flexion along the view's best normal, degrees."""
    return float(_at_best(leg).knee_deg[0])


def simulate(
    leg: LegInView, *, lines: tuple[str, ...], trials: int, rng: np.random.Generator
) -> Drawn:
    """Knee, frame and hinge in every trial, with only the named budget lines drawn."""
    return simulated(leg, draw(leg, lines=lines, trials=trials, rng=rng))


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
    return simulated(leg, from_normals(leg, z))


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
                quantity(simulated(leg, from_normals(leg, {line: s * unit[None]})))[0]
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
