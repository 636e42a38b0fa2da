"""Ctrl+C from the first moment on, and an account without a home."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from conftest import SAMPLES
from serving import free_port

from knee_angle import cli

HERE = Path(__file__).parent
PHOTO = str(SAMPLES / "bed_06.jpg")


MEASURE = ["knee_angle", "measure", PHOTO]
BATCH = ["knee_angle", "batch", PHOTO, "--out", "study.csv"]


@pytest.fixture(autouse=True)
def heard() -> Iterator[None]:
    """A test run in the background ignores Ctrl+C, and would hand that on to what it starts."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.mark.parametrize(
    ("command", "loaded"),
    [
        (MEASURE, "typer"),
        (MEASURE, "knee_angle.records"),
        (MEASURE, "knee_angle.cli.app"),
        (MEASURE, "numpy"),
        (MEASURE, "cv2"),
        (BATCH, "typer"),
        (BATCH, "cv2"),
    ],
    ids=lambda part: part if isinstance(part, str) else part[1],
)
def test_ctrl_c_while_it_loads_ends_a_command_in_a_line_at_most(command, loaded, tmp_path):
    status, said = interrupted(command, loaded, tmp_path)
    assert (status, said) in {(130, ""), (130, "knee-angle: stopped")}


def test_ctrl_c_that_a_library_swallows_is_known_all_the_same(monkeypatch, capsys):
    def swallowing(**_: object) -> int:
        with contextlib.suppress(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
        return 0

    monkeypatch.setattr(cli, "app", swallowing)
    with pytest.raises(SystemExit) as stopped:
        cli.main()
    assert (stopped.value.code, capsys.readouterr().err) == (130, "knee-angle: stopped\n")
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


@pytest.mark.parametrize("loaded", ["knee_angle.cli.serving", "streamlit"])
def test_ctrl_c_while_it_loads_ends_the_pages_server_in_a_line_at_most(loaded, tmp_path):
    command = ["knee_angle.page", "--port", str(free_port())]
    status, said = interrupted(command, loaded, tmp_path)
    # Where the machine is busy the server may be past its loading when the signal comes.
    assert (status, said) in {(130, ""), (130, "knee-angle: stopped")}


def interrupted(command: list[str], loaded: str, folder) -> tuple[int, str]:
    """Exit status and words of a command that gets Ctrl+C once a module has been loaded."""
    with subprocess.Popen(
        [sys.executable, "-X", "importtime", "-m", *command],
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, cwd=folder,
    ) as process:  # fmt: skip
        words = []
        for line in process.stderr:
            if not line.startswith("import time:"):
                words.append(line)
            elif line.rpartition("|")[2].strip() == loaded:
                break
        else:
            pytest.fail(f"{loaded} was never loaded: {words}")
        process.send_signal(signal.SIGINT)
        rest = process.stderr.read().splitlines(keepends=True)
        words += [line for line in rest if not line.startswith("import time:")]
        # Where Ctrl+C met a line that Python itself compiles (a dataclass), Python ends by the
        # signal after our own end; shells call both 130.
        status = process.wait(timeout=60)
        return (130 if status == -signal.SIGINT else status), "".join(words).strip()


HOMELESS = """
import json, pwd, sys
def unknown(_): raise KeyError("no such account")
pwd.getpwuid = unknown  # as in a container that runs under a number alone
from called import called
for command in json.loads(sys.argv[1]):
    done = called(*command)
    print(json.dumps([done.returncode, done.stderr]), flush=True)
"""
WITHOUT_HOME = {
    "measure works": (["measure", PHOTO], 0, ""),
    "models list works": (["models", "list"], 0, ""),
    "batch works": (["batch", PHOTO, "--out", "study.csv"], 0, ""),
    "store asks for a file": (["store", "person", "P-1"], 2, "KNEE_ANGLE_STORE"),
    "keep asks for a file": (
        ["measure", PHOTO, "--keep", "--person", "P-1"], 2, "KNEE_ANGLE_STORE",
    ),
}  # fmt: skip


@pytest.mark.parametrize("home", [None, "/proc/nowhere"], ids=["none", "not there"])
def test_without_a_home_a_command_works_or_says_in_a_line_what_it_needs(home, tmp_path):
    place = {} if home is None else {"HOME": home}
    kept = {key: value for key, value in os.environ.items() if not key.startswith("XDG_")}
    kept = {key: value for key, value in kept.items() if key not in {"HOME", "KNEE_ANGLE_STORE"}}
    found = os.pathsep.join([str(HERE), str(HERE.parent)])
    commands = json.dumps([command for command, _, _ in WITHOUT_HOME.values()])
    done = subprocess.run(
        [sys.executable, "-c", HOMELESS, commands], env={**kept, **place, "PYTHONPATH": found},
        cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    told = dict(zip(WITHOUT_HOME, map(json.loads, done.stdout.splitlines()), strict=True))
    for name, (_, status, says) in WITHOUT_HOME.items():
        assert told[name][0] == status, (name, told[name])
        assert says in told[name][1], name
        assert told[name][1].count("\n") <= 1, name
    assert not (tmp_path / "~").exists()
