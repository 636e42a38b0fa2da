"""The page's server for real: this machine only, and nothing from outside."""

from __future__ import annotations

import socket
import subprocess
import sys
import tomllib
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest
from serving import ROOT, free_port, running

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


def test_the_command_refuses_another_address_in_one_line():
    done = subprocess.run(
        [sys.executable, "-m", "knee_angle", "page", "--address", "0.0.0.0"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
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
    flat = {f"{part}.{name}": value for part, of in config.items() for name, value in of.items()}
    assert flat == SETTINGS
