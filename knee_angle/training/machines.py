"""Invented machines that bend a leg, and what stands in for one.

Each builder adds triangles around a lying right leg and returns where its bars'
outer faces show ``thigh_bar``, ``hinge`` and ``shank_bar``; where no bar on the
camera's side exists, it returns nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from knee_angle.training.meshes import Material, Soup
from knee_angle.training.posing import Leg, rotation

__all__ = ["Points", "add_machine", "add_tags", "add_trough", "add_wedge"]

Floats = NDArray[np.float64]
Points = dict[str, Floats]
MISPLACED = 0.5
"""Share of machines that sit wrongly; so the network cannot read the leg off the machine."""
WORST_SHIFT_M, WORST_TURN_DEG, LOWEST_BAR_M = 0.13, 25.0, 0.03
COVERED_KNEE = 0.2
"""Share of machines whose hub or cover hides the knee's outer side."""


@dataclass(frozen=True)
class Frame:
    """The two moving bars of a machine, in the plane of the leg.

    ``pivot`` is the thigh bar's fixed end near the hip, ``hinge`` stands near the
    knee, ``carriage`` near the ankle; ``near`` and ``far`` are the bars' offsets
    from the leg along y (near is negative: the camera's side).
    """

    pivot: Floats
    hinge: Floats
    carriage: Floats
    near: float
    far: float
    sides: tuple[float, ...]

    def at(self, point: Floats, offset: float) -> Floats:
        """The point of a bar that lies ``offset`` from the leg's plane."""
        return np.array([point[0], self.hinge[1] + offset, point[2]])


def _draw_frame(leg: Leg, rng: np.random.Generator) -> Frame:
    """A frame whose hinge misses the knee as badly as machines at the bedside do."""
    u = rng.uniform
    front = u(-0.08, -0.02) if rng.random() < 0.7 else u(-0.06, 0.03)
    hinge = leg.knee + leg.thigh * u(-0.05, 0.05) + leg.thigh_front * front
    pivot = leg.hip + np.array([u(-0.05, 0.12), 0, 0]) + leg.thigh_front * u(-0.09, -0.02)
    carriage = leg.ankle + leg.shank * u(-0.08, 0.03) + leg.shank_front * u(-0.08, -0.02)
    hinge[1] = leg.knee[1]
    if rng.random() < MISPLACED:
        hinge, pivot, carriage = _misplaced(rng, hinge, pivot, carriage)
    near, far = u(0.065, 0.14), u(0.07, 0.14)
    sides = (-near, far) if rng.random() < 0.7 else (-near,)
    if rng.random() < 0.1:
        sides = (far,)
    return Frame(pivot, hinge, carriage, -near, far, sides)


def _misplaced(
    rng: np.random.Generator, hinge: Floats, pivot: Floats, carriage: Floats
) -> tuple[Floats, Floats, Floats]:
    """A machine set up for another leg: moved in the leg's plane, each bar turned by itself."""
    u = rng.uniform
    away, where = u(0.0, WORST_SHIFT_M), u(0, 2 * np.pi)
    moved = hinge + away * np.array([np.cos(where), 0.0, np.sin(where)])
    moved[2] = max(moved[2], LOWEST_BAR_M)
    ends = []
    for end in (pivot, carriage):
        turned = moved + rotation([0.0, 1.0, 0.0], u(-WORST_TURN_DEG, WORST_TURN_DEG)) @ (
            end - hinge
        )
        turned[2] = max(turned[2], LOWEST_BAR_M)
        ends.append(turned)
    return moved, ends[0], ends[1]


def _add_bars(soup: Soup, frame: Frame) -> None:
    """Thigh and shank bars, bosses at the hinge and knobs at the ends."""
    r, u = soup.rng, soup.rng.uniform
    plain = r.random() < 0.85
    bars, hinge, shank = (soup.material(plain=plain) for _ in range(3))
    shank = bars if r.random() < 0.6 else shank
    shape = "cylinder" if r.random() < 0.35 else "box"
    thick = (u(0.006, 0.03), u(0.012, 0.05)) if shape == "box" else (u(0.006, 0.02),) * 2
    shank_thick = (thick[0] * u(0.7, 1.2), thick[1] * u(0.7, 1.2))
    start, end = u(0, 0.25) * (r.random() < 0.4), u(0.75, 1.1) if r.random() < 0.4 else 1.0
    bow = u(-0.03, 0.05) if r.random() < 0.25 else 0.0
    for offset in frame.sides:
        a = frame.at(frame.pivot + (frame.hinge - frame.pivot) * start, offset)
        b = frame.at(frame.hinge, offset)
        c = frame.at(frame.hinge + (frame.carriage - frame.hinge) * end, offset)
        middle = (a + b) / 2 - np.array([0, 0, bow])
        soup.bar(a, middle, thick, bars, shape=shape)
        soup.bar(middle, b, thick, bars, shape=shape)
        soup.bar(b, c, shank_thick, shank, shape=shape)
        outward = np.array([0, np.sign(offset), 0])
        if r.random() < 0.85:
            soup.disc(b + outward * 0.008, [0, 1, 0], u(0.012, 0.055), u(0.012, 0.05), hinge)
        if r.random() < 0.4:
            soup.disc(
                b + outward * u(0.01, 0.03), [0, 1, 0], u(0.006, 0.03), 0.012, soup.material()
            )
        for knob in (a, c):
            if r.random() < 0.6:
                soup.disc(knob, [0, 1, 0], u(0.008, 0.035), u(0.01, 0.04), hinge)


def add_trough(
    soup: Soup,
    ends: tuple[Floats, Floats],
    front: Floats,
    radii: Floats,
    m: Material,
    *,
    around_deg: float | None = None,
) -> None:
    """A half-open shell under a limb from one end to the other; drawn where no width is given."""
    t = np.linspace(0, 1, 5)[:, None, None]
    around = soup.rng.uniform(40, 115) if around_deg is None else around_deg
    angle = np.radians(np.linspace(-around, around, 11))[None, :, None]
    radius = radii[0] + (radii[1] - radii[0]) * t
    ring = -front * np.cos(angle) + np.array([0, 1.0, 0]) * np.sin(angle)
    soup.sheet(ends[0] + (ends[1] - ends[0]) * t + radius * ring, m)


def _add_shells(soup: Soup, leg: Leg) -> None:
    """Padded half-shells, or narrow slings, below thigh and calf."""
    r, u = soup.rng, soup.rng.uniform
    material = soup.material()
    for joint, along, front, length, radii in (
        (leg.hip, leg.thigh, leg.thigh_front, leg.thigh_m, (u(0.085, 0.11), u(0.065, 0.085))),
        (leg.knee, leg.shank, leg.shank_front, leg.shank_m, (u(0.06, 0.085), u(0.045, 0.065))),
    ):
        k = r.random()
        if k < 0.6:
            ends = joint + along * length * u(0.08, 0.4), joint + along * length * u(0.6, 0.97)
            add_trough(soup, ends, front, np.array(radii), material)
        elif k < 0.85:
            for _ in range(int(r.integers(1, 4))):
                a = u(0.1, 0.9)
                ends = (joint + along * length * a, joint + along * length * (a + u(0.06, 0.14)))
                add_trough(soup, ends, front, np.array(radii), soup.either(0.1))


def _add_foot(soup: Soup, leg: Leg) -> None:
    """A foot plate, a boot of plates, or nothing."""
    r, u, turn = soup.rng, soup.rng.uniform, leg.foot
    material = soup.material()
    heel, sole, up, across = leg.skin["heel"], turn[:, 0], turn[:, 2], turn[:, 1]
    if r.random() < 0.75:
        length = u(0.12, 0.34)
        at = heel + sole * u(0.005, 0.02) + up * (length / 2 - u(0.0, 0.06))
        soup.box(at, [u(0.008, 0.03), u(0.07, 0.16), length], material, turn)
    if r.random() < 0.35:
        for sign in (-1, 1):
            at = heel + up * u(0.05, 0.12) - sole * 0.03 + across * sign * u(0.05, 0.07)
            soup.box(at, [u(0.06, 0.16), u(0.006, 0.015), u(0.06, 0.2)], material, turn)


def _add_base(soup: Soup, leg: Leg, frame: Frame) -> None:
    """What stands on the bed: a plate or rails, struts, a carriage, a control box."""
    r, u = soup.rng, soup.rng.uniform
    base, struts = soup.material(), soup.material()
    y, height = frame.hinge[1], u(0.03, 0.1)
    x0 = min(frame.pivot[0], leg.hip[0]) - u(-0.15, 0.25)
    x1 = max(frame.carriage[0], leg.skin["toe"][0], leg.hip[0] + 0.75 * r.random()) + u(0.02, 0.3)
    if r.random() < 0.45:
        soup.box([(x0 + x1) / 2, y, height / 2], [x1 - x0, u(0.12, 0.32), height], base)
    elif r.random() < 0.8:
        thick, shape = (u(0.015, 0.05), u(0.015, 0.06)), str(r.choice(["box", "cylinder"]))
        for offset in (frame.near * u(0.6, 1), frame.far * u(0.6, 1)):
            z = height * 0.6
            soup.bar([x0, y + offset, z], [x1, y + offset, z], thick, base, shape=shape)
        for x in np.linspace(x0, x1, int(r.integers(2, 4))):
            width = frame.far - frame.near
            soup.box([x, y, height / 2], [u(0.03, 0.1), width, height * 0.8], base)
    carriage = frame.carriage
    if r.random() < 0.7:
        size = [u(0.05, 0.16), u(0.1, 0.25), max(0.03, carriage[2] - height) * u(0.5, 1.0)]
        soup.box(
            [carriage[0] + u(-0.03, 0.03), y, (carriage[2] + height) / 2 * u(0.5, 0.8)],
            size,
            struts,
        )
    for offset in frame.sides:
        for point, chance in ((carriage, 0.6), (frame.hinge, 0.4), (frame.pivot, 0.6)):
            if r.random() < chance:
                foot = [point[0] + u(-0.2, 0.2), y + offset, height * 0.6]
                shape = str(r.choice(["box", "cylinder"]))
                soup.bar(
                    frame.at(point, offset),
                    foot,
                    (u(0.008, 0.03), u(0.008, 0.035)),
                    struts,
                    shape=shape,
                )
    if r.random() < 0.5:
        _add_control(
            soup, [x0 + (x1 - x0) * u(0, 1), y + frame.near - u(0, 0.05), height * u(0.5, 1.2)]
        )


def _add_cover(soup: Soup, leg: Leg, frame: Frame) -> None:
    """A hub, a plate or a pad on the camera's side of the knee, with whatever colour."""
    r, u, material = soup.rng, soup.rng.uniform, soup.either(0.1)
    place = frame.hinge if r.random() < 0.5 else leg.knee + [u(-0.04, 0.04), 0, u(-0.04, 0.04)]
    at = frame.at(place, frame.near - u(-0.01, 0.02))
    if r.random() < 0.6:
        soup.disc(at, [u(-0.1, 0.1), 1, u(-0.1, 0.1)], u(0.03, 0.085), u(0.008, 0.03), material)
    else:
        turn = rotation([0, 1.0, 0], u(0, 180))
        soup.box(at, [u(0.05, 0.16), u(0.006, 0.02), u(0.05, 0.16)], material, turn)


def _add_control(soup: Soup, at: list[float]) -> None:
    """A control box with a display."""
    r, u = soup.rng, soup.rng.uniform
    size = [u(0.05, 0.2), u(0.02, 0.08), u(0.03, 0.12)]
    soup.box(at, size, soup.material())
    if r.random() < 0.6:
        glass = soup.material(
            [0.02, 0.03, 0.03] if r.random() < 0.5 else [0.3, 0.6, 0.3], plain=True
        )
        front = np.array(at) - [0, size[1] / 2, 0]
        soup.box(front, [size[0] * u(0.3, 0.8), 0.006, size[2] * u(0.3, 0.8)], glass)


def add_tags(soup: Soup, leg: Leg) -> None:
    """A board of printed squares beside the machine."""
    r, u = soup.rng, soup.rng.uniform
    white, black = (soup.material([v] * 3, plain=True) for v in (0.9, 0.01))
    at = np.array([u(leg.hip[0], leg.ankle[0] + 0.1), leg.knee[1] - u(0.08, 0.2), u(0.03, 0.16)])
    edge, count = u(0.03, 0.06), int(r.integers(1, 6))
    soup.box(at, [count * (edge + 0.012), 0.003, edge + 0.014], white)
    for i in range(count):
        centre = at + [(i - (count - 1) / 2) * (edge + 0.009), -0.003, 0]
        soup.box(centre, [edge, 0.002, edge], black)
        for column, row in np.argwhere(r.random((6, 6)) < 0.5):
            cell = [(column - 2.5) * edge / 8, -0.0015, (row - 2.5) * edge / 8]
            soup.box(centre + cell, [edge / 8, 0.001, edge / 8], white)


def add_machine(soup: Soup, leg: Leg) -> Points | None:
    """A whole machine around the leg; None where no bar shows on the camera's side."""
    r, u = soup.rng, soup.rng.uniform
    frame = _draw_frame(leg, r)
    _add_bars(soup, frame)
    _add_shells(soup, leg)
    _add_foot(soup, leg)
    _add_base(soup, leg, frame)
    if frame.near not in frame.sides:
        return None
    if r.random() < COVERED_KNEE:
        _add_cover(soup, leg, frame)
    points = {
        "thigh_bar": frame.at(frame.pivot + (frame.hinge - frame.pivot) * 0.3, frame.near),
        "hinge": frame.at(frame.hinge, frame.near),
        "shank_bar": frame.at(frame.hinge + (frame.carriage - frame.hinge) * 0.82, frame.near),
    }
    if r.random() < 0.4:
        colour = r.choice([0.02, 0.95]) * np.ones(3) if r.random() < 0.4 else None
        dot, radius = soup.material(colour, plain=True), u(0.006, 0.012)
        for point in points.values():
            soup.disc(point + [0, -0.02, 0], [0, 1, 0], radius, 0.004, dot)
    return points


def add_wedge(soup: Soup, leg: Leg) -> None:
    """No machine: a pillow, a bolster, a sling from above, or nothing under the knee."""
    r, u, knee = soup.rng, soup.rng.uniform, leg.knee
    k = r.random()
    if k < 0.5:
        size = np.diag([u(0.12, 0.3), u(0.1, 0.25), max(0.04, knee[2] * u(0.5, 0.8))])
        soup.solid("sphere", size, [knee[0] + u(-0.05, 0.1), knee[1], 0.0], soup.either(0.15))
    elif k < 0.65:
        radius = max(0.05, knee[2] * u(0.4, 0.5))
        soup.disc(
            [knee[0] + u(0.0, 0.1), knee[1], radius],
            [0, 1, 0],
            radius,
            u(0.3, 0.6),
            soup.material(),
        )
    elif k < 0.8:
        hook, m = leg.ankle + [0, 0, u(0.4, 0.9)], soup.material()
        soup.bar(leg.ankle + leg.shank_front * 0.05, hook, (0.004, 0.004), m, shape="cylinder")
        radii = np.array([0.05, 0.05])
        add_trough(soup, (leg.ankle - leg.shank * 0.1, leg.ankle), leg.shank_front, radii, m)
