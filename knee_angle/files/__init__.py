"""Files that are written whole or not at all, and readable by their owner alone.

What we write is about people. Nothing is seen under its name before every byte is on
the disk; a full disk leaves what was there before, and no half file beside it. What goes
wrong with an address that is read is put in words here too. `tables` is the one reader of
tables that people make, `parquet` reads them within bounds, `problems` is what can be wrong in one;
`spreadsheet` keeps cells from being run;
`extras` says which packages only some work needs; `on_disk` holds what is too much for memory.
"""

from __future__ import annotations

import errno
import os
import stat
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from knee_angle.errors import InvalidInput, KneeAngleError
from knee_angle.language import say

__all__ = ["naming", "reading", "sync_folder", "whole_file", "words_of", "write_whole"]

UNFINISHED = ".knee-angle-"
"""Beginning of the name of a file that is still being written, in its final folder."""


def write_whole(path: str | Path, data: bytes | str, *, new: bool = False) -> None:
    """Write a file as :func:`whole_file` does, from its whole content (text as UTF-8)."""
    with whole_file(path, new=new) as file:
        file.write(data.encode() if isinstance(data, str) else data)


@contextmanager
def naming(path: str | Path, *, new: bool = False) -> Iterator[None]:
    """Writing to a file that somebody named; what goes wrong is told in words.

    Raises
    ------
    InvalidInput
        It cannot be written there; ``new``: or is there already.
    """
    try:
        yield
    except OSError as error:
        given = {"path": path, "why": error.strerror}
        if new:
            said = say("{path} cannot be written ({why}): name a new file", **given)
        else:
            said = say("{path} cannot be written ({why}): name another file", **given)
        raise InvalidInput(said) from None


@contextmanager
def whole_file(path: str | Path, *, new: bool = False) -> Iterator[BinaryIO]:
    """A binary file to write into; it takes its name when the block ends without an error.

    It has mode 0600, also where a file with wider rights is replaced. A symbolic link is
    followed; a device or pipe (``/dev/stdout``) is written straight.

    Parameters
    ----------
    path : str or Path
        The file's name. Its folder must exist.
    new : bool
        Whether a file that has the name already is refused, even one that came meanwhile.

    Raises
    ------
    OSError
        Whatever kept it from being written (FileExistsError: ``new``); its ``strerror``
        says what. Nothing is left behind then.
    """
    target = Path(path)
    if new and os.path.lexists(target):
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(path))
    if _is_device(target):
        with target.open("wb") as device:
            yield device
        return
    target = target.resolve()
    if target.exists() and not os.access(target, os.W_OK):
        # Renaming would replace a file that its owner protected.
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))
    with _unfinished(target.parent) as (file, named):
        yield file
        file.flush()
        os.fsync(file.fileno())
        _name(named, target, new=new)
    sync_folder(target.parent)


@contextmanager
def _unfinished(folder: Path) -> Iterator[tuple[BinaryIO, Path]]:
    """A new file of mode 0600, and a path by which its content gets its name.

    Where the system can (Linux, most file systems), it has no name yet: a program that is
    killed leaves nothing behind. Elsewhere it has one, which is gone at the end.
    """
    try:
        handle = os.open(folder, os.O_TMPFILE | os.O_RDWR, 0o600)
    except (AttributeError, OSError):
        handle, name = tempfile.mkstemp(dir=folder, prefix=UNFINISHED)
        unfinished = Path(name)
    else:
        unfinished = Path(f"/proc/self/fd/{handle}")
    try:
        with os.fdopen(handle, "wb") as file:
            yield file, unfinished
    finally:
        if unfinished.parent == folder:
            unfinished.unlink(missing_ok=True)


def _is_device(path: Path) -> bool:
    try:
        mode = path.stat().st_mode
    except OSError:  # not there, or not to be seen: writing will tell
        return False
    return not (stat.S_ISREG(mode) or stat.S_ISDIR(mode))


def _name(unfinished: Path, target: Path, *, new: bool) -> None:
    """Give the finished file its name."""
    if target.is_dir():
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(target))
    if new:
        try:
            # A link, other than a rename, never replaces a file that came meanwhile.
            _link(unfinished, target)
        except FileExistsError:
            raise
        except OSError:  # a file system without links
            if target.exists():
                message = os.strerror(errno.EEXIST)
                raise FileExistsError(errno.EEXIST, message, str(target)) from None
        else:
            return
    if unfinished.parent == target.parent:
        unfinished.replace(target)
        return
    # Only a name replaces a name: it has one of its own for that moment.
    named = target.with_name(f"{UNFINISHED}{os.urandom(8).hex()}")
    try:
        _link(unfinished, named)
        named.replace(target)
    finally:
        named.unlink(missing_ok=True)


def _link(unfinished: Path, name: Path) -> None:
    """Another name for a file; the first may be its open handle (``/proc/self/fd/...``)."""
    # With a folder's handle Python asks the system to follow that link to the file itself.
    os.link(unfinished, name, src_dir_fd=0, follow_symlinks=True)


def sync_folder(folder: Path) -> None:
    """Put the name on the disk too, where the system can (Windows cannot)."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(handle)
    except OSError:
        pass
    finally:
        os.close(handle)


NEEDS_PACKAGE = say("{address} needs another package ({error})")
NEEDS_S3 = say("{address} needs another package ({error}); for s3:// pip install 'knee-angle[s3]'")


@contextmanager
def reading(address: str) -> Iterator[None]:
    """Every way in which an address can fail, as one line of ours."""
    try:
        yield
    except KneeAngleError:
        raise
    except ImportError as error:
        template = NEEDS_S3 if "s3://" in address else NEEDS_PACKAGE
        raise InvalidInput(template.format(address=address, error=error)) from None
    except Exception as error:  # noqa: BLE001  each storage has errors of its own
        raise InvalidInput(
            say(
                "{address} cannot be read ({why}): check the address and your rights",
                address=address,
                why=words_of(error),
            )
        ) from None


def words_of(error: Exception) -> str:
    """What an error says, on one line."""
    return " ".join((str(error) or type(error).__name__).split())[:200]
