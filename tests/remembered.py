"""What the page was answered before, for all of its tests: measured and judged once.

The page asks for the same few photos with the same numbers in test after test. Both questions
are answered from their arguments alone (the same photo gives the same answer), so the answer is
that of the first time; other files ask what it is worth.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np
import pytest

from knee_angle import pipeline
from knee_angle.landmarks import choose
from knee_angle.landmarks.base import Detector
from knee_angle.page import checking, judged, shown, tray

__all__ = ["look_once", "remember", "remember_commands", "remember_visits"]

_ANSWERS: dict[Any, Any] = {}


def remember(monkeypatch: pytest.MonkeyPatch) -> None:
    """Until the end of the test, ask no question twice."""
    asked = (
        (tray, "measure"), (judged, "_quick"), (judged, "_together"), (shown, "read_display"),
        (checking, "check_machine"),
    )  # fmt: skip
    for module, name in asked:
        monkeypatch.setattr(module, name, _once(name, getattr(module, name)))


def remember_visits(monkeypatch: pytest.MonkeyPatch) -> None:
    """Until the end of the test, no visit of the same photos is judged twice by a command."""
    monkeypatch.setattr(pipeline, "answer_of_visit", _once("visit", pipeline.answer_of_visit))


def remember_commands(monkeypatch: pytest.MonkeyPatch) -> None:
    """Until the end of the test, no command looks at the same photo or judges it twice."""
    remember_visits(monkeypatch)
    look_once(monkeypatch)


def look_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Until the end of the test: what the same detectors found in the same photo stays known."""
    found = choose.found_landmarks

    def asked_once(photo: Any, *, detectors: Sequence[Detector], masked: Any = ()) -> Any:
        by = " ".join(f"{type(one).__name__} {one.source}" for one in detectors)
        points = _once(f"points in {photo.name} by {by}", found)
        return points(photo, detectors=detectors, masked=masked)

    monkeypatch.setattr(choose, "found_landmarks", asked_once)


def _plain(value: Any) -> Any:
    """The same for what is equal, so that a table can hold it; how long it took is left out."""
    if is_dataclass(value):
        told = [(f.name, getattr(value, f.name)) for f in fields(value) if f.name != "seconds"]
        return type(value), tuple((name, _plain(one)) for name, one in told)
    if isinstance(value, Mapping):
        return tuple((_plain(key), _plain(one)) for key, one in value.items())
    if isinstance(value, tuple | list):
        return tuple(map(_plain, value))
    if isinstance(value, np.ndarray):
        return value.shape, value.tobytes()
    return value


def _once(name: str, asked: Callable[..., Any]) -> Callable[..., Any]:
    def answer(first: Any, *more: Any, **named: Any) -> Any:
        by_name = {key: one for key, one in named.items() if key != "detectors"}
        key = _plain((name, getattr(first, "sha256", first), more, by_name))
        if key not in _ANSWERS:
            _ANSWERS[key] = asked(first, *more, **named)
        return _ANSWERS[key]

    return answer
