"""What lies below a folder or fits a pattern, entry by entry.

A folder of this machine is gone through with one entry in memory at a time; a storage hands over
its listing as a whole.
"""

from __future__ import annotations

import os
import posixpath
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from knee_angle.files.on_disk import OnDisk

__all__ = ["Entry", "entries_below", "entries_like"]

Info = Mapping[str, Any]
MAGIC = "*?["


@dataclass(frozen=True, slots=True)
class Entry:
    """A file, folder or other entry.

    Parameters
    ----------
    path : str
        As the file system calls it.
    info : Mapping
        What fsspec tells of it.
    looked_into : bool
        Whether it is a folder of which an entry fitted, too.
    """

    path: str
    info: Info
    looked_into: bool = False


def entries_below(fs: Any, folder: str) -> Iterator[Entry]:
    """Every entry below a folder, folders themselves too, in no order."""
    if "file" in fs.protocol:
        yield from _below_here(fs, folder, depth=None, fits=lambda _path, _is_folder: True)
        return
    for path, info in fs.find(folder, detail=True, withdirs=True).items():
        yield Entry(path, info)


def entries_like(fs: Any, pattern: str) -> Iterator[Entry]:
    """Every entry that fits a pattern, as fsspec's ``glob`` finds them, in no order."""
    if "file" in fs.protocol:
        from fsspec.utils import glob_translate

        wanted = re.compile(glob_translate(pattern))
        fixed = pattern[: min(pattern.find(sign) for sign in MAGIC if sign in pattern)]
        folder = posixpath.dirname(fixed)
        depth = None if "**" in pattern else pattern[len(folder) :].lstrip("/").count("/") + 1
        also_slash = pattern.endswith("/**")

        def fits(path: str, is_folder: bool) -> bool:
            return wanted.match(path + "/" if is_folder and also_slash else path) is not None

        yield from _below_here(fs, folder or "/", depth=depth, fits=fits)
        return
    found = fs.glob(pattern, detail=True)
    looked_into = {posixpath.dirname(path) for path in found}
    for path, info in found.items():
        yield Entry(path, info, path in looked_into)


def _below_here(
    fs: Any, root: str, *, depth: int | None, fits: Callable[[str, bool], bool]
) -> Iterator[Entry]:
    """Entries of this machine's disk down to a depth; a folder comes after what lies in it."""
    levels = OnDisk[int](int, int)  # folders that wait; those found meanwhile wait behind them
    levels[root] = 0
    for folder, level in levels.pairs():
        looked_into = False
        for path, info in _inside(fs, folder):
            is_folder = info["type"] == "directory"
            fitting = fits(path, is_folder)
            looked_into |= fitting
            if is_folder and (depth is None or level + 1 < depth):
                levels[path] = level + 1
            elif fitting:
                yield Entry(path, info)
        if folder != root and fits(folder, True):
            yield Entry(folder, {"type": "directory"}, looked_into)


def _inside(fs: Any, folder: str) -> Iterator[tuple[str, Info]]:
    """What lies straight in a folder; nothing where it may not be read or went away."""
    try:
        entries = os.scandir(folder)
    except OSError:
        return
    with entries:
        for entry in entries:
            try:
                info = fs.info(entry)
            except FileNotFoundError:  # it went away meanwhile
                continue
            yield info["name"], info
