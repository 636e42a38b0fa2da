"""Photos that are one and the same file under several names."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from pathlib import Path

__all__ = ["copies_of"]


def copies_of(photos: Mapping[str, Path], *, order: Iterable[str]) -> dict[str, str]:
    """Which photos are copies, and of which one.

    Parameters
    ----------
    photos : Mapping of name to path
    order : iterable of str
        The names; of equal files the first counts. One that cannot be read is no copy.
    """
    firsts: dict[str, str] = {}
    copies = {}
    for name in order:
        try:
            with photos[name].open("rb") as file:
                digest = hashlib.file_digest(file, "sha256").hexdigest()
        except OSError:
            continue  # told as unreadable when it is its turn
        if (first := firsts.setdefault(digest, name)) != name:
            copies[name] = first
    return copies
