"""Archives unpacked within bounds: a head can go on for gigabytes before a member comes."""

from __future__ import annotations

import io
from gzip import GzipFile
from pathlib import Path

__all__ = ["Bounded", "is_file"]

AT_ONCE = 2**20


class Bounded(io.RawIOBase):
    """A file that is being unpacked, up to so many bytes.

    Parameters
    ----------
    file : GzipFile
        Gives unpacked bytes.
    most : int
        So many may come.
    refused : Exception
        Raised where more come.
    """

    def __init__(self, file: GzipFile, most: int, refused: Exception) -> None:
        self._file, self._left, self._refused = file, most, refused

    def read(self, size: int = -1, /) -> bytes:
        """The next bytes, as many or fewer."""
        part = self._file.read(AT_ONCE if size < 0 else min(size, AT_ONCE))
        self._left -= len(part)
        if self._left < 0:
            raise self._refused
        return part


def is_file(path: Path) -> bool:
    """Whether a file is there; a name that the system cannot have is none."""
    try:
        return path.is_file()
    except OSError:
        return False
