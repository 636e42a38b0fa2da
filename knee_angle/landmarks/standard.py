"""The detectors that the commands and the page use, opened once and closed once."""

from __future__ import annotations

import atexit
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2

from knee_angle.errors import MissingModel
from knee_angle.landmarks.base import Detector
from knee_angle.landmarks.dots import DotDetector
from knee_angle.landmarks.network import NetworkDetector
from knee_angle.landmarks.pose.bundles import find_pose_bundle
from knee_angle.landmarks.pose.detector import PoseDetector
from knee_angle.language import say
from knee_angle.photo.memory import keep_freed_memory
from knee_angle.photo.reading import Photo
from knee_angle.records import NotMeasured, Quad, Source

__all__ = ["NoPoseModel", "opened_detectors", "shared_detectors"]


@dataclass(frozen=True, slots=True)
class NoPoseModel:
    """Stands in where even the package's own bundle is gone: refuses, and says what to do."""

    how_to_get: str
    source: Source = "pose"

    def find(self, photo: Photo, *, masked: tuple[Quad, ...] = ()) -> NotMeasured:  # noqa: ARG002
        """A refusal with the instruction as advice."""
        return NotMeasured(say("no pose model is on this machine"), self.how_to_get)


@contextmanager
def opened_detectors(
    pose_model: Path | None = None, *, threads: int = 2
) -> Iterator[tuple[Detector, ...]]:
    """Dots, the leg network, and the pose model, for one photo after another.

    Parameters
    ----------
    pose_model : Path, optional
        A bundle to use; without it the usual places are looked at, then the package's own.
    threads : int
        Threads of the leg network; 1 where several processes share the cores.

    Raises
    ------
    InvalidInput
        A named bundle that is not there.
    """
    keep_freed_memory()
    with _opened(pose_model, threads=threads) as detectors:
        yield detectors


@contextmanager
def _opened(pose_model: Path | None = None, *, threads: int = 2) -> Iterator[tuple[Detector, ...]]:
    # A second thread of OpenCV's takes a fifth more processor time and gains nothing.
    cv2.setNumThreads(1)
    try:
        bundle = find_pose_bundle(pose_model)
    except MissingModel as missing:
        yield (DotDetector(), NetworkDetector(threads=threads), NoPoseModel(str(missing)))
        return
    with PoseDetector(bundle) as pose:
        yield (DotDetector(), NetworkDetector(threads=threads), pose)


@cache
def shared_detectors() -> tuple[Detector, ...]:
    """The same, opened at the first call and kept open until the process ends.

    Without the last photo's memory: each of a page's threads would keep its own (8 threads 650 MB
    in place of 420).
    """
    opened = _opened()
    detectors = opened.__enter__()
    atexit.register(opened.__exit__, None, None, None)
    return detectors
