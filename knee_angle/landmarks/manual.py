"""Points placed by hand: read from JSON in the result's own shape."""

from __future__ import annotations

import json
import math
import re
import reprlib
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Any, cast

from knee_angle.assumptions import (
    CLOSEST_PX,
    MANUAL_SHARE,
)
from knee_angle.errors import InvalidInput
from knee_angle.language import joined, say
from knee_angle.records import (
    MACHINE_POINTS,
    POINT_NAMES,
    Landmark,
    Landmarks,
    PointName,
    Source,
)
from knee_angle.records.code import checked_code

__all__ = ["MANUAL_SHARE", "RESULT_KEYS", "UNBOUND", "manual_landmarks", "rater_of", "read_manual"]


SHAPE = '{"knee": {"x": 412.3, "y": 801.0}, ...}'
"""What a points file looks like, for messages."""
UNBOUND = say(
    "the points by hand do not say which photo they belong to (photo_sha256): "
    "make sure that they were placed in this one"
)
"""What is said where points carry no hash of their photo."""
GUESSED: tuple[Source, ...] = ("network", "pose")
STILL_GUESSED = say(
    "The points on the machine that the file calls a network's stay guesses: write manual as the "
    "source of those that a person placed."
)
"""What is said where a result goes back in with the machine's points that nobody placed."""
LEAST_U_PX = 0.05
"""Finer than any finger or detector places a point (common practice: a tenth at best)."""
SHOWN = 20
"""So many problems stand in a message; the rest is counted."""
MOST_DIGITS = 30
"""A longer whole number is no pixel; as a floating-point one it is told as what it is."""
SHA256 = re.compile(r"[0-9a-fA-F]{64}")
POINT_KEYS = ("x", "y", "u_px", "source")
MACHINE_KEYS = (
    "points", "frame_deg", "frame_source", "u_deg", "interval_deg", "hinge_to_knee_mm",
)  # fmt: skip
RESULT_KEYS = frozenset(
    (
        "photo", "photo_sha256", "rater", "status", "reason", "advice", "side", "flexion_deg",
        "u_deg", "interval_deg", "found_interval_deg", "budget_deg", "plane", "flat_flexion_deg",
        "landmarks", "machine", "displayed_deg", "displayed_source", "comparison", "finding",
        "display", "displayed_probability", "unused_dots",
        "segments_mm", "alarms", "camera", "cautions", "seconds", "version",
    )
)  # fmt: skip
"""What else a whole result holds: known here, so that anything else can be told as a mistake."""
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
        points under ``landmarks`` and ``machine.points`` as in a result, or a whole result.

    Raises
    ------
    InvalidInput
        Not readable, not such an object, or without any point.
    """
    try:
        content = json.loads(
            path.read_text(encoding="utf-8-sig"),
            object_pairs_hook=_each_once,
            parse_int=_whole_number,
            parse_float=_finite,
            parse_constant=_finite,
        )
    except OSError as error:
        raise InvalidInput(
            say(
                "the points file {path} cannot be read ({error}): check its name",
                path=path, error=error.strerror,
            )
        ) from None  # fmt: skip
    except InvalidInput as error:
        raise InvalidInput(
            say("the points file {path_name}: {error}", path_name=path.name, error=error)
        ) from None
    except (ValueError, RecursionError):
        raise InvalidInput(
            say(
                "the points file {path_name} must be JSON, but is not: write {shape}",
                path_name=path.name, shape=SHAPE,
            )
        ) from None  # fmt: skip
    if not isinstance(content, dict):
        raise InvalidInput(
            say(
                "the points file {path_name} must hold one JSON object: write {shape}",
                path_name=path.name, shape=SHAPE,
            )
        )  # fmt: skip
    if not _named_points(content)[0] and not _named_points(content)[1]:
        raise InvalidInput(
            say(
                "the points file {path_name} must hold at least one point, but holds none: "
                "write {shape}",
                path_name=path.name, shape=SHAPE,
            )
        )  # fmt: skip
    return content


def _whole_number(digits: str) -> float | str:
    """A whole number of any length: Python refuses to read very long ones."""
    return int(digits) if len(digits) <= MOST_DIGITS else _finite(digits)


def _finite(text: str) -> float | str:
    """A number; what is none to JSON (1e999, NaN) becomes a text, which no point may be."""
    number = float(text)
    return number if math.isfinite(number) else str(number)


def _each_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """A JSON object in which no name stands twice; JSON itself would keep the last."""
    twice = sorted(name for name, count in Counter(name for name, _ in pairs).items() if count > 1)
    if twice:
        names = joined("", [", ".join(map(_short, twice[:SHOWN])), _more(twice)])
        raise InvalidInput(
            say("{names} must be named once, but is named again: remove one", names=names)
        )
    return dict(pairs)


def manual_landmarks(
    content: Mapping[str, Any],
    *,
    width_px: int,
    height_px: int,
    photo_sha256: str | None = None,
    photo: str = "this photo",
) -> Landmarks:
    """Hand-placed points as `Landmarks`; any part of the points may be given.

    Parameters
    ----------
    content : Mapping
        As `read_manual` returns it.
    width_px, height_px : int
        Size of the upright photo; points must lie inside.
    photo_sha256 : str, optional
        Hash of the photo's file (hex). Points that carry another one are refused.
    photo : str
        What to call the photo in messages.

    Raises
    ------
    InvalidInput
        All problems at once, in one line.
    """
    found, problems = _named_points(content)
    problems += _other_photo(content, photo_sha256, photo)
    side = content.get("side")
    points: dict[PointName, Landmark] = {}
    for name, value in found.items():
        point, wrong = _point(name, value, width_px, height_px)
        problems += wrong
        if point is not None:
            points[cast(PointName, name)] = point
    if side not in (None, "left", "right"):
        problems.append(say('side must be "left" or "right", but got {short}', short=_short(side)))
    problems += _too_close(points)
    try:
        rater_of(content)
    except InvalidInput as error:
        problems.append(str(error))
    if problems:
        raise InvalidInput(joined("", [joined("; ", problems[:SHOWN]), _more(problems)]))
    guessed = any(point.source in GUESSED for point in points.values())
    return Landmarks(points=points, side=side, cautions=(STILL_GUESSED,) if guessed else ())


def rater_of(content: Mapping[str, Any]) -> str | None:
    """The code of who placed the points, where they tell it.

    Raises
    ------
    InvalidInput
        Something that is no code, such as a name.
    """
    rater = content.get("rater")
    if rater is None:
        return None
    if not isinstance(rater, str):
        raise InvalidInput(say("rater must be a code such as R1, but got {got}", got=_short(rater)))
    return checked_code(rater, what="rater")


def _other_photo(content: Mapping[str, Any], sha256: str | None, photo: str) -> list[str]:
    """What is wrong with the hash that the points carry, where they carry one."""
    carried = content.get("photo_sha256")
    if carried is None:
        return []
    if not isinstance(carried, str) or not SHA256.fullmatch(carried):
        return [
            say(
                "photo_sha256 must be 64 hexadecimal digits, but got {short}: copy it from "
                "the photo's result",
                short=_short(carried),
            )
        ]
    if sha256 is None or carried.lower() == sha256:
        return []
    of = content.get("photo")
    named = f" ({_short(of)})" if isinstance(of, str) else ""
    return [
        say(
            "the points must be of {photo} (sha256 {sha256}...), but are of another "
            "photo{named} ({carried}...): give the photo that they were placed in, or "
            "place them anew",
            photo=photo,
            sha256=sha256[:12],
            named=named,
            carried=carried[:12].lower(),
        )
    ]


def _named_points(content: Mapping[str, Any]) -> tuple[dict[str, Any], list[str]]:
    """What stands for points, by name, and what does not have the shape for them."""
    problems = []
    machine = content.get("machine")
    of_machine = None
    if isinstance(machine, Mapping):
        of_machine = machine.get("points")
        problems += _unknown(machine, MACHINE_KEYS, "machine")
    elif machine is not None:
        problems.append(
            say(
                "machine.points must be an object of points, but got {short}", short=_short(machine)
            )
        )
    if "landmarks" in content:
        of_leg = content["landmarks"]
        problems += _unknown(content, RESULT_KEYS, say("the points file"))
    else:
        of_leg = {name: value for name, value in content.items() if name not in RESULT_KEYS}
    found: dict[str, Any] = {}
    for where, points in (("landmarks", of_leg), ("machine.points", of_machine)):
        if points is None:
            continue
        if not isinstance(points, Mapping):
            problems.append(
                say(
                    "{where} must be an object of points, but got {short}: {shape}",
                    where=where, short=_short(points), shape=SHAPE,
                )
            )  # fmt: skip
            continue
        twice = [name for name in points if name in found]
        problems += [
            say("point {short} must be given once, but is given twice", short=_short(n))
            for n in twice
        ]
        found.update(points)
    return found, problems


def _unknown(given: Mapping[str, Any], known: Collection[str], where: str) -> list[str]:
    """One sentence about the keys that mean nothing here, with what they may have meant."""
    strange = [name for name in given if name not in known]
    if not strange:
        return []
    named = [
        say("{name} (is {near} meant?)", name=_short(name), near=near[0]) if near else _short(name)
        for name in strange[:SHOWN]
        for near in [get_close_matches(name, known, n=1)]
    ]
    return [
        say(
            "{where} has the unknown {named}{more}: remove or correct it",
            where=where, named=joined(", ", named), more=_more(strange),
        )
    ]  # fmt: skip


def _too_close(points: Mapping[PointName, Landmark]) -> list[str]:
    """Pairs of points that give a bone or bar no direction."""
    return [
        say(
            "{one} and {other} must be at least {closest_px:g} px apart, but both are "
            "at ({x_px:g}, {y_px:g}): move one",
            one=one, other=other, closest_px=CLOSEST_PX, x_px=points[one].x_px,
            y_px=points[one].y_px,
        )
        for one, other in BONES
        if one in points
        and other in points
        and math.dist(
            (points[one].x_px, points[one].y_px), (points[other].x_px, points[other].y_px)
        )
        < CLOSEST_PX
    ]  # fmt: skip


def _point(
    name: str, value: Any, width_px: int, height_px: int
) -> tuple[Landmark | None, list[str]]:
    """One point, or everything that is wrong with it."""
    if name not in POINT_NAMES:
        near = get_close_matches(name, POINT_NAMES, n=1)
        meant = say("is {near} meant? ", near=near[0]) if near else ""
        return None, [
            say(
                "point {name} is unknown: {meant}use one of {known}",
                name=_short(name), meant=meant, known=", ".join(POINT_NAMES),
            )
        ]  # fmt: skip
    if not isinstance(value, Mapping) or not {"x", "y"} <= value.keys():
        return None, [
            say(
                "point {name!r} must be {shape}, but got {value}",
                name=name, shape='{"x": number, "y": number}', value=_short(value),
            )
        ]  # fmt: skip
    problems = _unknown(value, POINT_KEYS, say("point {name!r}", name=name))
    most = max(width_px, height_px)
    numbers = {}
    for key, given in {"u_px": max(LEAST_U_PX, MANUAL_SHARE * most), **value}.items():
        if key in ("x", "y", "u_px"):
            try:
                numbers[key] = _number(given)
            except (TypeError, ValueError, OverflowError):
                problems.append(
                    say(
                        "{key} of point {name!r} must be a number of px, but got {short}",
                        key=key, name=name, short=_short(given),
                    )
                )  # fmt: skip
    x, y, u = (numbers.get(key) for key in ("x", "y", "u_px"))
    if x is not None and y is not None and not (0 <= x <= width_px and 0 <= y <= height_px):
        problems.append(
            say(
                "point {name!r} must lie in the upright photo ({width_px} x {height_px} "
                "px), but got ({x:g}, {y:g})",
                name=name, width_px=width_px, height_px=height_px, x=x, y=y,
            )
        )  # fmt: skip
    if u is not None and not LEAST_U_PX <= u <= most:
        problems.append(
            say(
                "u_px of point {name!r} must be at least {least_u_px:g} and at most "
                "{most:g} (the photo's longer side), but got {u:g}: leave it out where it "
                "is not known",
                name=name, least_u_px=LEAST_U_PX, most=most, u=u,
            )
        )  # fmt: skip
    if problems or x is None or y is None or u is None:
        return None, problems
    source: Source = "manual"
    if name in MACHINE_POINTS:
        source = next((one for one in GUESSED if one == value.get("source")), source)
    return Landmark.round(x, y, u_px=u, source=source), []


def _number(value: Any) -> float:
    """A finite JSON number, also one in quotes; true is none."""
    if isinstance(value, bool):
        raise TypeError
    number = float(value)
    if not math.isfinite(number):
        raise ValueError
    return number


def _short(value: Any) -> str:
    """What came, for a message of one line."""
    return reprlib.repr(value)


def _more(problems: Sequence[object]) -> str:
    return say("; and {count} more", count=len(problems) - SHOWN) if len(problems) > SHOWN else ""
