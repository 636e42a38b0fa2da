"""What the network is trained to get right."""

from __future__ import annotations

import math

import torch
from torch import Tensor
from torch.nn import functional

from knee_angle.training.augmentation import Batch, Place
from knee_angle.training.model import INPUT_SIZE, STRIDE, Predicted, whiten

__all__ = ["POINT_SCALE", "TILT_SCALE", "bend", "flexion", "loss"]

# Logarithms of the inverse of usual errors: 3 % of a window, 0.11 of a unit vector.
POINT_SCALE, TILT_SCALE = 3.5, 2.2
WEIGHTS = (1.5, 1.5, 1.5, 0.5, 0.5, 0.4, 0.4, 0.4)
# Beyond this tilt a leg's side is hardly seen: its normal is not trained there.
STEEPEST = math.sin(math.radians(68.0))
# Beyond this one a corrected angle says more of the direction than of the leg.
STEEPEST_CORRECTED = math.sin(math.radians(50.0))
# How far hip, knee and ankle stand before the knee and how long the thigh is between them, on
# average of 260 drawn legs: so the points learn what a picture shows of its own leg beyond that,
# and not by how much these legs differ from those that the measurement takes for usual.
DEPTH_MM, THIGH_MM = (2.0, 0.0, -36.0), 465.0
# Nearer or further nobody photographs a leg.
DISTANCES_MM = (300.0, 10_000.0)


def bend(points: Tensor) -> Tensor:
    """Signed angle from thigh to shank in the window, radians, shape (B,)."""
    a, b = points[:, 1] - points[:, 0], points[:, 2] - points[:, 1]
    return torch.atan2(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0], (a * b).sum(-1))


def flexion(place: Place, points: Tensor, tilt: Tensor) -> Tensor:
    """Signed flexion about the normal, radians, shape (B,), as a photo is measured.

    The marks stand before the knee as far as they usually do, and the thigh's usual length
    tells how far away all are: usual in training, see `DEPTH_MM`.

    Parameters
    ----------
    place : Place
    points : Tensor, shape (B, K, 2)
        Hip, knee and ankle first, in units of the window.
    tilt : Tensor, shape (B, 2)
        See :class:`Batch`.
    """
    normal = place.normal(tilt)
    rays = place.directions(points[:, :3])
    toward = -torch.einsum("bki,bi->bk", rays, normal)
    unit = rays / toward.clamp(min=0.2)[..., None]
    unit = unit + normal[:, None]  # its part in the plane: along the normal it is minus one
    depth = torch.tensor(DEPTH_MM, device=unit.device)
    with torch.no_grad():
        far = _distance_of_thigh(unit, depth)
    at = unit * (far[:, None] - depth)[..., None]
    thigh, shank = at[:, 1] - at[:, 0], at[:, 2] - at[:, 1]
    across = (torch.linalg.cross(shank, thigh) * normal).sum(-1)
    return torch.atan2(across, (thigh * shank).sum(-1) + 1e-6)


def _distance_of_thigh(unit: Tensor, depth: Tensor) -> Tensor:
    """Distance of the knee's plane, mm, (B,), at which the thigh is as long as it usually is.

    ``unit`` (B, 3, 3) are the marks as seen on a plane at distance one, ``depth`` (3,) how far
    before the knee they stand, mm; see :func:`knee_angle.angle.trials.simulated`.
    """
    e = unit[:, 1] - unit[:, 0]
    g = depth[1] * unit[:, 1] - depth[0] * unit[:, 0]
    ee, eg, gg = ((a * b).sum(-1) for a, b in ((e, e), (e, g), (g, g)))
    root = (eg**2 - ee * (gg - THIGH_MM**2)).clamp(min=0).sqrt()
    return ((eg + root) / ee.clamp(min=1e-4)).clamp(*DISTANCES_MM)


def _apart(one: Tensor, other: Tensor) -> Tensor:
    """How far two angles are apart, radians; smooth where they meet."""
    return torch.sqrt(4 * torch.sin((one - other) / 2) ** 2 + 1e-6)


def normal_nll(error: Tensor, spread: Tensor, scale: float) -> Tensor:
    """Negative log likelihood of errors (..., 2) under the stated covariance."""
    a, b, c = whiten(spread, scale)
    z1, z2 = a * error[..., 0], c * error[..., 1] + b * error[..., 0]
    return 0.5 * (z1 * z1 + z2 * z2).clamp(max=200) - torch.log(a) - torch.log(c)


def heat_loss(heat: Tensor, points: Tensor) -> Tensor:
    """Cross entropy against a small Gaussian about each true point, shape (B, 8)."""
    cells = INPUT_SIZE // STRIDE
    at = (torch.arange(cells, device=heat.device) + 0.5) / cells
    sigma = 1.6 / cells
    tx = -((at - points[..., 0:1]) ** 2) / (2 * sigma**2)
    ty = -((at - points[..., 1:2]) ** 2) / (2 * sigma**2)
    target = torch.softmax((ty[..., :, None] + tx[..., None, :]).flatten(2), -1)
    return -(target * torch.log_softmax(heat, -1)).sum(-1)


def loss(out: Predicted, batch: Batch) -> tuple[Tensor, dict[str, Tensor]]:
    """The weighted sum, and its parts by name."""
    exists = torch.isfinite(batch.points).all(-1)
    truth = torch.nan_to_num(batch.points, 0.5)
    near = exists & (truth > -0.4).all(-1) & (truth < 1.4).all(-1) & batch.legs[:, None]
    weight = (
        torch.tensor(WEIGHTS, device=truth.device) * torch.where(batch.present, 1.0, 0.2) * near
    )
    error = out.points - truth
    distance = torch.sqrt((error**2).sum(-1) + 1e-8)
    seen = weight * batch.present
    whole = near[:, :3].all(1) & (batch.present[:, :3].sum(1) >= 2)
    angle = _apart(bend(out.points), bend(truth))
    aim = torch.nan_to_num(batch.tilt, 0.0)
    faces = whole & torch.isfinite(batch.tilt).all(-1) & (aim.norm(dim=-1) < STEEPEST)
    miss = out.tilt - aim
    corrected = faces & (aim.norm(dim=-1) < STEEPEST_CORRECTED)
    size = out.tilt.norm(dim=-1, keepdim=True)
    within = out.tilt * (0.9 / size.clamp(min=0.9))
    bent = _apart(flexion(batch.place, out.points, within), torch.nan_to_num(batch.bend, 0.0))
    parts = {
        "points": (weight * distance).sum() / weight.sum().clamp(min=1),
        "heat": (seen * heat_loss(out.heat, truth)).sum() / seen.sum().clamp(min=1),
        "spread": (weight * normal_nll(error.detach(), out.spread, POINT_SCALE)).sum()
        / weight.sum().clamp(min=1),
        "angle": (angle * whole).sum() / whole.sum().clamp(min=1),
        "flexion": (bent * corrected).sum() / corrected.sum().clamp(min=1),
        "presence": functional.binary_cross_entropy_with_logits(
            out.presence, batch.present.float()
        ),
        "side": (
            functional.binary_cross_entropy_with_logits(out.side, batch.right, reduction="none")
            * whole
        ).sum()
        / whole.sum().clamp(min=1),
        "tilt": (miss.norm(dim=-1) * faces).sum() / faces.sum().clamp(min=1),
        "tilt_spread": (normal_nll(miss, out.tilt_spread, TILT_SCALE) * faces).sum()
        / faces.sum().clamp(min=1),
    }
    gains = {
        "points": 10.0,
        "heat": 0.15,
        "spread": 0.05,
        "angle": 1.0,
        "flexion": 4.0,
        "presence": 0.3,
        "side": 0.15,
        "tilt": 1.5,
        "tilt_spread": 0.08,
    }
    total = torch.stack([gains[name] * value for name, value in parts.items()]).sum()
    return total, parts
