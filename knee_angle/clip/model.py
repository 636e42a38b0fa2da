"""The model of one photo, for all pictures of a clip at once.

What a picture alone would have drawn anew is here of two kinds: a *path* that belongs to the
picture (how the camera leans, how far it is) and *inputs* that the whole clip has in common,
each standard normal before anything was seen:

====================== ===========================================================
input                  what it moves
====================== ===========================================================
``focal length``       one for the clip, with every distance seen through it
``distance``           how far the leg lies behind the strip, or the leg's usual size
``direction``          what the strip's corners (or the network) show wrongly alike
``parallel``           the bars' plane against the strip
``leg's own turn``     the leg's plane against the bars'
``depth``              of marks and machine points, of all bars together
``placement``          mark to bony point: fixed on its bone; of a dot, what slides with the bend
``finding``            what is found wrongly alike of each point, along and across its bone
``sticking``           the machine's points against its bars
====================== ===========================================================

Knee and bars are then those of `angle.trials`, with pictures where it has trials. Sources of
the ± as for photos (`angle.inputs`, `visit.sharing`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from knee_angle.angle import geometry
from knee_angle.angle.inputs import Draw, bars_further_mm, names_of
from knee_angle.angle.trials import Drawn, simulated
from knee_angle.assumptions import (
    MARK_DEPTH_MM,
    SLIDES,
    STRIP_TO_KNEE_MM,
    U_BARS_PARALLEL_DEG,
    U_LEG_TURN_DEG,
    U_LEG_YAW_DEG,
    U_POINTS_DEG,
)
from knee_angle.clip.standing import Sights, normals_of
from knee_angle.records import LEG_POINTS, MACHINE_POINTS, LegInView

__all__ = ["Clipped", "Inputs", "Seen", "answered", "inputs_for"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What was seen in n pictures.

    Parameters
    ----------
    leg : LegInView
        One picture's leg, for names, side, lens and placement; its view gives the scale
        where no strip does.
    points_px : ndarray, shape (n, k, 2)
        The leg's points and the machine's, as `angle.inputs.names_of` orders them.
    u_px : ndarray, shape (n, k)
        What each is found wrongly by for itself.
    alike_px : ndarray, shape (k,)
        What is found wrongly alike in all pictures.
    sights : Sights
        How the camera stands.
    strip : bool
        Whether distances are those of the strip, before the leg.
    u_common_deg : float
        What is shown wrongly alike of the direction, degrees.
    by_leg : float
        Share of the leg's own usual size in the distance, where no strip is: of a leg that is
        seen askew the flat picture tells it too far.
    """

    leg: LegInView
    points_px: Floats
    u_px: Floats
    alike_px: Floats
    sights: Sights
    strip: bool
    u_common_deg: float
    by_leg: float = 0.0

    def of_pictures(self, at: NDArray[np.intp]) -> Seen:
        """What was seen in some of the pictures."""
        sights = Sights(*(getattr(self.sights, one.name)[at] for one in fields(Sights)))
        return replace(self, points_px=self.points_px[at], u_px=self.u_px[at], sights=sights)


@dataclass(frozen=True, slots=True, eq=False)
class Inputs:
    """The common inputs: their names, where each group stands, and the leg's way in the picture."""

    names: tuple[str, ...]
    groups: Mapping[str, slice]
    way: Floats

    def at(self, group: str) -> slice:
        """The inputs of one group."""
        return self.groups.get(group, slice(0, 0))


@dataclass(frozen=True, slots=True, eq=False)
class Clipped:
    """What the model makes of a path and inputs.

    Parameters
    ----------
    drawn : Drawn
        Knee, bars and hinge of every picture.
    bars_mm : ndarray, shape (n, 2), or None
        From the hinge to the point on either bar.
    mm_per_px : ndarray, shape (n, 2 or 4)
        By how much each bone, from mark to mark, and each bar changes with a pixel along it at
        either end, both together (root of the sum of squares).
    """

    drawn: Drawn
    bars_mm: Floats | None
    mm_per_px: Floats

    @property
    def log_lengths(self) -> Floats:
        """Logarithms of what must stay as long as it is: bones, bars; shape (n, 2 or 4)."""
        parts = [self.drawn.segment_mm]
        if self.bars_mm is not None:
            parts.append(self.bars_mm)
        return np.asarray(np.log(np.concatenate(parts, axis=1)))


def inputs_for(seen: Seen) -> Inputs:
    """The inputs of a clip."""
    names = names_of(seen.leg)
    found = ["focal length", "distance", "direction:a", "direction:b", "parallel:a", "parallel:b"]
    found += ["leg's own turn:a", "leg's own turn:b"]
    found += [f"depth:{name}" for name in (*names, "bars")]
    found += [
        f"placement:{point}:{axis}:{part}"
        for point in LEG_POINTS
        for axis in ("along", "front")
        for part in ("stays", "straight", "bent")
    ]
    found += [f"finding:{name}:{axis}" for name in names for axis in ("along", "across")]
    found.append("sticking")
    of_group = [name.split(":")[0] for name in found]
    groups = {
        group: slice(of_group.index(group), of_group.index(group) + of_group.count(group))
        for group in dict.fromkeys(of_group)
    }
    axis = np.nanmedian(seen.points_px[:, 2] - seen.points_px[:, 0], axis=0)
    return Inputs(tuple(found), groups, axis / np.linalg.norm(axis))


def answered(seen: Seen, inputs: Inputs, lean: Floats, log_mm: Floats, z: Floats) -> Clipped:
    """Knee, bars and lengths of every picture.

    Parameters
    ----------
    seen, inputs
        What was seen, and the inputs' names.
    lean : ndarray, shape (n, 2)
        The path's lean (`standing`).
    log_mm : ndarray, shape (n,)
        Logarithm of the distance of strip or leg.
    z : ndarray, shape (m,)
        The common inputs.
    """
    leg, names = seen.leg, names_of(seen.leg)
    lens = leg.lens
    through = math.exp(lens.u_relative * z[inputs.at("focal length")][0])
    bars_lean = lean + np.radians(U_BARS_PARALLEL_DEG) * z[inputs.at("parallel")]
    own = _own_turn(inputs.way, z[inputs.at("leg's own turn")])
    distance = _distance(seen, log_mm, float(z[inputs.at("distance")][0]))
    points = seen.points_px + _alike(seen, names, z[inputs.at("finding")])
    draw = Draw(
        points_px=points,
        placement_mm=np.zeros((1, len(names), 2)),
        depth_mm=_depth(names, z[inputs.at("depth")]),
        normal=normals_of(bars_lean + own, seen.sights),
        bars_normal=normals_of(bars_lean, seen.sights),
        corners_px=np.zeros((1, 0, 4, 2)),
        tag_depth_mm=np.zeros((1, 0)),
        sticking=np.zeros((1, 3, 2)),
        hinge_off_mm=np.zeros((1, 4)),
        points_turn_deg=U_POINTS_DEG * z[inputs.at("sticking")],
        focal_px=np.array([lens.focal_px * through]),
        centre_px=np.array([lens.centre_px]),
        aspect=np.zeros(1),
        distance_mm=distance * through,
        thigh_mm=None,
    )
    planes = [(slice(0, 3), draw.normal), (slice(3, 6), draw.bars_normal)][: len(names) // 3]
    in_plane = [_met(points[:, which], draw, seen, which, normal) for which, normal in planes]
    lengths = [_sections(marks) for marks in in_plane]
    bars_mm = None if len(in_plane) < 2 else lengths[1]
    scales = [
        _mm_per_px(draw, seen, *plane, usual) for plane, usual in zip(planes, lengths, strict=True)
    ]
    placed = _placement(seen, draw, in_plane[0], z[inputs.at("placement")])
    drawn = simulated(leg, replace(draw, placement_mm=placed))
    return Clipped(drawn, bars_mm, np.concatenate(scales, axis=1))


def _sections(points: Floats) -> Floats:
    """From knee to hip and ankle, or from hinge to either bar's point: (..., 2)."""
    return np.asarray(np.linalg.norm(points[..., [0, 2], :] - points[..., 1:2, :], axis=-1))


def _mm_per_px(draw: Draw, seen: Seen, which: slice, normal: Floats, usual: Floats) -> Floats:
    """By how much the two sections change with a pixel along them at either end, (n, 2).

    ``usual`` (n, 2) is how long they are; both ends and the middle, along either section, are
    moved in one call.
    """
    points = draw.points_px[:, which]
    away = points[:, [0, 2]] - points[:, 1:2]
    away = away / np.linalg.norm(away, axis=-1, keepdims=True)
    by = np.zeros((3, *points.shape))
    by[0][:, [0, 2]] = away
    by[1][:, 1], by[2][:, 1] = -away[:, 0], -away[:, 1]
    ends, *middle = _sections(_met(points + by, draw, seen, which, normal)) - usual
    return np.asarray(np.hypot(ends, np.stack([middle[k][:, k] for k in (0, 1)], axis=1)))


def _own_turn(way: Floats, z: Floats) -> Floats:
    """Lean of the leg's plane against the bars': about the leg's long axis, and along it."""
    across = np.array([-way[1], way[0]])
    turn = U_LEG_TURN_DEG * z[0] * across + U_LEG_YAW_DEG * z[1] * way
    return np.asarray(np.radians(turn))


def _distance(seen: Seen, log_mm: Floats, z: float) -> Floats:
    """Distance of the knee's plane, before the focal length moves it."""
    if seen.strip:
        return np.asarray(np.exp(log_mm) + STRIP_TO_KNEE_MM[0] + STRIP_TO_KNEE_MM[1] * z)
    view = seen.leg.view
    return np.asarray(np.exp(log_mm + view.u_distance_mm / view.knee_distance_mm * z))


def _alike(seen: Seen, names: tuple[str, ...], z: Floats) -> Floats:
    """What is found wrongly alike, (n, k, 2): along and across each point's bone."""
    moved = np.zeros_like(seen.points_px)
    at = {name: seen.points_px[:, k] for k, name in enumerate(names)}
    for k, name in enumerate(names):
        start, end = _ends(name)
        way = at[end] - at[start]
        way = way / np.linalg.norm(way, axis=-1, keepdims=True)
        across = np.stack([-way[:, 1], way[:, 0]], axis=-1)
        moved[:, k] = seen.alike_px[k] * (z[2 * k] * way + z[2 * k + 1] * across)
    return moved


def _ends(name: str) -> tuple[str, str]:
    """The bone or bar that a point turns with."""
    if name in MACHINE_POINTS:
        return ("hinge", "shank_bar") if name == "shank_bar" else ("thigh_bar", "hinge")
    return ("knee", "ankle") if name == "ankle" else ("hip", "knee")


def _depth(names: tuple[str, ...], z: Floats) -> Floats:
    """Depth of each point (1, k), mm towards the camera."""
    usual = np.array([MARK_DEPTH_MM[name] for name in names])
    on_machine = np.array([name in MACHINE_POINTS for name in names])
    return np.asarray(
        (usual[:, 0] + usual[:, 1] * z[:-1] + on_machine * bars_further_mm(z[-1:]))[None]
    )


def _placement(seen: Seen, draw: Draw, marks: Floats, z: Floats) -> Floats:
    """Mark to bony point (n, k, 2), mm: along and towards the front of its own bone."""
    leg = simulated(replace(seen.leg, points={n: seen.leg.points[n] for n in LEG_POINTS}),
                    replace(draw, points_px=draw.points_px[:, :3], depth_mm=draw.depth_mm[:, :3],
                            placement_mm=draw.placement_mm[:, :3]))  # fmt: skip
    bend = np.radians(leg.marks_deg)
    placed = np.zeros((len(bend), draw.points_px.shape[1], 2))
    for k, point in enumerate(LEG_POINTS):
        start, end = (1, 2) if point == "ankle" else (0, 1)
        along = marks[:, end] - marks[:, start]
        along = along / np.linalg.norm(along, axis=-1, keepdims=True)
        front = geometry.turned(along, by_deg=90.0 if seen.leg.side == "left" else -90.0)
        share = SLIDES[point] if seen.leg.points[point].source == "dot" else 0.0
        parts = np.stack(
            [
                np.full_like(bend, math.sqrt(1.0 - share)),
                math.sqrt(share) * np.cos(bend),
                math.sqrt(share) * np.sin(bend),
            ],
            axis=-1,
        )
        off = seen.leg.placement_mm[k] * (parts @ z[6 * k : 6 * k + 6].reshape(2, 3).T)
        placed[:, k] = off[:, :1] * along + off[:, 1:] * front
    return placed


def _met(points_px: Floats, draw: Draw, seen: Seen, which: slice, normal: Floats) -> Floats:
    """Points (..., n, 3, 2) in the picture as seen along their plane's normal, mm."""
    rays = geometry.rays(
        points_px, focal_px=draw.focal_px[:, None], centre_px=seen.leg.lens.centre_px
    )
    far = draw.distance_mm[:, None] - draw.depth_mm[:, which]
    met = geometry.meet_plane(rays, normal=normal[:, None], distance_mm=far)
    return geometry.to_plane_mm(met, normal=normal[:, None])
