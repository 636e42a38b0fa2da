"""Several GPUs that train one network: a process each, its own share of the pictures.

All begin with the same weights and move by the mean of their gradients, so they stay the
same. Batch norms look at their own GPU's windows: there are enough of them.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import torch
from torch import distributed, multiprocessing, nn

__all__ = ["Ranks", "run_ranks"]


@dataclass(frozen=True)
class Ranks:
    """One of several processes that train together; alone, everything is its own.

    Parameters
    ----------
    index : int
        The first, 0, judges, keeps the weights and writes the log.
    count : int
    """

    index: int = 0
    count: int = 1

    @property
    def first(self) -> bool:
        """Whether this one speaks for all."""
        return self.index == 0

    def begin_alike(self, network: nn.Module) -> None:
        """Takes over the first one's weights."""
        if self.count > 1:
            for kept in (*network.parameters(), *network.buffers()):
                distributed.broadcast(kept.detach(), src=0)

    def share_gradients(self, network: nn.Module) -> None:
        """Puts the mean over all in the place of each one's gradients."""
        if self.count == 1:
            return
        found = [p.grad for p in network.parameters() if p.grad is not None]
        flat = torch.cat([grad.flatten() for grad in found])
        distributed.all_reduce(flat)
        flat /= self.count
        for grad, mean in zip(found, flat.split([g.numel() for g in found]), strict=True):
            grad.copy_(mean.view_as(grad))

    def agreed(self, value: float, *, device: str) -> float:
        """The first one's value, for all: every clock is a little different."""
        if self.count == 1:
            return value
        told = torch.tensor(value, dtype=torch.float64, device=device)
        distributed.broadcast(told, src=0)
        return float(told)


def run_ranks(count: int, work: Callable[..., None], *arguments: Any, device: str) -> None:
    """Calls ``work(ranks, *arguments)`` in so many processes, each with a GPU of its own."""
    if count == 1:
        work(Ranks(), *arguments)
        return
    with tempfile.TemporaryDirectory() as folder:
        meeting = Path(folder) / "ranks"
        multiprocessing.spawn(_one, (count, meeting, device, work, arguments), nprocs=count)


def _one(
    index: int,
    count: int,
    meeting: Path,
    device: str,
    work: Callable[..., None],
    arguments: tuple[Any, ...],
) -> None:
    """One process: it sees its own GPU alone, as the only one."""
    seen = os.environ.get("CUDA_VISIBLE_DEVICES", "")
    known = seen.split(",") if seen else [str(i) for i in range(count)]
    os.environ["CUDA_VISIBLE_DEVICES"] = known[index % len(known)]
    distributed.init_process_group(
        "nccl" if device == "cuda" else "gloo",
        init_method=f"file://{meeting}",
        rank=index,
        world_size=count,
    )
    try:
        work(Ranks(index, count), *arguments)
    finally:
        distributed.destroy_process_group()
