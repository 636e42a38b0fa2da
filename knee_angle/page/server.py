"""What answers the browser: this machine only, and nothing from outside.

Streamlit's own server application, wrapped so that every response carries a strict
content security policy, and so that a request counts only when it comes from this
machine, under this machine's name. The second rule stops a foreign site from talking to
the page through the visitor's browser (DNS rebinding, cross-site WebSockets).
"""

from __future__ import annotations

import base64
import hashlib
import os
import re
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import streamlit
from starlette.middleware import Middleware
from starlette.responses import PlainTextResponse

from knee_angle import __version__
from knee_angle.cli.serving import ADDRESS, WHO
from knee_angle.errors import InvalidInput
from knee_angle.language import say
from knee_angle.page.receiving import Receiving
from knee_angle.store.access.ward import is_loopback

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["MIDDLEWARE", "SCRIPT", "SETTINGS", "LocalOnly", "check_address", "policy"]

SCRIPT = Path(__file__).with_name("script.py")

SETTINGS: dict[str, str | int | bool] = {
    "server.address": ADDRESS,
    "server.headless": True,
    "server.maxUploadSize": 40,  # megabytes a photo
    "server.enableStaticServing": False,
    "server.fileWatcherType": "none",
    # Runs of one visit never overlap: an older one would drop its photo, or put back what was
    # typed since.
    "runner.fastReruns": False,
    "browser.gatherUsageStats": False,
    "client.toolbarMode": "minimal",
    "client.showErrorDetails": "none",
    "client.showErrorLinks": False,
    "global.disableWidgetStateDuplicationWarning": True,
    # Light or dark, as the phone is set.
    "theme.light.primaryColor": "#0b6e69",
    "theme.light.textColor": "#141c26",
    "theme.dark.primaryColor": "#3fa79b",
    "theme.dark.textColor": "#e9eef4",
    "theme.dark.backgroundColor": "#141a21",
    "theme.dark.secondaryBackgroundColor": "#212a34",
    "theme.font": "sans-serif",
}
"""As in the project's .streamlit/config.toml, which `streamlit run app.py` reads."""

NAMES = frozenset({"127.0.0.1", "localhost", "::1"})
"""What this machine may be called in an address."""

REFUSED = (
    "Refused: the page answers on this machine only, at http://127.0.0.1 (nobody signs in here)."
)

HEADERS = {
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
}


@cache
def _own_scripts() -> str:
    """Hashes of the scripts that stand inside Streamlit's own start page (CSP level 2)."""
    page = Path(streamlit.__file__).parent / "static" / "index.html"
    inside = re.findall(r"<script>(.*?)</script>", page.read_text(encoding="utf-8"), re.DOTALL)
    digests = (hashlib.sha256(script.encode()).digest() for script in inside)
    return " ".join(f"'sha256-{base64.b64encode(digest).decode()}'" for digest in digests)


def policy(host: str, *, secure: bool = False) -> str:
    """The content security policy of a page opened under `host` (name and port).

    With ``secure`` its web socket goes over TLS.

    Examples
    --------
    >>> "script-src 'self'" in policy("127.0.0.1:8501")
    True
    """
    rules = {
        "default-src": "'none'",
        "script-src": f"'self' {_own_scripts()}",
        # Streamlit writes its styles while it runs; a style can load nothing from outside.
        "style-src": "'self' 'unsafe-inline'",
        "img-src": "'self' data: blob:",
        "font-src": "'self' data:",
        "media-src": "'self' blob:",
        "connect-src": f"'self' {'wss' if secure else 'ws'}://{host}",
        "manifest-src": "'self'",
        "base-uri": "'none'",
        "form-action": "'none'",
        "frame-ancestors": "'none'",
    }
    return "; ".join(f"{name} {sources}" for name, sources in rules.items())


class LocalOnly:
    """ASGI middleware: refuses strangers, and adds the headers to every response."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] == "lifespan":
            await self._start(scope, receive, send)
            return
        headers = {name: value.decode("latin-1") for name, value in scope["headers"]}
        host = headers.get(b"host", "")
        local = _is_local(scope, host, headers.get(b"origin"))

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = _with_policy(message.get("headers", []), host)
                if local:
                    who = f"{__version__} {os.getpid()}"
                    message["headers"].append((WHO.encode(), who.encode()))
            await send(message)

        if local:
            await self.app(scope, receive, with_headers)
        elif scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})
        else:
            host = ADDRESS
            await PlainTextResponse(REFUSED, status_code=403)(scope, receive, with_headers)

    async def _start(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Start the server, unless it would listen anywhere but on this machine."""
        try:
            check_address(str(streamlit.get_option("server.address")))
        except InvalidInput as error:
            await receive()
            await send({"type": "lifespan.startup.failed", "message": str(error)})
        else:
            await self.app(scope, receive, send)


MIDDLEWARE = [Middleware(LocalOnly), Middleware(Receiving)]


def check_address(address: str) -> None:
    """Refuse to listen anywhere but on this machine.

    Raises
    ------
    InvalidInput
        Any address but a loopback one.
    """
    if not is_loopback(address):
        raise InvalidInput(
            say(
                "the page's address must be {address}, but got {address2}: it shows "
                "patients' photos and nobody signs in; serve a network by `knee-angle page "
                "--ward`",
                address=ADDRESS,
                address2=address,
            )
        )


def _with_policy(headers: list[tuple[bytes, bytes]], host: str) -> list[tuple[bytes, bytes]]:
    ours = {**HEADERS, "content-security-policy": policy(host)}
    kept = [(name, value) for name, value in headers if name.decode("latin-1").lower() not in ours]
    return [*kept, *((name.encode(), value.encode("latin-1")) for name, value in ours.items())]


def _is_local(scope: Scope, host: str, origin: str | None) -> bool:
    """From this machine, under this machine's name, and from a page of this server."""
    client = scope.get("client")
    if client is not None and not is_loopback(client[0]):
        return False
    if _name(f"//{host}") not in NAMES:
        return False
    return origin is None or urlsplit(origin).netloc == host


def _name(address: str) -> str | None:
    try:
        return urlsplit(address).hostname
    except ValueError:
        return None
