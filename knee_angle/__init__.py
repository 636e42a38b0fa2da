"""knee_angle: what a knee really does in a CPM machine, measured from a bedside photo.

>>> import knee_angle
>>> knee_angle.Settings().tolerance_deg
10.0

Start at :func:`knee_angle.pipeline.measure`. Importing this package loads no model and
opens no file. It configures one thing: the runtime of the leg network reports nothing.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from knee_angle.errors import InvalidInput, KneeAngleError, MissingModel, UnreadablePhoto
    from knee_angle.records import Measurement, NotMeasured, Unreadable
    from knee_angle.settings import Settings

    __version__: str

__all__ = [
    "InvalidInput",
    "KneeAngleError",
    "Measurement",
    "MissingModel",
    "NotMeasured",
    "Settings",
    "Unreadable",
    "UnreadablePhoto",
    "__version__",
]

# The official wheel of onnxruntime reports its use to its maker and keeps a device's number
# in the user's cache folder, from its import on; only this, set before, stops both (seen with
# 1.32, tests/test_nothing_leaves.py). Every module of ours imports this one first, and child
# processes inherit it.
os.environ["ORT_DISABLE_TELEMETRY"] = "1"


def __getattr__(name: str) -> object:
    """One of the names above, loaded when it is asked for.

    So the commands, which load this first, can be stopped from their first moment on.
    """
    from importlib import import_module, metadata

    if name == "__version__":
        return metadata.version("knee-angle")
    if name in __all__:
        for part in ("errors", "settings", "records"):
            if name in (module := import_module(f"knee_angle.{part}")).__all__:
                return getattr(module, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
