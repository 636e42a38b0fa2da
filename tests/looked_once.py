"""Photos that a file's tests measure again and again: their points are looked for once."""

from __future__ import annotations

from typing import Any

import pytest

from knee_angle.landmarks import choose

__all__ = ["look_once"]

_FOUND: dict[Any, Any] = {}


def look_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Until the end of the test: what the same detectors found in the same photo stays known."""
    real = choose.found_landmarks

    def found(photo, *, detectors, masked=()):
        kinds = tuple((type(one), one.source) for one in detectors)
        key = photo.sha256, photo.name, kinds, masked
        if key not in _FOUND:
            _FOUND[key] = real(photo, detectors=detectors, masked=masked)
        return _FOUND[key]

    monkeypatch.setattr(choose, "found_landmarks", found)
