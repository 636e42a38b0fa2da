"""knee_angle: what a knee really does in a CPM machine, measured from a bedside photo.

>>> import knee_angle
>>> knee_angle.Settings().tolerance_deg
10.0

Start at :func:`knee_angle.pipeline.measure`. Importing this package loads no model,
opens no file and configures nothing.
"""

from __future__ import annotations

from importlib.metadata import version

from knee_angle.errors import InvalidInput, KneeAngleError, MissingModel, UnreadablePhoto
from knee_angle.records import Measurement, NotMeasured, Unreadable
from knee_angle.settings import Settings

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

__version__ = version("knee-angle")
