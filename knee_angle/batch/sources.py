"""Which photos a run measures: a folder, a pattern, a list file, here or in a storage.

Every address that fsspec knows will do (``s3://bucket/folder``). A photo's *name* is what
the tables call it, and does not depend on the machine:

* from a folder, the path below it (``ward1/a.jpg``);
* from a pattern, the path below the folder before the first ``*``, ``?`` or ``[``;
* from a list file (``.txt``, an address a line, relative ones from the file's folder),
  as it is written there; whole addresses lose the folder that all of them share.
"""

from __future__ import annotations

import os
import posixpath
from bisect import insort
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import islice
from typing import Any

from knee_angle.batch.listing import Entry, entries_below, entries_like
from knee_angle.batch.work import Job
from knee_angle.errors import InvalidInput, UnreadablePhoto, one_line
from knee_angle.files import reading, words_of
from knee_angle.files.on_disk import OnDisk, packing
from knee_angle.language import say, say_many
from knee_angle.photo.kinds import ENDINGS
from knee_angle.photo.reading import check_file_size, file_bytes

__all__ = [
    "NAMED",
    "LeftOut",
    "Others",
    "PhotoFile",
    "Photos",
    "StorageTrouble",
    "find_photos",
    "read_bytes",
    "said_of",
]

NAMED = 20
"""So many entries that are not measured are named; the rest is counted."""

STAMPS = ("ETag", "mtime", "LastModified", "last_modified", "updated", "created")
"""What storages call the mark that changes with a file's content."""


FOLDER = say("a folder")


class StorageTrouble(Exception):
    """The storage, not the photo: it may work another time."""


@dataclass(frozen=True, slots=True)
class PhotoFile:
    """One photo as it was found.

    Parameters
    ----------
    name : str
        What the tables call it.
    address : str
        Where it is read.
    size_bytes : int or None
        None where there is no such file.
    stamp : str
        Changes with the file (time of its last change, or the storage's mark).
    """

    name: str
    address: str
    size_bytes: int | None
    stamp: str


@dataclass(frozen=True, slots=True)
class LeftOut:
    """An entry of the source that is not measured, and why."""

    name: str
    reason: str

    def __str__(self) -> str:
        return f"{one_line(self.name)} ({self.reason})"


class Others:
    """The entries that are not measured: all counted, the first `NAMED` by name kept."""

    def __init__(self) -> None:
        self._count = 0
        self._first: list[LeftOut] = []

    def __len__(self) -> int:
        return self._count

    def __iter__(self) -> Iterator[LeftOut]:
        return iter(self._first)

    def add(self, entry: LeftOut) -> None:
        """One more."""
        self._count += 1
        insort(self._first, entry, key=lambda one: one.name)
        del self._first[NAMED:]


@dataclass(frozen=True, slots=True)
class Photos:
    """The photos of a source by name, in the order of the table, and its other entries."""

    files: OnDisk[PhotoFile]
    left_out: Others


def find_photos(source: str) -> Photos:
    """The photos of a folder, pattern, list file or single address.

    Parameters
    ----------
    source : str
        See the top of this module. A folder is searched with all below it; links, hidden
        files and files that are not called like a photo are left out, counted and named.

    Returns
    -------
    Photos
        Sorted by name; a list's photos in the list's order.

    Raises
    ------
    InvalidInput
        No such source, no photo in it, or a name that stands for two photos.
    """
    with reading(source):
        fs, path = _opened(source)
        if fs.isdir(path):
            photos = _below(fs, path, entries_below(fs, path), source, walked=True)
        elif fs.isfile(path):
            listed = _listed(fs, path) if path.endswith(".txt") else [_single(fs, path)]
            photos = Photos(_by_name(listed, source, in_order_of_names=False), Others())
        elif any(sign in path for sign in "*?["):
            fixed = posixpath.dirname(path[: min(path.find(s) for s in "*?[" if s in path)])
            photos = _below(fs, fixed, entries_like(fs, path), source, walked=False)
        else:
            raise InvalidInput(
                say(
                    "{source} is not there: name a folder, a pattern in quotes, a list (.txt) "
                    "of photos or an address such as s3://bucket/folder",
                    source=source,
                )
            )
    if not photos.files:
        raise InvalidInput(
            say(
                "no photo in {source}: photos are called {endings}; {part}",
                source=source,
                endings=", ".join(ENDINGS),
                part=said_of(photos.left_out) or say("nothing else is there"),
            )
        )
    return photos


def said_of(left_out: Others) -> str:
    """The first entries that are not measured, and how many there are; empty where none is."""
    if not left_out:
        return ""
    named = ", ".join(map(str, left_out))
    told = say_many(
        "{count} entry is not measured: {named}",
        "{count} entries are not measured: {named}",
        len(left_out),
        named=named,
    )
    more = len(left_out) - NAMED
    return say("{told} and {count} more", told=told, count=more) if more > 0 else told


def read_bytes(job: Job, limit_megapixels: float) -> bytes:
    """A photo's content, from this machine or a storage.

    Raises
    ------
    UnreadablePhoto
        The file is missing, too large or may not be read.
    StorageTrouble
        The storage does not answer.
    """
    if "://" not in job.address:
        return file_bytes(job.address, limit_megapixels)
    check_file_size(job.size_bytes or 0, limit_megapixels)
    try:
        fs, path = _opened(job.address)
        data: bytes = fs.cat_file(path)
    except FileNotFoundError:
        raise UnreadablePhoto(say("the photo is missing: there is no such file.")) from None
    except Exception as error:  # noqa: BLE001  each storage has errors of its own
        raise StorageTrouble(
            say(
                "the photo cannot be read from its storage ({words_of}): try again with "
                "--resume --retry-failed.",
                words_of=words_of(error),
            )
        ) from None
    return data


def _opened(address: str) -> tuple[Any, str]:
    from fsspec.core import url_to_fs

    fs, path = url_to_fs(address)
    return fs, str(path)


def _below(fs: Any, folder: str, entries: Iterable[Entry], source: str, *, walked: bool) -> Photos:
    """What lies below a folder; ``walked``: folders in it were searched too."""
    others = Others()

    def photos() -> Iterator[PhotoFile]:
        for entry in entries:
            name = entry.path.removeprefix(folder).strip("/")
            reason = _why_not(fs, entry.path, name, entry.info)
            if reason is None:
                yield _file(fs, entry.path, name, entry.info)
            elif name and not (reason == FOLDER and (entry.looked_into or walked)):
                others.add(LeftOut(name, reason))

    return Photos(_by_name(photos(), source, in_order_of_names=True), others)


def _why_not(fs: Any, path: str, name: str, info: Mapping[str, Any]) -> str | None:
    """Why an entry of a folder is not measured; None where it is."""
    if info.get("islink"):
        return say("a symbolic link: put the photo itself there, or name it in a list")
    if info["type"] == "directory":
        readable = "file" not in fs.protocol or os.access(path, os.R_OK | os.X_OK)
        return FOLDER if readable else say("a folder that this user may not read")
    if info["type"] != "file":
        return say("a device or pipe")
    if any(part.startswith(".") for part in name.split("/")):
        return "hidden"
    return None if name.lower().endswith(ENDINGS) else say("not called like a photo")


def _single(fs: Any, path: str) -> PhotoFile:
    return _file(fs, path, posixpath.basename(path), fs.info(path))


def _listed(fs: Any, path: str) -> Iterator[PhotoFile]:
    """The photos of a list; one that is not there is a photo too, an unreadable one."""
    shared = None
    for entry in filter(_is_whole, _lines(fs, path)):
        folder = posixpath.dirname(entry)
        shared = folder if shared is None else posixpath.commonpath([shared, folder])
    for entry in _lines(fs, path):
        if _is_whole(entry):
            yield _named(entry, entry.removeprefix(shared or "").lstrip("/"))
        else:
            address = fs.unstrip_protocol(f"{posixpath.dirname(path)}/{entry}")
            yield _named(address, posixpath.normpath(entry))


def _lines(fs: Any, path: str) -> Iterator[str]:
    with fs.open(path, "r", encoding="utf-8-sig") as file:
        yield from filter(None, map(str.strip, file))


def _is_whole(entry: str) -> bool:
    return entry.startswith("/") or "://" in entry


def _named(address: str, name: str) -> PhotoFile:
    fs, path = _opened(address)
    try:
        return _file(fs, path, name, fs.info(path))
    except FileNotFoundError:
        return PhotoFile(name, _address(fs, path), None, "missing")


def _file(fs: Any, path: str, name: str, info: Mapping[str, Any]) -> PhotoFile:
    stamp = next((str(info[key]) for key in STAMPS if info.get(key)), "")
    return PhotoFile(name, _address(fs, path), info.get("size"), stamp)


def _address(fs: Any, path: str) -> str:
    """A plain path for this machine's files: they get all the checks of `photo`."""
    return path if "file" in fs.protocol else str(fs.unstrip_protocol(path))


def _by_name(
    photos: Iterable[PhotoFile], source: str, *, in_order_of_names: bool
) -> OnDisk[PhotoFile]:
    """Each photo under its name, which is text and stands for one photo alone."""
    found = OnDisk(*packing(PhotoFile), by_key=in_order_of_names)
    twice, odd = OnDisk[int](int, int), list[str]()
    for photo in photos:
        if not _is_text(photo.name):
            odd = [*odd, ascii(photo.name)][:NAMED]
        elif photo.name in found:
            twice[photo.name] = 2
        else:
            found[photo.name] = photo
    if twice:
        named = ", ".join(islice(twice, NAMED))
        raise InvalidInput(say("{source} names a photo twice: {twice}", source=source, twice=named))
    if odd:
        raise InvalidInput(
            say(
                "{source} has names that no table can hold (not UTF-8): {odd}: rename these photos",
                source=source,
                odd=", ".join(odd),
            )
        )
    return found


def _is_text(name: str) -> bool:
    try:
        name.encode()
    except UnicodeEncodeError:
        return False
    return True
