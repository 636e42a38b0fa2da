"""Bends a body so that its right knee has an exact flexion, and finds its skin points.

Two families of stances: lying on a bed with the right leg raised (as in a machine),
and free ones (standing, walking, sitting, kneeling), which no machine holds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from knee_angle.training.bodies import Body

__all__ = ["Leg", "Person", "Stance", "free_stance", "lying_stance", "pose", "rotation", "unit"]

Floats = NDArray[np.float64]

# The body model's knee head lies about 15 mm above the axis through the epicondyles.
KNEE_SHIFT = 0.015
# Skin points seen from the joint centres: trochanter along the thigh; malleolus along
# the shank and behind it.
TROCHANTER_DISTAL, MALLEOLUS_DISTAL, MALLEOLUS_BEHIND = 0.015, 0.006, 0.008
OUTWARD = np.array([0.0, -1.0, 0.0])


def unit(vector: object) -> Floats:
    """The vector at length one."""
    v = np.asarray(vector, dtype=float)
    return np.asarray(v / np.linalg.norm(v))


def rotation(axis: object, deg: float) -> Floats:
    """Rotation matrix about an axis, right-handed, degrees."""
    a, t = unit(axis), math.radians(deg)
    k = np.array([[0, -a[2], a[1]], [a[2], 0, -a[0]], [-a[1], a[0], 0]])
    return np.asarray(np.eye(3) + math.sin(t) * k + (1 - math.cos(t)) * k @ k)


def frame(along: Floats, lateral: Floats) -> Floats:
    """Columns: along, lateral made perpendicular to it, and their cross product."""
    e = unit(along)
    n = unit(lateral - np.dot(lateral, e) * e)
    return np.column_stack([e, n, np.cross(e, n)])


@dataclass(frozen=True)
class Stance:
    """Where the parts of a body point, in a world before ``turn`` is applied.

    Parameters
    ----------
    flexion_deg : float
        Of the right knee, by its skin points.
    thigh, other_thigh : ndarray, shape (3, 3)
        Columns: down the thigh, outward (the patient's right), backward.
    other_flexion_deg, valgus_deg, plantar_deg, other_plantar_deg : float
    torso : ndarray, shape (3, 3)
        Turn of the trunk about the right hip.
    hip : ndarray, shape (3,)
        Where the right hip joint is put.
    arms : tuple of (ndarray, ndarray)
        Directions of upper arm and forearm, right then left.
    head_turn_deg : float
    turn : ndarray, shape (3, 3)
        Rigid turn of everything at the end (from lying to upright).
    """

    flexion_deg: float
    thigh: Floats
    other_thigh: Floats
    other_flexion_deg: float
    valgus_deg: float
    plantar_deg: float
    other_plantar_deg: float
    torso: Floats
    hip: Floats
    arms: tuple[tuple[Floats, Floats], tuple[Floats, Floats]]
    head_turn_deg: float
    turn: Floats


@dataclass(frozen=True)
class Leg:
    """The right leg of a posed body, metres, world of the scene.

    ``normal`` is the knee's flexion axis, pointing to the leg's outer side;
    ``skin`` holds hip, knee, ankle, heel and toe as points on the skin.
    """

    hip: Floats
    knee: Floats
    ankle: Floats
    normal: Floats
    thigh: Floats
    shank: Floats
    thigh_front: Floats
    shank_front: Floats
    foot: Floats
    skin: dict[str, Floats]
    flexion_deg: float

    @property
    def thigh_m(self) -> float:
        """Length of the thigh between joint centres."""
        return float(np.linalg.norm(self.knee - self.hip))

    @property
    def shank_m(self) -> float:
        """Length of the shank between joint centres."""
        return float(np.linalg.norm(self.ankle - self.knee))


@dataclass(frozen=True)
class Person:
    """A posed body with its right leg; normals per vertex, the left ankle for the bed."""

    body: Body
    vertices: Floats
    normals: Floats
    leg: Leg
    other_hip: Floats
    other_ankle: Floats


def _lengths(body: Body, side: str) -> tuple[Floats, Floats, Floats]:
    """Hip, knee and ankle joint at rest of the leg ``"R"`` or ``"L"``."""
    i = body.index
    hip, knee, ankle = (body.heads[i[n + side]] for n in ("upperleg01.", "lowerleg01.", "foot."))
    return hip, knee + unit(ankle - knee) * KNEE_SHIFT, ankle


def joint_flexion_deg(body: Body, flexion_deg: float) -> float:
    """Flexion of the joint that gives the skin points their flexion.

    The malleolus lies behind the ankle's centre, so its line adds a degree or two.
    """
    _, knee, ankle = _lengths(body, "R")
    down = float(np.linalg.norm(ankle - knee)) + MALLEOLUS_DISTAL
    return flexion_deg - math.degrees(math.atan2(MALLEOLUS_BEHIND, down))


def lying_stance(body: Body, rng: np.random.Generator) -> Stance:
    """On the back, the right leg raised as a machine holds it, the other on the bed."""
    u = rng.uniform
    flexion = u(-6.0, 35.0) if rng.random() < 0.3 else u(-4.0, 135.0)
    back = body.share("spine", "pelvis", "root") > 0.6
    sink = -u(0.01, 0.04) - body.vertices[back, 2].min()
    hip0, knee0, ankle0 = _lengths(body, "R")
    hip = np.array([0.0, 0.0, hip0[2] + sink])
    thigh_m, shank_m = (float(np.linalg.norm(v)) for v in (knee0 - hip0, ankle0 - knee0))
    bend = math.radians(joint_flexion_deg(body, flexion))
    reach = math.sqrt(thigh_m**2 + shank_m**2 + 2 * thigh_m * shank_m * math.cos(bend))
    ankle_z = u(0.07, 0.32) if rng.random() < 0.85 else u(0.04, 0.08)
    rise = math.asin(np.clip((ankle_z - hip[2]) / reach, -0.9, 0.9))
    at_hip = math.acos(np.clip((thigh_m**2 + reach**2 - shank_m**2) / (2 * thigh_m * reach), -1, 1))
    lift = rise + math.copysign(at_hip, bend)
    thigh = frame(np.array([math.cos(lift), 0.0, math.sin(lift)]), OUTWARD)
    thigh = rotation([math.cos(rise), 0.0, math.sin(rise)], u(-10, 10)) @ thigh
    raised = u(5, 50) if rng.random() < 0.3 else 0.0
    torso = rotation([0, 0, 1], u(-6, 16)) @ rotation([0, 1, 0], -raised)
    return Stance(
        flexion_deg=flexion,
        thigh=thigh,
        other_thigh=_other_leg_on_bed(rng, hip[2]),
        other_flexion_deg=u(0, 8) if rng.random() < 0.8 else u(20, 100),
        valgus_deg=u(-3, 6),
        plantar_deg=u(-15, 32),
        other_plantar_deg=u(0, 35),
        torso=torso,
        hip=hip,
        arms=(_resting_arm(rng, -1), _resting_arm(rng, +1)),
        head_turn_deg=u(-40, 40),
        turn=np.eye(3),
    )


def _other_leg_on_bed(rng: np.random.Generator, hip_z: float) -> Floats:
    """Thigh frame of the left leg lying on the mattress, somewhat spread and rolled."""
    spread = math.radians(rng.uniform(-4, 20))
    along = unit([math.cos(spread), math.sin(spread), (0.055 - hip_z) / 0.8])
    return rotation(along, rng.uniform(-8, 35)) @ frame(along, OUTWARD)


def _resting_arm(rng: np.random.Generator, sign: int) -> tuple[Floats, Floats]:
    """Upper arm beside the trunk, forearm on the belly or beside it."""
    u = rng.uniform
    upper = unit([0.93, sign * u(0.1, 0.5), u(-0.05, 0.1)])
    if rng.random() < 0.3:
        return upper, unit([0.9, sign * u(-0.3, 0.5), u(0.0, 0.25)])
    return upper, unit([u(0.1, 0.8), -sign * u(0.1, 0.95), u(0.25, 0.9)])


def free_stance(_body: Body, rng: np.random.Generator) -> Stance:
    """Standing, walking, sitting, kneeling or half-lying, or exercising in any other way up."""
    u = rng.uniform
    kind = rng.choice(["stand", "walk", "sit", "recline", "any"], p=[0.24, 0.26, 0.26, 0.08, 0.16])
    if kind == "stand":
        hips, knees, lean = u(-6, 12, 2), u(-4, 15, 2), u(-5, 10)
    elif kind == "walk":
        hips, knees, lean = u(-25, 70, 2), u(0, 110, 2), u(-5, 35)
    elif kind == "sit":
        hips, knees, lean = u(60, 100, 2), u(20, 115, 2), u(-15, 25)
    elif kind == "recline":
        hips, knees, lean = u(10, 60, 2), u(0, 100, 2), u(-75, -20)
    else:
        hips, knees, lean = u(-20, 115, 2), u(-4, 145, 2), u(-30, 60)
    thighs = [
        rotation([0, 0, 1], -sign * u(-6, 25))
        @ rotation([0, 1, 0], -flex)
        @ rotation([1, 0, 0], u(-18, 18))
        @ frame(np.array([1.0, 0, 0]), OUTWARD)
        for sign, flex in zip((1, -1), hips, strict=True)
    ]
    roll = rotation([1, 0, 0], rng.normal(0, 4)) @ rotation([0, 0, 1], rng.normal(0, 6))
    return Stance(
        flexion_deg=float(knees[0]),
        thigh=thighs[0],
        other_thigh=thighs[1],
        other_flexion_deg=float(knees[1]),
        valgus_deg=u(-4, 6),
        plantar_deg=u(-15, 35),
        other_plantar_deg=u(-15, 35),
        torso=rotation([0, 1, 0], -lean) @ roll,
        hip=np.zeros(3),
        arms=(_free_arm(rng, -1), _free_arm(rng, +1)),
        head_turn_deg=u(-40, 40),
        turn=rotation([0, 1, 0], 90.0 if rng.random() < 0.75 else u(-30.0, 210.0)),
    )


def _free_arm(rng: np.random.Generator, sign: int) -> tuple[Floats, Floats]:
    """An arm that hangs, swings, reaches forward or holds something."""
    u = rng.uniform
    upper = unit([u(0.3, 1.0), sign * u(0.05, 0.5), u(-0.5, 0.7)])
    return upper, unit(upper + np.array([u(-1.0, 0.3), -sign * u(-0.1, 0.8), u(0.0, 1.2)]))


Moves = tuple[list[Floats | None], list[Floats]]


def _set(moves: Moves, bone: int, turn: Floats, source: Floats, target: Floats) -> None:
    """Bone ``bone`` turns by ``turn`` and takes the point ``source`` to ``target``."""
    moves[0][bone], moves[1][bone] = turn, target - turn @ source


def _bend_leg(
    body: Body, moves: Moves, side: str, thigh: Floats, at: Floats, bend: tuple[float, float, float]
) -> tuple[Floats, Floats, Floats, Floats]:
    """Sets one leg's bones; returns knee, ankle, shank frame and foot turn.

    ``bend`` is joint flexion, valgus and plantar flexion in degrees.
    """
    hip, knee, ankle = _lengths(body, side)
    shank = rotation(-thigh[:, 1], bend[0]) @ thigh
    shank = rotation(shank[:, 2], -bend[1]) @ shank
    knee_at = at + thigh[:, 0] * np.linalg.norm(knee - hip)
    ankle_at = knee_at + shank[:, 0] * np.linalg.norm(ankle - knee)
    turn_thigh = thigh @ frame(knee - hip, OUTWARD).T
    turn_shank = shank @ frame(ankle - knee, OUTWARD).T
    foot = rotation(thigh[:, 1], -bend[2]) @ turn_shank
    i = body.index
    for part in ("upperleg01.", "upperleg02."):
        _set(moves, i[part + side], turn_thigh, knee, knee_at)
    for part in ("lowerleg01.", "lowerleg02."):
        _set(moves, i[part + side], turn_shank, knee, knee_at)
    _set(moves, i["foot." + side], foot, ankle, ankle_at)
    return knee_at, ankle_at, shank, foot


def _arm_turns(body: Body, stance: Stance) -> dict[str, Floats]:
    """World turns of the arm bones, and relative turns of neck and head."""
    i, up, turns = body.index, np.array([0, 0, 1.0]), {}
    for side, (upper, fore) in zip("RL", stance.arms, strict=True):
        shoulder, elbow, wrist = (
            body.heads[i[n + side]] for n in ("upperarm01.", "lowerarm01.", "wrist.")
        )
        for name, rest, wanted in (
            ("upperarm", elbow - shoulder, upper),
            ("lowerarm", wrist - elbow, fore),
        ):
            turns[name + side] = stance.torso @ frame(wanted, up) @ frame(rest, up).T
    return turns


def _follow(body: Body, stance: Stance, moves: Moves) -> tuple[Floats, Floats]:
    """Fills every bone that is not set yet from its parent; (B, 3, 3) and (B, 3)."""
    turns = _arm_turns(body, stance)
    neck = {
        "neck01": rotation([0, 1, 0], 8),
        "neck02": rotation([0, 1, 0], 6),
        "head": rotation([0, 1, 0], 6) @ rotation([1, 0, 0], stance.head_turn_deg),
    }
    for bone, name in enumerate(body.names):
        if moves[0][bone] is not None:
            continue
        parent = int(body.parents[bone])
        above = moves[0][parent]
        if above is None:
            message = "a bone stands before its parent"
            raise ValueError(message)
        place = above @ body.heads[bone] + moves[1][parent]
        turn = turns.get(name[:8] + name[-1]) if name.startswith(("upperarm", "lowerarm")) else None
        if turn is None:
            turn = above @ neck[name] if name in neck else above
        _set(moves, bone, turn, body.heads[bone], place)
    return np.array(moves[0]), np.array(moves[1])


def _skin(body: Body, turns: Floats, shifts: Floats) -> Floats:
    """Linear blend skinning with joints that keep their roundness, shape (V, 3)."""
    flat = turns.reshape(len(turns), 9)
    blended = (body.dense_weights @ flat).reshape(-1, 3, 3)
    out = np.einsum("vij,vj->vi", blended, body.vertices) + body.dense_weights @ shifts
    for side in "RL":
        _, knee, ankle = _lengths(body, side)
        thigh, shank = (
            body.share("upperleg", ends="." + side),
            body.share("lowerleg", ends="." + side),
        )
        foot = body.share("foot", "toe", ends="." + side)
        i = body.index
        for first, second, pivot, a, b in (
            (thigh, shank, knee, i["upperleg02." + side], i["lowerleg01." + side]),
            (shank, foot, ankle, i["lowerleg02." + side], i["foot." + side]),
        ):
            _round_joint(body, out, (turns, shifts), (first, second), pivot, (a, b))
    return np.asarray(out)


def _round_joint(
    body: Body,
    out: Floats,
    moves: tuple[Floats, Floats],
    shares: tuple[Floats, Floats],
    pivot: Floats,
    bones: tuple[int, int],
) -> None:
    """Replaces the linear blend around one joint by a turn about its pivot, in place."""
    (turns, shifts), (first, second), (a, b) = moves, shares, bones
    rows = (first > 1e-4) & (second > 1e-4)
    if not rows.any():
        return
    relative = turns[b] @ turns[a].T
    cosine = np.clip((np.trace(relative) - 1) / 2, -1, 1)
    angle = math.acos(cosine)
    if angle < 1e-6:
        return
    skew = relative - relative.T
    axis = np.array([skew[2, 1], skew[0, 2], skew[1, 0]]) / (2 * math.sin(angle))
    v, w0, w1 = body.vertices[rows], first[rows][:, None], second[rows][:, None]
    rest = out[rows] - w0 * (v @ turns[a].T + shifts[a]) - w1 * (v @ turns[b].T + shifts[b])
    arm = (v - pivot) @ turns[a].T
    t = angle * w1 / (w0 + w1)
    turned = arm * np.cos(t) + np.cross(axis, arm) * np.sin(t)
    turned += axis * (arm @ axis)[:, None] * (1 - np.cos(t))
    out[rows] = rest + (w0 + w1) * (turned + turns[a] @ pivot + shifts[a])


def outermost_hit(
    vertices: Floats, triangles: NDArray[np.int64], start: Floats, direction: Floats
) -> float | None:
    """Distance from ``start`` to the skin along ``direction``; None where it misses.

    Hits within 40 mm behind the first belong to the same limb; the last of them is
    the outside.
    """
    corner = vertices[triangles[:, 0]]
    e1, e2 = vertices[triangles[:, 1]] - corner, vertices[triangles[:, 2]] - corner
    h = np.cross(direction, e2)
    det = (e1 * h).sum(1)
    det = np.where(np.abs(det) < 1e-12, 1e-12, det)
    s = start - corner
    u = (s * h).sum(1) / det
    q = np.cross(s, e1)
    v, t = (q @ direction) / det, (e2 * q).sum(1) / det
    hits = np.sort(t[(u >= 0) & (v >= 0) & (u + v <= 1) & (t > 0) & (t < 0.3)])
    return float(hits[hits < hits[0] + 0.04][-1]) if len(hits) else None


def vertex_normals(body: Body, vertices: Floats) -> Floats:
    """Unit normals, area-weighted, shape (V, 3)."""
    a, b, c = (vertices[body.triangles[:, k]] for k in range(3))
    normals = body.normal_sum @ np.cross(b - a, c - a)
    return np.asarray(normals / (np.linalg.norm(normals, axis=1, keepdims=True) + 1e-12))


def pose(body: Body, stance: Stance) -> Person | None:
    """The body in a stance; None where a skin point cannot be found (a rare bad fold)."""
    i, count = body.index, len(body.heads)
    moves: Moves = ([None] * count, [np.zeros(3)] * count)
    hip0 = _lengths(body, "R")[0]
    other_hip = stance.torso @ (_lengths(body, "L")[0] - hip0) + stance.hip
    _set(moves, i["root"], stance.torso, hip0, stance.hip)
    bend = joint_flexion_deg(body, stance.flexion_deg)
    knee, ankle, shank, foot = _bend_leg(
        body, moves, "R", stance.thigh, stance.hip, (bend, stance.valgus_deg, stance.plantar_deg)
    )
    _, other_ankle, _, _ = _bend_leg(
        body,
        moves,
        "L",
        stance.other_thigh,
        other_hip,
        (stance.other_flexion_deg, 0.0, stance.other_plantar_deg),
    )
    vertices = _skin(body, *_follow(body, stance, moves))
    normal = stance.thigh[:, 1]
    skin = {}
    for name, start in (
        ("hip", stance.hip + stance.thigh[:, 0] * TROCHANTER_DISTAL),
        ("knee", knee),
        ("ankle", ankle + shank[:, 0] * MALLEOLUS_DISTAL + shank[:, 2] * MALLEOLUS_BEHIND),
    ):
        away = outermost_hit(vertices, body.right_leg_triangles, start, normal)
        if away is None:
            return None
        skin[name] = start + normal * away
    heel, toe = body.foot_tips
    skin |= {"heel": vertices[heel], "toe": vertices[toe]}
    w = stance.turn
    vertices = vertices @ w.T
    leg = Leg(
        hip=w @ stance.hip,
        knee=w @ knee,
        ankle=w @ ankle,
        normal=w @ normal,
        thigh=w @ stance.thigh[:, 0],
        shank=w @ shank[:, 0],
        thigh_front=w @ -stance.thigh[:, 2],
        shank_front=w @ -shank[:, 2],
        foot=w @ foot,
        skin={name: w @ p for name, p in skin.items()},
        flexion_deg=stance.flexion_deg,
    )
    normals = vertex_normals(body, vertices)
    return Person(body, vertices, normals, leg, w @ other_hip, w @ other_ankle)
