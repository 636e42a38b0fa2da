"""The small network that sees what a dot lies on, from a near look and a wide one."""

from __future__ import annotations

import torch
from torch import Tensor, nn
from torch.nn import functional

from knee_angle.landmarks.dots.lying import KINDS

__all__ = ["DotNetwork"]

WIDTHS = (32, 64, 128, 160)
"""Channels of a tower's steps: as many as 0.5 MB hold (our own)."""


def _step(before: int, after: int, stride: int) -> nn.Sequential:
    """Each channel by itself, then all together."""
    return nn.Sequential(
        nn.Conv2d(before, before, 3, stride, 1, groups=before, bias=False),
        nn.BatchNorm2d(before),
        nn.Conv2d(before, after, 1, bias=False),
        nn.BatchNorm2d(after),
        nn.ReLU(inplace=True),
    )


class _Tower(nn.Sequential):
    """One look, (B, 3, 64, 64) to (B, 160, 4, 4)."""

    def __init__(self) -> None:
        one, two, three, four = WIDTHS
        super().__init__(
            nn.Conv2d(3, one, 3, 2, 1, bias=False), nn.BatchNorm2d(one), nn.ReLU(inplace=True),
            _step(one, two, 2), _step(two, two, 1),
            _step(two, three, 2), _step(three, three, 1),
            _step(three, four, 2), _step(four, four, 1),
        )  # fmt: skip


class DotNetwork(nn.Module):
    """Looks (B, 2, 64, 64, 3), 0 to 255, to logarithms of probabilities (B, 7)."""

    def __init__(self) -> None:
        super().__init__()
        self.near, self.wide = _Tower(), _Tower()
        self.mix = nn.Sequential(
            nn.Linear(4 * WIDTHS[-1], 96), nn.ReLU(inplace=True), nn.Dropout(0.2),
            nn.Linear(96, KINDS),
        )  # fmt: skip
        self.sharpness = nn.Parameter(torch.ones(()), requires_grad=False)

    def forward(self, looks: Tensor) -> Tensor:
        """Both looks by themselves, then what they say together."""
        pictures = looks.float().permute(0, 1, 4, 2, 3) / 64.0 - 2.0
        parts = []
        for which, tower in enumerate((self.near, self.wide)):
            seen = tower(pictures[:, which])
            parts += [seen.mean((2, 3)), seen[:, :, 1:3, 1:3].mean((2, 3))]
        return functional.log_softmax(self.sharpness * self.mix(torch.cat(parts, 1)), 1)
