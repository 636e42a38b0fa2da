"""The three networks, checked against their card, in sessions of the runtime."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

import numpy as np
from numpy.typing import NDArray

from knee_angle.errors import MissingModel
from knee_angle.language import say

__all__ = ["Networks", "Weighing", "networks"]

Floats = NDArray[np.float64]
NO_CARD = say("the display networks' card cannot be used: reinstall the package")
FOLDER = "knee_angle.photo.display"
NAMES = ("finder", "fitter", "reader")
WEIGHTS = ("text", "place", "offset")


@dataclass(frozen=True, slots=True)
class Weighing:
    """How a text's probability and the odds of its place make one probability, by logarithms.

    Fitted on drawn displays (`tests/bench/bench_display_read.py --calibrate`), as a regression.
    """

    text: float
    place: float
    offset: float


class Networks:
    """Finder, fitter and reader, opened once; each runs on one thread."""

    def __init__(self) -> None:
        folder = resources.files(FOLDER) / "weights"
        try:
            card = json.loads((folder / "display.json").read_text())
            files = {name: (folder / f"{name}.onnx").read_bytes() for name in NAMES}
        except OSError as error:
            message = f"the display networks' weights are missing ({error}): reinstall the package"
            raise MissingModel(message) from error
        except ValueError as error:
            raise MissingModel(NO_CARD) from error
        try:
            hashes = {name: str(card["sha256"][name]) for name in files}
            self.weighing = Weighing(*(float(card["weighing"][name]) for name in WEIGHTS))
            self.accept = float(card["accept"])
        except (KeyError, TypeError, ValueError) as error:
            raise MissingModel(NO_CARD) from error
        for name, weights in files.items():
            if hashlib.sha256(weights).hexdigest() != hashes[name]:
                message = f"the weights of the display's {name} do not match their card: reinstall"
                raise MissingModel(f"{message} the package")
        self._finder, self._fitter, self._reader = (_session(files[name]) for name in NAMES)

    def found(self, picture: NDArray[np.uint8]) -> Floats:
        """The finder's map of a picture, (8, H/4, W/4): see `training.display_model.Finder`."""
        batch = picture.transpose(2, 0, 1)[None].astype(np.float32)
        return np.asarray(self._finder.run(None, {"pictures": batch})[0][0], float)

    def fit(self, pictures: NDArray[np.float32]) -> Floats:
        """Neighbourhoods (B, 3, 80, 128) to boxes (B, 7): see `training.display_model.Fitter`."""
        return np.asarray(self._fitter.run(None, {"pictures": pictures})[0], float)

    def read(self, lines: NDArray[np.float32]) -> tuple[Floats, Floats]:
        """Lines (B, 3, 40, 176) to logarithms of probabilities, (B, 44, K) and (B, 3).

        The first of what each column says, see `decode.texts_of`; the second of `line.STATES`.
        """
        columns, states = self._reader.run(None, {"lines": lines})
        return np.asarray(columns, float), np.asarray(states, float)


def _session(weights: bytes) -> Any:
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    options.log_severity_level = 3
    return onnxruntime.InferenceSession(weights, options, providers=["CPUExecutionProvider"])


@cache
def networks() -> Networks:
    """The networks, opened at the first call.

    Raises
    ------
    MissingModel
        Weights that are missing or are not those of the card.
    """
    return Networks()
