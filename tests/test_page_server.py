"""The page's server for real: this machine only, and nothing from outside."""

from __future__ import annotations

import contextlib
import os
import re
import signal
import socket
import subprocess
import sys
import time
import tomllib
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest
from called import called
from serving import ROOT, free_port, running

from knee_angle import __version__
from knee_angle.cli import serving
from knee_angle.errors import InvalidInput
from knee_angle.page.server import HEADERS, SETTINGS, check_address, policy


@pytest.fixture(scope="module")
def port() -> int:
    return free_port()


@pytest.fixture(scope="module")
def address(port) -> Iterator[str]:
    with running(serving.command(port=port), port) as address:
        yield address


def got(url: str, **headers: str) -> tuple[int, dict[str, str], str]:
    """Status, headers and text of one request."""
    request = urllib.request.Request(url, headers=headers)
    try:
        with urllib.request.urlopen(request) as answer:
            return answer.status, dict(answer.headers.items()), answer.read().decode()
    except urllib.error.HTTPError as refused:
        with refused:
            return refused.code, dict(refused.headers.items()), refused.read().decode()


def test_it_listens_on_loopback_alone(address, port):
    # /proc/net/tcp: local address in hex, state 0A = listening.
    rows = [line.split() for line in Path("/proc/net/tcp").read_text().splitlines()[1:]]
    listening = [row[1] for row in rows if row[3] == "0A" and row[1].endswith(f":{port:04X}")]
    assert address
    assert listening == [f"0100007F:{port:04X}"]


@pytest.mark.parametrize(
    "path",
    ["/", "/photograph", "/_stcore/health", "/_stcore/host-config", "/static/no-such-file.js"],
)
def test_every_response_carries_the_policy(address, port, path):
    _, headers, _ = got(address + path)
    sent = {name.lower(): value for name, value in headers.items()}
    assert sent["content-security-policy"] == policy(f"127.0.0.1:{port}")
    assert {name: sent[name] for name in HEADERS} == HEADERS


def test_the_policy_lets_nothing_in_from_outside():
    rules = dict(rule.split(" ", 1) for rule in policy("127.0.0.1:1").split("; "))
    assert rules["default-src"] == "'none'"
    assert rules["frame-ancestors"] == "'none'"
    # No scheme and no host of the outside, no eval, no inline script but Streamlit's own by hash.
    allowed = {"'none'", "'self'", "'unsafe-inline'", "data:", "blob:", "ws://127.0.0.1:1"}
    for name, sources in rules.items():
        rest = {s for s in sources.split() if not s.startswith("'sha256-")} - allowed
        assert rest == set(), name
    assert "unsafe" not in rules["script-src"]
    assert "blob:" not in rules["script-src"]


@pytest.mark.parametrize(
    "headers",
    [
        pytest.param({"Host": "knee.example"}, id="another name (DNS rebinding)"),
        pytest.param({"Host": "127.0.0.1.knee.example"}, id="a name that begins like ours"),
        pytest.param({"Origin": "http://knee.example"}, id="a page of another site"),
        pytest.param({"Origin": "http://127.0.0.1:1"}, id="a page of another port"),
        pytest.param({"Origin": "null"}, id="a page of no site"),
    ],
)
def test_a_stranger_is_refused_in_one_line(address, headers):
    status, sent, text = got(address, **headers)
    assert status == 403
    assert text.startswith("Refused: the page answers on this machine only")
    assert "\n" not in text
    assert "Content-Security-Policy".lower() in {name.lower() for name in sent}


def test_a_stranger_gets_no_websocket(address, port):
    ask = (
        "GET /_stcore/stream HTTP/1.1\r\nHost: 127.0.0.1\r\nOrigin: http://knee.example\r\n"
        "Connection: Upgrade\r\nUpgrade: websocket\r\nSec-WebSocket-Version: 13\r\n"
        "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n"
    )
    assert address
    with socket.create_connection(("127.0.0.1", port)) as line:
        line.sendall(ask.encode())
        assert line.recv(100).startswith(b"HTTP/1.1 403")


@pytest.mark.parametrize("address", ["0.0.0.0", "::", "192.0.2.1", "knee.example", "None", ""])
def test_any_other_address_is_refused(address):
    with pytest.raises(InvalidInput, match=r"address must be 127\.0\.0\.1, but got"):
        check_address(address)
    with pytest.raises(InvalidInput, match=r"address must be 127\.0\.0\.1, but got"):
        serving.serve(port=8501, address=address)


@pytest.mark.parametrize("address", ["127.0.0.1", "::1", "localhost"])
def test_this_machines_own_addresses_are_not(address):
    check_address(address)


@pytest.fixture
def never_begun(monkeypatch) -> None:
    """The command would become the server: here it would take the tests' place."""

    def begun(*line: object) -> None:
        raise AssertionError(f"it was not refused: {line}")

    monkeypatch.setattr(os, "execv", begun)


@pytest.mark.usefixtures("never_begun")
def test_the_command_refuses_another_address_in_one_line():
    done = called("page", "--address", "0.0.0.0")
    assert done.returncode == 2
    assert "address must be 127.0.0.1, but got 0.0.0.0" in done.stderr
    assert done.stderr.count("\n") == 1


def streamlit_run(port: int, *more: str) -> list[str]:
    return [
        sys.executable, "-m", "streamlit", "run", "app.py", "--server.port", str(port), *more,
    ]  # fmt: skip


def test_streamlit_run_is_protected_as_well():
    port = free_port()
    with running(streamlit_run(port), port) as address:
        assert "content-security-policy" in {name.lower() for name in got(address)[1]}
        assert got(address, Host="knee.example")[0] == 403


def test_streamlit_run_on_another_address_does_not_start():
    done = subprocess.run(
        streamlit_run(free_port(), "--server.address", "0.0.0.0"),
        capture_output=True, text=True, check=False, cwd=ROOT, timeout=40,
    )  # fmt: skip
    assert done.returncode != 0
    assert "address must be 127.0.0.1, but got 0.0.0.0" in done.stdout + done.stderr
    assert "Traceback" not in done.stdout + done.stderr


def test_both_ways_to_start_have_the_same_settings():
    config = tomllib.loads((ROOT / ".streamlit" / "config.toml").read_text())
    assert flat(config) == SETTINGS


def flat(config: dict, within: str = "") -> dict:
    """The settings by their whole names."""
    found = {}
    for name, value in config.items():
        found |= (
            flat(value, f"{within}{name}.") if isinstance(value, dict) else {within + name: value}
        )
    return found


def started(port: int) -> subprocess.Popen[str]:
    """``knee-angle page``, as a person starts it, once it answers."""
    page_command = [sys.executable, "-m", "knee_angle", "page", "--port", str(port)]
    # A run in the background (nohup, `&`) hands on signals that it ignores; a person's shell none.
    command = ["env", "--default-signal=INT,HUP", *page_command]
    page = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, cwd=ROOT,
        start_new_session=True,
    )  # fmt: skip
    deadline = time.monotonic() + 40
    while not answers(port):
        assert page.poll() is None, page.stdout.read()
        assert time.monotonic() < deadline, "the page did not start"
        time.sleep(0.2)
    return page


def answers(port: int) -> bool:
    with socket.socket() as line:
        return line.connect_ex(("127.0.0.1", port)) == 0


@pytest.mark.parametrize(
    "how",
    [
        pytest.param(signal.SIGINT, id="Ctrl+C"),
        pytest.param(signal.SIGTERM, id="stopped by the system"),
        pytest.param(signal.SIGKILL, id="killed"),
        pytest.param(signal.SIGHUP, id="its terminal was closed"),
    ],
)
def test_the_server_ends_with_the_command(how):
    port = free_port()
    page = started(port)
    try:
        page.send_signal(how)
        page.wait(timeout=20)
        deadline = time.monotonic() + 5
        while answers(port) and time.monotonic() < deadline:
            time.sleep(0.1)
        assert not answers(port), "the server goes on without the command"
    finally:
        with contextlib.suppress(ProcessLookupError):  # what is left of its group
            os.killpg(page.pid, signal.SIGKILL)
        page.wait()
        said = page.stdout.read()
        page.stdout.close()
    assert f"http://127.0.0.1:{port}" in said
    assert "Traceback" not in said


@pytest.mark.usefixtures("never_begun")
def test_a_second_page_is_refused_with_the_first_one_named(address, port):
    assert address
    done = called("page", "--port", port)
    assert done.returncode == 2
    said = re.fullmatch(
        rf"knee-angle: port {port} is taken by another knee-angle page \(version (\S+), process "
        rf"(\d+)\): stop that one, or give another --port\n",
        done.stderr,
    )
    assert said is not None, done.stderr
    assert said[1] == __version__
    # -m knee_angle.page --port N is what runs under that number.
    assert str(port).encode() in Path(f"/proc/{said[2]}/cmdline").read_bytes().split(b"\0")
    assert done.stdout == ""  # nobody is sent to the old one


@pytest.mark.usefixtures("never_begun")
def test_another_programs_port_is_refused():
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        done = called("page", "--port", port)
    assert done.returncode == 2
    assert done.stderr == (
        f"knee-angle: port {port} is taken by another program: give another --port\n"
    )
    assert done.stdout == ""


def test_the_camera_is_not_asked_for():
    assert "camera=()" in HEADERS["permissions-policy"]
