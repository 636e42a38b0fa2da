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
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from knee_angle.batch.work import Job
from knee_angle.errors import InvalidInput, UnreadablePhoto
from knee_angle.files import reading, words_of
from knee_angle.language import say, say_many
from knee_angle.photo.reading import check_file_size, file_bytes

__all__ = [
    "NAMED",
    "LeftOut",
    "PhotoFile",
    "Photos",
    "StorageTrouble",
    "find_photos",
    "read_bytes",
    "said_of",
]

ENDINGS = (
    ".jpg", ".jpeg", ".png", ".webp", ".tif", ".tiff", ".heic", ".heif", ".gif",
)  # fmt: skip
"""What a photo's file may be called in a folder; a list may name anything."""

NAMED = 20
"""So many entries that are not measured are named; the rest is counted."""

STAMPS = ("ETag", "mtime", "LastModified", "last_modified", "updated", "created")
"""What storages call the mark that changes with a file's content."""


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
        return f"{printable(self.name)} ({self.reason})"


@dataclass(frozen=True, slots=True)
class Photos:
    """The photos of a source, in the order of the table, and its other entries by name."""

    files: tuple[PhotoFile, ...]
    left_out: tuple[LeftOut, ...] = ()


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
            photos = _below(fs, path, fs.find(path, detail=True, withdirs=True), walked=True)
        elif fs.isfile(path):
            photos = _listed(fs, path) if path.endswith(".txt") else _single(fs, path)
        elif any(sign in path for sign in "*?["):
            fixed = posixpath.dirname(path[: min(path.find(s) for s in "*?[" if s in path)])
            photos = _below(fs, fixed, fs.glob(path, detail=True), walked=False)
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
    _check_names(photos, source)
    return photos


def said_of(left_out: Sequence[LeftOut]) -> str:
    """The first entries that are not measured, and how many there are; empty where none is."""
    if not left_out:
        return ""
    named = ", ".join(map(str, left_out[:NAMED]))
    told = say_many(
        "{count} entry is not measured: {named}",
        "{count} entries are not measured: {named}",
        len(left_out),
        named=named,
    )
    more = len(left_out) - NAMED
    return say("{told} and {count} more", told=told, count=more) if more > 0 else told


def printable(name: str) -> str:
    """A file's name on one line of text: what cannot be printed as its code point."""
    return "".join(
        sign if sign.isprintable() else sign.encode("unicode_escape").decode() for sign in name
    )


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


def _below(fs: Any, folder: str, found: Mapping[str, Mapping[str, Any]], *, walked: bool) -> Photos:
    """What lies below a folder; ``walked``: folders in it were searched too."""
    files, others = [], []
    looked_into = {posixpath.dirname(path) for path in found}
    for path, info in found.items():
        name = path.removeprefix(folder).strip("/")
        reason = _why_not(fs, path, name, info)
        if reason is None:
            files.append(_file(fs, path, name, info))
        elif name and not (reason == "a folder" and (path in looked_into or walked)):
            others.append(LeftOut(name, reason))
    return Photos(
        tuple(sorted(files, key=lambda file: file.name)),
        tuple(sorted(others, key=lambda entry: entry.name)),
    )


def _why_not(fs: Any, path: str, name: str, info: Mapping[str, Any]) -> str | None:
    """Why an entry of a folder is not measured; None where it is."""
    if info.get("islink"):
        return say("a symbolic link: put the photo itself there, or name it in a list")
    if info["type"] == "directory":
        readable = "file" not in fs.protocol or os.access(path, os.R_OK | os.X_OK)
        return say("a folder") if readable else say("a folder that this user may not read")
    if info["type"] != "file":
        return say("a device or pipe")
    if any(part.startswith(".") for part in name.split("/")):
        return "hidden"
    return None if name.lower().endswith(ENDINGS) else say("not called like a photo")


def _single(fs: Any, path: str) -> Photos:
    return Photos((_file(fs, path, posixpath.basename(path), fs.info(path)),))


def _listed(fs: Any, path: str) -> Photos:
    """The photos of a list; one that is not there is a photo too, an unreadable one."""
    text = fs.cat_file(path).decode("utf-8-sig")
    entries = [line.strip() for line in text.splitlines() if line.strip()]
    whole = [entry for entry in entries if _is_whole(entry)]
    shared = posixpath.commonpath([posixpath.dirname(e) for e in whole]) if whole else ""
    files = []
    for entry in entries:
        if _is_whole(entry):
            files.append(_named(entry, entry.removeprefix(shared).lstrip("/")))
        else:
            address = fs.unstrip_protocol(f"{posixpath.dirname(path)}/{entry}")
            files.append(_named(address, posixpath.normpath(entry)))
    return Photos(tuple(files))


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


def _check_names(photos: Photos, source: str) -> None:
    names = Counter(file.name for file in photos.files)
    twice = [name for name, count in names.items() if count > 1]
    if twice:
        raise InvalidInput(
            say("{source} names a photo twice: {twice}", source=source, twice=", ".join(twice[:20]))
        )
    odd = [ascii(name) for name in names if not _is_text(name)]
    if odd:
        raise InvalidInput(
            say(
                "{source} has names that no table can hold (not UTF-8): {odd}: rename these photos",
                source=source,
                odd=", ".join(odd[:20]),
            )
        )


def _is_text(name: str) -> bool:
    try:
        name.encode()
    except UnicodeEncodeError:
        return False
    return True
