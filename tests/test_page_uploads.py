"""Uploads lie on the disk for a day at most, and memory does not grow with them."""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import pytest
from streamlit.runtime.uploaded_file_manager import UploadedFileRec

from knee_angle.page import uploads
from knee_angle.page.uploads import ENDS_AFTER_S, DiskUploads


class Clock:
    now = 1_000_000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def kept(tmp_path, clock) -> DiskUploads:
    return DiskUploads("/_stcore/upload_file", tmp_path, clock=clock)


def photo(name: str, content: bytes = b"jpeg") -> UploadedFileRec:
    return UploadedFileRec(name, f"{name}.jpg", "image/jpeg", content)


def files(kept: DiskUploads) -> list[Path]:
    return sorted(kept.folder.iterdir())


def test_an_upload_comes_back_as_it_was_and_is_its_owners_alone(kept):
    kept.add_file("session", photo("a", b"one"))
    kept.add_file("session", photo("b", b"two"))
    assert kept.get_files("session", ["b", "a", "none"]) == [photo("b", b"two"), photo("a", b"one")]
    assert kept.get_files("another", ["a"]) == []
    assert {path.stat().st_mode & 0o777 for path in files(kept)} == {0o600}


def test_it_goes_with_its_session_or_by_itself(kept):
    for session, name in (("s", "a"), ("s", "b"), ("t", "a")):
        kept.add_file(session, photo(name))
    kept.remove_file("s", "a")
    assert len(files(kept)) == 2
    kept.remove_session_files("s")
    assert len(files(kept)) == 1
    assert kept.get_files("t", ["a"]) == [photo("a")]


def test_after_a_day_it_is_gone(kept, clock):
    kept.add_file("s", photo("a"))
    clock.now += ENDS_AFTER_S - 1
    assert kept.get_files("s", ["a"])
    clock.now += 1
    assert kept.get_files("s", ["a"]) == []
    kept.add_file("s", photo("b"))
    assert len(files(kept)) == 1


def test_together_they_stay_within_their_room_and_the_oldest_go(kept, clock, monkeypatch):
    monkeypatch.setattr(uploads, "MOST_BYTES", 100)
    for name in "abcd":
        clock.now += 1
        kept.add_file("s", photo(name, b"x" * 40))
    assert len(kept.get_files("s", list("abcd"))) == 2
    assert len(files(kept)) == 2
    assert kept.get_files("s", ["a", "b"]) == []


@pytest.mark.parametrize("name", ["../../x", "/etc/x", "a\0b", "x" * 5000, ".", ""])
def test_no_name_leads_out_of_the_folder(kept, name):
    kept.add_file(name, photo(name))
    (path,) = files(kept)
    assert path.parent == kept.folder
    assert kept.get_files(name, [name]) == [photo(name)]


def test_memory_does_not_grow_with_thirty_photos(kept):
    tracemalloc.start()
    try:
        for n in range(30):
            kept.add_file("s", photo(str(n), bytes(4_000_000)))
            if n == 2:
                before = tracemalloc.get_traced_memory()[0]
        after = tracemalloc.get_traced_memory()[0]
    finally:
        tracemalloc.stop()
    assert after - before < 1_000_000  # of the 108 MB that came meanwhile


def test_what_a_killed_page_left_for_a_day_goes_at_the_next_start(tmp_path, monkeypatch):
    import os
    import time

    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    left = uploads._own_folder()
    (left / "photo").write_bytes(b"jpeg")
    long_ago = time.time() - ENDS_AFTER_S - 1
    os.utime(left, (long_ago, long_ago))
    other = uploads._own_folder()
    assert not left.exists()
    assert other.stat().st_mode & 0o777 == 0o700
