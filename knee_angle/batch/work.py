"""What goes to a worker and what comes back: plain values that JSON can carry."""

from __future__ import annotations

import hashlib
from dataclasses import asdict, dataclass
from importlib import metadata, resources
from pathlib import Path
from typing import Any, Literal

from knee_angle import __version__
from knee_angle.errors import InvalidInput, MissingModel
from knee_angle.language import say
from knee_angle.settings import Settings

__all__ = ["Answer", "Conditions", "Job", "Json", "Trouble", "identity_of", "to_plain"]

Json = dict[str, Any]
Trouble = Literal["time_limit", "crash", "error", "memory", "storage"]
"""Why a photo has no result though the photo itself may be fine: worth trying again."""

LIBRARIES = ("numpy", "scipy", "pillow", "pi-heif", "onnxruntime", "opencv-contrib-python")
"""What the numbers depend on besides our own version."""


@dataclass(frozen=True, slots=True)
class Job:
    """One photo to measure.

    Parameters
    ----------
    photo : str
        Its name in the table.
    address : str
        Where a worker reads it: a path, or an fsspec address.
    size_bytes : int or None
        Size of the file when it was listed; None where it was not there.
    displayed_deg : float or None
        The machine's number, degrees of flexion.
    overlay : str or None
        The picture with points to write, if any.
    points : dict or None
        Points placed by hand, as a points file holds them.
    """

    photo: str
    address: str
    size_bytes: int | None
    displayed_deg: float | None = None
    overlay: str | None = None
    points: Json | None = None


@dataclass(frozen=True, slots=True)
class Conditions:
    """What all photos of a run share.

    Parameters
    ----------
    settings : Settings
        Tolerances and sizes.
    limit_megapixels : float
        Larger photos are refused before they are decoded.
    pose_model : str or None
        A pose model bundle, where one was named.
    photo_seconds : float
        Longest time for one photo.
    identity : dict
        Versions and models that every worker must have (see `identity_of`).
    run : str
        This run's own word: several runs may share a cluster's workers.
    """

    settings: Settings
    limit_megapixels: float
    pose_model: str | None
    photo_seconds: float
    identity: Json
    run: str = ""

    def of_the_numbers(self) -> Json:
        """What the rows depend on: rows of other conditions do not belong in one table."""
        settings = {**to_plain(self.settings), "limit_megapixels": self.limit_megapixels}
        return {"settings": settings, "versions": self.identity}


@dataclass(frozen=True, slots=True)
class Answer:
    """One photo, done.

    Parameters
    ----------
    photo : str
        Its name in the table.
    row : dict
        The JSON contract (`exchange.as_json`).
    sha256 : str or None
        Hash of the file's bytes; None where they could not be read.
    trouble : str or None
        Set where not the photo but the measuring failed.
    """

    photo: str
    row: Json
    sha256: str | None = None
    trouble: Trouble | None = None


def to_plain(settings: Settings) -> Json:
    """Settings as JSON has them."""
    return {
        name: list(value) if isinstance(value, tuple) else value
        for name, value in asdict(settings).items()
    }


def identity_of(pose_model: Path | None) -> Json:
    """Versions and models on this machine, as hashes: the same numbers need the same.

    Raises
    ------
    InvalidInput
        A named pose model that is not there.
    """
    from knee_angle.landmarks.pose.bundles import find_pose_bundle

    card = resources.files("knee_angle.landmarks") / "weights" / "leg.json"
    display = resources.files("knee_angle.photo.display") / "weights" / "display.json"
    try:
        pose = hashlib.sha256(find_pose_bundle(pose_model).read_bytes()).hexdigest()
    except MissingModel:
        pose = None
    except OSError as error:
        raise InvalidInput(
            say("the pose model cannot be read ({error}): check its rights", error=error.strerror)
        ) from None
    return {
        "knee-angle": __version__,
        "leg network": hashlib.sha256(card.read_bytes()).hexdigest(),
        "display networks": hashlib.sha256(display.read_bytes()).hexdigest(),
        "pose model": pose,
        **{name: metadata.version(name) for name in LIBRARIES},
    }
