"""What lies over the skin: garments as shells of the body, sheets draped from above.

A shell draws the body once more, moved outward along its normals, and cut by the
regions of :class:`knee_angle.training.bodies.Body`. The shader knows three cuts.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from knee_angle.training.bodies import Body
from knee_angle.training.meshes import Material, Soup
from knee_angle.training.posing import Person

__all__ = ["AROUND", "BAND", "PATCH", "Shell", "add_skirt", "drape", "everyday", "hospital"]

Floats = NDArray[np.float64]
AROUND, BAND, PATCH = 1, 2, 3


@dataclass(frozen=True)
class Shell:
    """One garment.

    Parameters
    ----------
    cut : int
        AROUND: trunk and both legs between two heights; BAND: one leg between two
        heights; PATCH: a spot on the front of the right knee.
    offset : float
        Metres outward; ``waves`` metres more or less in folds.
    span : (float, float, float, float)
        AROUND: from, to (metres below the hip), 1 where the left leg ends higher,
        and that height. BAND: from, to, +1 right or -1 left leg, 0. PATCH: radius.
    limits : (float, float)
        Largest share of forearm still covered, and how uneven the hem is.
    folds : (float, float, float)
        Strength, waves per metre and direction (radians) of the shaded folds.
    """

    cut: int
    offset: float
    waves: float
    span: tuple[float, float, float, float]
    limits: tuple[float, float]
    material: Material
    folds: tuple[float, float, float] = field(default=(0.0, 1.0, 0.0))


def _folds(rng: np.random.Generator) -> tuple[float, float, float]:
    """Shaded folds from none to crumpled."""
    u = rng.uniform
    return (u(0.0, 1.3) * (rng.random() < 0.8), u(12, 70), u(0, np.pi))


def _around(
    soup: Soup,
    top: float,
    hem: float,
    *,
    sleeves: float = 0.02,
    loose: float = 1.0,
    uneven: float = 0.03,
) -> Shell:
    """A garment around the trunk and both legs."""
    u = soup.rng.uniform
    return Shell(
        AROUND,
        u(0.003, 0.018) * loose,
        u(0, 0.016) * loose,
        (top, hem, 0.0, 0.0),
        (sleeves, uneven),
        soup.either(0.15),
        _folds(soup.rng),
    )


def _band(soup: Soup, start: float, end: float, sign: float, *, pale: bool = False) -> Shell:
    """A stocking, bandage, strap or shoe on one leg."""
    u = soup.rng.uniform
    material = (
        soup.material(u(0.4, 0.95) * u(0.85, 1.0, 3), plain=True) if pale else soup.material()
    )
    return Shell(
        BAND,
        u(0.002, 0.009),
        u(0, 0.004),
        (start, end, sign, 0.0),
        (0.0, 0.02),
        material,
        _folds(soup.rng),
    )


def hospital(soup: Soup, body: Body, *, straps: bool) -> list[Shell]:
    """Shorts or bare, gown, straps, stockings, dressings: a patient in bed."""
    r, u = soup.rng, soup.rng.uniform
    knee, ankle = body.knee_below_hip, body.ankle_below_hip
    shells = [_around(soup, -0.16, u(0.02, 0.3) if r.random() < 0.8 else u(min(0.3, knee), knee))]
    k = r.random()
    if k < 0.1:
        shells[0] = _around(soup, -0.16, u(ankle * 0.7, ankle + 0.02))
    elif k < 0.2:  # one trouser leg is rolled up or cut away
        whole = _around(soup, -0.16, u(0.05, 0.25))
        other = _band(soup, 0.0, u(ankle * 0.7, ankle), -1.0)
        shells = [
            whole,
            Shell(BAND, whole.offset, 0.0, other.span, (0, 0.03), whole.material, whole.folds),
        ]
    if r.random() < 0.9:
        hem = u(-0.12, 0.4) if r.random() < 0.7 else u(-0.12, 0.02)
        shells.append(_around(soup, -0.62, hem, sleeves=u(0.02, 0.9), loose=1.4, uneven=0.05))
    if straps:
        strap = soup.material(plain=True)
        for _ in range(int(r.integers(1, 5))):
            c = u(0.1, knee * 0.85) if r.random() < 0.5 else u(knee * 1.12, ankle * 0.97)
            w = u(0.012, 0.04)
            shells.append(
                Shell(BAND, u(0.004, 0.014), 0.0, (c - w, c + w, 1.0, 0.0), (0.0, 0.01), strap)
            )
    if r.random() < 0.35:
        spans = [
            (ankle - u(0, 0.12), 9.0),
            (knee + u(0.02, 0.14), 9.0),
            (u(0.12, knee * 0.8), 9.0),
            (knee - u(0.05, 0.17), knee + u(0.05, 0.17)),
            (u(0.12, knee * 0.8), ankle - u(-0.03, 0.1)),
        ]
        start, end = spans[int(r.integers(len(spans)))]
        shells.append(_band(soup, start, end, 1.0, pale=r.random() < 0.6))
    if r.random() < 0.4:
        start = ankle - u(0, 0.12) if r.random() < 0.6 else u(0.1, knee)
        shells.append(_band(soup, start, 9.0, -1.0))
    if r.random() < 0.3:
        pale = soup.material([u(0.6, 0.95), u(0.6, 0.9), u(0.5, 0.85)], plain=True)
        shells.append(Shell(PATCH, 0.003, 0.0, (u(0.03, 0.09), 0, 0, 0), (0.0, 0.4), pale))
    return shells


def everyday(soup: Soup, body: Body) -> list[Shell]:
    """What people wear outside a bed: trousers, shorts, tops, socks, shoes."""
    r, u = soup.rng, soup.rng.uniform
    knee, ankle = body.knee_below_hip, body.ankle_below_hip
    k = r.random()
    if k < 0.45:
        hem = u(ankle - 0.08, ankle + 0.03)
    elif k < 0.85:
        hem = u(0.08, knee + 0.08)
    else:
        hem = u(-0.02, 0.1)
    shells = [_around(soup, -0.18, hem, loose=u(0.4, 2.0))]
    if r.random() < 0.9:
        waist = u(-0.2, 0.1) if r.random() < 0.85 else u(0.1, 0.45)
        shells.append(
            _around(soup, -0.62, waist, sleeves=float(r.choice([0.02, 0.5, 1.1])), loose=1.5)
        )
    if r.random() < 0.5:
        start = ankle - u(0.0, 0.35)
        colour = soup.material(np.full(3, u(0.02, 0.9)), plain=True)
        shells += [
            Shell(BAND, 0.004, 0.0, (start, 9.0, sign, 0.0), (0.0, 0.01), colour)
            for sign in (1.0, -1.0)
        ]
    if r.random() < 0.65:
        start, colour, off = ankle - u(-0.03, 0.08), soup.material(), u(0.006, 0.016)
        shells += [
            Shell(BAND, off, 0.0, (start, 9.0, sign, 0.0), (0.0, 0.01), colour)
            for sign in (1.0, -1.0)
        ]
    return shells


def drape(
    soup: Soup, person: Person, x: tuple[float, float], y: tuple[float, float], material: Material
) -> None:
    """A sheet or gown that hangs over whatever of the body lies below it."""
    r, u, step = soup.rng, soup.rng.uniform, 0.015
    count = tuple(max(4, int((b - a) / step)) for a, b in (x, y))
    height = np.full(count, -0.005)
    covered = (person.body.regions[:, 1] < 0.3) | (r.random() < 0.5)
    points = person.vertices[covered]
    i, j = ((points[:, 0] - x[0]) / step).astype(int), ((points[:, 1] - y[0]) / step).astype(int)
    inside = (i >= 0) & (i < count[0]) & (j >= 0) & (j < count[1])
    np.maximum.at(height, (i[inside], j[inside]), points[inside, 2])
    height = ndimage.grey_closing(height, (5, 5))
    height = ndimage.grey_dilation(height, (int(r.integers(2, 5)), int(r.integers(3, 7))))
    height = ndimage.gaussian_filter(height, (u(0.6, 2), u(0.8, 2.5))) + 0.012
    for _ in range(2):  # wide folds, then sharp ones
        fold = ndimage.gaussian_filter(r.normal(0, 1, count), (u(0.8, 8), u(0.8, 4)))
        height = height + fold * u(0, 0.05)
    grid_x, grid_y = np.meshgrid(
        x[0] + step * (np.arange(count[0]) + 0.5),
        y[0] + step * (np.arange(count[1]) + 0.5),
        indexing="ij",
    )
    hem = ndimage.gaussian_filter(r.normal(0, 1, count[1]), 3)[None] * 0.12
    grid_x = grid_x + hem * np.linspace(0, 1, count[0])[:, None]
    soup.sheet(np.stack([grid_x, grid_y, height], -1), material)


def add_skirt(soup: Soup, person: Person) -> None:
    """A skirt, dress or long gown that hangs around both legs of an upright person."""
    r, u = soup.rng, soup.rng.uniform
    regions, points = person.body.regions, person.vertices
    legs = points[(regions[:, 0] > -0.2) & (regions[:, 1] < 0.1)]
    top, low = person.leg.hip[2] + u(0.05, 0.2), person.leg.ankle[2]
    levels = np.linspace(top, top - (top - low) * u(0.3, 0.95), 24)
    centre = (person.leg.hip + person.other_hip)[:2] / 2
    angles = np.linspace(0, 2 * np.pi, 49)
    flare, rings = u(0.0, 0.12), []
    radius = np.full(48, 0.1)
    fold = ndimage.gaussian_filter1d(r.normal(0, 1, 48), 1.2, mode="wrap")
    for k, z in enumerate(levels):
        near = legs[np.abs(legs[:, 2] - z) < 0.05][:, :2] - centre
        if len(near):
            slot = ((np.arctan2(near[:, 1], near[:, 0]) % (2 * np.pi)) / (2 * np.pi) * 48).astype(
                int
            )
            reach = np.full(48, 0.05)
            np.maximum.at(reach, slot % 48, np.linalg.norm(near, axis=1))
            reach = ndimage.maximum_filter1d(reach, 7, mode="wrap")
            radius = np.maximum(ndimage.gaussian_filter1d(reach, 2.0, mode="wrap"), radius * 0.97)
        rho = radius + 0.015 + flare * k / 24 + fold * 0.03 * k / 24
        rho = np.r_[rho, rho[:1]]
        rings.append(
            np.c_[centre[0] + rho * np.cos(angles), centre[1] + rho * np.sin(angles), 0 * rho + z]
        )
    soup.sheet(np.array(rings), soup.either(0.2))
