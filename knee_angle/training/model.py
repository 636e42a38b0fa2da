"""The leg network: what it predicts from a square window, and how.

A light ImageNet backbone (EfficientNet-Lite2) under a small feature pyramid. Each
point comes from a heat map by its expectation, with a learned offset, so that the
position is exact below a pixel and every part of it can be trained.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import torch
from torch import Tensor, nn
from torch.nn import functional

from knee_angle.training.scene import POINTS

__all__ = ["INPUT_SIZE", "LegNetwork", "Predicted", "whiten"]

INPUT_SIZE = 256
STRIDE = 4
COUNT = len(POINTS)
BACKBONE = "efficientnet-lite2"
TAPS, CHANNELS = (3, 6, 14, 20), (24, 48, 120, 352)  # blocks and widths at strides 4 to 32
PLACED = 32  # channels of the deepest map that keep their place in the window


@dataclass
class Predicted:
    """What the network says of a batch of B windows.

    Parameters
    ----------
    points : Tensor, shape (B, 8, 2)
        In units of the window: 0 its left or upper edge, 1 the other.
    spread : Tensor, shape (B, 8, 3)
        Numbers that :func:`whiten` turns into each point's covariance.
    presence : Tensor, shape (B, 8)
        Log odds that the point is in the window.
    side : Tensor, shape (B,)
        Log odds that the leg is a right one.
    tilt : Tensor, shape (B, 2)
        The normal's components along the window's right and down, seen along the ray
        through the window's centre.
    tilt_spread : Tensor, shape (B, 3)
        As ``spread``, for ``tilt``.
    heat : Tensor, shape (B, 8, 64 * 64)
        Logits of the heat maps.
    """

    points: Tensor
    spread: Tensor
    presence: Tensor
    side: Tensor
    tilt: Tensor
    tilt_spread: Tensor
    heat: Tensor


def whiten(spread: Tensor, scale: float) -> tuple[Tensor, Tensor, Tensor]:
    """Factors (a, b, c): (a dx, b dx + c dy) is standard normal for an error (dx, dy).

    ``scale`` is the logarithm of the usual inverse error, so that zero is a fair start.
    """
    a = torch.exp(scale - spread[..., 0].clamp(-3, 5))
    c = torch.exp(scale - spread[..., 1].clamp(-3, 5))
    return a, spread[..., 2] * math.exp(scale) * 0.6, c


class Mix(nn.Module):  # type: ignore[misc, unused-ignore]
    """A depthwise 5x5 and a pointwise convolution."""

    def __init__(self, width: int) -> None:
        super().__init__()
        self.layers = nn.Sequential(
            nn.Conv2d(width, width, 5, padding=2, groups=width, bias=False),
            nn.BatchNorm2d(width),
            nn.Conv2d(width, width, 1, bias=False),
            nn.BatchNorm2d(width),
            nn.ReLU6(),
        )

    def forward(self, x: Tensor) -> Tensor:
        """Same shape out."""
        out: Tensor = self.layers(x)
        return out


class LegNetwork(nn.Module):  # type: ignore[misc, unused-ignore]
    """Window in, :class:`Predicted` out.

    Parameters
    ----------
    width : int
        Channels of the pyramid.
    pretrained : Path, optional
        ImageNet weights of the backbone.
    """

    mean: Tensor
    deviation: Tensor
    grid: Tensor

    def __init__(self, *, width: int = 112, pretrained: Path | None = None) -> None:
        super().__init__()
        from efficientnet_lite_pytorch import EfficientNet

        base: Any = EfficientNet.from_name(BACKBONE, image_size=INPUT_SIZE)
        if pretrained is not None:
            state = torch.load(pretrained, map_location="cpu", weights_only=True)
            base.load_state_dict(state, strict=False)
        self.stem, self.stem_norm, self.blocks = base._conv_stem, base._bn0, base._blocks
        self.act = nn.ReLU6()
        self.lateral = nn.ModuleList(
            nn.Sequential(nn.Conv2d(c, width, 1, bias=False), nn.BatchNorm2d(width))
            for c in CHANNELS
        )
        self.mix = nn.ModuleList(Mix(width) for _ in CHANNELS)
        self.maps = nn.Conv2d(width, COUNT * 6, 1)
        nn.init.normal_(self.maps.weight, std=0.01)
        nn.init.zeros_(self.maps.bias)
        # Where edges of bed and machine run tells the direction: not only what is seen counts,
        # but where.
        self.placed = nn.Sequential(
            nn.Conv2d(CHANNELS[-1], PLACED, 1, bias=False), nn.BatchNorm2d(PLACED), nn.ReLU6()
        )
        placed = PLACED * (INPUT_SIZE // 32) ** 2
        features = 2 * CHANNELS[-1] + COUNT * width + COUNT * 2 + placed
        self.whole = nn.Sequential(
            nn.Linear(features, 256), nn.ReLU6(), nn.Dropout(0.1), nn.Linear(256, COUNT + 6)
        )
        # Added later: with zeros in its last layer, earlier weights answer as they did.
        self.refine = nn.Sequential(nn.Linear(256, 256), nn.ReLU6(), nn.Linear(256, 256))
        nn.init.zeros_(self.refine[2].weight)
        nn.init.zeros_(self.refine[2].bias)
        # How doubtful each point is by the whole window: a sheet over the hip shows elsewhere
        # than at the guessed hip.
        self.doubt = nn.Linear(256, COUNT * 3)
        nn.init.zeros_(self.doubt.weight)
        nn.init.zeros_(self.doubt.bias)
        self.register_buffer("mean", torch.tensor([123.7, 116.3, 103.5]).view(1, 3, 1, 1))
        self.register_buffer("deviation", torch.tensor([58.4, 57.1, 57.4]).view(1, 3, 1, 1))
        cells = INPUT_SIZE // STRIDE
        centre = (torch.arange(cells) + 0.5) / cells
        y, x = torch.meshgrid(centre, centre, indexing="ij")
        self.register_buffer("grid", torch.stack([x.flatten(), y.flatten()]))

    def _features(self, x: Tensor) -> list[Tensor]:
        """Feature maps at strides 4, 8, 16 and 32."""
        x = self.act(self.stem_norm(self.stem((x - self.mean) / self.deviation)))
        taps = []
        for i, block in enumerate(self.blocks):
            x = block(x, drop_connect_rate=0.1 * i / len(self.blocks) if self.training else None)
            if i in TAPS:
                taps.append(x)
        return taps

    def _pyramid(self, taps: list[Tensor]) -> Tensor:
        """All scales merged at stride 4."""
        merged: Tensor | None = None
        for lateral, mix, tap in zip(
            reversed(self.lateral), reversed(self.mix), reversed(taps), strict=True
        ):
            here = lateral(tap)
            if merged is not None:
                here = here + functional.interpolate(merged, scale_factor=2.0, mode="nearest")
            merged = mix(here)
        if merged is None:
            message = "a pyramid needs at least one scale"
            raise ValueError(message)
        return merged

    def forward(self, x: Tensor) -> Predicted:
        """Predicts from windows of shape (B, 3, 256, 256), RGB, 0 to 255."""
        taps = self._features(x)
        merged = self._pyramid(taps)
        maps = self.maps(merged).float().flatten(2)
        heat = maps[:, :COUNT]
        share = torch.softmax(heat, -1)
        offset_x, offset_y = maps[:, COUNT : 2 * COUNT], maps[:, 2 * COUNT : 3 * COUNT]
        px = (share * (self.grid[0] + offset_x)).sum(-1)
        py = (share * (self.grid[1] + offset_y)).sum(-1)
        points = torch.stack([px, py], -1)
        fixed = share.detach() if self.training else share
        spread = torch.stack(
            [(fixed * maps[:, (3 + k) * COUNT : (4 + k) * COUNT]).sum(-1) for k in range(3)], -1
        )
        summary = self._summary(taps[-1].float(), merged.float(), fixed, points)
        z = self.whole[:3](torch.cat([summary, self.placed(taps[-1]).float().flatten(1)], 1))
        z = z + self.refine(z)
        spread = spread + self.doubt(z).view(-1, COUNT, 3)
        z = self.whole[3](z)
        return Predicted(
            points,
            spread,
            z[:, :COUNT],
            z[:, COUNT],
            z[:, COUNT + 1 : COUNT + 3],
            z[:, COUNT + 3 :],
            heat,
        )

    def _summary(self, deep: Tensor, merged: Tensor, share: Tensor, points: Tensor) -> Tensor:
        """One vector a window: the whole, the leg's part of it, each point's surroundings."""
        cells = INPUT_SIZE // STRIDE
        leg = share[:, :3].sum(1).view(-1, 1, cells, cells)
        leg = functional.avg_pool2d(leg, 8)
        leg = functional.avg_pool2d(leg, 3, 1, 1)
        leg = leg / (leg.sum((2, 3), keepdim=True) + 1e-6)
        around = torch.matmul(share, merged.flatten(2).transpose(1, 2)).flatten(1)
        fixed = points.detach() if self.training else points
        relative = (fixed - fixed[:, 1:2]).flatten(1)
        return torch.cat([deep.mean((2, 3)), (deep * leg).sum((2, 3)), around, relative * 4], 1)
