"""Writes the networks that find and read displays as ONNX, with their card.

``python -m knee_angle.training.display_export FOLDER``: of ``finder.pt``, ``fitter.pt`` and
``reader.pt`` there. ``--halve`` instead: what is written already, the reader in half precision.
"""

from __future__ import annotations

import argparse
import hashlib
import json
from pathlib import Path

import numpy as np
import onnx
import torch
from onnx import numpy_helper

from knee_angle.photo.display.line import CHARACTERS
from knee_angle.training.display_train import network_of
from knee_angle.training.export import halved

__all__ = ["export", "halve", "main", "rounded"]

WEIGHTS = Path(__file__).resolve().parents[1] / "photo" / "display" / "weights"
SHAPES = {"finder": (1, 3, 192, 192), "fitter": (1, 3, 80, 128), "reader": (1, 3, 40, 176)}
NAMES = {
    "finder": ("pictures", ["seen"]), "fitter": ("pictures", ["boxes"]),
    "reader": ("lines", ["columns", "states"]),
}  # fmt: skip
HALVED = ("reader",)
"""Kept in half precision. The other two are not: the places they find are ranked, and rounding
moves the last of them, so that a faint number comes or goes (the model card, "Half precision")."""
NOT_YET = {"weighing": {"text": 1.0, "place": 0.0, "offset": 0.0}, "accept": 0.9999}
"""Before `tests/bench/bench_display_read.py --calibrate` has set them on drawn displays."""


def export(kept: Path, folder: Path = WEIGHTS) -> Path:
    """The networks as ONNX and ``display.json`` beside them; returns the card's path.

    Parameters
    ----------
    kept : Path
        Folder with ``finder.pt``, ``fitter.pt`` and ``reader.pt``.
    folder : Path
        Where the weights go.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for what, shape in SHAPES.items():
        network = network_of(what)
        network.load_state_dict(torch.load(kept / f"{what}.pt", weights_only=True))
        network.eval()
        name, outs = NAMES[what]
        free = {0: "b", 2: "h", 3: "w"} if what == "finder" else {0: "b"}
        torch.onnx.export(
            network, (torch.zeros(*shape),), str(folder / f"{what}.onnx"),
            input_names=[name], output_names=outs,
            dynamic_axes=dict.fromkeys((name, *outs), free), opset_version=17, dynamo=False,
        )  # fmt: skip
        _unnamed(folder / f"{what}.onnx")
    card = {"sha256": {}, "characters": CHARACTERS, **NOT_YET}
    (folder / "display.json").write_text(json.dumps(card), encoding="utf-8")
    return halve(folder)


def halve(folder: Path = WEIGHTS) -> Path:
    """Those of `HALVED` in a folder in half precision, all hashes in its card; returns its path.

    What is halved already stays as it is, to the byte.
    """
    path = folder / "display.json"
    card = json.loads(path.read_text(encoding="utf-8"))
    for what in SHAPES:
        file = folder / f"{what}.onnx"
        if what in HALVED:
            onnx.save(halved(rounded(onnx.load(str(file)))), str(file))
        card["sha256"][what] = hashlib.sha256(file.read_bytes()).hexdigest()
    path.write_text(json.dumps(card, indent=1) + "\n", encoding="utf-8")
    return path


def rounded(model: onnx.ModelProto) -> onnx.ModelProto:
    """The same model with its kernels and matrices rounded to what half precision holds.

    What is added to their sums stays: the batch norms are folded into it, and it is few bytes.
    """
    for kept in model.graph.initializer:
        values = numpy_helper.to_array(kept)
        if values.dtype == np.float32 and values.ndim > 1:
            nearest = values.astype(np.float16).astype(np.float32)
            kept.CopyFrom(numpy_helper.from_array(nearest, kept.name))
    return model


def _unnamed(path: Path) -> None:
    """Without the names of its steps: nobody asks for them, and the wheel carries them."""
    model = onnx.load(str(path))
    for node in model.graph.node:
        node.name = ""
    onnx.save(model, str(path))


def main(argv: list[str] | None = None) -> Path:
    """The command."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("kept", type=Path, nargs="?")
    parser.add_argument("--to", type=Path, default=WEIGHTS)
    parser.add_argument("--halve", action="store_true", help="what is there; makes nothing new")
    args = parser.parse_args(argv)
    if args.halve == (args.kept is not None):
        parser.error("either a folder with finder.pt, fitter.pt and reader.pt, or --halve")
    return halve(args.to) if args.halve else export(args.kept, args.to)


if __name__ == "__main__":
    main()
