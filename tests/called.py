"""The command `knee-angle` called in this process: its words and its status, without its start.

A start of Python with the libraries takes longer than most of what is asked; that the program
starts by itself is for the tests of how it stops, of its streams, and of the README's commands.
"""

from __future__ import annotations

import contextlib
import io
import subprocess
import sys
import traceback
from pathlib import Path
from unittest import mock

from knee_angle.cli import main

__all__ = ["called"]


def called(*args: object, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """What a process of its own would print and end with; a traceback goes to stderr, as there."""
    command = ["knee-angle", *map(str, args)]
    out, err = (io.TextIOWrapper(io.BytesIO(), "utf-8", write_through=True) for _ in range(2))
    where = contextlib.nullcontext() if cwd is None else contextlib.chdir(cwd)
    with (
        where,
        mock.patch.object(sys, "argv", command),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        try:
            main()
        except SystemExit as ended:
            status = int(ended.code or 0)
        except Exception:  # noqa: BLE001  as Python does at a program's end
            traceback.print_exc()
            status = 1
        else:
            status = 0
    said = [stream.buffer.getvalue().decode() for stream in (out, err)]
    return subprocess.CompletedProcess(command, status, *said)
