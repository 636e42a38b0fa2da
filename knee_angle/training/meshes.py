"""Boxes, bars, discs and sheets as one soup of coloured triangles.

A vertex is 16 floats: position, normal, two colours, and a pattern's kind, scale,
roughness and gloss. Colours are linear light.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from knee_angle.training.posing import unit

__all__ = ["PHOTO_PATTERN", "Soup", "crosses", "solid_triangles"]

Floats = NDArray[np.float64]
Material = Floats  # shape (10,): colours A and B, pattern, scale, roughness, gloss
PHOTO_PATTERN = 10  # pattern numbers from here on show a picture of the stack
ONE_SIDED = -1.0  # gloss of a surface that is seen from its normal's side only, and casts no shadow
IDENTITY = np.eye(3)


def _cube() -> tuple[Floats, Floats]:
    """Unit cube about the origin: 36 positions and normals."""
    positions, normals = [], []
    for axis in range(3):
        for sign in (-1, 1):
            n, u = np.zeros(3), np.zeros(3)
            n[axis], u[(axis + 1) % 3] = sign, 1
            w = np.cross(n, u)
            corners = [n + u * a + w * b for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
            for i in (0, 1, 2, 0, 2, 3):
                positions.append(corners[i])
                normals.append(n)
    return np.array(positions) * 0.5, np.array(normals)


def _cylinder(sides: int = 18) -> tuple[Floats, Floats]:
    """Radius 1, height 1 along z, closed."""
    positions, normals = [], []
    z = np.array([0, 0, 0.5])
    ring = np.linspace(0, 2 * np.pi, sides + 1)
    points = np.c_[np.cos(ring), np.sin(ring), 0 * ring]
    for a, b in pairwise(points):
        for p, n in ((a - z, a), (b - z, b), (b + z, b), (a - z, a), (b + z, b), (a + z, a)):
            positions.append(p)
            normals.append(n)
        for sign in (-1, 1):
            for p in (z * sign, a + z * sign, b + z * sign):
                positions.append(p)
                normals.append(np.array([0.0, 0.0, sign]))
    return np.array(positions), np.array(normals)


def _sphere(sides: int = 16) -> tuple[Floats, Floats]:
    """Unit sphere."""

    def at(i: int, j: int) -> Floats:
        a, b = 2 * np.pi * i / sides, 2 * np.pi * j / sides
        return np.array([np.sin(a) * np.cos(b), np.sin(a) * np.sin(b), np.cos(a)])

    positions = []
    for i in range(sides // 2):
        for j in range(sides):
            quad = at(i, j), at(i + 1, j), at(i + 1, j + 1), at(i, j + 1)
            positions += [quad[0], quad[1], quad[2], quad[0], quad[2], quad[3]]
    return np.array(positions), np.array(positions)


SHAPES = {"box": _cube(), "cylinder": _cylinder(), "sphere": _sphere()}


def solid_triangles(vertices: NDArray[np.float32]) -> NDArray[np.float32]:
    """The corners of what hides things, shape (M, 3, 3), of a soup's vertices, shape (3 N, 16)."""
    triangles = vertices.reshape(-1, 3, 16)
    return triangles[triangles[:, 0, 15] >= 0][:, :, :3]


def crosses(
    triangles: NDArray[Any], start: NDArray[Any], ray: NDArray[Any], *, farthest: float = 1.0
) -> bool:
    """Whether a stretch of a ray crosses any triangle.

    Parameters
    ----------
    triangles : ndarray, shape (M, 3, 3)
        Corners in the world.
    start, ray : ndarray, shape (3,)
        Where it starts, and from there to its end.
    farthest : float
        Share of the ray at which the stretch ends; it begins at 0.02, off the lens.

    Notes
    -----
    T. Möller and B. Trumbore, "Fast, minimum storage ray/triangle intersection", 1997.
    """
    a, e1, e2 = (
        triangles[:, 0],
        triangles[:, 1] - triangles[:, 0],
        triangles[:, 2] - triangles[:, 0],
    )
    h = np.cross(ray, e2)
    det = (e1 * h).sum(1)
    det = np.where(np.abs(det) < 1e-12, 1e-12, det)
    s = start - a
    v = (s * h).sum(1) / det
    q = np.cross(s, e1)
    w, t = (q @ ray) / det, (e2 * q).sum(1) / det
    return bool(((v >= 0) & (w >= 0) & (v + w <= 1) & (t > 0.02) & (t < farthest)).any())


class Soup:
    """Collects triangles; every random choice comes from the one generator given."""

    def __init__(self, rng: np.random.Generator, pictures: int) -> None:
        self.rng = rng
        self.pictures = pictures
        self._parts: list[NDArray[np.float32]] = []

    def colour(self) -> Floats:
        """A colour as things in rooms have them: white, black, grey or hued."""
        u, k = self.rng.uniform, self.rng.random()
        if k < 0.25:
            return np.asarray(u(0.55, 0.95) * u(0.93, 1, 3))
        if k < 0.4:
            return np.asarray(u(0.01, 0.12) * u(0.8, 1.2, 3))
        if k < 0.6:
            return np.asarray(u(0.1, 0.6) * u(0.85, 1.1, 3))
        hue, saturation, value = u(0, 1), u(0.15, 1) ** 1.3, u(0.08, 0.9)
        wave = 0.5 + 0.5 * np.cos(2 * np.pi * (hue + np.arange(3) / 3))
        return np.asarray(value * (1 - saturation * wave) ** 1.5)

    def material(self, colour: object = None, *, plain: bool = False) -> Material:
        """A material: plain, or patterned (stripes, checks, dots, blocks) half the time."""
        r, u = self.rng, self.rng.uniform
        a = self.colour() if colour is None else np.asarray(colour, dtype=float)
        kind = 0 if plain or r.random() < 0.5 else int(r.choice([0, 0, 0, 0, 1, 2, 3, 4]))
        b = np.clip(a * u(0.75, 1.2), 0, 1)
        if kind:
            b = self.colour() if r.random() < 0.6 else np.clip(a * u(0.4, 1.5), 0, 1)
        finish = (u(0, 0.5) * r.random(), u(0, 0.9) * r.random())
        return np.asarray(np.r_[a, b, kind, u(2, 25), finish])

    def picture(self) -> Material:
        """A material that shows one of the background pictures, at any scale."""
        r, u = self.rng, self.rng.uniform
        number = PHOTO_PATTERN + int(r.integers(self.pictures))
        return np.asarray(np.r_[u(0.3, 1, 3), r.random(3), number, u(0.6, 8), 0.0, 0.0])

    def either(self, p_picture: float) -> Material:
        """A picture with the given probability, else a plain or patterned material."""
        return self.picture() if self.rng.random() < p_picture else self.material()

    def raw(self, positions: Floats, normals: Floats, material: Material) -> None:
        """Triangles as they are: three positions and normals each."""
        per_vertex = np.broadcast_to(material, (len(positions), 10))
        self._parts.append(np.c_[positions, normals, per_vertex].astype(np.float32))

    def extend(self, coloured: Floats, pattern: Floats) -> None:
        """Triangles with their own two colours, shape (N, 12), under one pattern, shape (4,)."""
        rows = np.broadcast_to(pattern, (len(coloured), 4))
        self._parts.append(np.c_[coloured, rows].astype(np.float32))

    def solid(self, shape: str, matrix: Floats, at: object, material: Material) -> None:
        """A box, cylinder or sphere under a linear map, moved to ``at``."""
        positions, normals = SHAPES[shape]
        turned = normals @ np.linalg.inv(matrix)
        turned = turned / (np.linalg.norm(turned, axis=1, keepdims=True) + 1e-9)
        self.raw(positions @ matrix.T + np.asarray(at, dtype=float), turned, material)

    def box(self, at: object, size: object, material: Material, turn: Floats = IDENTITY) -> None:
        """A box with its centre and edge lengths."""
        self.solid("box", turn @ np.diag(np.asarray(size, dtype=float)), at, material)

    def bar(
        self,
        a: object,
        b: object,
        thick: tuple[float, float],
        material: Material,
        *,
        shape: str = "box",
    ) -> None:
        """A bar from ``a`` to ``b``: thickness across (along y where it can) and the other way."""
        start, end = np.asarray(a, dtype=float), np.asarray(b, dtype=float)
        length = float(np.linalg.norm(end - start)) + 1e-6
        z = (end - start) / length
        x = np.array([0, 1.0, 0]) - z * z[1]
        x = unit(x) if np.linalg.norm(x) > 1e-3 else unit(np.cross(z, [1, 0, 0.1]))
        y = np.cross(z, x)
        matrix = np.column_stack([x * thick[0], y * thick[1], z * length])
        self.solid(shape, matrix, (start + end) / 2, material)

    def disc(
        self, at: object, axis: object, radius: float, height: float, material: Material
    ) -> None:
        """A flat cylinder."""
        z = unit(axis)
        x = unit(np.cross(z, [0.3, 0.1, 1]))
        matrix = np.column_stack([x * radius, np.cross(z, x) * radius, z * height])
        self.solid("cylinder", matrix, at, material)

    def tube(self, points: Floats, radius: float, material: Material) -> None:
        """A hose or cable through the points, shape (N, 3)."""
        for a, b in pairwise(points):
            self.bar(a, b, (radius, radius), material, shape="cylinder")

    def wall(
        self, axis: int, at: float, inward: float, heights: tuple[float, float], material: Material
    ) -> None:
        """A wall across x (axis 0) or y (axis 1) that shows only from its inner side."""
        corners = np.zeros((4, 3))
        corners[:, axis] = at
        corners[:, 1 - axis] = [-7, 7, 7, -7]
        corners[:, 2] = np.repeat(heights, 2)
        normal = np.zeros(3)
        normal[axis] = inward
        one_sided = np.r_[material[:9], ONE_SIDED]
        self.raw(corners[[0, 1, 2, 0, 2, 3]], np.tile(normal, (6, 1)), one_sided)

    def sheet(self, grid: Floats, material: Material) -> None:
        """A surface through a grid of points, shape (M, N, 3)."""
        normals = np.cross(np.gradient(grid, axis=0), np.gradient(grid, axis=1))
        normals /= np.linalg.norm(normals, axis=-1, keepdims=True) + 1e-9

        def corners(field: Floats) -> Floats:
            a, b, c, d = (
                f.reshape(-1, 3)
                for f in (field[:-1, :-1], field[1:, :-1], field[1:, 1:], field[:-1, 1:])
            )
            return np.stack([a, b, c, a, c, d], 1).reshape(-1, 3)

        self.raw(corners(grid), corners(normals), material)

    def vertices(self) -> NDArray[np.float32]:
        """Everything collected, shape (N, 16)."""
        return np.concatenate(self._parts) if self._parts else np.zeros((0, 16), np.float32)
