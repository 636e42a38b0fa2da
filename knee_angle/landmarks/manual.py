"""Points placed by hand: read from JSON in the result's own shape."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from knee_angle.errors import InvalidInput
from knee_angle.records import POINT_NAMES, Landmark, Landmarks, PointName

__all__ = ["MANUAL_SHARE", "manual_landmarks", "read_manual"]

MANUAL_SHARE = 0.0025
"""± of a hand-placed point as a share of the longer side where none is given: 4 px on
a 1600 px picture, about a finger's care with a magnifier (common practice)."""


def read_manual(path: Path) -> Mapping[str, Any]:
    """The content of a points file.

    Parameters
    ----------
    path : Path
        JSON object: ``{"knee": {"x": 1, "y": 2, "u_px": 3}, ...}``; also with the
        points under ``landmarks`` and ``machine.points`` as in a result.

    Raises
    ------
    InvalidInput
        Not readable or not such an object.
    """
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InvalidInput(
            f"the points file {path.name} cannot be read ({error.strerror}): check its name"
        ) from None
    except ValueError:
        raise InvalidInput(
            f"the points file {path.name} must be JSON, but is not: "
            'write {"knee": {"x": 412.3, "y": 801.0}, ...}'
        ) from None
    if not isinstance(content, dict):
        raise InvalidInput(f"the points file {path.name} must hold one JSON object")
    return content


def manual_landmarks(content: Mapping[str, Any], *, width_px: int, height_px: int) -> Landmarks:
    """Hand-placed points as `Landmarks`; any part of the points may be given.

    Parameters
    ----------
    content : Mapping
        As `read_manual` returns it.
    width_px, height_px : int
        Size of the upright photo; points must lie inside.

    Raises
    ------
    InvalidInput
        All problems at once, in one line.
    """
    machine = content.get("machine")
    found = dict(content.get("landmarks") or {}) if "landmarks" in content else dict(content)
    if isinstance(machine, Mapping):
        found.update(machine.get("points") or {})
    side = content.get("side")
    for extra in ("machine", "side", "photo"):
        found.pop(extra, None)
    problems: list[str] = []
    points: dict[PointName, Landmark] = {}
    u_default = MANUAL_SHARE * max(width_px, height_px)
    for name, value in found.items():
        try:
            point = _point(name, value, width_px, height_px, u_default)
        except InvalidInput as error:
            problems.append(str(error))
        else:
            points[point[0]] = point[1]
    if side not in (None, "left", "right"):
        problems.append(f'side must be "left" or "right", but got {side!r}')
    if problems:
        raise InvalidInput("; ".join(problems))
    return Landmarks(points=points, side=side)


def _point(
    name: str, value: Any, width_px: int, height_px: int, u_default: float
) -> tuple[PointName, Landmark]:
    for known in POINT_NAMES:
        if name == known:
            break
    else:
        raise InvalidInput(f"point {name!r} is unknown: use one of {', '.join(POINT_NAMES)}")
    try:
        x, y = float(value["x"]), float(value["y"])
        u = float(value.get("u_px", u_default))
    except (TypeError, KeyError, ValueError, AttributeError):
        raise InvalidInput(
            f'point {name!r} must be {{"x": number, "y": number}}, but got {value!r}'
        ) from None
    if not (0 <= x <= width_px and 0 <= y <= height_px):
        raise InvalidInput(
            f"point {name!r} must lie in the upright photo "
            f"({width_px} x {height_px} px), but got ({x:g}, {y:g})"
        )
    if not (math.isfinite(u) and u > 0):
        raise InvalidInput(f"u_px of point {name!r} must be above 0, but got {u:g}")
    return known, Landmark.round(x, y, u_px=u, source="manual")
