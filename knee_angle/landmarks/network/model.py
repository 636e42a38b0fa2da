"""The weights, in a session of the runtime."""

from __future__ import annotations

import hashlib
import json
from importlib import resources

import numpy as np
from numpy.typing import NDArray

from knee_angle.assumptions import NETWORK_OBLIQUE_DEG, NETWORK_STEEP_DEG
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
        # A thread that waits awake for the next layer takes as much as one that computes.
        options.add_session_config_entry("session.intra_op.allow_spinning", "0")
        options.log_severity_level = 3
        self.session = onnxruntime.InferenceSession(
            weights, options, providers=["CPUExecutionProvider"]
        )
        self.size = int(card["input_size"])
        scales = card.get("calibration", {})
        self._point_scale = float(scales.get("points", 1.0))
        self._oblique_scale = float(scales.get("points_oblique", self._point_scale))
        self._steep_scale = float(scales.get("points_steep", self._oblique_scale))
        self.tilt_scale = float(scales.get("tilt", 1.0))
        # Trained on distances it answers with the middle of what it holds possible, which lies
        # nearer to a square view than the truth.
        self.tilt_gain = float(scales.get("tilt_gain", 1.0))

    def point_scale(self, off_square_deg: float) -> float:
        """Factor on the points' stated ± for a leg that seems to be seen so far off square."""
        if off_square_deg > NETWORK_STEEP_DEG:
            return self._steep_scale
        return self._oblique_scale if off_square_deg > NETWORK_OBLIQUE_DEG else self._point_scale

    def run(self, windows: list[Rgb]) -> tuple[Floats, Floats]:
        """Windows to (B, 8, 6) and (B, 6), see :mod:`knee_angle.training.export`."""
        batch = np.stack(windows).transpose(0, 3, 1, 2).astype(np.float32)
        leg, whole = self.session.run(None, {"windows": batch})
        return np.asarray(leg, dtype=float), np.asarray(whole, dtype=float)
