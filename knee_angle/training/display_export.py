"""Writes the networks that find and read displays as ONNX, with their card.

``python -m knee_angle.training.display_export FOLDER``: of ``finder.pt``, ``fitter.pt`` and
``reader.pt`` there.
"""

from __future__ import annotations

import argparse
import hashlib
import json
from pathlib import Path

import onnx
import torch

from knee_angle.photo.display.line import CHARACTERS
from knee_angle.training.display_train import network_of

__all__ = ["export", "main"]

WEIGHTS = Path(__file__).resolve().parents[1] / "photo" / "display" / "weights"
SHAPES = {"finder": (1, 3, 192, 192), "fitter": (1, 3, 80, 128), "reader": (1, 3, 40, 176)}
NAMES = {
    "finder": ("pictures", ["seen"]), "fitter": ("pictures", ["boxes"]),
    "reader": ("lines", ["columns", "states"]),
}  # fmt: skip
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
    hashes = {}
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
        hashes[what] = hashlib.sha256((folder / f"{what}.onnx").read_bytes()).hexdigest()
    card = {"sha256": hashes, "characters": CHARACTERS, **NOT_YET}
    path = folder / "display.json"
    path.write_text(json.dumps(card, indent=1) + "\n", encoding="utf-8")
    return path


def _unnamed(path: Path) -> None:
    """Without the names of its steps: nobody asks for them, and the wheel carries them."""
    model = onnx.load(str(path))
    for node in model.graph.node:
        node.name = ""
    onnx.save(model, str(path))


def main(argv: list[str] | None = None) -> Path:
    """The command."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("kept", type=Path)
    parser.add_argument("--to", type=Path, default=WEIGHTS)
    args = parser.parse_args(argv)
    return export(args.kept, args.to)


if __name__ == "__main__":
    main()
