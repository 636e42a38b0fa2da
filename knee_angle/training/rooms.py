"""What stands around: beds, walls, furniture, tubes, hands and other people."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from knee_angle.training.bodies import Body
from knee_angle.training.meshes import Soup
from knee_angle.training.posing import Person, frame, rotation, unit

__all__ = ["add_bystander", "add_hand", "add_place", "add_sickroom", "add_tubes"]

Floats = NDArray[np.float64]


def _mattress(soup: Soup, x: tuple[float, float], y: tuple[float, float]) -> None:
    """A mattress with an uneven sheet, its base and its two boards."""
    r, u = soup.rng, soup.rng.uniform
    sheet = soup.material([u(0.6, 0.95)] * 3, plain=True) if r.random() < 0.4 else soup.either(0.1)
    grid = np.meshgrid(np.linspace(*x, 60), np.linspace(*y, 30), indexing="ij")
    z = -0.002 + ndimage.gaussian_filter(r.normal(0, 1, (60, 30)), u(0.8, 2.5)) * u(0, 0.03)
    soup.sheet(np.stack([*grid, np.minimum(z, 0.006)], -1), sheet)
    thick, middle = u(0.1, 0.3), [(x[0] + x[1]) / 2, (y[0] + y[1]) / 2]
    side = sheet if r.random() < 0.5 else soup.material()
    soup.box([*middle, -thick / 2 - 0.022], [x[1] - x[0], y[1] - y[0], thick], side)
    if r.random() < 0.7:
        size = [x[1] - x[0] + 0.1, y[1] - y[0] + 0.06, u(0.03, 0.12)]
        soup.box([*middle, -thick - u(0.03, 0.1)], size, soup.material())
    for end in (x[0] - 0.03, x[1] + 0.03):
        if r.random() < 0.5:
            soup.box(
                [end, middle[1], u(-0.1, 0.2)], [0.04, y[1] - y[0], u(0.3, 0.9)], soup.either(0.1)
            )


def _rails(soup: Soup, x: tuple[float, float], y: tuple[float, float]) -> None:
    """A side rail beyond the patient, or a low one before."""
    r, u = soup.rng, soup.rng.uniform
    far = r.random() < 0.75
    at, z = (y[1] + 0.03, u(0.05, 0.35)) if far else (y[0] - 0.04, u(-0.25, -0.02))
    metal = soup.material(plain=True)
    a, b = sorted(r.uniform(*x, 2))
    soup.bar([a, at, z], [b, at, z], (0.015, 0.015), metal, shape="cylinder")
    for post in np.linspace(a, b, int(r.integers(2, 7))):
        soup.bar([post, at, z], [post, at, -0.3], (0.01, 0.01), metal, shape="cylinder")


def _clutter(soup: Soup, x: tuple[float, float], y: tuple[float, float], floor: float) -> None:
    """Furniture and things on walls: boxes, posts, pictures."""
    r, u = soup.rng, soup.rng.uniform
    for _ in range(int(r.integers(0, 10))):
        on_wall = r.random() < 0.4
        if on_wall:
            at, depth = [u(*x), y[1] - 0.03, u(-0.2, 1.4)], 0.03
        else:
            at, depth = [u(*x), u(*y), u(floor, 1.0)], u(0.03, 0.5)
        if r.random() < 0.65:
            turn = rotation([0, 0, 1], 0.0 if on_wall else u(-30, 30))
            soup.box(at, [u(0.05, 0.8), depth, u(0.05, 0.9)], soup.either(0.3), turn)
        else:
            soup.solid(
                "cylinder", np.diag([u(0.02, 0.2), u(0.02, 0.2), u(0.1, 1.2)]), at, soup.material()
            )


def _walls(
    soup: Soup, x: tuple[float, float], y: tuple[float, float], floor: float, photo: float
) -> None:
    """Floor and four walls, plain, patterned or showing a picture.

    Walls are seen from inside only, so that no wall ever hides the room from a camera.
    """
    soup.box([0, 0, floor - 0.05], [14, 14, 0.1], soup.either(photo * 0.7))
    for axis, at, inward in ((1, y[0], 1.0), (1, y[1], -1.0), (0, x[0], 1.0), (0, x[1], -1.0)):
        soup.wall(axis, at, inward, (floor, floor + soup.rng.uniform(2.2, 4.0)), soup.either(photo))


def add_sickroom(soup: Soup, person: Person) -> None:
    """A bed under a lying person, and the room behind it."""
    r, u = soup.rng, soup.rng.uniform
    leg, near = person.leg, person.leg.knee[1] - u(0.13, 0.5)
    x = (person.vertices[:, 0].min() - u(0.05, 0.4), person.other_ankle[0] + u(0.15, 0.6))
    y = (near, leg.knee[1] + u(0.5, 0.9))
    floor = -u(0.4, 0.8)
    _mattress(soup, x, y)
    if r.random() < 0.35:
        _rails(soup, x, y)
    if r.random() < 0.8:
        size = np.diag([u(0.18, 0.3), u(0.25, 0.4), u(0.06, 0.12)])
        at = [person.vertices[:, 0].min() + 0.12, leg.knee[1] * 0.3 + 0.1, u(0, 0.03)]
        soup.solid("sphere", size, at, soup.material())
    if r.random() < 0.25:
        size = np.diag([u(0.1, 0.25), u(0.1, 0.25), u(0.04, 0.1)])
        soup.solid("sphere", size, [u(-0.3, 1), u(0.2, 0.5), u(0, 0.05)], soup.either(0.2))
    wall = y[1] + u(0.15, 2.2)
    _walls(soup, (x[0] - u(0.3, 2), x[1] + u(0.4, 2)), (-u(1, 4), wall), floor, 0.42)
    _clutter(soup, (-1.8, 2.2), (y[1] + 0.05, max(wall, y[1] + 0.2)), floor)
    for _ in range(int(r.integers(0, 4))):
        at = [u(-0.3, 1.1), u(leg.knee[1] + 0.25, y[1]), u(0, 0.05)]
        soup.box(at, r.uniform(0.02, 0.2, 3), soup.either(0.2), rotation([0, 0, 1], u(0, 90)))
    if r.random() < 0.2:  # something thin between camera and leg
        before = np.array([u(-0.2, 0.2), -u(0.2, 0.3), u(-0.15, 0.15)])
        place = leg.hip * (1 - u(0, 1)) + leg.ankle * u(0, 1) + before
        soup.box(place, [u(0.01, 0.1), 0.02, u(0.02, 0.12)], soup.material())


def add_place(soup: Soup, person: Person) -> None:
    """Anywhere else: a floor, walls or pictures all around, a seat where one sits."""
    r, u = soup.rng, soup.rng.uniform
    floor = float(person.vertices[:, 2].min()) - 0.005
    _walls(soup, (-u(1, 5), u(1, 5)), (-u(1, 5), u(1, 5)), floor, 0.65)
    _clutter(soup, (-2.5, 2.5), (0.7, 3.0), floor)
    if r.random() < 0.3:
        _clutter(soup, (-2.5, 2.5), (-3.0, -0.9), floor)
    hip = (person.leg.hip + person.other_hip) / 2
    if person.leg.thigh[2] > -0.6 and r.random() < 0.8:
        top = hip[2] - 0.11
        depth = u(0.2, 0.6)
        size = [depth, u(0.4, 1.6), 0.06 if r.random() < 0.5 else top - floor]
        front = hip[0] + u(0.0, 0.3)
        soup.box([front - depth / 2, hip[1], top - size[2] / 2], size, soup.either(0.2))
        if r.random() < 0.5:
            back = [front - depth - 0.03, hip[1], top + 0.3]
            soup.box(back, [0.05, size[1], u(0.4, 0.9)], soup.either(0.2))


def add_tubes(soup: Soup, person: Person) -> None:
    """Drains, drips and cables: thin hanging curves near the leg."""
    r, u, leg = soup.rng, soup.rng.uniform, person.leg
    for _ in range(int(r.integers(1, 4))):
        start = leg.hip + (leg.knee - leg.hip) * u(-0.3, 1.2) + leg.thigh_front * u(-0.1, 0.09)
        start = start + np.array([0, -u(0.0, 0.15), 0])
        end = start + np.array([u(-0.8, 0.8), u(-0.3, 0.6), u(-0.5, 0.3)])
        bend = r.normal(0, 0.12, 3)
        t = np.linspace(0, 1, 10)[:, None]
        curve = (
            start + (end - start) * t + bend * 4 * t * (1 - t) - np.array([0, 0, 0.3]) * t * (1 - t)
        )
        soup.tube(curve, u(0.002, 0.007), soup.material(plain=True))


def _add_triangles(
    soup: Soup, body: Body, points: Floats, normals: Floats, colours: Floats
) -> None:
    """Part of a body as plain triangles; ``points`` are (V, 3), NaN where left out."""
    triangles = body.triangles[np.isfinite(points[body.triangles]).all((1, 2))].ravel()
    material = soup.material(plain=True)
    material[8:] = 0.15
    vertices = np.c_[points[triangles], normals[triangles], colours[triangles], colours[triangles]]
    soup.extend(vertices, material[6:])


def add_hand(soup: Soup, person: Person, skin: Floats) -> None:
    """Somebody's hand and forearm that reaches for the leg."""
    r, u, leg = soup.rng, soup.rng.uniform, person.leg
    body = person.body
    i = body.index
    elbow, wrist = body.heads[i["lowerarm01.L"]], body.heads[i["wrist.L"]]
    target = leg.hip + (leg.ankle - leg.hip) * u(0.2, 1.0)
    if r.random() < 0.6:
        target = leg.knee + leg.shank * leg.shank_m * u(-0.6, 1.0)
    come_from = unit([u(-1, 1), u(-1, 1), u(0.1, 1)])
    target = target + leg.thigh_front * 0.06 + come_from * 0.13
    turn = (
        frame(-come_from, unit(r.normal(0, 1, 3))) @ frame(wrist - elbow, np.array([0, 0, 1.0])).T
    )
    keep = body.share("lowerarm", "wrist", "finger", "metacarpal", ends=".L") > 0.6
    points = np.where(keep[:, None], (body.vertices - wrist) @ turn.T + target, np.nan)
    sleeve = body.share("lowerarm", ends=".L") > 0.9
    cloth = sleeve & (r.random() < 0.5)
    colours = np.where(cloth[:, None], soup.colour(), skin)
    normals = points - (target - come_from * 0.1)
    normals = normals / (np.linalg.norm(normals, axis=1, keepdims=True) + 1e-9)
    _add_triangles(soup, body, points, normals, colours)


def add_bystander(soup: Soup, other: Person, at: Floats, skin: Floats) -> None:
    """Another, dressed person standing or sitting somewhere, turned any way."""
    u, regions = soup.rng.uniform, other.body.regions
    turn = rotation([0, 0, 1], u(0, 360))
    points = (other.vertices - other.leg.hip) @ turn.T + at
    top, trousers, hair = (soup.colour() for _ in range(3))
    hem = u(0.1, other.body.ankle_below_hip + 0.05)
    colours = np.tile(skin, (len(points), 1))
    colours[(regions[:, 0] > -0.1) & (regions[:, 0] < hem) & (regions[:, 1] < 0.05)] = trousers
    colours[(regions[:, 0] <= -0.1) & (regions[:, 1] < u(0.1, 1.0)) & (regions[:, 2] < 0.3)] = top
    colours[(regions[:, 2] > 0.5) & (regions[:, 0] < regions[:, 0].min() + 0.1)] = hair * 0.3
    _add_triangles(soup, other.body, points, other.normals @ turn.T, colours)
