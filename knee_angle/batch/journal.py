"""Every row on disk as soon as it is there: what a stopped run goes on from.

One JSON object a line, ``{"check": ..., "entry": ...}``. A line counts when it is complete
and its check (a hash of the entry) is right; a line that a stop tore is cut off. The first
entry says under which conditions the rows were measured. A photo that is measured again
gets a new line, and the last one counts.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from knee_angle.batch.work import Answer, Json, Trouble, to_plain
from knee_angle.errors import InvalidInput
from knee_angle.files import sync_folder
from knee_angle.files.on_disk import OnDisk, packing
from knee_angle.language import say
from knee_angle.settings import Settings

__all__ = ["Done", "Journal"]

FORMAT = 1


@dataclass(frozen=True, slots=True)
class Done:
    """What is at hand of a photo that is done; its row stays in the journal.

    Parameters
    ----------
    of : str
        The file and the displayed number that the row belongs to.
    status : str
        Its row's status.
    reason : str or None
        Its row's reason.
    sha256 : str or None
        Hash of the photo's bytes.
    trouble : str or None
        Set where the measuring failed.
    at : int
        Byte offset of its line.
    """

    of: str
    status: str
    reason: str | None
    sha256: str | None
    trouble: Trouble | None
    at: int


class Journal:
    """The rows of a run on disk; use it as a context manager.

    Parameters
    ----------
    path : Path
        The file; what is in it is kept.
    conditions : dict
        What the rows depend on (`work.Conditions.of_the_numbers`).
    fresh : bool
        Whether to drop what is in it.

    Raises
    ------
    InvalidInput
        Another run writes to it, it belongs to other conditions, or it cannot be opened.
    """

    def __init__(self, path: Path, conditions: Json, *, fresh: bool = False) -> None:
        self.path = path
        self.done = OnDisk(*packing(Done))
        self.torn_lines = 0
        try:
            self._file = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
        except OSError as error:
            raise InvalidInput(
                say(
                    "the journal {path} cannot be written ({error}): name another --out",
                    path=path,
                    error=error.strerror,
                )
            ) from None
        try:
            self._lock()
            if fresh:
                os.ftruncate(self._file, 0)
            self._end = self._read(conditions)
            if self._end == 0:
                self._write({"journal": FORMAT, **conditions})
                sync_folder(path.parent)
        except BaseException:
            os.close(self._file)
            raise

    def __enter__(self) -> Journal:
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self._file)

    def add(self, answer: Answer, of: str) -> None:
        """Have a photo's row on disk; it is done when this returns.

        Raises
        ------
        InvalidInput
            The disk takes no more.
        """
        entry = {
            "photo": answer.photo,
            "of": of,
            "sha256": answer.sha256,
            "trouble": answer.trouble,
            "row": answer.row,
        }
        at = self._end
        self._write(entry)
        self.done[answer.photo] = _done(entry, at)

    def row(self, photo: str) -> Json:
        """The row of a photo that is done."""
        with open(self._file, "rb", closefd=False) as file:
            file.seek(self.done[photo].at)
            row: Json = json.loads(file.readline())["entry"]["row"]
        return row

    def _lock(self) -> None:
        """One run at a time; the lock goes with the process, however it ends."""
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise InvalidInput(
                say(
                    "another run is writing {path_name}: wait for it, or name another --out",
                    path_name=self.path.name,
                )
            ) from None

    def _read(self, conditions: Json) -> int:
        """Take up the entries; the end of the last whole line, after which all is cut off."""
        at = 0
        with open(self._file, "rb", closefd=False) as file:
            for line in file:
                if not line.endswith(b"\n"):
                    self.torn_lines += 1
                    break
                entry = _entry(line)
                if at == 0:
                    self._check(entry, conditions)
                elif entry is None or (done := _taken_up(entry, at)) is None:
                    self.torn_lines += 1
                else:
                    self.done[entry["photo"]] = done
                at += len(line)
        os.ftruncate(self._file, at)
        return at

    def _check(self, entry: Json | None, conditions: Json) -> None:
        named = [] if entry is None else [entry.get(part, {}) for part in ("settings", "versions")]
        if (
            entry is None
            or entry.get("journal") != FORMAT
            or not all(isinstance(one, dict) for one in named)
        ):
            raise InvalidInput(
                say(
                    "{path_name} is no journal of this program, or its beginning is damaged: "
                    "begin again with --overwrite",
                    path_name=self.path.name,
                )
            )
        # What a journal does not name did not exist then: the default of today is what counted.
        begun = {
            "settings": {**to_plain(Settings()), **entry.get("settings", {})},
            "versions": entry.get("versions", {}),
        }
        different = [
            say("{name} was {get}, now {value}", name=name, get=begun[part].get(name), value=value)
            for part in ("settings", "versions")
            for name, value in conditions[part].items()
            if begun[part].get(name) != value
        ]
        if different:
            raise InvalidInput(
                say(
                    "{path_name} was begun under other conditions ({different}): rows of both "
                    "do not belong in one table; go back to them, or begin again with "
                    "--overwrite",
                    path_name=self.path.name,
                    different="; ".join(different),
                )
            )

    def _write(self, entry: Json) -> None:
        text = _text(entry)
        line = f'{{"check": "{_check_of(text)}", "entry": {text}}}\n'.encode()
        try:
            written = os.pwrite(self._file, line, self._end)
            if written < len(line):
                raise OSError(28, "no space left on the disk")
            os.fsync(self._file)
        except OSError as error:
            raise InvalidInput(
                say(
                    "the journal {path_name} cannot be written ({error}): make room, then go "
                    "on with --resume",
                    path_name=self.path.name,
                    error=error.strerror,
                )
            ) from None
        self._end += len(line)


def _text(entry: Json) -> str:
    return json.dumps(entry, ensure_ascii=True, allow_nan=False, sort_keys=True)


def _check_of(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _entry(line: bytes) -> Json | None:
    """The entry of a line; None where the line is damaged."""
    try:
        outer: Any = json.loads(line)
        entry: Any = outer["entry"]
        whole = isinstance(entry, dict) and outer["check"] == _check_of(_text(entry))
        return entry if whole else None
    except (ValueError, KeyError, TypeError, RecursionError):
        return None


def _taken_up(entry: Json, at: int) -> Done | None:
    """What is at hand of an entry that was read; None where it is none of a photo."""
    try:
        done = _done(entry, at)
        texts = (entry["photo"], done.of, done.status)
        return done if all(isinstance(one, str) for one in texts) else None
    except (KeyError, TypeError):
        return None


def _done(entry: Json, at: int) -> Done:
    return Done(
        of=entry["of"],
        status=entry["row"]["status"],
        reason=entry["row"]["reason"],
        sha256=entry["sha256"],
        trouble=entry["trouble"],
        at=at,
    )
