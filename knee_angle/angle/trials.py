"""One trial: what drawn inputs make of knee, bars and hinge.

The rays through hip, knee and ankle meet planes parallel to the sagittal plane, each mark at
its own lateral depth, and the angle is that seen along the plane's normal. The machine's
points and the tags on its bars go through the same trial.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from knee_angle.angle import bars, geometry
from knee_angle.angle.inputs import Draw, names_of
from knee_angle.records import LEG_POINTS, MACHINE_POINTS, LegInView, Side

__all__ = ["Drawn", "simulated"]

Floats = NDArray[np.float64]
Axes = tuple[Floats, Floats]
"""What looks like x and y in the picture of a plane, each (n, 1, 3)."""


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


def simulated(leg: LegInView, draw: Draw) -> Drawn:
    """Every trial's leg (and machine), each seen along its own plane's normal."""
    directions = geometry.rays(
        _unstretched(draw.points_px, draw),
        focal_px=draw.focal_px[:, None],
        centre_px=draw.centre_px[:, None],
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
    axes = geometry.plane_axes(normal)
    marks = geometry.on_axes_mm(met, axes)
    hip, knee, ankle = _each(marks + draw.placement_mm[:, :count])
    thigh, shank = knee - hip, ankle - knee
    machine: dict[str, Floats] = {}
    if len(leg.points) > count or leg.bar_tags is not None:
        bars_axes = geometry.plane_axes(draw.bars_normal[:, None])
        from_bars = geometry.on_axes_mm(_placed(met, axes, draw), bars_axes)
        of_bars = distance + depth[:, 1]
        machine |= _machine_by_points(leg, draw, directions, of_bars, bars_axes, from_bars)
        machine |= _machine_by_tags(leg, draw, of_bars, bars_axes, from_bars)
    return Drawn(
        knee_deg=geometry.signed_flexion_deg(hip, knee, ankle, side=leg.side),
        marks_deg=geometry.signed_flexion_deg(*_each(marks), side=leg.side),
        segment_mm=np.sqrt(np.stack([geometry.dot(v, v) for v in (thigh, shank)], axis=-1)),
        **machine,
    )


def _each(points: Floats) -> list[Floats]:
    """Points (n, k, 2) one by one, each (n, 2)."""
    return [points[:, k] for k in range(points.shape[1])]


def _unstretched(places_px: Floats, draw: Draw) -> Floats:
    """Places (n, k, 2) as pixels of the drawn shape have them in a picture with square ones."""
    if not draw.aspect.any():
        return places_px
    centre = draw.centre_px[:, None]
    shape = np.exp(0.5 * draw.aspect[:, None, None] * np.array([1.0, -1.0]))
    return np.asarray(centre + (places_px - centre) * shape)


def _unit(directions: Floats, draw: Draw) -> Floats:
    """Points (n, k, 2) as seen on the leg's plane at distance 1.

    A plane k times as far away shows everything k times as large.
    """
    normal = draw.normal[:, None]
    met = geometry.meet_plane(directions, normal=normal, distance_mm=1.0)
    return geometry.to_plane_mm(met, normal=normal)


def _placed(met: Floats, axes: Axes, draw: Draw) -> Floats:
    """The leg's bony points (n, 3, 3), mm, from its marks ``met``: both lie in its own plane."""
    right, down = axes
    off = draw.placement_mm[:, : len(LEG_POINTS)]
    return np.asarray(met + off[..., :1] * right + off[..., 1:] * down)


def _machine_by_points(
    leg: LegInView, draw: Draw, directions: Floats, distance_mm: Floats, axes: Axes,
    from_bars: Floats,
) -> dict[str, Floats]:  # fmt: skip
    """Frame and hinge from the machine's points, as far as they are there."""
    names = names_of(leg)[len(LEG_POINTS) :]
    normal = draw.bars_normal[:, None]
    far = distance_mm[:, None] - draw.depth_mm[:, len(LEG_POINTS) :]
    met = geometry.meet_plane(directions[:, len(LEG_POINTS) :], normal=normal, distance_mm=far)
    points = dict(zip(names, _each(geometry.on_axes_mm(met, axes)), strict=True))
    seen = {}
    if "hinge" in points:
        seen["hinge_mm"] = _from_knee(points["hinge"], from_bars, side=leg.side)
    if set(names) == set(MACHINE_POINTS):
        seen["frame_deg"] = draw.points_turn_deg + geometry.signed_flexion_deg(
            *(points[name] for name in MACHINE_POINTS), side=leg.side
        )
    return seen


def _machine_by_tags(
    leg: LegInView, draw: Draw, distance_mm: Floats, axes: Axes, from_bars: Floats
) -> dict[str, Floats]:
    """Frame, hinge and the tags' motion from the tags on the bars, where both are there."""
    if leg.bar_tags is None:
        return {}
    corners_px = draw.corners_px.reshape(len(draw.corners_px), -1, 2)
    directions = geometry.rays(
        _unstretched(corners_px, draw).reshape(-1, *draw.corners_px.shape[1:]),
        focal_px=draw.focal_px[:, None, None],
        centre_px=draw.centre_px[:, None, None],
    )
    normal = draw.bars_normal[:, None, None]
    far = (distance_mm[:, None] - draw.tag_depth_mm)[..., None]
    met = geometry.meet_plane(directions, normal=normal, distance_mm=far)
    corners = geometry.on_axes_mm(met, (axes[0][:, None], axes[1][:, None]))
    thigh, shank = (bars.poses(corners[:, which]) for which in (0, 1))
    turn, across, from_tag = _each(draw.sticking)
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
