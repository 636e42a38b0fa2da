"""What the commands write about people is for its owner alone, and never half there."""

from __future__ import annotations

import stat

import pytest
from conftest import SAMPLES
from typer.testing import CliRunner

from knee_angle import files
from knee_angle.cli import app
from knee_angle.errors import InvalidInput

BED = str(SAMPLES / "bed_01.jpg")
COMMANDS = [
    pytest.param(["measure", BED, "--overlay", "out"], id="a picture with points"),
    pytest.param(["agreement", str(SAMPLES / "agreement.csv"), "--html", "out/a.html"], id="html"),
    pytest.param(["sheet", "dots", "out/a.pdf"], id="a sheet"),
    pytest.param(["sensitivity", "out/a.svg"], id="a curve"),
    pytest.param(["batch", BED, "--out", "out/a.csv", "--overlay", "out/p"], id="a batch"),
    pytest.param(["store", "export", "out/a.csv", "--store", "kept.db"], id="an export"),
]


@pytest.fixture
def place(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "out").mkdir()
    CliRunner().invoke(app, ["store", "machine", "M-1", "--store", "kept.db"])
    return tmp_path


@pytest.mark.parametrize("args", COMMANDS)
def test_every_file_is_readable_by_its_owner_alone(place, args):
    assert CliRunner().invoke(app, args).exit_code == 0
    written = [path for path in (place / "out").rglob("*") if path.is_file()]
    assert written
    assert {path.name: oct(stat.S_IMODE(path.stat().st_mode)) for path in written} == {
        path.name: "0o600" for path in written
    }


@pytest.mark.parametrize("args", [param for param in COMMANDS if param.id != "a batch"])
def test_a_full_disk_is_said_and_leaves_no_half_file(place, monkeypatch, args):
    def full(_handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(files.os, "fsync", full)
    done = CliRunner().invoke(app, args)
    assert isinstance(done.exception, InvalidInput)
    assert "cannot be written (No space left on device)" in str(done.exception)
    assert [path for path in (place / "out").rglob("*") if path.is_file()] == []
