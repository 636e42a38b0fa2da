"""The weights, in a session of the runtime."""

from __future__ import annotations

import hashlib
import json
from importlib import resources

import numpy as np
from numpy.typing import NDArray

from knee_angle.errors import MissingModel
from knee_angle.language import say

__all__ = ["Model"]

Floats = NDArray[np.float64]
Rgb = NDArray[np.uint8]


class Model:
    """The weights, checked against their card, in a session of the runtime."""

    def __init__(self, threads: int) -> None:
        import onnxruntime

        folder = resources.files("knee_angle.landmarks") / "weights"
        try:
            card = json.loads((folder / "leg.json").read_text())
            weights = (folder / card["file"]).read_bytes()
        except OSError as error:
            message = say(
                "the leg network's weights are missing ({error}): reinstall the package",
                error=error,
            )
            raise MissingModel(message) from error
        except (ValueError, KeyError, TypeError) as error:
            message = say("the leg network's card cannot be used: reinstall the package")
            raise MissingModel(message) from error
        if hashlib.sha256(weights).hexdigest() != card.get("sha256"):
            message = say(
                "the leg network's weights do not match their card: reinstall the package"
            )
            raise MissingModel(message)
        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = threads
        options.log_severity_level = 3
        self.session = onnxruntime.InferenceSession(
            weights, options, providers=["CPUExecutionProvider"]
        )
        self.size = int(card["input_size"])
        scales = card.get("calibration", {})
        self.point_scale = float(scales.get("points", 1.0))
        self.oblique_scale = float(scales.get("points_oblique", self.point_scale))
        self.tilt_scale = float(scales.get("tilt", 1.0))
        # Trained on distances it answers with the middle of what it holds possible, which lies
        # nearer to a square view than the truth.
        self.tilt_gain = float(scales.get("tilt_gain", 1.0))

    def run(self, windows: list[Rgb]) -> tuple[Floats, Floats]:
        """Windows to (B, 8, 6) and (B, 6), see :mod:`knee_angle.training.export`."""
        batch = np.stack(windows).transpose(0, 3, 1, 2).astype(np.float32)
        leg, whole = self.session.run(None, {"windows": batch})
        return np.asarray(leg, dtype=float), np.asarray(whole, dtype=float)
