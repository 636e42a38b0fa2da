"""Points placed by hand for many photos: a table, or a JSON file a photo.

A table has the column ``photo`` and those of the result's points (``hip_x_px``, ``hip_y_px``,
``hip_u_px``, ...), so that a result's table with points corrected will do; ``photo_sha256`` and
``rater`` count where they are there. In a folder, ``bed_01.jpg`` has ``bed_01.json`` or
``bed_01.jpg.json``, each as for ``measure --landmarks``.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path, PurePosixPath
from typing import Any

from knee_angle.batch.work import Json
from knee_angle.errors import InvalidInput
from knee_angle.files.on_disk import OnDisk
from knee_angle.files.tables import Table, named, read_table
from knee_angle.landmarks.manual import read_manual
from knee_angle.language import say
from knee_angle.records import MACHINE_POINTS, POINT_NAMES

__all__ = ["points_mark", "points_of_photos", "points_of_row"]


def points_of_photos(source: Path, photos: Collection[str]) -> Mapping[str, Json]:
    """The points of each photo that has some.

    Parameters
    ----------
    source : Path
        A table or a folder.
    photos : collection of str
        Names of the photos, as the batch calls them; asked for one by one.

    Raises
    ------
    InvalidInput
        Points of no photo, two files of one photo, or a file or table that cannot be used.
    """
    found = OnDisk[Json](dict, dict)
    for photo, points in _of_folder(source, photos) if source.is_dir() else _of_table(source):
        found[photo] = points
    surplus = [name for name in found if name not in photos]
    if len(surplus) == len(found):
        raise InvalidInput(
            say(
                "no points in {source} are of a photo here: names must be exactly like {like}",
                source=source,
                like=next(iter(photos)),
            )
        )
    if surplus:
        raise InvalidInput(
            say(
                "{source} has points of {n_surplus} photos that are not here ({names}): "
                "correct the names, or take these points out",
                source=source,
                n_surplus=len(surplus),
                names=named(surplus),
            )
        )
    return found


def _of_folder(folder: Path, photos: Collection[str]) -> Iterator[tuple[str, Json]]:
    """By file name; every JSON file must be some photo's."""
    taken = OnDisk[bool](bool, bool)
    for path in folder.rglob("*.json"):
        taken[str(path.relative_to(folder).as_posix())] = False
    for photo in photos:
        mine = [photo + ".json", str(PurePosixPath(photo).with_suffix(".json"))]
        there = [name for name in dict.fromkeys(mine) if taken.get(name) is False]
        if len(there) > 1:
            raise InvalidInput(
                say(
                    "{photo} has two files of points ({names}): keep one",
                    photo=photo,
                    names=", ".join(there),
                )
            )
        if there:
            taken[there[0]] = True
            yield photo, dict(read_manual(folder / there[0]))
    for name, is_taken in taken.pairs():
        if not is_taken:
            yield name.removesuffix(".json"), {}


def _of_table(path: Path) -> Iterator[tuple[str, Json]]:
    table = read_table(path, needs=("photo",))
    columns = point_columns(table)
    for row, photo in enumerate(table.each("photo")):
        points = points_of_row(table, columns, row)
        if points is not None:
            yield photo or "", points


def point_columns(table: Table) -> Mapping[str, Any]:
    """The columns of points that a table has, as numbers, and who placed them in which photo.

    Raises
    ------
    InvalidInput
        It has no point, or a point's x without its y.
    """
    numbers = [
        f"{name}_{part}_px"
        for name in POINT_NAMES
        for part in ("x", "y", "u")
        if table.has(f"{name}_{part}_px")
    ]
    alone = [
        name
        for name in POINT_NAMES
        if (f"{name}_x_px" in numbers) is not (f"{name}_y_px" in numbers)
    ]
    if not numbers or alone:
        what = (
            say("x and y of {names}", names=", ".join(alone))
            if alone
            else say("hip_x_px, hip_y_px and so on")
        )
        raise InvalidInput(
            say(
                "the table {name} must have the columns of points: {what}",
                name=table.name,
                what=what,
            )
        )
    columns: dict[str, Any] = {one: table.numbers(one) for one in numbers}
    for name in ("photo_sha256", "rater", "side", *(f"{point}_source" for point in MACHINE_POINTS)):
        if table.has(name):
            columns[name] = table.labels(name)
    return columns


def points_of_row(table: Table, columns: Mapping[str, Any], row: int) -> Json | None:
    """The points of a row, in the shape of a points file; None where it has none."""
    points: Json = {}
    for name in POINT_NAMES:
        if f"{name}_x_px" not in columns:
            continue
        x, y = (float(columns[f"{name}_{part}_px"][row]) for part in ("x", "y"))
        if math.isnan(x) is not math.isnan(y):
            raise InvalidInput(
                say(
                    "the table {table}: {where}: {name} has one of x and y: give both",
                    table=table.name,
                    where=table.where[row],
                    name=name,
                )
            )
        if math.isnan(x):
            continue
        points[name] = {"x": x, "y": y}
        u = float(columns.get(f"{name}_u_px", {row: math.nan})[row])
        if not math.isnan(u):
            points[name]["u_px"] = u
        if f"{name}_source" in columns and columns[f"{name}_source"][row] is not None:
            points[name]["source"] = columns[f"{name}_source"][row]
    if not points:
        return None
    told = {n: columns[n][row] for n in ("photo_sha256", "rater", "side") if n in columns}
    return points | {name: value for name, value in told.items() if value is not None}


def points_mark(points: Json | None) -> str:
    """What changes where a photo's points do: a row belongs to its points too."""
    if points is None:
        return ""
    return hashlib.sha256(json.dumps(points, sort_keys=True).encode()).hexdigest()[:16]
