"""Points placed by hand: read from JSON in the result's own shape."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from knee_angle.assumptions import (
    CLOSEST_PX,
    MANUAL_SHARE,
)
from knee_angle.errors import InvalidInput
from knee_angle.records import POINT_NAMES, Landmark, Landmarks, PointName

__all__ = ["MANUAL_SHARE", "manual_landmarks", "read_manual"]


SHAPE = '{"knee": {"x": 412.3, "y": 801.0}, ...}'
"""What a points file looks like, for messages."""
BONES: tuple[tuple[PointName, PointName], ...] = (
    ("hip", "knee"),
    ("knee", "ankle"),
    ("thigh_bar", "hinge"),
    ("hinge", "shank_bar"),
)


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
        content = json.loads(path.read_text(encoding="utf-8-sig"), object_pairs_hook=_each_once)
    except OSError as error:
        raise InvalidInput(
            f"the points file {path} cannot be read ({error.strerror}): check its name"
        ) from None
    except InvalidInput as error:
        raise InvalidInput(f"the points file {path.name}: {error}") from None
    except (ValueError, RecursionError):
        raise InvalidInput(
            f"the points file {path.name} must be JSON, but is not: write {SHAPE}"
        ) from None
    if not isinstance(content, dict):
        raise InvalidInput(f"the points file {path.name} must hold one JSON object: write {SHAPE}")
    return content


def _each_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """A JSON object in which no name stands twice; JSON itself would keep the last."""
    names = [name for name, _ in pairs]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise InvalidInput(f"{', '.join(twice)} must be named once, but is named again: remove one")
    return dict(pairs)


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
    found, problems = _named_points(content)
    side = content.get("side")
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
    problems += _too_close(points)
    if problems:
        raise InvalidInput("; ".join(problems))
    return Landmarks(points=points, side=side)


def _named_points(content: Mapping[str, Any]) -> tuple[dict[str, Any], list[str]]:
    """What stands for points, by name, and what does not have the shape for them."""
    machine = content.get("machine")
    parts = {
        "landmarks": content.get("landmarks") if "landmarks" in content else dict(content),
        "machine.points": machine.get("points") if isinstance(machine, Mapping) else machine,
    }
    found: dict[str, Any] = {}
    problems = []
    for where, points in parts.items():
        if points is None:
            continue
        if isinstance(points, Mapping):
            found.update(points)
        else:
            problems.append(f"{where} must be an object of points, but got {points!r}: {SHAPE}")
    for extra in ("machine", "side", "photo"):
        found.pop(extra, None)
    return found, problems


def _too_close(points: Mapping[PointName, Landmark]) -> list[str]:
    """Pairs of points that give a bone or bar no direction."""
    return [
        f"{one} and {other} must be at least {CLOSEST_PX:g} px apart, but both are at "
        f"({points[one].x_px:g}, {points[one].y_px:g}): move one"
        for one, other in BONES
        if one in points
        and other in points
        and math.dist(
            (points[one].x_px, points[one].y_px), (points[other].x_px, points[other].y_px)
        )
        < CLOSEST_PX
    ]


def _point(
    name: str, value: Any, width_px: int, height_px: int, u_default: float
) -> tuple[PointName, Landmark]:
    for known in POINT_NAMES:
        if name == known:
            break
    else:
        raise InvalidInput(f"point {name!r} is unknown: use one of {', '.join(POINT_NAMES)}")
    try:
        x, y, u = (_number(part) for part in (value["x"], value["y"], value.get("u_px", u_default)))
    except (TypeError, KeyError, ValueError, AttributeError):
        raise InvalidInput(
            f'point {name!r} must be {{"x": number, "y": number}}, but got {value!r}'
        ) from None
    if not (0 <= x <= width_px and 0 <= y <= height_px):
        raise InvalidInput(
            f"point {name!r} must lie in the upright photo "
            f"({width_px} x {height_px} px), but got ({x:g}, {y:g})"
        )
    most = max(width_px, height_px)
    if not 0 < u <= most:
        raise InvalidInput(
            f"u_px of point {name!r} must be above 0 and at most {most:g} (the photo's longer "
            f"side), but got {u:g}: leave it out where it is not known"
        )
    return known, Landmark.round(x, y, u_px=u, source="manual")


def _number(value: Any) -> float:
    """A JSON number, also one in quotes; true is none."""
    if isinstance(value, bool):
        raise TypeError
    return float(value)
