"""Rendered pictures kept on disk, so that several runs train on the same ones."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from knee_angle.training.stream import Source, Stream

__all__ = ["blocks", "render_to"]

NAMES = ("picture", "points", "window", "camera", "normal", "meta")
BLOCK = 1024


def render_to(folder: Path, *, source: Source, workers: int, seed: int, seconds: float) -> int:
    """Renders for so long; returns how many pictures."""
    folder.mkdir(parents=True, exist_ok=True)
    began, total, part = time.monotonic(), 0, 0
    stream = Stream(workers=workers, source=source, seed=seed)
    kept: dict[str, list[NDArray[Any]]] = {name: [] for name in NAMES}
    while stream.alive and time.monotonic() - began < seconds:
        time.sleep(0.2)
        for block in stream.new():
            for name in NAMES:
                kept[name].append(np.array(block[name]))
            total += len(block["picture"])
        if sum(len(b) for b in kept["picture"]) >= BLOCK:
            _write(folder, part, kept)
            kept, part = {name: [] for name in NAMES}, part + 1
    stream.stop()
    if kept["picture"]:
        _write(folder, part, kept)
    return total


def _write(folder: Path, part: int, kept: dict[str, list[NDArray[Any]]]) -> None:
    """One part; the picture comes last, so that a part with one is whole."""
    for name in reversed(NAMES):
        np.save(folder / f"{part:04d}_{name}.npy", np.concatenate(kept[name]))


def blocks(folder: Path, *, first: int = 0, step: int = 1) -> Iterator[dict[str, NDArray[Any]]]:
    """What :func:`render_to` kept, in the same order: all parts, or each ``step``-th."""
    for path in sorted(folder.rglob("*_picture.npy"))[first::step]:
        part = path.name.removesuffix("_picture.npy")
        yield {name: np.load(path.parent / f"{part}_{name}.npy") for name in NAMES}
