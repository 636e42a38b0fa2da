"""knee_angle: what a knee really does in a CPM machine, measured from a bedside photo.

Six doors: :func:`measure` a photo, :func:`measure_folder`, :func:`measure_clip`,
:func:`check_machine` by several photos of it, :func:`compare_methods` over a table. Each
takes paths and single settings by name, and keeps its models open until the process ends.
:func:`write_report` makes the papers of what is kept, without photo or model.

>>> import knee_angle
>>> result = knee_angle.measure("sample_images/bed_01.jpg", displayed_deg=93, tolerance_deg=8)
>>> result.comparison.verdict, result.settings.tolerance_deg
('within', 8)

Importing this package loads no model and opens no file. It configures one thing: the
runtime of the leg network reports nothing.
"""

from __future__ import annotations

import os

TYPE_CHECKING = False
if TYPE_CHECKING:  # typing itself is not loaded for it
    from knee_angle.batch.doors import (
        check_machine,
        compare_methods,
        measure,
        measure_clip,
        measure_folder,
    )
    from knee_angle.errors import (
        InvalidInput,
        KneeAngleError,
        MissingModel,
        UnreadableClip,
        UnreadablePhoto,
    )
    from knee_angle.records import Measurement, NotMeasured, Unreadable
    from knee_angle.settings import Settings
    from knee_angle.store.reports import write_report

    __version__: str

__all__ = [
    "InvalidInput",
    "KneeAngleError",
    "Measurement",
    "MissingModel",
    "NotMeasured",
    "Settings",
    "Unreadable",
    "UnreadableClip",
    "UnreadablePhoto",
    "__version__",
    "check_machine",
    "compare_methods",
    "measure",
    "measure_clip",
    "measure_folder",
    "write_report",
]

# The official wheel of onnxruntime reports its use to its maker and keeps a device's number
# in the user's cache folder, from its import on; only this, set before, stops both (seen with
# 1.32, tests/test_nothing_leaves.py). Every module of ours imports this one first, and child
# processes inherit it.
os.environ["ORT_DISABLE_TELEMETRY"] = "1"


_STANDS_IN = {
    "InvalidInput": "errors",
    "KneeAngleError": "errors",
    "Measurement": "records",
    "MissingModel": "errors",
    "NotMeasured": "records",
    "Settings": "settings",
    "Unreadable": "records",
    "UnreadableClip": "errors",
    "UnreadablePhoto": "errors",
    "check_machine": "batch.doors",
    "compare_methods": "batch.doors",
    "measure": "batch.doors",
    "measure_clip": "batch.doors",
    "measure_folder": "batch.doors",
    "write_report": "store.reports",
}
"""The module of each name."""


def __getattr__(name: str) -> object:
    """One of the names above, loaded when it is asked for.

    So the commands, which load this first, can be stopped from their first moment on.
    """
    from importlib import import_module, metadata

    if name == "__version__":
        return metadata.version("knee-angle")
    if name in _STANDS_IN:
        return getattr(import_module(f"knee_angle.{_STANDS_IN[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    """What there is, loaded or not."""
    return __all__
