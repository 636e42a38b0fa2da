"""Work beside the page's run: a newer run ends the waiting, never the work."""

from __future__ import annotations

import threading
from types import SimpleNamespace

import pytest

from knee_angle.language import current, in_language
from knee_angle.page import judged as page
from knee_angle.page.beside import begun, ended


class NewerRun(BaseException):
    """As Streamlit ends a run: no error, so nothing catches it."""


class Session(dict):
    """A visitor's session; a look for what is at work may end the run."""

    newer = False

    def __contains__(self, name: object) -> bool:
        if self.newer and name == page.AT_WORK:
            raise NewerRun
        return super().__contains__(name)


@pytest.fixture
def session(monkeypatch):
    session = Session()
    monkeypatch.setattr(page, "st", SimpleNamespace(session_state=session))
    return session


def test_work_is_waited_for_with_looks_and_speaks_the_runs_language():
    go, looks = threading.Event(), []

    def work() -> str:
        go.wait()
        return current().code

    def look() -> None:
        looks.append(len(looks))
        if len(looks) == 3:
            go.set()

    with in_language("de"):
        told = begun(work)
    assert ended(told, look=look) == "de"
    assert looks[:3] == [0, 1, 2]


def test_what_the_work_raises_is_raised_where_it_is_waited_for():
    def work() -> None:
        raise ValueError("no such leg")

    with pytest.raises(ValueError, match="no such leg"):
        ended(begun(work), look=list)


def test_a_newer_run_waits_for_the_same_judgement_and_another_question_begins_its_own(
    session, monkeypatch
):
    go, asked = threading.Event(), []

    def together(_outcomes, _shots, settings):
        asked.append(settings)
        go.wait()
        return {}, settings

    monkeypatch.setattr(page, "_together", together)
    session.newer = True
    for _ in range(2):  # a tap, and another
        with pytest.raises(NewerRun):
            page._held({}, {}, "one", "first")
    session.newer = False
    go.set()
    assert page._held({}, {}, "one", "first") == ({}, "one")
    assert page._held({}, {}, "one", "first") == ({}, "one")
    assert asked == ["one"]
    assert page._held({}, {}, "two", "second") == ({}, "two")
    assert asked == ["one", "two"]


def test_a_judgement_that_failed_is_tried_again_by_the_next_run(session, monkeypatch):
    def together(*_):
        raise MemoryError

    monkeypatch.setattr(page, "_together", together)
    for _ in range(2):
        with pytest.raises(MemoryError):
            page._held({}, {}, "one", "first")
        assert dict(session) == {}
