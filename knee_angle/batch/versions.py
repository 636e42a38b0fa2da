"""What measured: this machine's versions, or those that a batch wrote down beside its table."""

from __future__ import annotations

import hashlib
import json
from importlib import metadata, resources
from pathlib import Path

from knee_angle import __version__
from knee_angle.report.reporting import Versions

__all__ = ["versions_of"]

LIBRARIES = ("numpy", "scipy", "onnxruntime", "opencv-contrib-python")


def versions_of(table: Path) -> Versions:
    """The versions that made a table.

    A batch's record (``NAME.run.json``) says what measured; where there is none, it was this
    machine as far as anybody knows.
    """
    card = (resources.files("knee_angle.landmarks") / "weights" / "leg.json").read_bytes()
    weights = str(json.loads(card)["sha256"])
    here = Versions(__version__, weights, {name: metadata.version(name) for name in LIBRARIES})
    try:
        record = json.loads(table.with_name(f"{table.stem}.run.json").read_text("utf-8"))
        told = record["versions"]
        libraries = {name: str(told[name]) for name in LIBRARIES if name in told}
        network = str(told["leg network"])
        if network != hashlib.sha256(card).hexdigest():
            weights = f"of the card {network}"
        return Versions(str(told["knee-angle"]), weights, libraries)
    except (OSError, ValueError, KeyError, TypeError):
        return here
