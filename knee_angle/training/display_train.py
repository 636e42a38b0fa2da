"""Trains the networks that find and read displays, on displays drawn meanwhile.

``python -m knee_angle.training.display_train finder --fonts F --backgrounds B --out O``, and the
same with ``fitter`` and ``reader``; fonts and backgrounds as the model card lists them.
"""

from __future__ import annotations

import argparse
import copy
import math
import time
from collections.abc import Iterator
from pathlib import Path
from queue import Queue
from threading import Thread
from typing import Any

import torch
from torch import Tensor, nn
from torch.nn import functional
from torch.utils.data import DataLoader

from knee_angle.photo.display.line import CHARACTERS
from knee_angle.photo.display.rectify import LEAST_SPREAD
from knee_angle.training.display_model import STRIDE, Finder, Fitter, Reader, count
from knee_angle.training.display_samples import UPRIGHT, Blocks
from knee_angle.training.display_scenes import load_world

__all__ = ["finder_loss", "fitter_loss", "follow", "main", "network_of", "reader_loss", "train"]

KEPT = 0.998
"""Share of the running mean of the weights that a step keeps."""


def network_of(what: str) -> nn.Module:
    """An untrained network."""
    if what == "reader":
        return Reader(len(CHARACTERS) + 1)
    return Finder() if what == "finder" else Fitter()


def finder_loss(network: nn.Module, block: dict[str, Tensor]) -> Tensor:
    """How far the finder's map is from where numbers are."""
    pictures, numbers = _turned(block["pictures"], block["numbers"])
    pictures = pictures.permute(0, 3, 1, 2).float()
    pictures = pictures * (0.85 + 0.3 * torch.rand(len(pictures), 3, 1, 1, device=pictures.device))
    out = network(pictures.clamp(0, 255)).float()
    place = (torch.arange(out.shape[-1], device=out.device) + 0.5) * STRIDE
    dx = place[None, None, None, :] - numbers[:, :, 0, None, None]
    dy = place[None, None, :, None] - numbers[:, :, 1, None, None]
    digit = 2 * torch.linalg.vector_norm(numbers[:, :, 4:6], dim=-1)[..., None, None].clamp(min=1)
    real = numbers[:, :, 6, None, None]
    reach = torch.where(real == 2, 0.9 * digit, (0.3 * digit).clamp(min=0.8 * STRIDE))
    near = torch.exp(-(dx**2 + dy**2) / (2 * reach**2)) * (real > 0)
    hill = torch.where(real == 1, near, 0.0)
    heat, whose = hill.max(1)
    middle = (dx.abs() <= STRIDE / 2) & (dy.abs() <= STRIDE / 2) & (real == 1)
    peak = middle.any(1)
    care = 1 - torch.where(real == 2, (near > 0.3).float(), 0.0).amax(1)
    odds = out[:, 0]
    p = torch.sigmoid(odds).clamp(1e-4, 1 - 1e-4)
    here = -((1 - p) ** 2) * torch.log(p) * peak
    away = -((1 - heat) ** 4) * p**2 * torch.log(1 - p) * ~peak * care
    found = (here.sum() + away.sum()) / peak.sum().clamp(min=1)

    def of(values: Tensor) -> Tensor:
        return values.expand_as(hill).gather(1, whose[:, None])[:, 0]

    size = of(digit)
    want = [torch.log2(size / 16), -of(dx) / size, -of(dy) / size]
    want += [of(numbers[:, :, i, None, None]) / size for i in (2, 3, 4, 5)]
    weight = torch.where(heat > 0.3, heat, 0.0)
    apart = (out[:, 1:] - torch.stack(want, 1)).abs().sum(1) * weight
    return found + apart.sum() / weight.sum().clamp(min=1)


def _turned(pictures: Tensor, numbers: Tensor) -> tuple[Tensor, Tensor]:
    """All pictures turned by the same number of quarters, with their numbers.

    Every other time by none: photos mostly stand upright.
    """
    size = pictures.shape[1]
    for _ in range(max(0, int(torch.randint(-3, 4, (1,))))):
        # A quarter to the left: (x, y) becomes (y, size - x).
        pictures = pictures.rot90(1, (1, 2))
        x, y, ax, ay, vx, vy, real = numbers.unbind(-1)
        numbers = torch.stack([y, size - x, ay, -ax, vy, -vx, real], -1)
    return pictures, numbers


def fitter_loss(network: nn.Module, block: dict[str, Tensor]) -> Tensor:
    """How far the corners are from where they are, heights of a digit, and whether any are."""
    pictures = block["pictures"].permute(0, 3, 1, 2).float()
    spread = pictures.std((1, 2, 3), keepdim=True).clamp(min=LEAST_SPREAD)
    pictures = (pictures - pictures.mean((1, 2, 3), keepdim=True)) / spread
    out, boxes = network(pictures).float(), block["boxes"]
    real = boxes[:, 6]
    there = functional.binary_cross_entropy_with_logits(out[:, 6], real)
    c, u, v = (out[:, i : i + 2] - boxes[:, i : i + 2] for i in (0, 2, 4))
    apart = torch.stack([c - u - v, c + u - v, c + u + v, c - u + v], 1)
    size = 2 * torch.linalg.vector_norm(boxes[:, 4:6], dim=-1).clamp(min=0.3)
    far = functional.smooth_l1_loss(
        apart / size[:, None, None], torch.zeros_like(apart), beta=0.05, reduction="none"
    )
    return there + 4 * (far.mean((1, 2)) * real).sum() / real.sum().clamp(min=1)


def reader_loss(network: nn.Module, block: dict[str, Tensor]) -> Tensor:
    """Minus the logarithm of the probability given to how lines stand and what they say (CTC).

    What a line says is asked only of those that stand upright.
    """
    crops = block["crops"].permute(0, 3, 1, 2).float()
    column = torch.arange(crops.shape[-1], device=crops.device)
    shown = (column[None] < block["columns"][:, None])[:, None, None, :].float()
    n = (shown.sum((1, 2, 3)) * crops.shape[1] * crops.shape[2])[:, None, None, None]
    mean = (crops * shown).sum((1, 2, 3), keepdim=True) / n
    spread = (((crops - mean) * shown) ** 2).sum((1, 2, 3), keepdim=True) / n
    crops = (crops - mean) / spread.sqrt().clamp(min=LEAST_SPREAD)
    if network.training:
        few = torch.rand(len(crops), 1, 1, 1, device=crops.device)
        crops = crops + 0.3 * few**3 * torch.randn_like(crops)
    crops = crops * shown
    columns, states = network(crops)
    standing = functional.nll_loss(states.float(), block["states"])
    upright = block["states"] == UPRIGHT
    read, says = columns[upright].float().transpose(0, 1), block["says"][upright]
    lengths = (says > 0).sum(1)
    long = torch.full((says.shape[0],), read.shape[0], device=read.device, dtype=torch.long)
    losses = functional.ctc_loss(read, says, long, lengths, reduction="none", zero_infinity=True)
    return standing + losses.sum() / upright.sum().clamp(min=1)


LOSSES = {"finder": finder_loss, "fitter": fitter_loss, "reader": reader_loss}


class _Drawn:
    """Blocks as they are drawn, fetched in a thread of their own: training never waits."""

    def __init__(self, blocks: Iterator[dict[str, Tensor]]) -> None:
        self.ready: Queue[dict[str, Tensor]] = Queue(maxsize=16)
        Thread(target=self._fetch, args=(blocks,), daemon=True).start()

    def _fetch(self, blocks: Iterator[dict[str, Tensor]]) -> None:
        for block in blocks:
            self.ready.put(block)

    def new(self, *, wait: bool) -> Iterator[dict[str, Tensor]]:
        """The blocks that came since; at least one where asked to wait."""
        if wait:
            yield self.ready.get()
        while not self.ready.empty():
            yield self.ready.get()


class _Pool:
    """The newest samples, on the device."""

    def __init__(self, capacity: int, device: str) -> None:
        self.capacity, self.device, self.filled, self.next = capacity, device, 0, 0
        self.kept: dict[str, Tensor] = {}

    def add(self, block: dict[str, Tensor]) -> None:
        """Takes a block in, over the oldest."""
        size = len(next(iter(block.values())))
        at = (torch.arange(size) + self.next) % self.capacity
        for name, values in block.items():
            if name not in self.kept:
                shape = (self.capacity, *values.shape[1:])
                self.kept[name] = torch.empty(shape, dtype=values.dtype, device=self.device)
            self.kept[name][at.to(self.device)] = values.to(self.device)
        self.next = (self.next + size) % self.capacity
        self.filled = min(self.capacity, self.filled + size)

    def some(self, size: int) -> dict[str, Tensor]:
        """Samples at random."""
        pick = torch.randint(self.filled, (size,), device=self.device)
        return {name: values[pick] for name, values in self.kept.items()}


def train(args: argparse.Namespace) -> Path:
    """Draws and trains for so many seconds; returns the file of the weights."""
    torch.manual_seed(args.seed)
    torch.backends.cudnn.benchmark = True
    args.out.mkdir(parents=True, exist_ok=True)
    world = load_world(args.fonts, args.backgrounds)
    blocks = Blocks(args.what, world, args.block, args.seed)
    loader = DataLoader(blocks, batch_size=None, num_workers=args.workers,
                        prefetch_factor=4 if args.workers else None)  # fmt: skip
    drawn = _Drawn(iter(loader))
    network = network_of(args.what).to(args.device)
    if args.init:
        network.load_state_dict(torch.load(args.init, map_location=args.device, weights_only=True))
    mean = copy.deepcopy(network)
    optimiser = torch.optim.AdamW(network.parameters(), lr=args.rate, weight_decay=0.01)
    loss_of = LOSSES[args.what]
    pool = _Pool(args.capacity, args.device)
    began, steps, told, running = time.monotonic(), 0, 0.0, 0.0
    while (spent := time.monotonic() - began) < args.seconds:
        for block in drawn.new(wait=pool.filled < args.first):
            pool.add(block)
        if pool.filled < args.first:
            continue
        share = min(1.0, (args.begun + spent) / (args.whole or args.seconds))
        for group in optimiser.param_groups:
            warm = min(1.0, (steps + 1) / 200)
            group["lr"] = args.rate * warm * max(0.002, 0.5 * (1 + math.cos(math.pi * share)))
        with torch.autocast(args.device, torch.bfloat16, enabled=args.device == "cuda"):
            loss = loss_of(network, pool.some(args.batch))
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(network.parameters(), 2.0)
        optimiser.step()
        steps += 1
        follow(mean, network, min(KEPT, steps / (steps + 10)))
        if steps % 10 == 0:
            running = 0.95 * running + 0.05 * float(loss.detach())
        if spent - told > args.tell:
            told = spent
            _keep(args, mean)
            print(f"{args.what} {spent:.0f} s, step {steps}, {pool.filled} kept, {pool.next} next, "
                  f"loss {float(loss.detach()):.4f} (mean {running:.4f})", flush=True)  # fmt: skip
    path = _keep(args, mean)
    print(f"{args.what}: {count(mean)} weights, {steps} steps", flush=True)
    return path


@torch.no_grad()  # type: ignore[untyped-decorator, unused-ignore]
def follow(mean: nn.Module, network: nn.Module, kept: float) -> None:
    """Moves the running mean of a network's weights towards those it has; ``kept`` of it stays."""
    for old, new in zip(mean.state_dict().values(), network.state_dict().values(), strict=True):
        if old.is_floating_point():
            old.lerp_(new, 1 - kept)
        else:
            old.copy_(new)


def _keep(args: argparse.Namespace, network: nn.Module) -> Path:
    path: Path = args.out / f"{args.what}.pt"
    torch.save({name: v.cpu() for name, v in network.state_dict().items()}, path)
    return path


def main(argv: list[str] | None = None) -> Any:
    """The command."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=("finder", "fitter", "reader"))
    parser.add_argument("--fonts", type=Path, required=True)
    parser.add_argument("--backgrounds", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--init", type=Path, help="weights to go on from")
    parser.add_argument("--seconds", type=float, default=480.0)
    parser.add_argument("--begun", type=float, default=0.0, help="seconds trained before")
    parser.add_argument("--whole", type=float, help="seconds of all parts; the rate ends there")
    parser.add_argument("--workers", type=int, default=8)
    parser.add_argument("--batch", type=int, default=64)
    parser.add_argument("--block", type=int, default=32, help="samples drawn at a time")
    parser.add_argument("--capacity", type=int, default=40_000)
    parser.add_argument("--first", type=int, default=512)
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--tell", type=float, default=20.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--device", default="cuda")
    return train(parser.parse_args(argv))


if __name__ == "__main__":
    main()
