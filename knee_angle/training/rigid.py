"""One rigid machine that holds a leg by its heel, set once and moved over its range.

The geometry is :mod:`knee_angle.machine.chain`'s: the thigh section turns about a point at
hip height, the lower-leg section ends at the seated sole, which a carriage moves along the
bed. Nothing but the bars' angle changes from photo to photo: section lengths, the place on
the bed, the distance of the bars from the leg, colours, cover and strip stay.

World: metres, as everywhere in this folder; the leg's plane is y = 0, the camera's side -y.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from knee_angle.machine.chain import Chain
from knee_angle.training.machines import Points, add_trough
from knee_angle.training.meshes import Material, Soup

__all__ = [
    "DOT_M",
    "MM",
    "Linkage",
    "Parts",
    "Rigid",
    "add_rigid",
    "linkage",
    "plain",
    "seen_share",
]

Floats = NDArray[np.float64]

MM = 1000.0
TAG_M, TAG_GAP_M, TAG_CELLS = 0.05, 0.008, 8
STRIP_TAGS = (24, 25, 26, 27)
DOT_M = 0.016
"""Diameter of every adhesive dot."""
BAR = (0.010, 0.016)
"""Thickness of the bars across and along their plane."""
BOSS_M, COVER_M = 0.013, 0.042
"""Radius of the bare hinge and of its cover, which hides the epicondyle from most sides."""
RAIL_Z = 0.03
SEGMENTS = {
    "0": "abcdef", "1": "bc", "2": "abged", "3": "abgcd", "4": "fgbc", "5": "afgcd",
    "6": "afgedc", "7": "abc", "8": "abcdefg", "9": "abcdfg", "-": "g",
}  # fmt: skip


@dataclass(frozen=True)
class Rigid:
    """A machine as it was set for one visit, metres.

    Parameters
    ----------
    sections : Chain
        The leg's lengths and what the sections miss them by, mm.
    height : float
        Of the hip end and the seat above the bed.
    near, far : float
        The bars' distance from the leg's plane, on the camera's side and the other.
    dot : ndarray, shape (10,)
        The material of its three dots.
    """

    sections: Chain
    height: float
    near: float
    far: float
    dot: Material


@dataclass(frozen=True)
class Linkage:
    """Where the sections stand at one flexion of the bars, metres in the leg's plane (x, z).

    ``tilt_rad`` is how far the lower-leg section falls from the hinge to the seat.
    """

    pivot: Floats
    hinge: Floats
    seat: Floats
    tilt_rad: float


@dataclass(frozen=True)
class Parts:
    """What the truth tells of a machine in a scene, metres.

    ``points`` are its dots' faces, ``tags`` number to corners, shape (4, 3), ``lcd`` the
    display's corners; corners from the top left, clockwise as seen.
    """

    points: Points
    tags: dict[int, Floats]
    lcd: Floats


def linkage(machine: Rigid, bars_deg: float) -> Linkage:
    """The triangle of hip end, hinge and seat; the hip end is at x = 0."""
    c, bars = machine.sections, math.radians(bars_deg)
    upper = float(np.add(c.thigh_mm, c.thigh_fault_mm)) / MM
    under = float(np.add(c.lower_mm, c.lower_fault_mm)) / MM
    across = upper * math.sin(bars)
    lift = math.atan2(under * math.sin(bars), upper + under * math.cos(bars))
    tilt = math.atan2(across, under + upper * math.cos(bars))
    pivot = np.array([0.0, machine.height])
    hinge = pivot + upper * np.array([math.cos(lift), math.sin(lift)])
    seat = hinge + under * np.array([math.cos(tilt), -math.sin(tilt)])
    return Linkage(pivot, hinge, seat, tilt)


def plain(rgb: object) -> Material:
    """An even matt material, linear colours."""
    colour = np.asarray(rgb, dtype=float)
    return np.asarray(np.r_[colour, colour, 0.0, 5.0, 0.0, 0.0])


def add_rigid(
    soup: Soup, machine: Rigid, at: Linkage, *, covered: bool, strip: bool, shown: str
) -> Parts:
    """Adds the machine; its colours are the first that the soup's generator draws."""
    bars, frame, padding, cover = (plain(soup.rng.uniform(*span, 3)) for span in
                                   ((0.25, 0.6), (0.5, 0.8), (0.1, 0.4), (0.6, 0.85)))  # fmt: skip
    points = _add_sections(soup, machine, at, bars, cover if covered else None)
    _add_base(soup, machine, at, frame)
    _add_padding(soup, machine, at, padding)
    tags = _add_strip(soup, machine) if strip else {}
    return Parts(points, tags, _add_display(soup, machine, shown, frame))


def _place(point: Floats, y: float) -> Floats:
    return np.array([point[0], y, point[1]])


def _add_sections(
    soup: Soup, machine: Rigid, at: Linkage, bars: Material, cover: Material | None
) -> Points:
    """Both bars on both sides, the hinge, its cover on the camera's side, and the dots."""
    from_hip = at.pivot + (at.hinge - at.pivot) * 0.22
    for y in (-machine.near, machine.far):
        soup.bar(_place(from_hip, y), _place(at.hinge, y), BAR, bars)
        soup.bar(_place(at.hinge, y), _place(at.seat, y), BAR, bars)
    face = -machine.near - BAR[0] / 2
    radius, thick = (BOSS_M, 0.006) if cover is None else (COVER_M, 0.018)
    middle = _place(at.hinge, face - thick / 2)
    soup.disc(middle, [0, 1, 0], radius, thick, bars if cover is None else cover)
    points = {
        "thigh_bar": _place(at.pivot + (at.hinge - at.pivot) * 0.5, face),
        "hinge": _place(at.hinge, face - thick),
        "shank_bar": _place(at.hinge + (at.seat - at.hinge) * 0.5, face),
    }
    for point in points.values():
        point[1] -= 0.001
        soup.disc(point + [0, 0.0005, 0], [0, 1, 0], DOT_M / 2, 0.001, machine.dot)
    return points


def _add_base(soup: Soup, machine: Rigid, at: Linkage, frame: Material) -> None:
    """Rails along the bed, cross pieces, a carriage with its foot plate, a strut near the hip."""
    start, end = 0.06, _longest(machine) + 0.16
    from_hip = at.pivot + (at.hinge - at.pivot) * 0.22
    for y in (-machine.near, machine.far):
        soup.bar([start, y, RAIL_Z], [end, y, RAIL_Z], (0.02, 0.03), frame)
        soup.bar(_place(from_hip, y), [0.1, y, RAIL_Z], (0.008, 0.012), frame)
        soup.bar(_place(at.seat, y), [at.seat[0], y, RAIL_Z], (0.016, 0.03), frame)
        soup.box([at.seat[0], y, RAIL_Z], [0.09, 0.03, 0.045], frame)
    middle, wide = (machine.far - machine.near) / 2, machine.near + machine.far
    for x in (start + 0.1, end - 0.03):
        soup.box([x, middle, 0.012], [0.05, wide, 0.02], frame)
    along = np.array([math.cos(at.tilt_rad), 0.0, -math.sin(at.tilt_rad)])
    up = np.array([-along[2], 0.0, along[0]])
    turn = np.column_stack([along, [0.0, 1.0, 0.0], up])
    seat = _place(at.seat, 0.0)
    soup.box(seat + along * 0.008 + up * 0.08, [0.012, 0.12, 0.26], frame, turn)
    behind = along * 0.008
    start_of_rod, end_of_rod = (_place(at.seat, y) for y in (-machine.near, machine.far))
    soup.bar(start_of_rod + behind, end_of_rod + behind, (0.012, 0.012), frame)


def _longest(machine: Rigid) -> float:
    """Hip end to seat with the bars straight, metres."""
    c = machine.sections
    total = np.add(c.thigh_mm, c.thigh_fault_mm) + np.add(c.lower_mm, c.lower_fault_mm)
    return float(total) / MM


def _add_padding(soup: Soup, machine: Rigid, at: Linkage, padding: Material) -> None:
    """A half-shell below the thigh and one below the calf, hung between the bars."""
    for ends, (first, last), radii in (
        ((at.pivot, at.hinge), (0.3, 0.75), (0.088, 0.072)),
        ((at.hinge, at.seat), (0.3, 0.75), (0.062, 0.05)),
    ):
        a, b = (_place(p, 0.0) for p in ends)
        along = (b - a) / np.linalg.norm(b - a)
        front = np.cross([0.0, 1.0, 0.0], along) * -1.0
        shell = (a + (b - a) * first, a + (b - a) * last)
        add_trough(soup, shell, front, np.array(radii), padding, around_deg=60.0)
        for share in (first + 0.03, last - 0.03):
            under = a + (b - a) * share - front * (radii[0] + 0.004)
            for y in (-machine.near, machine.far):
                edge = a + (b - a) * share
                edge[1] = y
                soup.bar(edge, under, (0.006, 0.012), padding)


def _add_strip(soup: Soup, machine: Rigid) -> dict[int, Floats]:
    """The printed strip on a plate at the near rail."""
    white, black = plain([0.8] * 3), plain([0.012] * 3)
    y, step, left, low = -machine.near - 0.03, TAG_M + TAG_GAP_M, 0.4, 0.012
    wide = len(STRIP_TAGS) * step + 0.012
    middle = [left - 0.01 + wide / 2, y + 0.006, low + TAG_M / 2]
    soup.box(middle, [wide, 0.0115, TAG_M + 0.024], white)
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    cell, corners = TAG_M / TAG_CELLS, {}
    for k, number in enumerate(STRIP_TAGS):
        x0, top = left + k * step, low + TAG_M
        image = cv2.aruco.generateImageMarker(family, number, TAG_CELLS)
        for row, column in np.argwhere(image == 0):
            a = np.array([x0 + column * cell, y, top - row * cell])
            _quad(soup, a, [cell, 0, 0], [0, 0, -cell], black)
        square = [[x0, y, top], [x0 + TAG_M, y, top], [x0 + TAG_M, y, low], [x0, y, low]]
        corners[number] = np.array(square)
    return corners


def _quad(soup: Soup, corner: Floats, right: object, down: object, material: Material) -> None:
    """A flat rectangle that looks to the camera's side."""
    r, d = np.asarray(right, dtype=float), np.asarray(down, dtype=float)
    four = np.array([corner, corner + r, corner + r + d, corner + d])
    soup.raw(four[[0, 1, 2, 0, 2, 3]], np.tile([0.0, -1.0, 0.0], (6, 1)), material)


def _add_display(soup: Soup, machine: Rigid, shown: str, frame: Material) -> Floats:
    """The control box with the displayed number in seven segments; corners as of a tag."""
    y, x0, low, wide, high = -machine.near - 0.045, 0.22, 0.015, 0.085, 0.05
    soup.box([x0 + wide / 2, y + 0.016, 0.04], [wide + 0.03, 0.03, high + 0.03], frame)
    glass, ink = plain([0.33, 0.42, 0.3]), plain([0.015] * 3)
    top = low + high
    _quad(soup, np.array([x0, y, top]), [wide, 0, 0], [0, 0, -high], glass)
    w, h, t = 0.016, 0.015, 0.004
    strokes = {
        "a": (0, 0, w, t), "g": (0, h, w, t), "d": (0, 2 * h, w, t), "f": (0, 0, t, h + t),
        "b": (w - t, 0, t, h + t), "e": (0, h, t, h + t), "c": (w - t, h, t, h + t),
    }  # fmt: skip
    for k, digit in enumerate(shown):
        left = x0 + 0.012 + k * (w + 0.008)
        for name in SEGMENTS[digit]:
            dx, dz, sx, sz = strokes[name]
            corner = np.array([left + dx, y - 0.0006, top - 0.008 - dz])
            _quad(soup, corner, [sx, 0, 0], [0, 0, -sz], ink)
    square = [[x0, y, top], [x0 + wide, y, top], [x0 + wide, y, low], [x0, y, low]]
    return np.array(square)


def seen_share(
    triangles: Floats, *, eye: Floats, centre: Floats, normal: Floats, radius: float
) -> float:
    """Share of a disc's face that the triangles, shape (T, 3, 3), leave in sight of ``eye``."""
    a = triangles[:, 0]
    e1, e2 = triangles[:, 1] - a, triangles[:, 2] - a
    side = np.cross(normal, [0.3, 0.1, 1.0])
    side /= np.linalg.norm(side)
    up = np.cross(normal, side)
    rings = [(0.0, 1), (0.45, 8), (0.8, 16)]
    free = []
    for share, count in rings:
        for angle in np.arange(count) * 2 * math.pi / count:
            at = centre + radius * share * (side * math.cos(angle) + up * math.sin(angle))
            ray = eye - at
            h = np.cross(ray, e2)
            det = (e1 * h).sum(1)
            det = np.where(np.abs(det) < 1e-12, 1e-12, det)
            s = at - a
            u, q = (s * h).sum(1) / det, np.cross(s, e1)
            v, t = (q @ ray) / det, (e2 * q).sum(1) / det
            free.append(not bool(((u >= 0) & (v >= 0) & (u + v <= 1) & (t > 1e-4) & (t < 1)).any()))
    return float(np.mean(free))
