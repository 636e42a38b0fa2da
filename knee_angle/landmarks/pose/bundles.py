"""Where the pose model's bundle is on this machine, and how it is built.

MediaPipe's wheel carries no model, and nothing is downloaded at run time. The bundle is part
of this package (``landmarks/weights/pose.task``, the full model). It was made by
:func:`build_pose_bundle` from the published npm package (`npm pack @mediapipe/pose`): a zip,
stored and not compressed, of a person detector and a landmark model. Anybody can make it
again, or another one to be used instead.

The package was made for an older interface that knew the models' value range by
heart. The present one asks the model file for it, so the range is written into each
(as TFLite metadata) on the way; the weights stay as published.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import os
import re
import tarfile
import tempfile
import zipfile
import zlib
from dataclasses import dataclass
from importlib import resources
from io import BytesIO
from pathlib import Path
from typing import Literal

import numpy as np
import platformdirs

from knee_angle.errors import InvalidInput, MissingModel
from knee_angle.landmarks.pose.metadata import input_metadata
from knee_angle.landmarks.pose.process import PoseProcess
from knee_angle.landmarks.pose.unpacking import Bounded, is_file
from knee_angle.language import joined, say

__all__ = [
    "HOW_TO_GET",
    "ModelFile",
    "build_pose_bundle",
    "describe_models",
    "find_pose_bundle",
    "shipped_bundle",
]

Variant = Literal["lite", "full", "heavy"]

ENVIRONMENT_VARIABLE = "KNEE_ANGLE_POSE_MODEL"
HOW_TO_GET = "npm pack @mediapipe/pose, then knee-angle models build mediapipe-pose-*.tgz"

PACKAGE = "@mediapipe/pose"
PACKAGE_VERSION = "0.5.1675469404"
DETECTOR_SHA256 = "a63c614bef30d35947f13be361820b1e4e3bec9cfeebf4d11216a18373108e85"
LANDMARKS_SHA256: dict[str, str] = {
    "lite": "f17bfbecadb61c3be1baa8b8d851cc6619c870a87167b32848ad20db306b9d61",
    "full": "e9a5c5cb17f736fafd4c2ec1da3b3d331d6edbe8a0d32395855aeb2cdfd64b9f",
    "heavy": "59e42d71bcd44cbdbabc419f0ff76686595fd265419566bd4009ef703ea8e1fe",
}
"""SHA-256 of the models in `PACKAGE` at `PACKAGE_VERSION`, computed from the archive that
`npm pack` delivered (npm checks it against the registry's own integrity value)."""

DETECTOR_MEMBER = "pose_detector.tflite"
LANDMARKS_MEMBER = "pose_landmarks_detector.tflite"
PACKED = "pose_solution_packed_assets.data"
PACKED_LOADER = "pose_solution_packed_assets_loader.js"
PACKED_DETECTOR = "pose_detection.tflite"
MANIFEST = "package.json"

DETECTOR_RANGE = (127.5, 127.5)
LANDMARKS_RANGE = (0.0, 255.0)
"""Mean and standard deviation taken off each byte: the detector wants -1..1, the landmark
model 0..1 (MediaPipe's graphs pose_detection_cpu and pose_landmark_by_roi_cpu)."""

MAX_MEMBER_BYTES = 64 * 2**20
"""The largest model of the package has 27 MB."""
MAX_ARCHIVE_BYTES = 256 * 2**20
"""The package unpacks to 53 MB; beyond this the archive is not what it says."""
ZIP_DATE = (1980, 1, 1, 0, 0, 0)
"""Constant, so that the same models give the same file."""


OTHER_MODELS = say(
    "{archive_name} holds version {version}, with other models than the recorded ones of "
    "{package} {package_version}: get that one with npm pack {package}@{package_version}"
)
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
        Whether it holds, undamaged, the models of known hash; None for a bundle that
        was not built here, whose origin cannot be checked.
    """

    name: str
    path: Path
    present: bool
    sha_ok: bool | None

    def __str__(self) -> str:
        if not self.present:
            return say("{name}: missing ({get})", name=self.name, get=HOW_TO_GET)
        return joined(", ", [f"{self.name}: {self.path}", _STATE[self.sha_ok]])


def default_bundle() -> Path:
    """Where :func:`build_pose_bundle` puts the bundle unless told otherwise.

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
    """The bundle that somebody built into the cache, else the one of this package."""
    try:
        built = default_bundle()
    except MissingModel:
        return shipped_bundle()
    return built if built.is_file() else shipped_bundle()


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
    if explicit is not None:
        if not is_file(explicit):
            raise InvalidInput(
                say(
                    "the pose model {explicit} is not there: get it with {how_to_get}",
                    explicit=explicit, how_to_get=HOW_TO_GET,
                )
            )  # fmt: skip
        if not zipfile.is_zipfile(explicit):
            raise InvalidInput(
                say(
                    "the pose model {explicit} is no model bundle: get one with {how_to_get}",
                    explicit=explicit,
                    how_to_get=HOW_TO_GET,
                )
            )
        return explicit
    bundle = _unnamed_bundle()
    if not bundle.is_file():
        raise MissingModel(
            say(
                "the pose model is missing: reinstall the package, or get it with {get}",
                get=HOW_TO_GET,
            )
        )
    return bundle


def describe_models() -> list[ModelFile]:
    """What a person can know about the models on this machine; never raises for a bad one."""
    named = os.environ.get(ENVIRONMENT_VARIABLE)
    path = Path(named) if named else _unnamed_bundle()
    present = is_file(path)
    return [ModelFile("pose", path, present, _is_known(path) if present else False)]


def build_pose_bundle(
    archive: Path,
    out: Path | None = None,
    variant: Variant = "full",
    *,
    accept_unknown: bool = False,
) -> Path:
    """Make the pose model bundle from the published npm package.

    Members are read in memory and nothing is unpacked. The bundle is loaded and run
    once before it takes its place, which happens in one step.

    Parameters
    ----------
    archive : Path
        The ``.tgz`` that ``npm pack @mediapipe/pose`` wrote, or the folder it unpacks to.
    out : Path, optional
        The bundle; default ``pose.task`` in the user's cache folder.
    variant : {"lite", "full", "heavy"}
        Which landmark model.
    accept_unknown : bool
        Use models whose hash is not the recorded one (another version of the package).

    Returns
    -------
    Path
        The bundle.

    Raises
    ------
    InvalidInput
        An archive that is not there, cannot be read, lacks a model, is too large, or
        holds other models than the recorded ones.
    MissingModel
        MediaPipe cannot load the bundle.
    """
    if variant not in LANDMARKS_SHA256:
        raise InvalidInput(
            say("variant must be lite, full or heavy, but got {variant!r}", variant=variant)
        )
    landmarks_name = f"pose_landmark_{variant}.tflite"
    members = _read_package(archive, (landmarks_name, PACKED, PACKED_LOADER, MANIFEST))
    detector = _packed_detector(members)
    landmarks = members[landmarks_name]
    sources = {DETECTOR_MEMBER: _sha256(detector), LANDMARKS_MEMBER: _sha256(landmarks)}
    if not accept_unknown and sources != _known(variant):
        raise InvalidInput(
            OTHER_MODELS.format(
                archive_name=archive.name, version=_version(members[MANIFEST]), package=PACKAGE,
                package_version=PACKAGE_VERSION,
            )
        )  # fmt: skip
    stored = {
        DETECTOR_MEMBER: _with_range(detector, *DETECTOR_RANGE),
        LANDMARKS_MEMBER: _with_range(landmarks, *LANDMARKS_RANGE),
    }
    out = default_bundle() if out is None else out
    _write_bundle(out, stored, sources=sources, variant=variant)
    return out


def _known(variant: str) -> dict[str, str]:
    return {DETECTOR_MEMBER: DETECTOR_SHA256, LANDMARKS_MEMBER: LANDMARKS_SHA256[variant]}


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _version(manifest: bytes) -> str:
    try:
        return str(json.loads(manifest)["version"])
    except (ValueError, KeyError, TypeError):
        return "unknown"


def _read_package(archive: Path, names: tuple[str, ...]) -> dict[str, bytes]:
    """The named files of the package, from its archive or folder."""
    if archive.is_dir():
        found = _read_folder(archive, names)
    elif archive.is_file():
        found = _read_archive(archive, names)
    else:
        raise InvalidInput(
            say(
                "{archive} is not there: get it with {how_to_get}",
                archive=archive, how_to_get=HOW_TO_GET,
            )
        )  # fmt: skip
    missing = [name for name in names if name not in found]
    if missing:
        raise InvalidInput(
            say(
                "{name} lacks {missing}: it must be {package}, get it with {how_to_get}",
                name=archive.resolve().name, missing=", ".join(missing), package=PACKAGE,
                how_to_get=HOW_TO_GET,
            )
        )  # fmt: skip
    return found


def _read_folder(folder: Path, names: tuple[str, ...]) -> dict[str, bytes]:
    root = folder / "package" if (folder / "package").is_dir() else folder
    found: dict[str, bytes] = {}
    for name in names:
        path = root / name
        if path.is_file():
            if path.stat().st_size > MAX_MEMBER_BYTES:
                raise InvalidInput(
                    say(
                        "{name} in {folder_name} is too large to be a model",
                        name=name, folder_name=folder.name,
                    )
                )  # fmt: skip
            found[name] = path.read_bytes()
    return found


def _read_archive(archive: Path, names: tuple[str, ...]) -> dict[str, bytes]:
    """The named members that are regular files, read in memory.

    Links and paths that climb out of the folder have nothing to reach: nothing is unpacked.
    """
    wanted = {f"package/{name}": name for name in names}
    found: dict[str, bytes] = {}
    total = 0
    bound = MAX_ARCHIVE_BYTES, _too_large(archive.name)
    try:
        with (
            gzip.open(archive) as unpacked,
            tarfile.open(fileobj=Bounded(unpacked, *bound), mode="r|") as tar,
        ):
            for member in tar:
                total += member.size
                if total > MAX_ARCHIVE_BYTES or member.size > MAX_MEMBER_BYTES:
                    raise _too_large(archive.name)
                name = wanted.get(member.name)
                if name is None or not member.isfile():
                    continue
                if name in found:
                    raise InvalidInput(
                        say(
                            "{archive_name} holds {name} twice: it was tampered with",
                            archive_name=archive.name, name=name,
                        )
                    )  # fmt: skip
                stream = tar.extractfile(member)
                found[name] = b"" if stream is None else stream.read()
    except (tarfile.TarError, OSError, EOFError, zlib.error) as error:
        raise InvalidInput(
            say(
                "{archive_name} is no readable npm archive ({error}): get it with {how_to_get}",
                archive_name=archive.name, error=error, how_to_get=HOW_TO_GET,
            )
        ) from error  # fmt: skip
    return found


def _too_large(name: str) -> InvalidInput:
    return InvalidInput(
        say(
            "{archive_name} is larger inside than {package} can be",
            archive_name=name, package=PACKAGE,
        )
    )  # fmt: skip


def _packed_detector(members: dict[str, bytes]) -> bytes:
    """The detector out of the packed data file, whose loader script lists the offsets."""
    loader = members[PACKED_LOADER].decode("utf-8", errors="replace")
    packed = members[PACKED]
    entry = re.compile(
        r'"filename":\s*"[^"]*/'
        + re.escape(PACKED_DETECTOR)
        + r'",\s*"start":\s*(\d+),\s*"end":\s*(\d+)'
    ).search(loader)
    start, end = (int(entry[1]), int(entry[2])) if entry else (0, 0)
    if not start < end <= len(packed):
        raise InvalidInput(
            say(
                "{packed_loader} does not say where {packed_detector} lies in {packed}",
                packed_loader=PACKED_LOADER, packed_detector=PACKED_DETECTOR, packed=PACKED,
            )
        )  # fmt: skip
    return packed[start:end]


def _with_range(model: bytes, mean: float, std: float) -> bytes:
    """The same TFLite model with its input's value range written into it.

    Notes
    -----
    The result depends on the model and the flatbuffers library alone. MediaPipe's
    generated schema is imported here because importing MediaPipe is slow.
    """
    import flatbuffers
    from mediapipe.tasks.metadata import schema_py_generated as tflite

    try:
        unpacked = tflite.ModelT.InitFromObj(tflite.Model.GetRootAsModel(model, 0))
        outputs = [unpacked.subgraphs[0].tensors[i].name for i in unpacked.subgraphs[0].outputs]
    except Exception as error:
        # The generated reader trusts its input and fails in many ways on other bytes.
        raise InvalidInput(say("a model in the package is no TFLite file")) from error
    buffer = tflite.BufferT()
    buffer.data = np.frombuffer(input_metadata(mean, std, outputs=outputs), dtype=np.uint8)
    unpacked.buffers.append(buffer)
    entry = tflite.MetadataT()
    entry.name = "TFLITE_METADATA"
    entry.buffer = len(unpacked.buffers) - 1
    unpacked.metadata = [*(unpacked.metadata or []), entry]
    builder = flatbuffers.Builder(len(model))
    builder.Finish(unpacked.Pack(builder), b"TFL3")
    return bytes(builder.Output())


def _write_bundle(
    out: Path, stored: dict[str, bytes], *, sources: dict[str, str], variant: str
) -> None:
    """Write beside the target, try it, then rename: never a half-written bundle."""
    origin = {
        "variant": variant,
        "sources": sources,
        "stored": {name: _sha256(data) for name, data in stored.items()},
    }
    content = BytesIO()
    with zipfile.ZipFile(content, "w", zipfile.ZIP_STORED) as bundle:
        for name, data in stored.items():
            bundle.writestr(zipfile.ZipInfo(name, date_time=ZIP_DATE), data)
        bundle.comment = json.dumps(origin, sort_keys=True).encode()
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=".pose-", suffix=".task", dir=out.parent)
    except OSError as error:
        raise _cannot_write(out, error) from error
    temporary = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content.getvalue())
        _check_runs(temporary)
        temporary.replace(out)
    except OSError as error:
        raise _cannot_write(out, error) from error
    finally:
        temporary.unlink(missing_ok=True)


def _cannot_write(out: Path, error: OSError) -> InvalidInput:
    return InvalidInput(
        say("{out} cannot be written ({error}): name another file", out=out, error=error.strerror)
    )


def _check_runs(bundle: Path) -> None:
    """Load the bundle and look at one plain coloured picture (colour: a flat one is no test)."""
    picture = np.zeros((64, 64, 3), dtype=np.uint8)
    picture[..., 0] = np.arange(64, dtype=np.uint8)
    model = PoseProcess(bundle)
    try:
        model.detect(picture)
    finally:
        model.close()


def _is_known(path: Path) -> bool | None:
    """Whether the bundle is what :func:`build_pose_bundle` wrote from the recorded models."""
    try:
        with zipfile.ZipFile(path) as bundle:
            origin = json.loads(bundle.comment) if bundle.comment else None
            if not isinstance(origin, dict):
                return None
            if sum(member.file_size for member in bundle.infolist()) > MAX_ARCHIVE_BYTES:
                return False
            stored = {name: _sha256(bundle.read(name)) for name in bundle.namelist()}
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError, zlib.error):
        return False
    variant = origin.get("variant")
    return (
        variant in LANDMARKS_SHA256
        and origin.get("sources") == _known(variant)
        and origin.get("stored") == stored
    )
