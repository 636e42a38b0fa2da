"""Where the pose model's bundle is on this machine.

MediaPipe's wheel carries no model, and nothing is downloaded at run time. The bundle is part
of this package (``landmarks/weights/pose.task``, the full model); `training.pose_bundle` says how
it was made. Another one is used in its stead where it is named.
"""

from __future__ import annotations

import hashlib
import os
import zipfile
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

import platformdirs

from knee_angle.errors import InvalidInput, MissingModel
from knee_angle.language import joined, say

__all__ = ["ModelFile", "default_bundle", "describe_models", "find_pose_bundle", "shipped_bundle"]

ENVIRONMENT_VARIABLE = "KNEE_ANGLE_POSE_MODEL"
SHIPPED_SHA256 = "c3e9c85c2ddaef33e5e2aee8096a1cd98bed6c3af6fa1609b2b0a3496756ebae"
"""Of the package's own bundle."""
_STATE = {True: say("checked"), False: say("DAMAGED OR UNKNOWN"), None: say("of unknown origin")}


@dataclass(frozen=True, slots=True)
class ModelFile:
    """One model that the program can use, for ``knee-angle models list``.

    Parameters
    ----------
    name : str
        What it is.
    path : Path
        Where it is, or would be.
    present : bool
        Whether a file is there.
    sha_ok : bool or None
        Whether it is the package's own bundle, undamaged; None for another one, whose
        origin cannot be checked.
    """

    name: str
    path: Path
    present: bool
    sha_ok: bool | None

    def __str__(self) -> str:
        if not self.present:
            return say("{name}: missing (reinstall the package)", name=self.name)
        return joined(", ", [f"{self.name}: {self.path}", _STATE[self.sha_ok]])


def default_bundle() -> Path:
    """Where a bundle of one's own lies that nobody has to name.

    Raises
    ------
    MissingModel
        The account has no home, so there is no such place.
    """
    try:
        return Path(platformdirs.user_cache_dir("knee-angle")).expanduser() / "pose.task"
    except RuntimeError:  # how platformdirs and pathlib say it
        raise MissingModel(
            say(
                "the pose model has no place, as this account has no home folder: set "
                "HOME, or name the file in {environment_variable}",
                environment_variable=ENVIRONMENT_VARIABLE,
            )
        ) from None


def shipped_bundle() -> Path:
    """The bundle that is part of this package."""
    return Path(str(resources.files("knee_angle.landmarks") / "weights" / "pose.task"))


def _unnamed_bundle() -> Path:
    """The bundle that somebody put into the cache, else the one of this package."""
    try:
        own = default_bundle()
    except MissingModel:
        return shipped_bundle()
    return own if own.is_file() else shipped_bundle()


def find_pose_bundle(explicit: Path | None = None) -> Path:
    """The pose model bundle on this machine.

    Parameters
    ----------
    explicit : Path, optional
        A bundle to use; else the environment variable ``KNEE_ANGLE_POSE_MODEL``, else
        ``pose.task`` in the user's cache folder, else the one of this package.

    Returns
    -------
    Path
        An existing file.

    Raises
    ------
    InvalidInput
        A named bundle (by argument or variable) that is not there, or no bundle.
    MissingModel
        None was named, and even the package's own is gone; the text says what to do.
    """
    from_environment = os.environ.get(ENVIRONMENT_VARIABLE)
    if explicit is None and from_environment:
        explicit = Path(from_environment)
    if explicit is None:
        bundle = _unnamed_bundle()
        if not bundle.is_file():
            raise MissingModel(say("the pose model is missing: reinstall the package"))
        return bundle
    if not _is_file(explicit):
        raise InvalidInput(
            say(
                "the pose model {explicit} is not there: name another one, or none to use the "
                "package's own",
                explicit=explicit,
            )
        )
    if not zipfile.is_zipfile(explicit):
        raise InvalidInput(
            say(
                "the pose model {explicit} is no model bundle: name another one, or none to use "
                "the package's own",
                explicit=explicit,
            )
        )
    return explicit


def describe_models() -> list[ModelFile]:
    """What a person can know about the models on this machine; never raises for a bad one."""
    named = os.environ.get(ENVIRONMENT_VARIABLE)
    path = Path(named) if named else _unnamed_bundle()
    present = _is_file(path)
    return [ModelFile("pose", path, present, _is_known(path) if present else False)]


def _is_file(path: Path) -> bool:
    """Whether a file is there; a name that the system cannot have is none."""
    try:
        return path.is_file()
    except OSError:
        return False


def _is_known(path: Path) -> bool | None:
    """Whether it is the package's own bundle; None of another one that may be right."""
    try:
        with path.open("rb") as file:
            if hashlib.file_digest(file, "sha256").hexdigest() == SHIPPED_SHA256:
                return True
        return False if path == shipped_bundle() or not zipfile.is_zipfile(path) else None
    except OSError:
        return False
