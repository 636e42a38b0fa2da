"""Ctrl+C from the first moment on, and an account without a home."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator

import pytest
from conftest import SAMPLES
from serving import free_port

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
import pwd, sys
def unknown(_): raise KeyError("no such account")
pwd.getpwuid = unknown  # as in a container that runs under a number alone
from knee_angle.__main__ import main
sys.argv[0] = "knee-angle"
main()
"""


@pytest.mark.parametrize("home", [None, "/proc/nowhere"], ids=["none", "not there"])
@pytest.mark.parametrize(
    ("command", "status", "says"),
    [
        pytest.param(["measure", PHOTO], 0, "", id="measure works"),
        pytest.param(["models", "list"], 0, "", id="models list works"),
        pytest.param(
            ["batch", PHOTO, "--out", "study.csv"], 0, "", id="batch works"
        ),
        pytest.param(["store", "person", "P-1"], 2, "KNEE_ANGLE_STORE", id="store asks for a file"),
        pytest.param(
            ["measure", PHOTO, "--keep", "--person", "P-1"], 2, "KNEE_ANGLE_STORE",
            id="keep asks for a file",
        ),
    ],
)  # fmt: skip
def test_without_a_home_a_command_works_or_says_in_a_line_what_it_needs(
    command, status, says, home, tmp_path
):
    place = {} if home is None else {"HOME": home}
    kept = {key: value for key, value in os.environ.items() if not key.startswith("XDG_")}
    kept = {key: value for key, value in kept.items() if key not in {"HOME", "KNEE_ANGLE_STORE"}}
    done = subprocess.run(
        [sys.executable, "-c", HOMELESS, *command],
        env={**kept, **place}, cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == status, done.stderr
    assert says in done.stderr
    assert done.stderr.count("\n") <= 1
    assert not (tmp_path / "~").exists()
