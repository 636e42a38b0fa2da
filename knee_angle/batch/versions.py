"""What measured a table: this machine's versions or those written down beside it, and from what."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from importlib import metadata, resources
from pathlib import Path

import numpy as np

from knee_angle import __version__
from knee_angle.files.tables import Table
from knee_angle.records import LEG_POINTS
from knee_angle.report.reporting import Sources, Versions

__all__ = ["sources_of", "versions_of"]

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


def sources_of(rows: Table) -> Sources | None:
    """From what the angles of a table came; None where it has no columns that tell."""
    columns = [f"{point}_source" for point in LEG_POINTS]
    if not all(rows.has(name) for name in (*columns, "plane", "flexion_deg")):
        return None
    there = np.isfinite(rows.numbers("flexion_deg")).tolist()
    points: Counter[str] = Counter()
    planes: Counter[str] = Counter()
    told = zip(there, rows.labels("plane"), *map(rows.labels, columns), strict=True)
    for is_there, plane, *sources in told:
        if not is_there:
            continue
        first = sources[0]
        alike = first is not None and all(one == first for one in sources)
        points[first if alike and first is not None else "several"] += 1
        planes[plane or "estimated"] += 1
    return Sources(points, planes) if points else None
