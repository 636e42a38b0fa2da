"""The networks that read displays: one finds lines of digits, one fits a box, one reads."""

from __future__ import annotations

import torch
from torch import Tensor, nn

__all__ = ["STRIDE", "Finder", "Fitter", "Reader", "count"]

STRIDE = 4
"""Pixels of the picture to one cell of the finder's map."""


def _conv(i: int, o: int, *, k: int = 3, s: int | tuple[int, int] = 1) -> nn.Sequential:
    """Convolution, normalisation, bend."""
    return nn.Sequential(
        nn.Conv2d(i, o, k, s, k // 2, bias=False), nn.BatchNorm2d(o), nn.ReLU(inplace=True)
    )


class _Block(nn.Module):  # type: ignore[misc, unused-ignore]
    """Each channel over space, then all channels at each place, added to what came in."""

    def __init__(self, width: int, spread: int = 1, size: int = 5) -> None:
        super().__init__()
        pad = spread * (size // 2)
        self.inner = nn.Sequential(
            nn.Conv2d(width, width, size, 1, pad, spread, width, bias=False),
            nn.BatchNorm2d(width),
            nn.Conv2d(width, width, 1, bias=False), nn.BatchNorm2d(width), nn.ReLU(inplace=True),
            nn.Conv2d(width, width, 1, bias=False), nn.BatchNorm2d(width),
        )  # fmt: skip
        self.bend = nn.ReLU(inplace=True)

    def forward(self, x: Tensor) -> Tensor:
        """The same shape."""
        return self.bend(x + self.inner(x))


class _Neck(nn.Module):  # type: ignore[misc, unused-ignore]
    """A convolution over few channels between two that mix all, added to what came in."""

    def __init__(self, width: int, inner: int) -> None:
        super().__init__()
        self.inner = nn.Sequential(
            _conv(width, inner, k=1), _conv(inner, inner),
            nn.Conv2d(inner, width, 1, bias=False), nn.BatchNorm2d(width),
        )  # fmt: skip
        self.bend = nn.ReLU(inplace=True)

    def forward(self, x: Tensor) -> Tensor:
        """The same shape."""
        return self.bend(x + self.inner(x))


class Finder(nn.Module):  # type: ignore[misc, unused-ignore]
    """Where lines of digits are.

    Takes (B, 3, H, W), RGB, 0 to 255, H and W multiples of 32. Answers (B, 8, H/4, W/4): the
    logarithm of the odds that a line's middle lies there; log2 of a digit's height over 16 px;
    and, in heights of a digit, x and y of the middle from the cell's, of the way along to the
    line's right edge and of the way down to its lower edge.
    """

    def __init__(self, widths: tuple[int, int, int, int] = (12, 24, 56, 96)) -> None:
        super().__init__()
        a, b, c, d = widths
        self.fine = nn.Sequential(_conv(3, a, s=2), _conv(a, b, s=2), _Block(b, size=3))
        self.middle = nn.Sequential(_conv(b, c, s=2), _Block(c), _Block(c))
        self.coarse = nn.Sequential(
            _conv(c, d, s=2), _Block(d), _Block(d, 2), _Block(d, 4), _Block(d)
        )
        self.to_middle, self.to_fine = nn.Conv2d(d, c, 1), nn.Conv2d(c, b, 1)
        self.join_middle, self.join_fine = _Block(c), _Block(b)
        self.up = nn.Upsample(scale_factor=2, mode="nearest")
        self.out = nn.Sequential(_conv(b, 32, k=1), nn.Conv2d(32, 8, 1))
        nn.init.constant_(self.out[1].bias[0], -5.0)

    def forward(self, pictures: Tensor) -> Tensor:
        """See the class."""
        fine = self.fine((pictures - 127.0) / 64.0)
        middle = self.middle(fine)
        middle = self.join_middle(middle + self.up(self.to_middle(self.coarse(middle))))
        fine = self.join_fine(fine + self.up(self.to_fine(middle)))
        return self.out(fine)


class Fitter(nn.Module):  # type: ignore[misc, unused-ignore]
    """Where a line's edges are, seen from about where the line is.

    Takes (B, 3, 80, 128) of `fit.around`, mean 0 and spread 1; answers (B, 7), in heights of a
    digit as guessed: x and y of the middle from the picture's, way along and way down, see
    `fit.told_of`; and the logarithm of the odds that there is a line of digits at all.
    """

    def __init__(self, widths: tuple[int, int, int, int] = (16, 32, 64, 96)) -> None:
        super().__init__()
        a, b, c, d = widths
        self.seen = nn.Sequential(
            _conv(3, a, s=2), _conv(a, b, s=2), _Block(b), _conv(b, c, s=2), _Block(c),
            _Block(c), _conv(c, d, s=2), _Block(d), _Block(d), _conv(d, 24, k=1),
        )  # fmt: skip
        self.told = nn.Sequential(
            nn.Flatten(), nn.Linear(24 * 40, 160), nn.ReLU(inplace=True), nn.Linear(160, 7)
        )

    def forward(self, pictures: Tensor) -> Tensor:
        """See the class."""
        return self.told(self.seen(pictures))


class Reader(nn.Module):  # type: ignore[misc, unused-ignore]
    """What a line says.

    Takes (B, 3, 40, 176) of `rectify.normalised`; answers (B, 44, K): for each column the
    logarithms of the probabilities of nothing new and of each character (CTC), given that the line
    stands upright; and (B, 3): the logarithms of the probabilities that it does, that it stands on
    its head, and that no whole number of a display is seen (`line.STATES`).

    Direction and text have heads of their own: columns that answer both at once mix what is read
    upright with what is read turned, sign by sign, into numbers that nobody would read.
    """

    def __init__(self, signs: int, widths: tuple[int, int, int, int] = (24, 56, 96, 128)) -> None:
        super().__init__()
        a, b, c, d = widths
        self.seen = nn.Sequential(
            _conv(3, a, s=2), _conv(a, b, s=2), _Neck(b, 40), _Neck(b, 40),
            _conv(b, c, s=(2, 1)), _Neck(c, 64), _Neck(c, 64), _Neck(c, 64),
            nn.Conv2d(c, d, (5, 1), bias=False), nn.BatchNorm2d(d), nn.ReLU(inplace=True),
        )  # fmt: skip
        self.along = nn.ModuleList([
            nn.Sequential(nn.Conv1d(d, d, 5, 1, 2, bias=False), nn.BatchNorm1d(d), nn.ReLU())
            for _ in range(2)
        ])  # fmt: skip
        self.whole = nn.Linear(d, d)
        self.drop = nn.Dropout(0.1)
        self.out = nn.Linear(d, signs)
        self.state = nn.Sequential(nn.Linear(2 * d, d), nn.ReLU(inplace=True), nn.Linear(d, 3))

    def forward(self, lines: Tensor) -> tuple[Tensor, Tensor]:
        """See the class."""
        seen = self.seen(lines).squeeze(2)
        for layer in self.along:
            seen = seen + layer(seen)
        read = seen.transpose(1, 2)
        mean = read.mean(1)
        state = self.state(self.drop(torch.cat([mean, read.amax(1)], 1)))
        read = torch.relu(read + self.whole(mean)[:, None])
        return self.out(self.drop(read)).log_softmax(-1), state.log_softmax(-1)


def count(network: nn.Module) -> int:
    """How many weights a network has."""
    return sum(p.numel() for p in network.parameters())
