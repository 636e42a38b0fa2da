"""Files are written whole or not at all, and their owner alone may read them."""

from __future__ import annotations

import os
import stat

import pytest

from knee_angle import files
from knee_angle.files import whole_file, write_whole


@pytest.fixture(params=["without a name", "under a name of its own"], autouse=True)
def unfinished(request, monkeypatch) -> str:
    """How a file that is being written lies there; not every file system knows the first."""
    if request.param != "without a name":
        monkeypatch.delattr(files.os, "O_TMPFILE")
    return request.param


def mode(path):
    return stat.S_IMODE(path.stat().st_mode)


@pytest.mark.parametrize("data", [b"\xff\0", "knee 93°\r\n"], ids=["bytes", "text as it stands"])
def test_the_content_arrives_and_only_the_owner_may_read_it(tmp_path, data):
    path = tmp_path / "a.csv"
    write_whole(path, data)
    assert path.read_bytes() == (data if isinstance(data, bytes) else data.encode())
    assert mode(path) == 0o600
    assert list(tmp_path.iterdir()) == [path]


def test_a_file_that_others_could_read_no_longer_can_when_it_is_replaced(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("old")
    path.chmod(0o644)
    write_whole(path, "new")
    assert (path.read_text(), mode(path)) == ("new", 0o600)


def test_nothing_stands_under_the_name_before_it_is_whole(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("old")
    with whole_file(path) as file:
        file.write(b"ne")
        file.flush()
        assert path.read_text() == "old"
        file.write(b"w")
    assert path.read_text() == "new"


@pytest.mark.parametrize("there", [False, True], ids=["a new file", "one that is replaced"])
def test_a_program_that_is_killed_leaves_nothing_behind(tmp_path, unfinished, there):
    """A kill lets nobody tidy up: what is being written has no name where the system can."""
    path = tmp_path / "a.csv"
    if there:
        path.write_text("old")
    with whole_file(path, new=not there) as file:
        file.write(b"new")
        others = {one.name for one in tmp_path.iterdir()} - {path.name}
        named = unfinished != "without a name"
        assert [name.startswith(files.UNFINISHED) for name in others] == [True] * named
    assert path.read_text() == "new"
    assert list(tmp_path.iterdir()) == [path]


def test_an_error_on_the_way_leaves_the_old_file_and_nothing_beside_it(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("old")

    def broken():
        with whole_file(path) as file:
            file.write(b"new")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        broken()
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_full_disk_leaves_no_half_file(tmp_path, monkeypatch):
    def full(_handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(files.os, "fsync", full)
    with pytest.raises(OSError, match="No space left"):
        write_whole(tmp_path / "a.csv", "new")
    assert list(tmp_path.iterdir()) == []


def test_new_means_that_no_file_is_replaced(tmp_path):
    path = tmp_path / "a.csv"
    write_whole(path, "first", new=True)
    with pytest.raises(FileExistsError):
        write_whole(path, "second", new=True)
    assert path.read_text() == "first"
    assert list(tmp_path.iterdir()) == [path]


def test_nor_one_that_came_while_the_new_one_was_written(tmp_path):
    path = tmp_path / "a.csv"

    def late():
        with whole_file(path, new=True):
            path.write_text("theirs")

    with pytest.raises(FileExistsError):
        late()
    assert path.read_text() == "theirs"
    assert list(tmp_path.iterdir()) == [path]


def test_a_link_is_followed_and_stays_a_link(tmp_path):
    (tmp_path / "there").mkdir()
    real, link = tmp_path / "there" / "a.csv", tmp_path / "a.csv"
    link.symlink_to(real)
    write_whole(link, "new")
    assert link.is_symlink()
    assert real.read_text() == "new"


def test_a_pipe_is_written_straight(tmp_path):
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    try:
        write_whole(pipe, "new")
        assert os.read(reader, 10) == b"new"
    finally:
        os.close(reader)
    assert stat.S_ISFIFO(pipe.stat().st_mode)


@pytest.mark.parametrize(
    ("name", "error"),
    [
        pytest.param("missing/a.csv", FileNotFoundError, id="a folder that is not there"),
        pytest.param(".", IsADirectoryError, id="a folder"),
        pytest.param("x" * 300, OSError, id="a name that is too long"),
    ],
)
def test_what_cannot_be_written_is_an_os_error_with_words(tmp_path, name, error):
    with pytest.raises(error) as refused:
        write_whole(tmp_path / name, "new")
    assert refused.value.strerror
    assert list(tmp_path.iterdir()) == []


def test_a_name_as_long_as_the_file_system_allows_is_no_problem(tmp_path):
    path = tmp_path / ("x" * 255)
    write_whole(path, "new")
    assert path.read_text() == "new"


def test_a_protected_file_is_not_replaced(tmp_path, monkeypatch):
    """Asked, not tried: to the administrator, under whom tests may run, nothing is protected."""
    path = tmp_path / "a.csv"
    path.write_text("old")
    monkeypatch.setattr(files.os, "access", lambda *_: False)
    with pytest.raises(PermissionError):
        write_whole(path, "new")
    assert path.read_text() == "old"
