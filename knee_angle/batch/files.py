"""Files that are there whole or not at all, whenever the machine stops."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO, cast

__all__ = ["sync_folder", "written_whole"]


@contextmanager
def written_whole(target: Path) -> Iterator[BinaryIO]:
    """A new file that takes the target's place when the block ends without an error.

    Written beside the target, on disk (fsync) before it is renamed.
    """
    with tempfile.NamedTemporaryFile(
        dir=target.parent, prefix=f".{target.name}.", suffix=".part", delete=False
    ) as file:
        try:
            yield cast(BinaryIO, file)
            file.flush()
            os.fchmod(file.fileno(), 0o666 & ~_umask())
            os.fsync(file.fileno())
            Path(file.name).replace(target)
        except BaseException:
            Path(file.name).unlink(missing_ok=True)
            raise
    sync_folder(target.parent)


def sync_folder(folder: Path) -> None:
    """Have a new name in a folder on disk."""
    number = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
