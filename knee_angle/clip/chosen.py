"""A few pictures of a clip as the photos of a visit: the machine's judgement, and what is kept.

Both ends and some pictures between them, each where a displayed number was read if there are
any, go through the visit's own estimate and judgement (`machine.answer`): finding and advice
are worded and proven as for photos, and a clip is kept as a visit is. Points, direction and
lens of these pictures are those of the whole clip.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from knee_angle.angle import uncertainty, verdict
from knee_angle.clip.answer import ChosenPicture, Which
from knee_angle.clip.following import picture_sha256
from knee_angle.clip.gather import Gathered
from knee_angle.clip.joint import Joint
from knee_angle.clip.numbers import Readings
from knee_angle.clip.standing import normals_of
from knee_angle.machine.answer import VisitAnswer, answer_visit
from knee_angle.machine.cause import alarms_of
from knee_angle.photo import camera
from knee_angle.photo.camera import Board
from knee_angle.records import (
    MACHINE_POINTS,
    Direction,
    Displayed,
    Landmark,
    Landmarks,
    LegInView,
    Lens,
    Machine,
    Measurement,
    NotMeasured,
    View,
)
from knee_angle.settings import Settings
from knee_angle.visit import VisitPhoto, without_guessed_bars

__all__ = ["chosen_pictures", "visit_of"]

Floats = NDArray[np.float64]

BETWEEN = 3
"""Pictures between the two ends: enough for a curve and where the hinge runs (our own)."""
NEAR_READING_S = 0.12
"""A displayed number so near in time is that of the picture."""
END_SHARE = 0.05


def chosen_pictures(
    found: Gathered,
    joint: Joint,
    *,
    shown: Readings,
    lag_s: float,
    film_sha256: str,
    film: str,
    settings: Settings,
) -> tuple[ChosenPicture, ...]:
    """Both ends and `BETWEEN` pictures between them, by the knee.

    Parameters
    ----------
    found, joint
        The clip and its joint estimate.
    shown : Readings
        Displayed numbers and when; empty where there are none.
    lag_s : float
        How late they are.
    film_sha256, film : str
        The film's hash and name.
    settings : Settings
        By which each is measured.
    """
    usable = np.nonzero(joint.used & _bars_seen(joint))[0]
    if len(usable) == 0:
        usable = np.nonzero(joint.used)[0]
    numbers = _numbers(found.seconds, shown.seconds - lag_s)
    if (numbers[usable] >= 0).sum() >= BETWEEN + 2:
        usable = usable[numbers[usable] >= 0]
    knees = joint.knee.values[usable]
    targets = np.linspace(float(knees.min()), float(knees.max()), BETWEEN + 2)
    at = list(dict.fromkeys(int(usable[np.argmin(np.abs(knees - one))]) for one in targets))
    span = max(float(np.ptp(joint.knee.values[joint.used])), 1.0)
    low, high = (float(f(joint.knee.values[joint.used])) for f in (np.min, np.max))
    chosen = []
    for place, k in enumerate(at):
        knee, sample = float(joint.knee.values[k]), found.samples[k]
        near: dict[Which, float] = {"extension": knee - low, "flexion": high - knee}
        end = next((which for which, off in near.items() if off <= END_SHARE * span), None)
        number = shown.displayed(int(numbers[k])) if numbers[k] >= 0 else None
        name = f"{film} at {sample.seconds:.1f} s"
        one = _measured(
            found, joint, k, name=name, sha256=picture_sha256(film_sha256, sample.number),
            shown=number, settings=settings,
        )  # fmt: skip
        chosen.append(ChosenPicture(str(place + 1), end, sample.number, sample.seconds, one))
    return tuple(chosen)


def visit_of(chosen: Sequence[ChosenPicture], settings: Settings) -> VisitAnswer | NotMeasured:
    """The chosen pictures judged as a visit."""
    photos = []
    for one in chosen:
        leg = without_guessed_bars(one.measurement.leg)
        frame = None if one.measurement.machine is None else one.measurement.machine.frame
        shown = one.measurement.displayed
        photos.append(
            VisitPhoto(
                one.measurement.photo,
                one.setting,
                leg,
                None if shown is None else shown.deg,
                own=(one.measurement.knee, frame),
            )
        )
    hashes = "".join(one.measurement.photo_sha256 or "" for one in chosen)
    seed = int(hashlib.sha256(hashes.encode()).hexdigest()[:16], 16)
    outcomes = [(one.measurement.photo, one.measurement) for one in chosen]
    return answer_visit(photos, settings, rng=np.random.default_rng(seed), outcomes=outcomes)


def _bars_seen(joint: Joint) -> NDArray[np.bool_]:
    if joint.bars is None:
        return np.zeros(len(joint.used), dtype=bool)
    return np.asarray(np.isfinite(joint.bars.values))


def _numbers(seconds: Floats, shown_s: Floats) -> NDArray[np.intp]:
    """Which displayed number is that of each picture; -1 where none is near in time."""
    if len(shown_s) == 0:
        return np.full(len(seconds), -1)
    nearest = np.abs(seconds[:, None] - shown_s[None]).argmin(axis=1)
    near = np.abs(seconds - shown_s[nearest]) <= NEAR_READING_S
    return np.where(near, nearest, -1)


def _measured(
    found: Gathered,
    joint: Joint,
    k: int,
    *,
    name: str,
    sha256: str,
    shown: Displayed | None,
    settings: Settings,
) -> Measurement:
    """One picture's own result, as a photo's."""
    moved = min(90.0, max(settings.movement_deg, _moves(joint, found, k)))
    moving = replace(settings, movement_deg=moved)
    landmarks = _landmarks(found, k)
    leg = LegInView(
        points=landmarks.points,
        side=found.seen.leg.side,
        lens=_lens(found, joint),
        view=_view(found, joint, k),
        placement_mm=found.seen.leg.placement_mm,
        doubted=found.seen.leg.doubted,
    )
    rng = np.random.default_rng(int(sha256[:16], 16))
    knee, frame, _ = uncertainty.photo_with_uncertainty(leg, trials=settings.trials, rng=rng)
    points = {n: landmarks.points[n] for n in MACHINE_POINTS if n in landmarks.points}
    judged = None
    if shown is not None:
        judged = verdict.compare(shown, knee, moving, provable=leg.provable)
    return Measurement(
        photo=name,
        leg=leg,
        landmarks=landmarks,
        knee=knee,
        flat_deg=uncertainty.flat_flexion_deg(leg),
        machine=Machine(points, frame) if points else None,
        displayed=shown,
        comparison=judged,
        alarms=alarms_of(knee, settings),
        photo_sha256=sha256,
        settings=moving,
    )


def _moves(joint: Joint, found: Gathered, k: int) -> float:
    """How far the knee moves while a number counts as that of a picture: half-width, degrees."""
    used = np.nonzero(joint.used)[0]
    seconds, knees = found.seconds[used], joint.knee.values[used]
    ends = found.seconds[k] + NEAR_READING_S * np.array([-1.0, 1.0])
    ends = np.clip(ends, seconds[0], seconds[-1])
    return float(np.abs(np.diff(np.interp(ends, seconds, knees))[0]) / 2.0)


def _landmarks(found: Gathered, k: int) -> Landmarks:
    """The points of one picture with all that each may be found wrongly by."""
    seen, points = found.seen, {}
    for place, name in enumerate(seen.leg.points):
        x, y = (float(v) for v in seen.points_px[k, place])
        if math.isfinite(x):
            u = math.hypot(float(seen.u_px[k, place]), float(seen.alike_px[place]))
            points[name] = Landmark.round(x, y, u_px=u, source=found.source)
    return Landmarks(points=points, side=seen.leg.side)


def _lens(found: Gathered, joint: Joint) -> Lens:
    """The clip's lens as the joint estimate has it."""
    lens = found.seen.leg.lens
    return replace(lens, focal_px=lens.focal_px * joint.focal)


def _view(found: Gathered, joint: Joint, k: int) -> View:
    """How the camera stands in one picture, by the clip's path."""
    seen = found.seen
    normal = normals_of(joint.lean, seen.sights)[k]
    hip, ankle = seen.points_px[k, 0], seen.points_px[k, 2]
    long_axis = (float(ankle[0] - hip[0]), float(ankle[1] - hip[1]))
    far = float(joint.distance_mm[k]) * joint.focal
    cov = seen.u_common_deg**2 * np.eye(2)
    if seen.strip:
        board = Board(normal, cov, far, 0.01 * far, 0.2)
        return camera.view_from_board(board, long_axis_px=long_axis)
    scale = seen.leg.view
    u_far = scale.u_distance_mm / scale.knee_distance_mm * far
    if found.plane == "image":
        return camera.view_from_prior(knee_distance_mm=far, u_distance_mm=u_far)
    x, y, z = (float(v) for v in normal)
    variance = seen.u_common_deg**2
    direction = Direction((x, y, z), (variance, 0.0, variance))
    return camera.view_from_direction(direction, knee_distance_mm=far, u_distance_mm=u_far)
