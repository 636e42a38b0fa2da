"""Trains the network that sees what a dot lies on; ``python -m knee_angle.training.dot_train``.

``looks FOLDER --bank BODIES.npz`` draws, ``train FOLDER --out dots.pt`` trains, ``export dots.pt``
writes ``dots.onnx`` and its card beside the leg network. Of each process's photos the last tenth
is kept aside: it sets the network's sharpness (how sure it says it is) and is what is told.
"""

from __future__ import annotations

import argparse
import copy
import hashlib
import json
import math
import sys
import time
from pathlib import Path

import numpy as np
import onnx
import torch
from numpy.typing import NDArray
from torch import Tensor, nn
from torch.nn import functional

from knee_angle.landmarks.dots.lying import KINDS, SIDE_PX
from knee_angle.training.display_train import follow
from knee_angle.training.dot_looks import CUT_PX, looks_to
from knee_angle.training.dot_model import DotNetwork
from knee_angle.training.export import halved
from knee_angle.training.stream import Source

__all__ = ["cut", "export", "load_looks", "main", "train"]

WEIGHTS = Path(__file__).resolve().parents[1] / "landmarks" / "weights"
RATE, KEPT, SMOOTHED = 2e-3, 0.999, 0.03
"""Peak learning rate, share of the weights' running mean that a step keeps, and how much of the
loss goes to all kinds alike (our own)."""
TURN_DEG, SIZE, SHIFT = 9.0, 0.14, 0.03
"""± by which training turns, scales (logarithm) and shifts (sides) what it cuts: the run time knows
the leg's length and where a patch's middle is about so well."""


def load_looks(
    folder: Path, device: str = "cpu"
) -> tuple[tuple[Tensor, Tensor], tuple[Tensor, Tensor]]:
    """Looks (n, 2, S, S, 3) and kinds (n,), to train with and kept aside, by photo.

    Each file's are put where they are needed one after the other: all of them twice would be
    more than a machine holds.
    """
    paths = sorted(folder.glob("looks_*.npz"))
    asides = [_aside(np.load(path)["photo"]) for path in paths]
    parts: list[Tensor] = []
    for kept_aside, where in ((False, device), (True, "cpu")):
        count = int(sum((aside == kept_aside).sum() for aside in asides))
        looks = torch.empty((count, 2, CUT_PX, CUT_PX, 3), dtype=torch.uint8, device=where)
        kinds = torch.empty(count, dtype=torch.long, device=where)
        parts += [looks, kinds]
    filled = [0, 0]
    for path, aside in zip(paths, asides, strict=True):
        file = np.load(path)
        looks, kinds = file["looks"], file["kinds"]
        for which, rows in enumerate((~aside, aside)):
            there = slice(filled[which], filled[which] + int(rows.sum()))
            parts[2 * which][there] = torch.from_numpy(looks[rows])
            parts[2 * which + 1][there] = torch.from_numpy(kinds[rows])
            filled[which] = there.stop
    return (parts[0], parts[1]), (parts[2], parts[3])


def _aside(photo: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Which looks of one process are of the last tenth of its photos."""
    return np.asarray(photo >= 0.9 * (photo.max() + 1))


def cut(looks: Tensor, *, still: bool = False) -> Tensor:
    """What the network sees of larger looks, (B, 2, 64, 64, 3): turned, scaled, shifted, shaded."""
    n, device = len(looks), looks.device
    if still:
        margin = (CUT_PX - SIDE_PX) // 2
        inner = slice(margin, margin + SIDE_PX)
        return looks[:, :, inner, inner].float()
    turn = torch.randn(n, device=device) * math.radians(TURN_DEG)
    size = torch.exp(torch.randn(n, device=device) * SIZE) * SIDE_PX / CUT_PX
    c, s = torch.cos(turn) * size, torch.sin(turn) * size
    shift = torch.randn(n, 2, device=device) * SHIFT
    matrix = torch.stack([torch.stack([c, -s], 1), torch.stack([s, c], 1)], 1)
    seen = []
    for which, far in enumerate((1.0, 0.3)):
        theta = torch.cat([matrix, (shift * far)[..., None]], 2)
        grid = functional.affine_grid(theta, [n, 3, SIDE_PX, SIDE_PX], align_corners=False)
        picture = looks[:, which].permute(0, 3, 1, 2).float()
        seen.append(functional.grid_sample(
            picture, grid, padding_mode="border", align_corners=False))  # fmt: skip
    both = torch.stack(seen, 1)
    light = torch.exp(0.2 * torch.randn(n, 1, 1, 1, 1, device=device))
    cast = torch.exp(0.08 * torch.randn(n, 1, 3, 1, 1, device=device))
    mean = both.mean((1, 3, 4), keepdim=True)
    both = (mean + (both - mean) * (0.7 + 0.6 * torch.rand_like(light))) * light * cast
    grey = both.mean(2, keepdim=True)
    both = grey + (both - grey) * (0.4 + torch.rand_like(light))
    both = torch.where(torch.rand_like(light) < 0.1, both[:, :, torch.randperm(3)], both)
    both = both + torch.randn_like(both) * 12.0 * torch.rand_like(light) ** 2
    return both.clamp(0, 255).permute(0, 1, 3, 4, 2)


def train(
    folder: Path, out: Path, *, seconds: float, device: str, batch: int, seed: int,
    init: Path | None = None, rate: float = RATE, least_steps: int = 0,
) -> None:  # fmt: skip
    """Trains for so long and so many steps, and keeps their running mean as ``out``."""
    torch.manual_seed(seed)
    (looks, kinds), aside = load_looks(folder, device)
    network = DotNetwork()
    if init is not None:
        network.load_state_dict(torch.load(init, map_location="cpu", weights_only=True))
        network.sharpness.fill_(1.0)
    network.to(device)
    mean = copy.deepcopy(network)
    optimiser = torch.optim.AdamW(network.parameters(), lr=rate, weight_decay=0.02)
    began, steps, told = time.monotonic(), 0, 0.0
    while True:
        spent = time.monotonic() - began
        share = min(spent / seconds, steps / least_steps if least_steps else 1.0)
        if share >= 1.0:
            break
        for group in optimiser.param_groups:
            warm = min(1.0, (steps + 1) / 200)
            group["lr"] = rate * warm * max(0.003, 0.5 * (1 + math.cos(math.pi * share)))
        pick = torch.randint(len(looks), (batch,), device=device)
        with torch.autocast(device, torch.bfloat16, enabled=device == "cuda"):
            answer = network(cut(looks[pick]))
            loss = functional.nll_loss(answer.float(), kinds[pick]) * (1 - SMOOTHED)
            loss = loss - SMOOTHED * answer.float().mean()
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(network.parameters(), 2.0)
        optimiser.step()
        steps += 1
        follow(mean, network, min(KEPT, steps / (steps + 10)))
        if spent - told > 20:
            told = spent
            sys.stdout.write(f"{spent:.0f} s, step {steps}, loss {float(loss.detach()):.3f}, "
                             f"{_judged(mean, aside, device)}\n")  # fmt: skip
            sys.stdout.flush()
    sharpen(mean, aside, device)
    state = {name: v.half().float().cpu() if v.is_floating_point() else v.cpu()
             for name, v in mean.state_dict().items()}  # fmt: skip
    mean.load_state_dict(state)
    torch.save(state, out)
    sys.stdout.write(
        f"{steps} steps, {len(looks)} looks: {_judged(mean.to(device), aside, device)}\n"
    )


@torch.no_grad()  # type: ignore[untyped-decorator, unused-ignore]
def answers(network: DotNetwork, looks: Tensor, device: str) -> Tensor:
    """Logarithms of probabilities of looks in the middle of what was kept."""
    network.eval()
    rows = [network(cut(part.to(device), still=True)).float().cpu() for part in looks.split(512)]
    return torch.cat(rows)


def _judged(network: DotNetwork, aside: tuple[Tensor, Tensor], device: str) -> str:
    looks, kinds = aside
    says = answers(network, looks, device)
    dots = kinds < KINDS - 1
    right = (says[:, :-1].argmax(1) == kinds)[dots].float().mean()
    loss = functional.nll_loss(says, kinds)
    table = torch.zeros(KINDS, KINDS, dtype=torch.long)
    table.index_put_((kinds, says.argmax(1)), torch.ones_like(kinds), accumulate=True)
    return f"aside: loss {loss:.3f}, dots right {right:.3f}, {table.tolist()}"


def sharpen(network: DotNetwork, aside: tuple[Tensor, Tensor], device: str) -> None:
    """Sets how sure the network says it is, so that what is kept aside is most probable."""
    looks, kinds = aside
    says = answers(network, looks, device)
    tried = torch.linspace(0.4, 2.0, 81)
    loss = [float(functional.nll_loss(functional.log_softmax(s * says, 1), kinds)) for s in tried]
    network.sharpness.mul_(float(tried[int(np.argmin(loss))]))


def export(weights: Path, folder: Path = WEIGHTS) -> Path:
    """``dots.onnx`` and its card ``dots.json``; returns the card's path."""
    network = DotNetwork()
    network.load_state_dict(torch.load(weights, map_location="cpu", weights_only=True))
    target = folder / "dots.onnx"
    torch.onnx.export(
        network.eval(), (torch.zeros(1, 2, SIDE_PX, SIDE_PX, 3, dtype=torch.uint8),), str(target),
        input_names=["looks"], output_names=["kinds"],
        dynamic_axes={"looks": {0: "n"}, "kinds": {0: "n"}}, opset_version=17,
        training=torch.onnx.TrainingMode.PRESERVE, dynamo=False,
    )  # fmt: skip
    onnx.save(halved(onnx.load(target)), target)
    card = {"file": target.name, "sha256": hashlib.sha256(target.read_bytes()).hexdigest()}
    path = folder / "dots.json"
    path.write_text(json.dumps(card, indent=1) + "\n", encoding="utf-8")
    return path


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(description=__doc__)
    steps = parser.add_subparsers(dest="step", required=True)
    drawing = steps.add_parser("looks")
    drawing.add_argument("folder", type=Path)
    drawing.add_argument("--bank", type=Path, required=True)
    drawing.add_argument("--pictures", type=Path, help="background pictures saved as .npy")
    drawing.add_argument("--seconds", type=float, default=300.0)
    drawing.add_argument("--workers", type=int, default=15)
    drawing.add_argument("--seed", type=int, default=1)
    drawing.add_argument("--render-device", type=int, default=0)
    training = steps.add_parser("train")
    training.add_argument("folder", type=Path)
    training.add_argument("--out", type=Path, required=True)
    training.add_argument("--seconds", type=float, default=200.0)
    training.add_argument("--least-steps", type=int, default=0, help="however long they take")
    training.add_argument("--device", default="cuda")
    training.add_argument("--batch", type=int, default=1024)
    training.add_argument("--seed", type=int, default=1)
    training.add_argument("--init", type=Path, help="weights to go on from")
    training.add_argument("--rate", type=float, default=RATE, help="peak learning rate")
    writing = steps.add_parser("export")
    writing.add_argument("weights", type=Path)
    writing.add_argument("--out", type=Path, default=WEIGHTS)
    return parser


def main(argv: list[str] | None = None) -> None:
    """The commands."""
    options = _parser().parse_args(argv)
    if options.step == "looks":
        source = Source(options.bank, options.pictures, options.render_device)
        count = looks_to(
            options.folder, source=source, workers=options.workers, seed=options.seed,
            seconds=options.seconds,
        )  # fmt: skip
        sys.stdout.write(f"{count} photos\n")
    elif options.step == "train":
        train(
            options.folder, options.out, seconds=options.seconds, device=options.device,
            batch=options.batch, seed=options.seed, init=options.init, rate=options.rate,
            least_steps=options.least_steps,
        )  # fmt: skip
    else:
        sys.stdout.write(f"{export(options.weights, options.out)}\n")


if __name__ == "__main__":
    main()
