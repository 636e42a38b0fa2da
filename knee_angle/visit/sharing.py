"""What the photos of a visit have in common, and what each has for itself.

The model of one photo (:mod:`knee_angle.angle.uncertainty`) turns standard normal inputs into
knee, bars and hinge. A visit has inputs of its own, standard normal too, and each photo's
inputs are a turn of them: what two photos share hangs on the same input of the visit, once.
Every row of that turn has length 1, so that each photo alone keeps exactly its own model.

========================= ==================================================================
input of a photo          whose it is in the visit
========================= ==================================================================
landmark finding          dots and tags: the photo's. Points found anew: a quarter of its
                          variance of the visit, the rest of the photo (`FOUND_ALIKE`)
landmark placement        dots: of the set of dots, of which a share slides over the bone as
                          the knee bends (`SLIDES`). Points found anew: half its variance of
                          the leg, half of the photo (`FOUND_ANEW`). Hip and knee turn with
                          the thigh, the ankle with the lower leg
landmark depth            of the leg (marks) and of the machine (points, tags, all bars)
camera direction          strip or tags: `U_BARS_PARALLEL_DEG` of the machine, the rest of the
                          photo. Network or prior: half of the visit, half of the photo
                          (`DIRECTION_ALIKE`), by prior alone half of the setting
the leg's own turn        of the leg
focal length              of the phone: same picture size, same focal length
pixel shape               the photo's, where it may have been stretched
leg distance              how far the strip, a taped thigh or dots of known size put the leg:
                          of the visit. By tags on the bars or the leg's own size: the photo's
sticking                  of the machine; how far tags lie from the hinge is new each time a
                          section was moved, as a tag may sit on the part that moves
========================= ==================================================================

Directions are shared along and across the leg's long axis (hip to ankle in the picture), so
that a phone held upright and one held across mean the same.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from knee_angle import assumptions
from knee_angle.angle import geometry, uncertainty
from knee_angle.assumptions import (
    DIRECTION_ALIKE,
    FOUND_ALIKE,
    FOUND_ANEW,
    SLIDES,
    U_BARS_PARALLEL_DEG,
)
from knee_angle.records import LEG_POINTS, MACHINE_POINTS, LegInView, PointName
from knee_angle.visit.photos import VisitPhoto, by_leg, flat

__all__ = ["Inputs", "Share", "shared"]

Floats = NDArray[np.float64]
Key = tuple[str, ...]
"""A visit's input: budget line, part of it, whose it is."""


@dataclass(frozen=True, slots=True, eq=False)
class Share:
    """One photo's inputs as a turn of the visit's.

    Parameters
    ----------
    columns : ndarray of int, shape (m,)
        The visit's inputs that this photo hangs on.
    turns : Mapping of line to ndarray, shape (inputs of the line, m)
        Their share in each of the photo's inputs.
    """

    columns: NDArray[np.int_]
    turns: Mapping[str, Floats]

    def of_photo(self, inputs: Floats) -> dict[str, Floats]:
        """The photo's inputs by line, shape (n, of the line), from the visit's, shape (all, n)."""
        return self.of_own(inputs[self.columns])

    def of_own(self, own: Floats) -> dict[str, Floats]:
        """The same from those of the visit's that it hangs on, shape (m, n)."""
        return {line: (turn @ own).T for line, turn in self.turns.items()}


@dataclass(frozen=True, slots=True, eq=False)
class Inputs:
    """All inputs of a visit: their keys in order, and each photo's share."""

    keys: tuple[Key, ...]
    shares: tuple[Share, ...]


Row = Sequence[tuple[Key, float]]
"""One input of a photo: the visit's inputs that make it, each with its share."""


def shared(photos: Sequence[VisitPhoto]) -> Inputs:
    """The inputs of a visit's photos."""
    index: dict[Key, int] = {}
    shares = []
    for photo in photos:
        lines = {line: list(rows) for line, rows in _lines(photo)}
        keys = sorted({key for rows in lines.values() for row in rows for key, _ in row})
        place = {key: k for k, key in enumerate(keys)}
        turns = {}
        for line, rows in lines.items():
            turn = np.zeros((len(rows), len(keys)))
            for k, row in enumerate(rows):
                for key, share in row:
                    turn[k, place[key]] += share
            turns[line] = turn
        columns = np.array([index.setdefault(key, len(index)) for key in keys])
        shares.append(Share(columns, turns))
    return Inputs(tuple(index), tuple(shares))


def _lines(photo: VisitPhoto) -> Iterator[tuple[str, list[Row]]]:
    """The rows of every line, in the order of `uncertainty.inputs_of`."""
    leg, name = photo.leg, photo.name
    counts = uncertainty.inputs_of(leg)
    points: list[PointName] = [*LEG_POINTS, *(n for n in MACHINE_POINTS if n in leg.points)]
    finding = [row for p in points for row in _finding(photo, p)]
    finding += [
        [(("finding", "tag corners", name, str(k)), 1.0)]
        for k in range(counts["landmark_finding"] - len(finding))
    ]
    yield "landmark_finding", finding
    yield "landmark_placement", _placement(photo)
    of = {p: "leg" if p in LEG_POINTS else "machine" for p in points}
    depth: list[Key] = [("depth", p, of[p]) for p in points]
    depth += [("depth", f"tag {k}", "machine") for k in range(0 if leg.bar_tags is None else 2)]
    yield "landmark_depth", [[(key, 1.0)] for key in (*depth, ("depth", "bars", "machine"))]
    yield "camera_direction", _direction(photo, with_turn=counts["camera_direction"] == 4)
    yield "focal_length", [[(key, 1.0)] for key in _of_lens(leg, name)]
    yield "leg_distance", [_split(("distance",), photo.name, share=_distance_share(leg))]
    yield "sticking", [[(_sticking(k, photo.adjusted), 1.0)] for k in range(counts["sticking"])]


ANGLES_STUCK = 5
"""Of the inputs of sticking (`inputs.ALL_LINES`) the first ones are how points turn and tags lie
turned and across: they stay when a section moves. The others are distances to the hinge."""


def _sticking(which: int, adjusted: int) -> Key:
    moved = adjusted > 0 and which >= ANGLES_STUCK
    return ("sticking", str(which), f"adjusted {adjusted}") if moved else ("sticking", str(which))


def _split(key: Key, rest: str, *, share: float) -> Row:
    """An input of which so much of the variance is the visit's and the rest a photo's."""
    both = ((*key, "visit"), math.sqrt(share)), ((*key, rest), math.sqrt(1.0 - share))
    return [(name, part) for name, part in both if part > 0.0]


def _of_lens(leg: LegInView, name: str) -> list[Key]:
    """A phone's focal length; what was done to a picture is its own."""
    keys: list[Key] = [("focal length", _phone(leg))]
    if leg.lens.u_aspect > 0.0:
        keys.append(("pixel shape", name))
    if leg.lens.u_centre > 0.0:
        keys += [("middle", name, axis) for axis in "xy"]
    return keys


def _phone(leg: LegInView) -> str:
    """Which phone (or which of its lenses) it was, whichever way up it was held."""
    size = sorted((leg.lens.width_px, leg.lens.height_px))
    return f"{size[0]} x {size[1]} px, {leg.lens.focal_px:.1f} ± {leg.lens.u_relative:.3f}"


def _distance_share(leg: LegInView) -> float:
    """How much of the distance's ± all photos have in common: all or nothing.

    The tags on the bars leave only how well their size was seen, and a leg whose own size gave
    the distance looks shorter in one photo than in another.
    """
    if leg.view.plane == "tag":
        return 1.0 if leg.bar_tags is None or leg.thigh_mm is not None else 0.0
    return 0.0 if by_leg(leg) else 1.0


def _finding(photo: VisitPhoto, point: PointName) -> list[Row]:
    """The finding of one point: along and across its bone where it is partly alike."""
    leg, name = photo.leg, photo.name
    if leg.points[point].source == "dot":
        return [[(("finding", point, name, axis), 1.0)] for axis in "ab"]
    parts: list[Row] = [
        [
            (("finding alike", point, axis), math.sqrt(FOUND_ALIKE)),
            (("finding", point, name, axis), math.sqrt(1.0 - FOUND_ALIKE)),
        ]
        for axis in "ab"
    ]
    axes = _picture_axes(leg, "hip", "knee")
    if point in {"ankle", "shank_bar"}:
        axes = _picture_axes(leg, "knee", "ankle")
    return _turned(parts, _to_root(leg.points[point].cov_px2, axes))


def _placement(photo: VisitPhoto) -> list[Row]:
    """Along and across the bone the mark lies on, turned into the plane's axes.

    Seen square-on and not in the picture: an oblique view turns a bone in the picture, and an
    offset that seems to turn against its bone would seem to be seen.
    """
    leg = photo.leg
    at = dict(zip(LEG_POINTS, _in_plane_mm(leg), strict=True))
    bones = {
        "hip": at["knee"] - at["hip"],
        "knee": at["knee"] - at["hip"],
        "ankle": at["ankle"] - at["knee"],
    }
    first, middle, last = (at[name] for name in LEG_POINTS)
    bend_deg = float(geometry.signed_flexion_deg(first, middle, last, side=leg.side))
    rows: list[Row] = []
    for point in LEG_POINTS:
        along, front = _axes(bones[point], leg)
        stays = leg.points[point].source == "dot"
        parts: list[Row] = [
            _of_dot(("placement", point, f"dots {photo.marks}", axis), point, bend_deg)
            if stays
            else _split(("placement", point, f"found {axis}"), photo.name, share=FOUND_ANEW)
            for axis in ("along", "front")
        ]
        rows += _turned(parts, np.column_stack([along, front]))
    return rows


def _of_dot(key: Key, point: PointName, bend_deg: float) -> Row:
    """A dot's place on its bone: what stays, and what slides from a straight knee to 90°.

    At bends 90° apart the sliding parts have nothing in common, at equal bends all.
    """
    share, turn = SLIDES[point], math.radians(bend_deg)
    return [
        (key, math.sqrt(1.0 - share)),
        ((*key, "slides, straight"), math.sqrt(share) * math.cos(turn)),
        ((*key, "slides, bent"), math.sqrt(share) * math.sin(turn)),
    ]


def _in_plane_mm(leg: LegInView) -> Floats:
    """Hip, knee and ankle mark (3, 2) as seen along the view's normal, mm."""
    view, lens = leg.view, leg.lens
    pixels = [(leg.points[name].x_px, leg.points[name].y_px) for name in LEG_POINTS]
    directions = geometry.rays(pixels, focal_px=lens.focal_px, centre_px=lens.centre_px)
    depth = np.array([assumptions.MARK_DEPTH_MM[name][0] for name in LEG_POINTS])
    far = view.knee_distance_mm - depth
    met = geometry.meet_plane(directions, normal=view.normal, distance_mm=far)
    return geometry.to_plane_mm(met, normal=view.normal)


def _axes(along: Floats, leg: LegInView) -> tuple[Floats, Floats]:
    """Unit vectors, x right and y down, along a bone and towards its front."""
    unit = along / np.linalg.norm(along)
    # The front of a left leg, foot to the left, is up.
    return unit, geometry.turned(unit, by_deg=90.0 if leg.side == "left" else -90.0)


def _direction(photo: VisitPhoto, *, with_turn: bool) -> list[Row]:
    """Tilt along and across the leg's long axis; then the leg's own turn, where it is apart."""
    leg, view = photo.leg, photo.leg.view
    variance = view.tilt_cov_deg2[0] + view.tilt_cov_deg2[2]
    share = DIRECTION_ALIKE
    if view.plane == "tag":
        share = min(1.0, 2.0 * U_BARS_PARALLEL_DEG**2 / variance) if variance > 0.0 else 1.0
    # What nobody saw does not average out over the repeats of a setting.
    rest = f"setting {photo.setting}" if flat(leg) else photo.name
    camera = [_split(("direction", "camera", axis), rest, share=share) for axis in "ab"]
    axes = _picture_axes(leg, "hip", "ankle")
    rows = _turned(camera, _to_root(view.tilt_cov_deg2, axes))
    if with_turn:
        own: list[Row] = [[(("direction", "leg's own turn", axis), 1.0)] for axis in "ab"]
        rows += _turned(own, _to_root(view.leg_turn_cov_deg2, axes))
    return rows


def _turned(rows: Sequence[Row], turn: Floats) -> list[Row]:
    return [
        [(key, part * turn[k, j]) for j, row in enumerate(rows) for key, part in row]
        for k in range(len(turn))
    ]


def _picture_axes(leg: LegInView, start: PointName, end: PointName) -> Floats:
    """Along and across from one point to another in the picture, as columns (2, 2)."""
    first, last = (np.array([leg.points[n].x_px, leg.points[n].y_px]) for n in (start, end))
    return np.column_stack(_axes(last - first, leg))


def _to_root(cov: tuple[float, float, float], axes: Floats) -> Floats:
    """From inputs along and across some axes to those of the photo's own root, shape (2, 2).

    Both make the same covariance, so it is a turn (or a mirror).
    """
    matrix = np.array([[cov[0], cov[1]], [cov[1], cov[2]]])
    if np.linalg.det(matrix) <= 1e-9 * np.trace(matrix) ** 2:
        return np.eye(2)
    wanted = axes @ np.linalg.cholesky(axes.T @ matrix @ axes)
    return np.asarray(np.linalg.solve(uncertainty.root_of(cov), wanted))
