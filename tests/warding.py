"""A ward's page, started for real on this machine, and a browser's requests to it by hand."""

from __future__ import annotations

import http.client
import os
import re
import socket
import ssl
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlencode

from serving import ROOT
from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ClientState_pb2 import ClientState
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
from websockets.sync.client import ClientConnection, connect
from websockets.typing import Origin, Subprotocol

from knee_angle.store import open_store
from knee_angle.store.access.roles import ROLES
from knee_angle.store.access.signing_in import Access

RIGHT = "several words with spaces"
COOKIE = "__Host-knee-angle"
UNSURE = ssl._create_unverified_context()  # noqa: S323  our own certificate, just made


@dataclass(frozen=True)
class Served:
    """A running ward."""

    port: int
    store: str
    home: Path
    log: Path
    secure: bool = True
    opened: Access | None = None

    @property
    def url(self) -> str:
        return f"https://localhost:{self.port}"

    def access(self) -> Access:
        """Its accounts and sessions, seen from this computer."""
        assert self.opened is not None
        return self.opened


@dataclass(frozen=True)
class Answer:
    """What came back."""

    status: int
    headers: list[tuple[str, str]]
    text: str

    def header(self, name: str) -> str:
        return ", ".join(value for key, value in self.headers if key.lower() == name)


@dataclass
class Browser:
    """Sends what a browser would, unless told otherwise, and remembers cookies."""

    ward: Served
    cookies: dict[str, str] = field(default_factory=dict)

    def asks(
        self,
        path: str,
        *,
        method: str = "GET",
        body: bytes = b"",
        **headers: str,
    ) -> Answer:
        """One request; ``Host`` and ``Origin`` as a browser sends them, or as given."""
        sent = {"Host": f"localhost:{self.ward.port}", "Accept-Encoding": "identity"}
        if method not in {"GET", "HEAD"}:
            sent["Origin"] = self.ward.url
        if self.cookies:
            sent["Cookie"] = "; ".join(f"{k}={v}" for k, v in self.cookies.items())
        sent |= {name.replace("_", "-"): value for name, value in headers.items()}
        line = self._line()
        try:
            line.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
            for name, value in sent.items():
                if value:
                    line.putheader(name, value)
            if body or method == "POST":
                line.putheader("Content-Length", str(len(body)))
            line.endheaders(body)
            got = line.getresponse()
            answer = Answer(got.status, got.getheaders(), got.read().decode(errors="replace"))
        finally:
            line.close()
        for name, value in answer.headers:
            if name.lower() == "set-cookie":
                key, _, rest = value.partition("=")
                self.cookies[key] = rest.partition(";")[0]
        return answer

    def bytes_of(self, path: str) -> bytes:
        """What lies under a path, as bytes."""
        line = self._line()
        cookie = "; ".join(f"{k}={v}" for k, v in self.cookies.items())
        try:
            line.request("GET", path, headers={"Cookie": cookie})
            return line.getresponse().read()
        finally:
            line.close()

    def posts(self, path: str, fields: dict[str, str], **headers: str) -> Answer:
        """A form."""
        kind = "application/x-www-form-urlencoded"
        return self.asks(
            path, method="POST", body=urlencode(fields).encode(), Content_Type=kind, **headers
        )

    def signs_in(self, name: str, password: str = RIGHT) -> Answer:
        """By name and password."""
        return self.posts("/ward/sign-in", {"name": name, "password": password})

    def upgrades(self, path: str = "/_stcore/stream", **headers: str) -> str:
        """The first line that answers a web socket's handshake."""
        sent = {
            "Host": f"localhost:{self.ward.port}", "Origin": self.ward.url,
            "Connection": "Upgrade", "Upgrade": "websocket", "Sec-WebSocket-Version": "13",
            "Sec-WebSocket-Key": "dGhlIHNhbXBsZSBub25jZQ==",
            "Cookie": "; ".join(f"{k}={v}" for k, v in self.cookies.items()),
        } | {name.replace("_", "-"): value for name, value in headers.items()}  # fmt: skip
        ask = "".join(f"{name}: {value}\r\n" for name, value in sent.items() if value)
        with self.socket() as line:
            line.sendall(f"GET {path} HTTP/1.1\r\n{ask}\r\n".encode())
            return line.recv(2000).decode(errors="replace").partition("\r\n")[0]

    def page_drawn(self, *, query: str = "", **headers: str) -> str:
        """What the server sends for the page over its web socket, until it is drawn."""
        with self._stream(**headers) as line:
            return _drawn(line, query_string=query)

    def hands_over(self, page: str, wanted: str = "") -> tuple[str, str]:
        """Tap a button of a page that hands over a file, or ask for the file of another's button.

        Returns
        -------
        (str, str)
            What the button is called in the browser's requests; the file's address, empty where
            none was made.
        """
        with self._stream() as line:
            told = _drawn(line, page_name=page)
            button = wanted or re.findall(r'deferred_file_id: "(\w+)"', told)[0]
            asked = BackMsg()
            asked.backend_operation_request.request_id = "1"
            asked.backend_operation_request.session_id = re.findall(r'session_id: "(.+?)"', told)[0]
            asked.backend_operation_request.deferred_file.file_id = button
            line.send(asked.SerializeToString())
            while True:
                message = ForwardMsg.FromString(bytes(line.recv(timeout=60)))
                if message.WhichOneof("type") == "backend_operation_response":
                    return button, message.backend_operation_response.deferred_file.url

    def _stream(self, **headers: str) -> ClientConnection:
        cookie = "; ".join(f"{k}={v}" for k, v in self.cookies.items())
        sent = {"Cookie": cookie} | {k.replace("_", "-"): v for k, v in headers.items()}
        return connect(
            f"wss://localhost:{self.ward.port}/_stcore/stream", ssl=UNSURE,
            origin=Origin(self.ward.url), additional_headers=sent,
            subprotocols=[Subprotocol("streamlit")], max_size=None,
            open_timeout=60,  # a loaded machine is slow to answer, not wrong
        )  # fmt: skip

    def socket(self) -> socket.socket:
        """A bare connection."""
        line = socket.create_connection(("127.0.0.1", self.ward.port), timeout=30)
        return UNSURE.wrap_socket(line, server_hostname="localhost") if self.ward.secure else line

    def _line(self) -> http.client.HTTPConnection:
        if self.ward.secure:
            # By name: Caddy knows the certificate for that one alone.
            return http.client.HTTPSConnection(
                "localhost", self.ward.port, context=UNSURE, timeout=60
            )
        return http.client.HTTPConnection("127.0.0.1", self.ward.port, timeout=60)


def _drawn(line: ClientConnection, **state: str) -> str:
    """What a page sends until it is drawn."""
    line.send(BackMsg(rerun_script=ClientState(**state)).SerializeToString())
    told = ""
    while True:
        message = ForwardMsg.FromString(bytes(line.recv(timeout=60)))
        told += str(message)
        if message.WhichOneof("type") == "script_finished":
            return told


def with_accounts(store: str) -> None:
    """An account of each role."""
    with open_store(store) as opened:
        for role in ROLES:
            Access(opened).accounts.add(f"{role}-1", role=role, password=RIGHT)


@contextmanager
def ward(
    folder: Path, port: int, *more: str, store: str = "", secure: bool = True
) -> Iterator[Served]:
    """A ward's page, once it answers; ended at the end."""
    home, log = folder / "home", folder / f"log-{port}"
    home.mkdir(exist_ok=True)
    place = store or str(folder / "ward.db")
    command = [
        sys.executable, "-m", "knee_angle", "page", "--ward", "--port", str(port),
        "--address", "127.0.0.1", *(more or ("--name", "localhost")),
    ]  # fmt: skip
    own = {"KNEE_ANGLE_STORE": place, "HOME": str(home), "XDG_CACHE_HOME": _shared_cache()}
    environment = {k: v for k, v in os.environ.items() if not k.startswith("XDG_")} | own
    with log.open("w") as told:
        page = subprocess.Popen(command, stdout=told, stderr=told, cwd=ROOT, env=environment)
    try:
        deadline = time.monotonic() + 90
        while True:
            try:
                socket.create_connection(("127.0.0.1", port), timeout=5).close()
                break
            except OSError:
                assert page.poll() is None, log.read_text()
                assert time.monotonic() < deadline, f"the page did not start: {log.read_text()}"
                time.sleep(0.1)
        with open_store(place, create=False) as opened:
            yield Served(port, place, home, log, secure, Access(opened))
    finally:
        page.terminate()
        page.wait(timeout=30)


def _shared_cache() -> str:
    """Compressed files are made once for all tests of a machine."""
    return str(Path.home() / ".cache")
