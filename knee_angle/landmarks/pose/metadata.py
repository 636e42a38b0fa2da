"""What MediaPipe wants to know of a model's input, as TFLite metadata."""

from __future__ import annotations

from typing import Any

__all__ = ["input_metadata"]


def input_metadata(mean: float, std: float, *, outputs: list[bytes]) -> bytes:
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
