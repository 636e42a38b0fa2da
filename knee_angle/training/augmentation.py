"""Windows cut from kept pictures at random, turned, mirrored and spoilt, all in bulk.

Every picture is used many times; no two windows are alike. Truth moves with it: the
points, whether they are in the window, the leg's side, and its normal's direction as
seen along the ray through the window's centre.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

from knee_angle.training.model import INPUT_SIZE
from knee_angle.training.samples import META

__all__ = ["Batch", "Kept", "cut", "jpeg", "spoil", "tilt_along"]

QUALITY_50 = [
    [16, 11, 10, 16, 24, 40, 51, 61],
    [12, 12, 14, 19, 26, 58, 60, 55],
    [14, 13, 16, 24, 40, 57, 69, 56],
    [14, 17, 22, 29, 51, 87, 80, 62],
    [18, 22, 37, 56, 68, 109, 103, 77],
    [24, 35, 55, 64, 81, 104, 113, 92],
    [49, 64, 78, 87, 103, 121, 120, 101],
    [72, 92, 95, 98, 112, 100, 103, 99],
]  # luminance table of the JPEG standard, annex K
NEAR = (0.75, 0.55)
"""Share of windows that lie around the leg, of pictures of a whole leg or more and of others."""
QUARTERS = (0.7, 0.12, 0.06, 0.12)
"""Shares of windows turned by no, one, two and three quarter turns."""
CLEAN = 0.15
"""Share of windows left as they were drawn."""
BEND = META.index("bend_deg")
LUMA = [[0.299, 0.587, 0.114], [-0.168736, -0.331264, 0.5], [0.5, -0.418688, -0.081312]]


@dataclass
class Kept:
    """Pictures with their truth, as :class:`knee_angle.training.samples.Sample` names it."""

    pictures: Tensor  # (N, S, S, 3) uint8
    points: Tensor  # (N, 8, 2)
    window: Tensor  # (N, 4)
    camera: Tensor  # (N, 3)
    normal: Tensor  # (N, 3)
    meta: Tensor  # (N, 11)

    def of(self, rows: Tensor) -> Kept:
        """Some of them."""
        return Kept(
            self.pictures[rows],
            self.points[rows],
            self.window[rows],
            self.camera[rows],
            self.normal[rows],
            self.meta[rows],
        )


@dataclass
class Batch:
    """Windows, and what is true of them.

    Parameters
    ----------
    windows : Tensor, shape (B, 3, 256, 256)
        RGB, 0 to 255.
    points : Tensor, shape (B, 8, 2)
        In units of the window; NaN where a point does not exist.
    present : Tensor, shape (B, 8), bool
        In the window and in the photo.
    right : Tensor, shape (B,)
        1 for a right leg, 0 for a left one.
    tilt : Tensor, shape (B, 2)
        The normal along the window's right and down.
    bend : Tensor, shape (B,)
        True flexion about that normal, radians; NaN without a leg.
    legs : Tensor, shape (B,), bool
        Whether there is a leg at all in the picture.
    place : Place
        Where the window lies before its camera.
    """

    windows: Tensor
    points: Tensor
    present: Tensor
    right: Tensor
    tilt: Tensor
    bend: Tensor
    legs: Tensor
    place: Place


@dataclass
class Place:
    """Where windows lie in their pictures, and the pictures' cameras.

    Parameters
    ----------
    matrix : Tensor, shape (B, 2, 2)
        From units of the window to pixels of the picture.
    centre : Tensor, shape (B, 2)
        Pixels.
    camera : Tensor, shape (B, 3)
        Focal length and principal point, pixels.
    """

    matrix: Tensor
    centre: Tensor
    camera: Tensor

    def directions(self, points: Tensor) -> Tensor:
        """From the lens through points of the windows, (B, K, 2) to (B, K, 3) at depth one."""
        px = torch.einsum("bij,bkj->bki", self.matrix, points - 0.5) + self.centre[:, None]
        flat = (px - self.camera[:, None, 1:]) / self.camera[:, None, :1]
        return torch.cat([flat, torch.ones_like(flat[..., :1])], -1)

    def normal(self, tilt: Tensor) -> Tensor:
        """The unit normals, (B, 3), whose components across the centre's ray are ``tilt``."""
        half = torch.full_like(self.centre, 0.5)[:, None]
        ray = _unit(self.directions(half)[:, 0])
        turn = self.matrix / torch.linalg.det(self.matrix).abs().sqrt()[:, None, None]
        along = torch.einsum("bij,bj->bi", turn, tilt)
        x, y, z = ray.unbind(-1)
        k = 1 / (1 + z)
        right = torch.stack([1 - x * x * k, -x * y * k, -x], -1)
        down = torch.stack([-x * y * k, 1 - y * y * k, -y], -1)
        depth = (1 - (tilt * tilt).sum(-1, keepdim=True)).clamp(min=0.05).sqrt()
        return along[:, :1] * right + along[:, 1:] * down - depth * ray


def _unit(vector: Tensor) -> Tensor:
    """Vectors at length one."""
    return vector / vector.norm(dim=-1, keepdim=True)


def tilt_along(normal: Tensor, camera: Tensor, centre: Tensor) -> Tensor:
    """Components of normals across the ray through picture points, shape (B, 2).

    The camera is turned, by the shortest way, to look along the ray; the normal's x
    and y in that camera are returned.

    Parameters
    ----------
    normal : Tensor, shape (B, 3)
    camera : Tensor, shape (B, 3)
        Focal length and principal point, pixels.
    centre : Tensor, shape (B, 2)
        Pixels.
    """
    ray = torch.cat([(centre - camera[:, 1:]) / camera[:, :1], torch.ones_like(centre[:, :1])], -1)
    ray = ray / ray.norm(dim=-1, keepdim=True)
    # Rodrigues' turn of the axes x and y onto the plane across the ray.
    k = 1.0 / (1.0 + ray[:, 2:])
    along = (normal[:, :2] * ray[:, :2]).sum(-1, keepdim=True)
    return normal[:, :2] - ray[:, :2] * (normal[:, 2:] + along * k)


@dataclass
class _Plan:
    """Where each window lies: centre and side in pixels, turn in radians, mirrored or not."""

    centre: Tensor
    side: Tensor
    turn: Tensor
    mirror: Tensor
    box: Tensor  # (B, 4): outside of it the window stays black


def _uniform(like: Tensor, low: float, high: float) -> Tensor:
    """One number for each row of ``like``."""
    return torch.rand(len(like), device=like.device) * (high - low) + low


def _plan(kept: Kept, size: int) -> _Plan:
    """The whole photo, a window around the leg, one on part of it, or a crop in a frame."""
    device, count = kept.points.device, len(kept.points)
    leg = torch.nan_to_num(kept.points[:, :5], size / 2)
    low, high = leg.min(1)[0], leg.max(1)[0]
    extent = (high - low).max(1)[0].clamp(40, 900)
    one = kept.points[:, 0]
    photo = (kept.window[:, 2:] - kept.window[:, :2]).max(1)[0]
    centre = size / 2 + (torch.rand(count, 2, device=device) - 0.5) * size * 0.06
    side = photo * _uniform(one, 0.95, 1.15)
    small = _uniform(one, 0, 1) < 0.1
    side = torch.where(small, side * _uniform(one, 1.0, 1.5), side)
    near = _uniform(one, 0, 1) < torch.where(kept.meta[:, 0] < 3, *NEAR)
    near_side = extent * _uniform(one, 1.15, 1.9)
    part = near & (_uniform(one, 0, 1) < 0.12)
    near_side = torch.where(part, extent * _uniform(one, 0.6, 1.1), near_side).clamp(min=80)
    shift = (torch.rand(count, 2, device=device) - 0.5) * 0.22 * near_side[:, None]
    centre = torch.where(near[:, None], (low + high) / 2 + shift, centre)
    side = torch.where(near, near_side, side)
    everything = torch.tensor([-1e6, -1e6, 1e6, 1e6], device=device)
    box = everything.expand(count, 4)
    framed = ~near & (_uniform(one, 0, 1) < 0.25)
    three = leg[:, :3]
    t_low, t_high = three.min(1)[0], three.max(1)[0]
    margin = (t_high - t_low).max(1)[0].clamp(40, 900)[:, None] * (
        0.08 + 0.4 * torch.rand(count, 2, device=device)
    )
    crop = torch.cat([t_low - margin, t_high + margin], 1)
    box = torch.where(framed[:, None], crop, box)
    middle, longest = (crop[:, :2] + crop[:, 2:]) / 2, (crop[:, 2:] - crop[:, :2]).max(1)[0]
    centre = torch.where(framed[:, None], middle, centre)
    side = torch.where(framed, longest * _uniform(one, 1.0, 1.08), side)
    chances = torch.tensor(QUARTERS, device=device)
    quarter = torch.multinomial(chances, count, True).float() * 90
    quarter = torch.where(framed, quarter * (_uniform(one, 0, 1) < 0.4), quarter)
    tilted = torch.where(_uniform(one, 0, 1) < 0.12, _uniform(one, -45, 45), torch.zeros_like(side))
    turn = (quarter + tilted + torch.randn(count, device=device) * 5) * math.pi / 180
    mirror = torch.where(_uniform(one, 0, 1) < 0.5, -1.0, 1.0)
    return _Plan(centre, side, turn, mirror, box)


def cut(kept: Kept, *, plan: _Plan | None = None) -> Batch:
    """One window of each picture, with its truth."""
    size = kept.pictures.shape[1]
    plan = plan or _plan(kept, size)
    c, s, m = torch.cos(plan.turn), torch.sin(plan.turn), plan.mirror
    # From window coordinates about its centre to pixels about the window's centre.
    matrix = torch.stack([torch.stack([c * m, -s], -1), torch.stack([s * m, c], -1)], 1)
    scaled = matrix * plan.side.view(-1, 1, 1)
    theta = torch.cat([scaled / size, ((plan.centre - size / 2) / (size / 2)).unsqueeze(-1)], -1)
    pictures = kept.pictures.permute(0, 3, 1, 2).float()
    grid = functional.affine_grid(
        theta, [len(pictures), 3, INPUT_SIZE, INPUT_SIZE], align_corners=False
    )
    windows = functional.grid_sample(
        pictures, grid, mode="bilinear", padding_mode="zeros", align_corners=False
    )
    pixels = (grid + 1) * (size / 2)
    box = plan.box.view(-1, 1, 1, 4)
    inside = ((pixels >= box[..., :2]) & (pixels < box[..., 2:])).all(-1)
    windows = windows * inside[:, None]
    points = torch.einsum("bij,bkj->bki", torch.inverse(scaled), kept.points - plan.centre[:, None])
    points = points + 0.5
    limits = torch.cat(
        [
            torch.maximum(kept.window[:, :2], plan.box[:, :2]),
            torch.minimum(kept.window[:, 2:], plan.box[:, 2:]),
        ],
        1,
    )[:, None]
    photo = (kept.points >= limits[..., :2]).all(-1) & (kept.points < limits[..., 2:]).all(-1)
    present = photo & (points > 0).all(-1) & (points < 1).all(-1)
    tilt = tilt_along(kept.normal, kept.camera, plan.centre)
    tilt = torch.einsum("bji,bj->bi", matrix, tilt)
    legs = torch.isfinite(kept.normal).all(-1)
    place = Place(scaled, plan.centre, kept.camera)
    bend = torch.deg2rad(kept.meta[:, BEND])
    return Batch(windows, points, present, (m > 0).float(), tilt, bend, legs, place)


def jpeg(pictures: Tensor, quality: Tensor) -> Tensor:
    """What JPEG compression of that quality leaves, 0 to 255, shape (B, 3, H, W)."""
    count, _, height, width = pictures.shape
    d = pictures.device
    waves = torch.tensor(
        [
            [
                math.sqrt((1 if k == 0 else 2) / 8) * math.cos((2 * x + 1) * k * math.pi / 16)
                for x in range(8)
            ]
            for k in range(8)
        ],
        device=d,
    )
    to_luma = torch.tensor(LUMA, device=d)
    centre = torch.tensor([128.0, 0, 0], device=d).view(1, 3, 1, 1)
    y = torch.einsum("ij,bjhw->bihw", to_luma, pictures) - centre
    blocks = y.view(count, 3, height // 8, 8, width // 8, 8).permute(0, 1, 2, 4, 3, 5)
    scale = torch.where(quality < 50, 5000 / quality, 200 - 2 * quality) / 100
    table = (torch.tensor(QUALITY_50, device=d, dtype=torch.float32) * scale.view(-1, 1, 1)).clamp(
        min=1
    )
    coarse = torch.tensor([1.0, 1.8, 1.8], device=d).view(1, 3, 1, 1, 1, 1)
    step = table.view(count, 1, 1, 1, 8, 8) * coarse
    both = torch.kron(waves, waves)  # a block's 64 values to its 64 waves
    flat, step = blocks.flatten(4), step.flatten(4)
    kept = torch.round(flat @ both.T / step) * step
    blocks = (kept @ both).unflatten(4, (8, 8))
    y = blocks.permute(0, 1, 2, 4, 3, 5).reshape(count, 3, height, width) + centre
    return torch.einsum("ij,bjhw->bihw", torch.inverse(to_luma), y).clamp(0, 255)


def _gaussian(sigma: float, device: torch.device) -> Tensor:
    """Nine taps of a Gaussian."""
    t = torch.arange(-4, 5, device=device).float()
    k = torch.exp(-t * t / (2 * sigma * sigma))
    return k / k.sum()


def _blur(y: Tensor, sigma: float) -> Tensor:
    """Gaussian blur."""
    k = _gaussian(sigma, y.device)
    y = functional.conv2d(y, k.view(1, 1, 1, 9).expand(3, 1, 1, 9), padding=(0, 4), groups=3)
    return functional.conv2d(y, k.view(1, 1, 9, 1).expand(3, 1, 9, 1), padding=(4, 0), groups=3)


def _exposure(y: Tensor, seen: Tensor) -> Tensor:
    """Exposure as a phone's automatic sets it, then gamma, colour cast, saturation, contrast."""
    d, count = y.device, len(y)

    def each(low: float, high: float) -> Tensor:
        return (torch.rand(count, device=d) * (high - low) + low).view(-1, 1, 1, 1)

    def bell(width: float, channels: int = 1) -> Tensor:
        return torch.randn(count, channels, 1, 1, device=d) * width

    mean = (y * seen).sum((1, 2, 3), keepdim=True) / (3 * seen.sum((1, 2, 3), keepdim=True) + 1)
    automatic = (each(0.35, 0.55) / mean.clamp(0.05, 1)).clamp(0.6, 3.0)
    y = torch.where(each(0, 1) < 0.5, y * automatic, y)
    y = y.clamp(1e-4) ** torch.exp(bell(0.2)) * torch.exp(bell(0.22)) * torch.exp(bell(0.09, 3))
    grey = y.mean(1, keepdim=True)
    y = grey + (y - grey) * torch.where(each(0, 1) < 0.08, torch.zeros(1, device=d), each(0.4, 1.6))
    mean = y.mean((1, 2, 3), keepdim=True)
    y = mean + (y - mean) * each(0.6, 1.4)
    # Palettes: channels swapped, or each curve bent, so that colour alone tells little.
    swapped = y[:, torch.randperm(3, device=d)]
    y = torch.where(each(0, 1) < 0.05, swapped, y)
    phase, depth = torch.rand(count, 3, 1, 1, device=d) * 6.28, each(0.0, 0.18)
    bent = y + depth * torch.sin(y.clamp(0, 1) * 6.28 + phase)
    return torch.where(each(0, 1) < 0.12, bent, y)


def _random_filter(y: Tensor) -> Tensor:
    """A random 3x3 filter that mixes the channels, for the first few: textures change."""
    count, size = max(1, len(y) // 8), y.shape[-1]
    kernel = torch.randn(count, 3, 3, 3, 3, device=y.device) * 0.14
    kernel[:, range(3), range(3), 1, 1] += 0.75
    kernel = kernel / kernel.sum((2, 3, 4), keepdim=True).abs().clamp(min=0.6)
    padded = functional.pad(y[:count], (1, 1, 1, 1), mode="replicate")
    filtered = torch.zeros_like(y[:count])
    for i in range(3):
        for j in range(3):
            shifted = padded[:, :, i : i + size, j : j + size]
            filtered += torch.einsum("bij,bjhw->bihw", kernel[..., i, j], shifted)
    return torch.cat([filtered, y[count:]])


def _shadows_and_patches(y: Tensor) -> Tensor:
    """Light falling off, soft blotches, flat things in front."""
    d, count, size = y.device, len(y), y.shape[-1]

    def each(low: float, high: float) -> Tensor:
        return (torch.rand(count, device=d) * (high - low) + low).view(-1, 1, 1, 1)

    at = torch.linspace(-1, 1, size, device=d)
    y = y * (
        1 + each(-0.25, 0.25) * at.view(1, 1, 1, -1) + each(-0.25, 0.25) * at.view(1, 1, -1, 1)
    )
    blotch = functional.interpolate(
        torch.randn(count, 1, 6, 6, device=d),
        size=(size, size),
        mode="bicubic",
        align_corners=False,
    )
    y = y * (1 + each(0, 0.25) * (each(0, 1) < 0.4) * blotch)
    some = each(0, 1) < 0.25
    for _ in range(2):
        cx, cy, w, h = (each(0, 2) - 1, each(0, 2) - 1, each(0.03, 0.25), each(0.03, 0.25))
        inside = ((at.view(1, 1, 1, -1) - cx).abs() < w) & ((at.view(1, 1, -1, 1) - cy).abs() < h)
        flat = torch.rand(count, 3, 1, 1, device=d) + torch.randn_like(y) * 0.05
        y = torch.where(inside & some, flat, y)
    return y


def spoil(windows: Tensor, *, generator_step: int) -> Tensor:
    """All that light, lens, sensor and compression do to a picture; 0 to 255 in and out.

    ``generator_step`` chooses the one sharpness change that a whole batch shares.
    """
    seen = (windows.sum(1, keepdim=True) > 0).float()
    y = _exposure(windows / 255.0, seen)
    y = _shadows_and_patches(_random_filter(y))
    amount = float(torch.rand(()))
    kind = generator_step % 6
    size = windows.shape[-1]
    if kind == 0:
        small = functional.interpolate(
            y, scale_factor=0.3 + 0.6 * amount, mode="bilinear", antialias=True
        )
        y = functional.interpolate(small, size=(size, size), mode="bilinear")
    elif kind in (1, 2):
        y = _blur(y, 0.4 + 1.3 * amount)
    elif kind == 3:
        y = y + (0.2 + amount) * (y - functional.avg_pool2d(y, 3, 1, 1))
    noise = torch.randn_like(y)
    noise = 0.8 * noise + 1.2 * functional.avg_pool2d(noise, 3, 1, 1)
    y = y + noise * (torch.rand(len(y), 1, 1, 1, device=y.device) ** 2 * 0.08)
    y = (y * seen).clamp(0, 1) * 255
    pressed = torch.rand(len(y), device=y.device) < 0.6
    quality = torch.rand(len(y), device=y.device) * 70 + 25
    spoilt = torch.where(pressed.view(-1, 1, 1, 1), jpeg(y, quality), y)
    clean = torch.rand(len(y), 1, 1, 1, device=y.device) < CLEAN
    return torch.where(clean, windows, spoilt)
