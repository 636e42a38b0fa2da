"""Judges a detector on photos with known truth, and calibrates what it states.

A photo ``NAME.jpg`` has its truth in ``NAME.json``: ``landmarks.{hip,knee,ankle}.skin_px``,
``machine.points``, ``true_knee_flexion_deg``, ``sagittal_normal`` and ``camera.R``
(world to camera).
"""

from __future__ import annotations

import json
import math
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from knee_angle.angle import geometry
from knee_angle.photo.reading import Photo, read_photo
from knee_angle.records import LEG_POINTS, Direction, Landmarks, NotMeasured, Quad

__all__ = ["NEUTRAL", "Row", "calibration", "false_answers", "judge", "summary"]

Floats = NDArray[np.float64]
HIT = 0.5
"""All three points within this share of the mean segment."""
CHI2_95 = 5.991
"""95 % of a two-dimensional normal lies within."""
PRIOR_F35_MM = 26.0


class LooksAtLegs(Protocol):
    """What can be judged: points, and the camera's direction where it is known."""

    def find(self, photo: Photo, *, masked: tuple[Quad, ...] = ()) -> Landmarks | NotMeasured:
        """The points, or why there are none."""
        ...


@dataclass(frozen=True)
class Row:
    """One photo, judged.

    Parameters
    ----------
    name, framing, mode : str
        The photo, how it is framed, and whether it shows dots or tags or is ``bare``.
    refused : str or None
        Why there is no answer.
    hit, side_right : bool
    flat_deg, flat_true_deg, corrected_deg : float
        Flat angle minus the angle of the true points in the picture; minus the true
        flexion; corrected angle minus the true flexion.
    tilt_deg : float
        Angle between estimated and true normal.
    seconds : float
        Time for the points.
    z : dict of str to float
        Squared error of each point in units of its stated covariance.
    z_tilt : float
        The same of the normal's tilt.
    """

    name: str
    framing: str
    mode: str
    refused: str | None = None
    hit: bool = False
    side_right: bool = False
    flat_deg: float = math.nan
    flat_true_deg: float = math.nan
    corrected_deg: float = math.nan
    tilt_deg: float = math.nan
    seconds: float = 0.0
    z: dict[str, float] = field(default_factory=dict)
    z_tilt: float = math.nan


def _true_points(truth: dict[str, Any]) -> dict[Any, tuple[float, float]]:
    """Places of the points on the skin and of the machine's, full px."""
    places = {n: tuple(truth["landmarks"][n]["skin_px"]) for n in LEG_POINTS}
    machine = truth["machine"]["points"]
    return places | {n: tuple(p["px"]) for n, p in machine.items() if p.get("px")}


def _true_normal(truth: dict[str, Any]) -> Floats:
    """The sagittal plane's unit normal in the camera's frame, on the camera's side."""
    normal = np.array(truth["camera"]["R"]) @ np.array(truth["sagittal_normal"])
    return np.asarray(normal / np.linalg.norm(normal))


def _mahalanobis(error: Floats, cov: tuple[float, float, float]) -> float:
    """Squared length of an error (2,) in units of a covariance (xx, xy, yy)."""
    xx, xy, yy = cov
    return float(error @ np.linalg.solve(np.array([[xx, xy], [xy, yy]]), error))


def judge(detector: LooksAtLegs, path: Path) -> Row:
    """One photo's errors against the truth beside it."""
    truth = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
    tags = truth.get("tags") or truth.get("tag_board")
    mode = "tags" if tags else ("dots" if truth.get("dots") else "bare")
    labels = (path.name, str(truth.get("framing", "")), mode)
    photo = read_photo(path)
    began = time.perf_counter()
    answer = detector.find(photo)
    seconds = time.perf_counter() - began
    if isinstance(answer, NotMeasured):
        return Row(*labels, refused=answer.reason, seconds=seconds)
    true = _true_points(truth)
    found = {n: np.array([p.x_px, p.y_px]) for n, p in answer.points.items()}
    leg, leg_true = (np.array([where[n] for n in LEG_POINTS]) for where in (found, true))
    segment = float(np.linalg.norm(np.diff(leg_true, axis=0), axis=1).mean())
    flat = float(geometry.flexion_deg(*leg))
    row = Row(
        *labels,
        hit=bool(np.linalg.norm(leg - leg_true, axis=1).max() < HIT * segment),
        side_right=answer.side == truth["side"],
        flat_deg=flat - float(geometry.flexion_deg(*leg_true)),
        flat_true_deg=flat - truth["true_knee_flexion_deg"],
        seconds=seconds,
        z={
            name: _mahalanobis(found[name] - true[name], point.cov_px2)
            for name, point in answer.points.items()
            if name in true
        },
    )
    look = getattr(detector, "direction", None)
    direction = None if look is None else look(photo, answer)
    return row if direction is None else _with_direction(row, photo, direction, truth, leg)


def _with_direction(
    row: Row, photo: Photo, direction: Direction, truth: dict[str, Any], leg: Floats
) -> Row:
    """The row with what the direction, and the angle corrected by it, get wrong."""
    normal, true = np.array(direction.normal), _true_normal(truth)
    f35 = photo.f35_mm or PRIOR_F35_MM
    focal = f35 / 43.2666 * math.hypot(photo.width, photo.height)
    rays = np.c_[(leg - [photo.width / 2, photo.height / 2]) / focal, np.ones(3)]
    flexion = float(geometry.flexion_deg(*(rays / (rays @ normal)[:, None])))
    away = np.degrees(np.stack(geometry.plane_axes(normal)) @ true)
    return Row(
        **{
            **vars(row),
            "corrected_deg": flexion - truth["true_knee_flexion_deg"],
            "tilt_deg": math.degrees(math.acos(min(1.0, float(normal @ true)))),
            "z_tilt": _mahalanobis(away, direction.tilt_cov_deg2),
        }
    )


def summary(rows: Sequence[Row]) -> dict[str, float]:
    """Shares, and quantiles of absolute errors, over the measured photos.

    ``hit`` is the share of all photos that were measured and hit.
    """
    measured = [row for row in rows if row.refused is None]
    out: dict[str, float] = {"photos": len(rows), "measured": len(measured)}
    out["hit"] = round(sum(row.hit for row in measured) / max(1, len(rows)), 3)
    if not measured:
        return out
    out["side_right"] = round(float(np.mean([row.side_right for row in measured])), 3)
    for name in ("flat_deg", "flat_true_deg", "corrected_deg", "tilt_deg", "seconds"):
        values = np.abs([getattr(row, name) for row in measured])
        values = values[np.isfinite(values)]
        for label, share in (("median", 0.5), ("p90", 0.9), ("max", 1.0)):
            if len(values):
                out[f"{name}_{label}"] = round(float(np.quantile(values, share)), 3)
    inside = [row.z[n] < CHI2_95 for row in measured for n in LEG_POINTS]
    out["points_in_95"] = round(float(np.mean(inside)), 3)
    tilts = [row.z_tilt < CHI2_95 for row in measured if math.isfinite(row.z_tilt)]
    if tilts:
        out["tilt_in_95"] = round(float(np.mean(tilts)), 3)
    return out


NEUTRAL = {"points": 1.0, "points_oblique": 1.0, "points_steep": 1.0, "tilt": 1.0}
"""Factors under which the network's own ± are judged."""


def calibration(rows: Sequence[Row]) -> dict[str, dict[str, float]]:
    """Factors on the stated standard deviations that make them hold, as the card keeps them.

    By moments: two squared standard errors are expected of every point. Photos that
    were missed say nothing about the spread of hits. The direction's spread is never
    made narrower than the network states it: a few photos are too few for that.
    """
    hits = [row for row in rows if row.refused is None and row.hit]
    points = [row.z[n] for row in hits for n in LEG_POINTS]
    tilts = [row.z_tilt for row in hits if math.isfinite(row.z_tilt)]
    factors = {
        "points": math.sqrt(float(np.mean(points)) / 2) if points else 1.0,
        "tilt": max(1.0, math.sqrt(float(np.mean(tilts)) / 2)) if tilts else 1.0,
    }
    return {"calibration": {name: round(value, 3) for name, value in factors.items()}}


def false_answers(detector: LooksAtLegs, paths: Sequence[Path]) -> list[str]:
    """Names of the photos without a leg in which one is found all the same."""
    return [
        path.name for path in paths if not isinstance(detector.find(read_photo(path)), NotMeasured)
    ]
