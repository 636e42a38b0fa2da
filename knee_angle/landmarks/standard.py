"""The detectors that the commands and the page use, opened once and closed once."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from knee_angle.errors import MissingModel
from knee_angle.landmarks.base import Detector
from knee_angle.landmarks.bundles import find_pose_bundle
from knee_angle.landmarks.dots import DotDetector
from knee_angle.landmarks.pose import PoseDetector

__all__ = ["opened_detectors"]


@contextmanager
def opened_detectors(pose_model: Path | None = None) -> Iterator[tuple[Detector, ...]]:
    """Dots, and the pose model where a bundle is on this machine.

    Parameters
    ----------
    pose_model : Path, optional
        A bundle to use; without it the usual places are looked at, and a machine
        without one measures by dots and by hand.

    Raises
    ------
    InvalidInput
        A named bundle that is not there.
    """
    try:
        bundle = find_pose_bundle(pose_model)
    except MissingModel:
        yield (DotDetector(),)
        return
    with PoseDetector(bundle) as pose:
        yield (DotDetector(), pose)
