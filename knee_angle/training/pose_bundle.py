"""How the pose model's bundle (``landmarks/weights/pose.task``) was made.

    npm pack @mediapipe/pose@0.5.1675469404
    python -m knee_angle.training.pose_bundle mediapipe-pose-0.5.1675469404.tgz pose.task

MediaPipe's wheel carries no model. The npm package does: a zip, stored and not compressed, of a
person detector and a landmark model is made of it. It was made for an older interface that knew
the models' value range by heart. The present one asks the model file for it, so the range is
written into each (as TFLite metadata) on the way; the weights stay as published.
"""

from __future__ import annotations

import hashlib
import json
import re
import sys
import tarfile
import zipfile
from pathlib import Path
from typing import Any, Literal

import numpy as np

from knee_angle.errors import InvalidInput

__all__ = ["build_pose_bundle"]

Variant = Literal["lite", "full", "heavy"]

DETECTOR_SHA256 = "a63c614bef30d35947f13be361820b1e4e3bec9cfeebf4d11216a18373108e85"
LANDMARKS_SHA256: dict[Variant, str] = {
    "lite": "f17bfbecadb61c3be1baa8b8d851cc6619c870a87167b32848ad20db306b9d61",
    "full": "e9a5c5cb17f736fafd4c2ec1da3b3d331d6edbe8a0d32395855aeb2cdfd64b9f",
    "heavy": "59e42d71bcd44cbdbabc419f0ff76686595fd265419566bd4009ef703ea8e1fe",
}
"""SHA-256 of the models in that version of the package, computed from the archive that
`npm pack` delivered (npm checks it against the registry's own integrity value)."""

PACKED = "pose_solution_packed_assets"
DETECTOR_RANGE = (127.5, 127.5)
LANDMARKS_RANGE = (0.0, 255.0)
"""Mean and standard deviation taken off each byte: the detector wants -1..1, the landmark
model 0..1 (MediaPipe's graphs pose_detection_cpu and pose_landmark_by_roi_cpu)."""
ZIP_DATE = (1980, 1, 1, 0, 0, 0)
"""Constant, so that the same models give the same file."""


def build_pose_bundle(archive: Path, out: Path, variant: Variant = "full") -> None:
    """Make the bundle from the archive of the npm package.

    Raises
    ------
    InvalidInput
        It holds other models than the recorded ones.
    """
    with tarfile.open(archive) as tar:
        detector, landmarks = _packed_detector(tar), _member(tar, f"pose_landmark_{variant}.tflite")
    sources = {
        "pose_detector.tflite": hashlib.sha256(detector).hexdigest(),
        "pose_landmarks_detector.tflite": hashlib.sha256(landmarks).hexdigest(),
    }
    if list(sources.values()) != [DETECTOR_SHA256, LANDMARKS_SHA256[variant]]:
        raise InvalidInput(f"{archive.name} holds other models than the recorded ones")
    ranged = (_with_range(detector, *DETECTOR_RANGE), _with_range(landmarks, *LANDMARKS_RANGE))
    stored = dict(zip(sources, ranged, strict=True))
    origin = {
        "variant": variant,
        "sources": sources,
        "stored": {name: hashlib.sha256(data).hexdigest() for name, data in stored.items()},
    }
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as bundle:
        for name, data in stored.items():
            bundle.writestr(zipfile.ZipInfo(name, date_time=ZIP_DATE), data)
        bundle.comment = json.dumps(origin, sort_keys=True).encode()


def _member(tar: tarfile.TarFile, name: str) -> bytes:
    stream = tar.extractfile(f"package/{name}")
    return b"" if stream is None else stream.read()


def _packed_detector(tar: tarfile.TarFile) -> bytes:
    """The detector out of the packed data file, whose loader script lists the offsets."""
    loader = _member(tar, f"{PACKED}_loader.js").decode("utf-8", errors="replace")
    entry = re.search(
        r'"filename":\s*"[^"]*/pose_detection\.tflite",\s*"start":\s*(\d+),\s*"end":\s*(\d+)',
        loader,
    )
    start, end = (int(entry[1]), int(entry[2])) if entry else (0, 0)
    return _member(tar, f"{PACKED}.data")[start:end]


def _with_range(model: bytes, mean: float, std: float) -> bytes:
    """The same TFLite model with its input's value range written into it.

    The result depends on the model and the flatbuffers library alone.
    """
    import flatbuffers
    from mediapipe.tasks.metadata import schema_py_generated as tflite

    unpacked = tflite.ModelT.InitFromObj(tflite.Model.GetRootAsModel(model, 0))
    outputs = [unpacked.subgraphs[0].tensors[i].name for i in unpacked.subgraphs[0].outputs]
    buffer = tflite.BufferT()
    buffer.data = np.frombuffer(_metadata(mean, std, outputs=outputs), dtype=np.uint8)
    unpacked.buffers.append(buffer)
    entry = tflite.MetadataT()
    entry.name = "TFLITE_METADATA"
    entry.buffer = len(unpacked.buffers) - 1
    unpacked.metadata = [*(unpacked.metadata or []), entry]
    builder = flatbuffers.Builder(len(model))
    builder.Finish(unpacked.Pack(builder), b"TFL3")
    return bytes(builder.Output())


def _metadata(mean: float, std: float, *, outputs: list[bytes]) -> bytes:
    """TFLite metadata of a model with one RGB input of this range."""
    import flatbuffers
    from mediapipe.tasks.metadata import metadata_schema_py_generated as schema

    normalization: Any = schema.NormalizationOptionsT()
    normalization.mean, normalization.std = [mean], [std]
    unit = schema.ProcessUnitT()
    unit.optionsType = schema.ProcessUnitOptions.NormalizationOptions
    unit.options = normalization
    image = schema.ImagePropertiesT()
    image.colorSpace = schema.ColorSpaceType.RGB
    content = schema.ContentT()
    content.contentPropertiesType = schema.ContentProperties.ImageProperties
    content.contentProperties = image
    tensor = schema.TensorMetadataT()
    tensor.name, tensor.content, tensor.processUnits = "image", content, [unit]
    graph = schema.SubGraphMetadataT()
    graph.inputTensorMetadata = [tensor]
    graph.outputTensorMetadata = []
    for name in outputs:
        output = schema.TensorMetadataT()
        output.name = name.decode("utf-8", errors="replace")
        graph.outputTensorMetadata.append(output)
    model = schema.ModelMetadataT()
    model.name, model.subgraphMetadata = "pose", [graph]
    builder = flatbuffers.Builder(0)
    builder.Finish(model.Pack(builder), b"M001")
    return bytes(builder.Output())


if __name__ == "__main__":
    build_pose_bundle(Path(sys.argv[1]), Path(sys.argv[2]))
