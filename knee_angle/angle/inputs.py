"""What one trial draws: everything about a photo that is not known exactly.

A line of the budget is a number of independent standard normal inputs (`inputs_of`), turned
into points, depths, normals and lengths (`from_normals`). See `uncertainty` for the table.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from knee_angle import assumptions
from knee_angle.angle import bars, geometry
from knee_angle.assumptions import (
    BARS_TOGETHER_LOG,
    MARK_DEPTH_MM,
    POSE_ALIKE,
    U_POINTS_DEG,
    U_TAPE_MM,
)
from knee_angle.records import LEG_POINTS, MACHINE_POINTS, LegInView, PointName

__all__ = [
    "ALL_LINES",
    "BUDGET_LINES",
    "PRIOR_TAILS",
    "Draw",
    "bars_further_mm",
    "draw",
    "from_normals",
    "inputs_of",
    "names_of",
    "normals_of",
    "root_of",
    "stuck_turn",
    "with_machine",
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


@dataclass(frozen=True, slots=True)
class Draw:
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
    centre_px: Floats  # (n, 2), the principal point
    aspect: Floats  # (n,), log of a pixel's width against its height
    distance_mm: Floats  # (n,)
    thigh_mm: Floats | None  # (n,), where it gives the distance


def names_of(leg: LegInView) -> tuple[PointName, ...]:
    """The points that are simulated: the leg's, and what is there of the machine's."""
    return (*LEG_POINTS, *(name for name in MACHINE_POINTS if name in leg.points))


def inputs_of(leg: LegInView) -> dict[str, int]:
    """How many independent standard normal inputs each line has, for this leg."""
    count, tags = len(names_of(leg)), 0 if leg.bar_tags is None else 2
    own_turn = any(leg.view.leg_turn_cov_deg2)
    return {
        # Two coordinates of each point, then of each tag's corners.
        "landmark_finding": 2 * count + 8 * tags,
        "landmark_placement": 6,
        # One for each mark and tag, and one that all bars share.
        "landmark_depth": count + tags + 1,
        "camera_direction": 4 if own_turn else 2,
        # A pixel's shape joins where the picture may have been stretched, the principal point
        # where it may have been cropped.
        "focal_length": 1 + (leg.lens.u_aspect > 0.0) + 2 * (leg.lens.u_centre > 0.0),
        "leg_distance": 1,
        # The points' turn; turn, across and distance from the hinge of each tag; the hinge
        # where it is known.
        "sticking": 1 + 5 * tags,
    }


def draw(
    leg: LegInView, *, lines: tuple[str, ...], trials: int, rng: np.random.Generator | None
) -> Draw:
    """Inputs for all trials; lines that are not named stay at their best estimate."""
    if rng is None:
        return from_normals(leg, {})
    z, mirrored = normals_of(leg, lines=lines, trials=trials, rng=rng)
    return from_normals(leg, z, mirrored=mirrored)


def normals_of(
    leg: LegInView, *, lines: tuple[str, ...], trials: int, rng: np.random.Generator
) -> tuple[dict[str, Floats], NDArray[np.bool_] | None]:
    """Standard normal numbers for some lines, and in which trials the view is the mirrored one."""
    inputs = inputs_of(leg)
    z = {line: rng.standard_normal((trials, inputs[line])) for line in lines}
    mirrored = None
    if "camera_direction" in lines and leg.view.other_normal is not None:
        mirrored = rng.random(trials) < leg.view.p_other
    return z, mirrored


def with_machine(
    leg: LegInView, z: Mapping[str, Floats], rng: np.random.Generator
) -> dict[str, Floats]:
    """Numbers drawn for the leg's own points, with those of its machine beside them."""
    trials, inputs, own = len(z["leg_distance"]), inputs_of(leg), len(LEG_POINTS)

    def wider(line: str, after: int) -> Floats:
        more = rng.standard_normal((trials, inputs[line] - z[line].shape[1]))
        return np.concatenate([z[line][:, :after], more, z[line][:, after:]], axis=1)

    return {
        **z,
        "landmark_finding": wider("landmark_finding", 2 * own),
        "landmark_depth": wider("landmark_depth", own),
        "sticking": rng.standard_normal((trials, inputs["sticking"])),
    }


def from_normals(
    leg: LegInView, z: Mapping[str, Floats], *, mirrored: NDArray[np.bool_] | None = None
) -> Draw:
    """Standard normal numbers turned into inputs; a line without numbers stands still."""
    view, lens = leg.view, leg.lens
    still = np.zeros((1, 1))
    # Lengths are positive: their relative ± is drawn in the logarithm.
    seen_through = z.get("focal_length")
    longer, shape, centre = _of_lens(leg, seen_through)
    focal = lens.focal_px * np.exp(lens.u_relative * longer)
    u_distance = view.u_distance_mm / view.knee_distance_mm
    far = z.get("leg_distance", still)[:, 0]
    # Whatever size gave the distance was seen through the same lens: both go together.
    distance = view.knee_distance_mm * np.exp(u_distance * far) * focal / lens.focal_px
    normal, bars_normal = _drawn_normals(
        leg, z.get("camera_direction"), mirrored, _lean(leg, longer, centre)
    )
    depth, tag_depth = _drawn_depth(leg, z.get("landmark_depth"))
    stuck = z.get("sticking")
    sticking, hinge_off = _drawn_sticking(leg, None if stuck is None else stuck[:, 1:])
    return Draw(
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
        centre_px=np.array(lens.centre_px) + lens.u_centre * lens.diagonal_px * centre,
        aspect=lens.u_aspect * shape,
        distance_mm=distance,
        thigh_mm=None if leg.thigh_mm is None else leg.thigh_mm + U_TAPE_MM * far,
    )


def _drawn_points(leg: LegInView, z: Floats | None) -> Floats:
    """Points (n, k, 2) in px, each by its own covariance."""
    marks = [leg.points[name] for name in names_of(leg)]
    best = np.array([[p.x_px, p.y_px] for p in marks])[None]
    if z is None:
        return best
    roots = np.array([root_of(p.cov_px2) for p in marks])
    own = z[:, : 2 * len(marks)].reshape(-1, len(marks), 2)
    off = geometry.empty(*own.shape)
    for k in (0, 1):
        off[..., k] = geometry.dot(roots[:, k], own)
    together = [k for k, mark in enumerate(marks) if mark.source == "pose"]
    if together:
        # Unit errors that go together, each made as large as its point's own.
        alike = (1.0 - POSE_ALIKE) * np.eye(len(together)) + POSE_ALIKE
        unit = np.einsum("ij,njc->nic", np.linalg.cholesky(alike), own[:, together])
        off[:, together] = np.einsum("kij,nkj->nki", _upright(roots[together]), unit)
    return np.asarray(best + off)


def _upright(roots: Floats) -> Floats:
    """The symmetric roots of the same covariances, whose inputs lie along the picture's axes."""
    turns, sizes, _ = np.linalg.svd(roots)
    return np.asarray(turns * sizes[:, None, :] @ np.swapaxes(turns, 1, 2))


def _drawn_corners(leg: LegInView, z: Floats | None) -> Floats:
    """Corners (n, t, 4, 2) of the bars' tags in px; t is 0 without them."""
    if leg.bar_tags is None:
        return np.zeros((1, 0, 4, 2))
    best = np.array([leg.bar_tags.thigh_px, leg.bar_tags.shank_px])[None]
    if z is None:
        return best
    return np.asarray(best + leg.bar_tags.u_px * z[:, -16:].reshape(-1, 2, 4, 2))


def stuck_turn(leg: LegInView) -> tuple[Floats, Floats]:
    """Turn of both bars against their tags, degrees, and its u; shapes (2,)."""
    return bars.stuck_turn(None if leg.bar_tags is None else leg.bar_tags.hinge)


def _drawn_sticking(leg: LegInView, z: Floats | None) -> tuple[Floats, Floats]:
    """How the tags are stuck (n, 3, 2), and the error of a known hinge (n, 4), mm."""
    turn, u_turn = stuck_turn(leg)
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
    count = len(names_of(leg))
    if z is None:
        return np.zeros((1, count, 2))
    off = geometry.empty(len(z), count, 2)
    off[:, 3:] = 0.0
    off[:, :3] = z.reshape(-1, 3, 2) * np.array(leg.placement_mm)[:, None]
    return off


def _drawn_depth(leg: LegInView, z: Floats | None) -> tuple[Floats, Floats]:
    """Depth of each mark (n, k) and bar tag (n, t) against the view's plane, mm.

    Towards the camera. The view's plane is the knee's; how far all bars together stand off
    it is not known well. Where tags show how far the bars are, it is the leg's depth that is
    not known well, and the bars stay where they are.
    """
    names = names_of(leg)
    usual = np.array([MARK_DEPTH_MM[name] for name in names])
    tags = np.array([MARK_DEPTH_MM["thigh_bar"]] * (0 if leg.bar_tags is None else 2))
    tags = tags.reshape(-1, 2)
    if z is None:
        return usual[None, :, 0], tags[None, :, 0]
    count = len(names)
    on_machine = np.array([name in MACHINE_POINTS for name in names])
    moved = on_machine * 1.0 if leg.bar_tags is None else on_machine - 1.0
    marks = geometry.empty(len(z), count)
    marks[...] = usual[:, 0] + usual[:, 1] * z[:, :count] + moved * bars_further_mm(z[:, -1:])
    return marks, np.asarray(tags[:, 0] + tags[:, 1] * z[:, count:-1])


def bars_further_mm(z: Floats) -> Floats:
    """How much further than usual all bars stand before the knee, mm, for standard normal z."""
    bounded = np.clip(z, -3.0, 3.0)  # 8 to 238 mm: beside this leg
    return np.asarray(MARK_DEPTH_MM["thigh_bar"][0] * np.expm1(BARS_TOGETHER_LOG * bounded))


def _of_lens(leg: LegInView, z: Floats | None) -> tuple[Floats, Floats, Floats]:
    """Numbers of focal length (n,), pixel shape (n,) and principal point (n, 2)."""
    still = np.zeros((1 if z is None else len(z), 2))
    if z is None:
        return still[:, 0], still[:, 0], still
    shaped, moved = leg.lens.u_aspect > 0.0, leg.lens.u_centre > 0.0
    return z[:, 0], z[:, 1] if shaped else still[:, 0], z[:, -2:] if moved else still


def _lean(leg: LegInView, longer: Floats, centre: Floats) -> Floats | None:
    """How the normal that is seen leans with the lens (n, 2), degrees."""
    slopes = leg.view.tilt_by_lens_deg
    return np.column_stack([longer, centre]) @ np.array(slopes) if slopes else None


def _drawn_normals(
    leg: LegInView, z: Floats | None, mirrored: NDArray[np.bool_] | None, lean: Floats | None
) -> tuple[Floats, Floats]:
    """Normals of the leg's plane and of the bars', each (n, 3)."""
    view = leg.view
    normal = np.array(view.normal)[None]
    if mirrored is not None and view.other_normal is not None:
        normal = np.where(mirrored[:, None], np.array(view.other_normal), normal)
    if lean is not None:
        normal = geometry.tilt_normal(normal, np.clip(lean, -60.0, 60.0))
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


@lru_cache(maxsize=4096)
def root_of(cov: tuple[float, float, float]) -> Floats:
    """A matrix square root (2, 2) of a covariance (xx, xy, yy), also a singular one.

    Kept, and not to be written to: every step of a visit's estimate asks for the same.
    """
    xx, xy, yy = cov
    values, vectors = np.linalg.eigh(np.array([[xx, xy], [xy, yy]]))
    root = np.asarray(vectors * np.sqrt(np.clip(values, 0.0, None)))
    root.flags.writeable = False
    return root
