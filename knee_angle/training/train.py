"""Renders pictures, keeps them on the GPU, and trains the network with windows of them.

First all processes render, then one trains: both at once starve each other of the
GPU (measured: under one step a second instead of seven). Each picture is used some
dozens of times under different windows. Learning rate and length go by the clock, so
that a run fits a booked machine. Several GPUs share one shelf of pictures and train one
network, see :mod:`knee_angle.training.ranks`.
"""

from __future__ import annotations

import copy
import json
import math
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor, nn

from knee_angle.training.augmentation import Kept, cut, spoil
from knee_angle.training.export import fill
from knee_angle.training.losses import POINT_SCALE, TILT_SCALE, bend, loss
from knee_angle.training.model import LegNetwork, whiten
from knee_angle.training.ranks import Ranks, run_ranks
from knee_angle.training.samples import META
from knee_angle.training.shelf import blocks
from knee_angle.training.stream import PICTURE_SIZE, Source, Stream

__all__ = ["Plan", "judge", "train"]

ALONE = Ranks()
TOGETHER = 10
"""Steps between two looks at the clock, which several GPUs agree on."""


@dataclass(frozen=True)
class Plan:
    """How to train.

    Parameters
    ----------
    seconds : float
        From start to end, rendering included.
    render_seconds : float
        How much of it goes to rendering.
    first : int
        Fewest pictures to train with, however long they take.
    held_out : int
        The first GPU keeps its first pictures aside to judge by.
    capacity : int
        Pictures kept on each device (442 kB each).
    workers, batch, seed : int
    rate : float
        Peak learning rate of the new layers; ``backbone_rate`` times it for the
        pretrained ones, whose features came from real photographs.
    ends_at : float
        Share of the peak rate that is left at the end: a run that another one goes on
        from need not come to rest.
    device : str
    compiled : bool
        Whether torch compiles the network first: minutes that long runs win back.
    gpus : int
        Each takes ``batch`` windows a step, of its own share of the shelf.
    """

    seconds: float
    render_seconds: float = 150.0
    first: int = 6000
    held_out: int = 2000
    capacity: int = 60_000
    workers: int = 15
    batch: int = 256
    seed: int = 1
    rate: float = 1.5e-3
    backbone_rate: float = 0.35
    ends_at: float = 0.02
    device: str = "cuda"
    compiled: bool = False
    gpus: int = 1


class Store:
    """Pictures on the device: some held out, the others replaced oldest first."""

    def __init__(self, plan: Plan, ranks: Ranks = ALONE) -> None:
        held_out = plan.held_out if ranks.first else 0
        n, s, d = plan.capacity + held_out, PICTURE_SIZE, plan.device
        self.kept = Kept(
            torch.empty((n, s, s, 3), dtype=torch.uint8, device=d),
            torch.empty((n, 8, 2), device=d),
            torch.empty((n, 4), device=d),
            torch.empty((n, 3), device=d),
            torch.empty((n, 3), device=d),
            torch.empty((n, len(META)), device=d),
        )
        self.held_out, self.capacity, self.total = held_out, plan.capacity, 0

    def add(self, block: dict[str, Any]) -> None:
        """Takes in one block of samples."""
        count = len(block["picture"])
        order = torch.arange(self.total, self.total + count)
        newer = self.held_out + (order - self.held_out) % self.capacity
        rows = torch.where(order < self.held_out, order, newer).to(self.kept.points.device)
        for field, name in (
            ("pictures", "picture"),
            ("points", "points"),
            ("window", "window"),
            ("camera", "camera"),
            ("normal", "normal"),
            ("meta", "meta"),
        ):
            values = torch.from_numpy(np.ascontiguousarray(block[name]))
            getattr(self.kept, field)[rows] = values.to(rows.device)
        self.total += count

    def draw(self, count: int) -> Kept:
        """Some pictures to train with, at random."""
        newest = min(self.total - self.held_out, self.capacity)
        rows = torch.randint(newest, (count,), device=self.kept.points.device)
        return self.kept.of(rows + self.held_out)

    def held(self, start: int, count: int, *, seen: bool = False) -> Kept:
        """Held-out pictures in order, or as many of those trained with."""
        first, end = (self.held_out, self.total) if seen else (0, self.held_out)
        rows = torch.arange(first + start, min(first + start + count, end, self.total))
        return self.kept.of(rows.to(self.kept.points.device))


def judge(network: LegNetwork, store: Store, *, count: int, seen: bool = False) -> dict[str, Any]:
    """Errors on windows of held-out pictures, and the raw answers for further study.

    With ``seen`` of pictures that it was trained with: what it knows by heart is the gap.
    """
    rows: dict[str, list[Tensor]] = {}
    with torch.no_grad():
        at_hand = store.total - store.held_out if seen else store.held_out
        for start in range(0, min(count, at_hand), 256):
            kept = store.held(start, 256, seen=seen)
            batch = cut(kept)
            out = network(batch.windows.contiguous(memory_format=torch.channels_last))
            for name, value in (
                ("points", out.points),
                ("spread", out.spread),
                ("presence", torch.sigmoid(out.presence)),
                ("side", torch.sigmoid(out.side)),
                ("tilt", out.tilt),
                ("tilt_spread", out.tilt_spread),
                ("true_points", batch.points),
                ("present", batch.present.float()),
                ("right", batch.right),
                ("true_tilt", batch.tilt),
                ("meta", kept.meta),
            ):
                rows.setdefault(name, []).append(value.float().cpu())
    table = {name: torch.cat(values) for name, values in rows.items()}
    return {"table": table, "summary": summarise(table)}


def _covered(error: Tensor, spread: Tensor, scale: float) -> Tensor:
    """Whether each error lies in its stated 95 % ellipse."""
    a, b, c = whiten(spread, scale)
    z = (a * error[..., 0]) ** 2 + (b * error[..., 0] + c * error[..., 1]) ** 2
    return (z < 5.99).float()


def summarise(table: dict[str, Tensor]) -> dict[str, float]:
    """The figures that a run is steered by."""
    truth = table["true_points"]
    ok = (table["present"][:, :3] > 0).all(1)
    lying = ok & (table["meta"][:, META.index("lying")] > 0)
    error = table["points"] - truth
    segment = (
        (truth[:, 1] - truth[:, 0]).norm(dim=-1) + (truth[:, 2] - truth[:, 1]).norm(dim=-1)
    ) / 2
    relative = error.norm(dim=-1)[:, :3] / segment[:, None].clamp(min=1e-3)
    turn = bend(table["points"]) - bend(truth)
    degrees = torch.atan2(turn.sin(), turn.cos()).abs() * 180 / math.pi
    miss = table["tilt"] - table["true_tilt"]
    tilt_deg = miss.norm(dim=-1) * 180 / math.pi
    inside = _covered(error, table["spread"], POINT_SCALE)[:, :3]
    empty = table["present"].sum(1) == 0
    out: dict[str, float] = {}
    for name, rows in (("bed", lying), ("free", ok & ~lying)):
        if not rows.any():
            continue
        out[name + "_hit"] = float((relative[rows].max(1)[0] < 0.5).float().mean())
        out[name + "_angle"] = float(degrees[rows].median())
        out[name + "_angle90"] = float(degrees[rows].quantile(0.9))
        out[name + "_tilt"] = float(tilt_deg[rows].median())
        out[name + "_tilt95in"] = float(
            _covered(miss[rows], table["tilt_spread"][rows], TILT_SCALE).mean()
        )
        out[name + "_95in"] = float(inside[rows].mean())
        for k, point in enumerate(("hip", "knee", "ankle")):
            out[f"{name}_{point}"] = float(relative[rows, k].median())
        out[name + "_side"] = float(
            ((table["side"] > 0.5) == (table["right"] > 0.5))[rows].float().mean()
        )
    seen = table["presence"][:, :3].min(1)[0] > 0.5
    out["false"] = float(seen[empty].float().mean()) if empty.any() else 0.0
    out["missed"] = float((~seen[ok]).float().mean())
    return {name: round(value, 4) for name, value in out.items()}


def _average(slow: nn.Module, fast: nn.Module, step: int) -> None:
    """Moves the averaged network a little towards the trained one."""
    keep = min(0.9990, (step + 1) / (step + 20))
    with torch.no_grad():
        torch._foreach_lerp_(list(slow.parameters()), list(fast.parameters()), 1 - keep)
        for a, b in zip(slow.buffers(), fast.buffers(), strict=True):
            if a.is_floating_point():
                a.lerp_(b, 1 - keep)
            else:
                a.copy_(b)


def _optimiser(network: LegNetwork, plan: Plan) -> torch.optim.Optimizer:
    """AdamW with a smaller rate for the pretrained layers."""
    old: list[nn.Parameter] = []
    new: list[nn.Parameter] = []
    for name, parameter in network.named_parameters():
        (old if name.startswith(("stem", "blocks")) else new).append(parameter)
    groups = [{"params": old, "factor": plan.backbone_rate}, {"params": new, "factor": 1.0}]
    return torch.optim.AdamW(groups, lr=plan.rate, weight_decay=0.02)


def save(network: nn.Module, path: Path) -> None:
    """Keeps the weights in half precision."""
    state = {
        name: value.half() if value.is_floating_point() else value
        for name, value in network.state_dict().items()
    }
    torch.save(state, path)


def train(
    plan: Plan, *, source: Source | Path, out: Path, pretrained: Path | None, init: Path | None
) -> None:
    """One run; leaves ``network.pt``, ``log.jsonl`` and ``held_out.npz`` in ``out``.

    Parameters
    ----------
    source : Source or Path
        Bodies made by :func:`knee_angle.training.bodies.build_bank`, and pictures; or the
        folder of pictures rendered before, see :mod:`knee_angle.training.shelf`.
    pretrained : Path, optional
        ImageNet weights of the backbone.
    init : Path, optional
        Weights of an earlier run to go on from.
    """
    if plan.gpus > 1 and not isinstance(source, Path):
        message = "several GPUs train with --shelf FOLDER alone: render the pictures before"
        raise SystemExit(message)
    run_ranks(plan.gpus, _train, plan, source, out, pretrained, init, device=plan.device)


def _train(
    ranks: Ranks,
    plan: Plan,
    source: Source | Path,
    out: Path,
    pretrained: Path | None,
    init: Path | None,
) -> None:
    """One of the processes that train together."""
    began = time.monotonic()
    note = _noted(out if ranks.first else None, began)
    store = _filled(plan, source, began, ranks)
    note(plan=asdict(plan), rendered=store.total)
    if store.total <= store.held_out:
        message = (
            f"{store.total} pictures were rendered and {store.held_out} of them are held out: "
            "render for longer, or set a smaller --held-out"
        )
        raise SystemExit(message)
    network = LegNetwork(pretrained=pretrained)
    if init is not None:
        fill(network, torch.load(init, map_location="cpu", weights_only=True))
    averaged = _run(network, store, plan, began, note, out, ranks)
    if not ranks.first:
        return
    final = judge(averaged, store, count=plan.held_out)
    by_heart = judge(averaged, store, count=plan.held_out, seen=True)
    note(final=final["summary"], of_seen=by_heart["summary"], rendered=store.total)
    save(averaged, out / "network.pt")
    np.savez_compressed(out / "held_out.npz", **{k: v.numpy() for k, v in final["table"].items()})


def _noted(out: Path | None, began: float) -> Callable[..., None]:
    """Prints a line of values and keeps it in ``out``; without a folder it does nothing."""
    if out is None:
        return lambda **_: None
    out.mkdir(parents=True, exist_ok=True)
    path = out / "log.jsonl"

    def note(**values: object) -> None:
        line = json.dumps({"t": round(time.monotonic() - began, 1), **values})
        print(line, flush=True)
        with path.open("a") as log:
            log.write(line + "\n")

    return note


def _filled(plan: Plan, source: Source | Path, began: float, ranks: Ranks) -> Store:
    """The pictures to train with: from the shelf, or rendered now until it is time to train."""
    torch.manual_seed(plan.seed + ranks.index)
    torch.backends.cudnn.benchmark = True
    if isinstance(source, Path):
        store = Store(plan, ranks)
        for block in blocks(source, first=ranks.index, step=ranks.count):
            store.add(block)
        return store
    stream = Stream(workers=plan.workers, source=source, seed=plan.seed)
    store = Store(plan)
    while stream.alive:
        time.sleep(0.2)
        for block in stream.new():
            store.add(block)
        enough = store.total >= plan.first + plan.held_out
        if enough and time.monotonic() - began > plan.render_seconds:
            break
    stream.stop()
    return store


def _run(
    network: LegNetwork,
    store: Store,
    plan: Plan,
    began: float,
    note: Callable[..., None],
    out: Path,
    ranks: Ranks,
) -> LegNetwork:
    """The steps themselves; returns the averaged network."""
    network = network.to(plan.device)
    ranks.begin_alike(network)
    network = network.to(memory_format=torch.channels_last).train()
    averaged: LegNetwork = copy.deepcopy(network).eval()
    optimiser = _optimiser(network, plan)
    answer = torch.compile(network) if plan.compiled else network
    start, step, saved = time.monotonic(), 0, time.monotonic()
    while True:
        if ranks.count == 1 or step % TOGETHER == 0:
            progress = (time.monotonic() - start) / max(1e-6, plan.seconds - (start - began))
            progress = ranks.agreed(progress, device=plan.device)
            if progress >= 1:
                break
        _set_rate(optimiser, plan, progress, step)
        total, parts = _step(answer, optimiser, store.draw(plan.batch), step, plan.device, ranks)
        if ranks.first:
            _average(averaged, network, step)
        step += 1
        if not ranks.first:
            continue
        if step in (20, 100) or step % 250 == 0:
            speed = step * plan.batch * ranks.count / (time.monotonic() - start)
            values = {name: round(float(value), 4) for name, value in parts.items()}
            note(step=step, loss=round(total, 3), speed=round(speed), **values)
        if step % 1000 == 0:
            note(step=step, **judge(averaged, store, count=1024)["summary"])
        if time.monotonic() - saved > 60:
            save(averaged, out / "network.pt")
            saved = time.monotonic()
    return averaged


def _set_rate(optimiser: torch.optim.Optimizer, plan: Plan, progress: float, step: int) -> None:
    """Half a cosine over the run, after a short rise."""
    cosine = 0.5 * (1 + math.cos(math.pi * progress))
    rate = plan.rate * min(1, (step + 1) / 150) * ((1 - plan.ends_at) * cosine + plan.ends_at)
    for group in optimiser.param_groups:
        group["lr"] = rate * group["factor"]


def _step(
    network: nn.Module,
    optimiser: torch.optim.Optimizer,
    kept: Kept,
    step: int,
    device: str,
    ranks: Ranks,
) -> tuple[float, dict[str, Tensor]]:
    """One batch; the loss is read back only when someone will look at it."""
    with torch.no_grad():
        batch = cut(kept)
        windows = spoil(batch.windows, generator_step=step + ranks.index)
    with torch.autocast(device, dtype=torch.bfloat16, enabled=device == "cuda"):
        predicted = network(windows.contiguous(memory_format=torch.channels_last))
    total, parts = loss(type(predicted)(*(v.float() for v in vars(predicted).values())), batch)
    optimiser.zero_grad(set_to_none=True)
    total.backward()
    ranks.share_gradients(network)
    nn.utils.clip_grad_norm_(network.parameters(), 5.0)
    optimiser.step()
    looked_at = step + 1 in (20, 100) or (step + 1) % 250 == 0
    return (float(total) if looked_at else 0.0), parts
