"""Writes the trained network as ONNX beside the code that runs it, with its card."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import numpy as np
import onnx
import torch
from onnx import TensorProto, helper, numpy_helper
from torch import Tensor, nn

from knee_angle.training.losses import POINT_SCALE, TILT_SCALE
from knee_angle.training.model import INPUT_SIZE, LegNetwork, whiten
from knee_angle.training.scene import POINTS

__all__ = ["UNCALIBRATED", "Answer", "covariance", "export", "fill", "halved", "load_network"]

ADDED = ("refine.", "doubt.")
"""Layers that came later; each begins by adding nothing."""
UNCALIBRATED = {"calibration": {"points": 1.0, "tilt": 1.0}}
"""Factors on the stated standard deviations before photos have set them."""


def covariance(spread: Tensor, scale: float) -> Tensor:
    """Covariance (xx, xy, yy) of the error whose whitening ``spread`` states, shape (..., 3)."""
    a, b, c = whiten(spread, scale)
    xx = 1 / (a * a)
    xy = -b / (a * a * c)
    yy = (b * b / (a * a) + 1) / (c * c)
    return torch.stack([xx, xy, yy], -1)


class Answer(nn.Module):  # type: ignore[misc, unused-ignore]
    """The network with plain outputs.

    ``leg`` (B, 8, 6): x, y, covariance xx, xy, yy in units of the window, presence.
    ``whole`` (B, 6): probability of a right leg; tilt x, y; its covariance.
    """

    def __init__(self, network: LegNetwork) -> None:
        super().__init__()
        self.network = network

    def forward(self, windows: Tensor) -> tuple[Tensor, Tensor]:
        """Windows (B, 3, 256, 256), RGB, 0 to 255."""
        out = self.network(windows)
        present = torch.sigmoid(out.presence)[..., None]
        leg = torch.cat([out.points, covariance(out.spread, POINT_SCALE), present], -1)
        tilt = torch.cat([out.tilt, covariance(out.tilt_spread, TILT_SCALE)], -1)
        return leg, torch.cat([torch.sigmoid(out.side)[:, None], tilt], -1)


def fill(network: LegNetwork, state: dict[str, Tensor]) -> None:
    """Takes over kept weights; those from before a layer of `ADDED` answer as they did."""
    known = {name: v.float() if v.is_floating_point() else v for name, v in state.items()}
    added = {n: v for n, v in network.state_dict().items() if n.startswith(ADDED)}
    network.load_state_dict(added | known)


def load_network(weights: Path) -> LegNetwork:
    """The trained network in single precision, ready to answer."""
    network = LegNetwork()
    state = torch.load(weights, map_location="cpu", weights_only=True)
    fill(network, state)
    network.eval()
    return network


def halved(model: onnx.ModelProto) -> onnx.ModelProto:
    """The same model with the weights that half precision holds exactly stored as such.

    Notes
    -----
    A training keeps its weights in half precision. The runtime makes them single precision
    again when it loads the model, and folds the batch norms into the convolutions then.
    """
    casts = []
    for kept in model.graph.initializer:
        values = numpy_helper.to_array(kept)
        if values.dtype != np.float32 or not np.array_equal(values, values.astype(np.float16)):
            continue
        name, half = kept.name, f"{kept.name}.half"
        kept.CopyFrom(numpy_helper.from_array(values.astype(np.float16), half))
        casts.append(helper.make_node("Cast", [half], [name], to=TensorProto.FLOAT))
    nodes = [*casts, *model.graph.node]
    del model.graph.node[:]
    model.graph.node.extend(nodes)
    return model


def export(weights: Path, folder: Path, *, training: dict[str, object] | None = None) -> Path:
    """Writes ``leg.onnx`` and its card ``leg.json`` into a folder; returns the card's path.

    Parameters
    ----------
    weights : Path
        ``network.pt`` of a training run.
    training : dict, optional
        What the card says about how the weights were made.
    """
    folder.mkdir(parents=True, exist_ok=True)
    target = folder / "leg.onnx"
    torch.onnx.export(
        Answer(load_network(weights)).eval(),
        (torch.zeros(1, 3, INPUT_SIZE, INPUT_SIZE),),
        str(target),
        input_names=["windows"],
        output_names=["leg", "whole"],
        dynamic_axes={"windows": {0: "b"}, "leg": {0: "b"}, "whole": {0: "b"}},
        opset_version=17,
        training=torch.onnx.TrainingMode.PRESERVE,  # the norms apart: see `halved`
        dynamo=False,
    )
    onnx.save(halved(onnx.load(target)), target)
    card = {
        "file": target.name,
        "sha256": hashlib.sha256(target.read_bytes()).hexdigest(),
        "input_size": INPUT_SIZE,
        "points": list(POINTS),
        "training": training or {},
    } | UNCALIBRATED
    path = folder / "leg.json"
    path.write_text(json.dumps(card, indent=1) + "\n", encoding="utf-8")
    return path
