"""Many processes that render, one that collects: pictures flow while training runs."""

from __future__ import annotations

import mmap
import multiprocessing
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from knee_angle.training.bodies import load_bank
from knee_angle.training.pictures import load_pictures
from knee_angle.training.samples import META, Sample, samples

__all__ = ["PICTURE_SIZE", "Source", "Stream"]

PICTURE_SIZE = 384
SLOTS = 192  # samples that each process may be ahead of the collector


def _shared(shape: tuple[int, ...], kind: str) -> NDArray[Any]:
    """An array that forked processes see, too."""
    count = int(np.prod(shape)) * np.dtype(kind).itemsize
    return np.frombuffer(mmap.mmap(-1, count), dtype=kind).reshape(shape)


@dataclass
class _Ring:
    """Fixed places that the workers fill in turn and the collector empties."""

    picture: NDArray[np.uint8]
    points: NDArray[np.float32]
    window: NDArray[np.float32]
    camera: NDArray[np.float32]
    normal: NDArray[np.float32]
    meta: NDArray[np.float32]
    written: NDArray[np.int64]
    taken: NDArray[np.int64]
    stop: NDArray[np.int32]

    @classmethod
    def of(cls, workers: int) -> _Ring:
        """Empty places for so many workers."""
        n, s = workers * SLOTS, PICTURE_SIZE
        return cls(
            _shared((n, s, s, 3), "u1"),
            _shared((n, 8, 2), "f4"),
            _shared((n, 4), "f4"),
            _shared((n, 3), "f4"),
            _shared((n, 3), "f4"),
            _shared((n, len(META)), "f4"),
            _shared((workers,), "i8"),
            _shared((workers,), "i8"),
            _shared((1,), "i4"),
        )

    def put(self, row: int, sample: Sample) -> None:
        """Writes one sample."""
        for name in ("picture", "points", "window", "camera", "normal", "meta"):
            getattr(self, name)[row] = getattr(sample, name)


@dataclass(frozen=True)
class Source:
    """What pictures are made from, and where.

    Parameters
    ----------
    bank : Path
        Bodies.
    pictures : Path, optional
        Background pictures, see :func:`knee_angle.training.pictures.load_pictures`.
    device : int
        Place of the GPU among those that EGL lists.
    """

    bank: Path
    pictures: Path | None = None
    device: int = 0


def _work(ring: _Ring, worker: int, source: Source, seed: int) -> None:
    """Renders until told to stop."""
    from knee_angle.training.renderer import Renderer

    bank, pictures = source.bank, load_pictures(source.pictures)
    renderer = Renderer(size=PICTURE_SIZE, pictures=pictures, device=source.device)
    stream = samples(load_bank(bank), renderer, pictures=len(pictures), seed=[seed, worker])
    while not ring.stop[0]:
        if ring.written[worker] - ring.taken[worker] >= SLOTS:
            time.sleep(0.01)
            continue
        row = worker * SLOTS + int(ring.written[worker]) % SLOTS
        ring.put(row, next(stream))
        ring.written[worker] += 1


class Stream:
    """Starts the workers; :meth:`new` gives what has arrived since the last call.

    Start it before anything uses the GPU in this process: the workers are forked.
    """

    def __init__(self, *, workers: int, source: Source, seed: int) -> None:
        self.ring = _Ring.of(workers)
        context = multiprocessing.get_context("fork")
        self.processes = [
            context.Process(target=_work, args=(self.ring, w, source, seed), daemon=True)
            for w in range(workers)
        ]
        for process in self.processes:
            process.start()

    @property
    def alive(self) -> bool:
        """Whether any worker still runs."""
        return any(process.is_alive() for process in self.processes)

    def new(self) -> Iterator[dict[str, NDArray[Any]]]:
        """Blocks of new samples, as arrays by the names of :class:`Sample`'s fields."""
        ring = self.ring
        for worker in range(len(self.processes)):
            first, last = int(ring.taken[worker]), int(ring.written[worker])
            while first < last:
                start = first % SLOTS
                count = min(last - first, SLOTS - start)
                rows = slice(worker * SLOTS + start, worker * SLOTS + start + count)
                yield {
                    name: getattr(ring, name)[rows]
                    for name in ("picture", "points", "window", "camera", "normal", "meta")
                }
                first += count
                ring.taken[worker] = first

    def stop(self) -> None:
        """Ends the workers."""
        self.ring.stop[0] = 1
        ends = time.monotonic() + 3
        for process in self.processes:
            process.join(max(0.0, ends - time.monotonic()))
            if process.is_alive():
                process.terminate()
