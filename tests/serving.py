"""The page's server, started for real and ended again."""

from __future__ import annotations

import os
import socket
import subprocess
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

ROOT = Path(__file__).resolve().parents[1]


def free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


@contextmanager
def running(command: list[str], port: int, **environment: str) -> Iterator[str]:
    """The server's address, once it answers; at its end what it said, for a test that fails."""
    with (
        tempfile.TemporaryFile("w+") as said,
        subprocess.Popen(
            command, stdout=said, stderr=subprocess.STDOUT, text=True, cwd=ROOT,
            env={**os.environ, **environment},
        ) as server,
    ):  # fmt: skip
        address = f"http://127.0.0.1:{port}"
        try:
            deadline = time.monotonic() + 40
            while True:
                try:
                    with urllib.request.urlopen(f"{address}/_stcore/health") as answer:
                        assert answer.read() == b"ok"
                    break
                except OSError:
                    assert server.poll() is None, told(said)
                    assert time.monotonic() < deadline, "the page did not start"
                    time.sleep(0.2)
            yield address
        finally:
            server.terminate()
            server.wait(timeout=20)
            print(told(said))


def told(said: IO[str]) -> str:
    said.seek(0)
    return said.read()
