"""The gate: every request and web socket of a ward's page passes here, or goes no further.

Without a session a browser gets the sign-in page and nothing else, whatever it asks for:
no file, no health check, no web socket. What passes carries the session's identifier in a
header that only the gate writes.
"""

from __future__ import annotations

import asyncio
import re
import time
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request, cookie_parser
from starlette.responses import PlainTextResponse

from knee_angle.language import language_of, say, set_language, tell, usual_language
from knee_angle.page.receiving import PATH as PHOTOS
from knee_angle.page.server import HEADERS, policy
from knee_angle.page.ward.assets import Assets
from knee_angle.page.ward.doors import COOKIE, Doors
from knee_angle.page.ward.here import HEADER, Running, set_asking
from knee_angle.store.access.roles import MAY, refused
from knee_angle.store.access.sessions import Session, sha256_of

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["Gate"]

BELIEVED_S = 2.0
"""How long a session that was looked up is believed: an ended one ends so soon."""
CHECKED_S = 5.0
"""How often an open web socket's session is looked up."""
READING = frozenset({"GET", "HEAD"})
WRITING = frozenset({"POST", "PUT", "DELETE"})
UPLOADS = ("/_stcore/upload_file", PHOTOS)
NOT_SERVED = ("/_stcore/metrics", "/_stcore/agent", "/_stcore/script-health-check", "/oauth2")
"""Of Streamlit's own, for no browser of ours."""
NO_PAGES = (b"text/javascript", b"text/css", b"font/")
OF_A_FILE = {
    "x-content-type-options": "nosniff",
    "cross-origin-resource-policy": "same-origin",
    "content-security-policy": "default-src 'none'",
}
"""For files that no browser opens as a page: all of a page's headers are half a second of a slow
line over some sixty of them."""
MISDIRECTED = say("This page answers under its own name only.")
FOREIGN = say("Refused: this came from a page of another site.")
PROXY_ONLY = say("Refused: this page answers its proxy only.")


class Gate:
    """ASGI application around the page's own."""

    def __init__(
        self, app: ASGIApp, *, running: Running, doors: Doors, assets: Assets, strict: bool
    ) -> None:
        self.app, self.running, self.doors, self.assets = app, running, doors, assets
        self.strict = strict
        self._believed: dict[str, tuple[float, Session]] = {}
        vouching = doors.vouching
        self.answering = self._answer if vouching is None else vouching.with_state(self._answer)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        headers = _headers(scope)
        # A request is a task of its own, and what is set here is nobody else's.
        set_language(language_of(headers.get("accept-language", "")) or usual_language())
        wrong = self._wrong(scope, headers)
        host = headers.get("host", "")

        async def sending(message: Message) -> None:
            if message["type"] == "http.response.start":
                named = host if _host(host) in self.running.ward.hosts else "none.invalid"
                message["headers"] = self._with_headers(message.get("headers", []), named)
            await send(message)

        if wrong is not None:
            await _turned_away(scope, receive, sending, *wrong)
            return
        # Nobody but the gate says who it is.
        scope["headers"] = [one for one in scope["headers"] if one[0].lower() != HEADER.encode()]
        session = await self._session(headers.get("cookie", ""))
        scope["knee_angle.session"] = session
        set_asking("" if session is None else session.id)
        scope["knee_angle.address"] = self._address(scope, headers)
        if scope["type"] == "websocket":
            await self._socket(scope, receive, send, session)
        else:
            await self.answering(scope, receive, sending)

    def _wrong(self, scope: Scope, headers: dict[str, str]) -> tuple[int, str] | None:
        """Why a request is turned away before anybody asks who it is."""
        ward = self.running.ward
        names = [value for name, value in scope["headers"] if name.lower() == b"host"]
        host = headers.get("host", "")
        if len(names) != 1 or _host(host) not in ward.hosts:
            return 421, MISDIRECTED
        if ward.proxy is not None:
            client = scope.get("client")
            if client is None or client[0] != ward.proxy:
                return 403, PROXY_ONLY
            if headers.get("x-forwarded-proto", "").rpartition(",")[2].strip() != "https":
                return 403, say("Refused: the proxy has to say that the browser came by https.")
        origin = headers.get("origin")
        writes = scope["type"] == "websocket" or scope["method"] not in READING
        if origin is None:
            return (403, FOREIGN) if writes else None
        parts = urlsplit(origin)
        if (parts.scheme, parts.netloc) != ("https", host):
            return 403, FOREIGN
        return None

    def _address(self, scope: Scope, headers: dict[str, str]) -> str:
        """Whose browser it is: what the proxy saw, or the socket's other end."""
        if self.running.ward.proxy is not None:
            return headers.get("x-forwarded-for", "").rpartition(",")[2].strip()[:45]
        client = scope.get("client")
        return str(client[0]) if client else ""

    async def _session(self, cookies: str) -> Session | None:
        secret = cookie_parser(cookies).get(COOKIE, "")
        if not secret:
            return None
        key, now = sha256_of(secret), time.monotonic()
        at, session = self._believed.get(key, (0.0, None))
        if session is not None and now - at < BELIEVED_S:
            return session
        found = await run_in_threadpool(self.running.access.sessions.of, secret)
        self._believed = {k: v for k, v in self._believed.items() if now - v[0] < BELIEVED_S}
        if found is not None:
            self._believed[key] = (now, found)
        return found

    async def _answer(self, scope: Scope, receive: Receive, send: Send) -> None:
        """A request over HTTP that came under our name from our page."""
        session: Session | None = scope["knee_angle.session"]
        path, address = scope["path"], scope["knee_angle.address"]
        request = Request(scope, receive)
        if session is None:
            await (await self.doors.unsigned(request, address=address))(scope, receive, send)
            return
        if path.startswith("/ward/") and path not in self.assets.ours:
            answer = await self.doors.signed(request, session, address=address)
            if answer is None:
                answer = PlainTextResponse(tell("There is no such page."), 404)
            elif answer.status_code == 303:
                self._believed.clear()
            await answer(scope, receive, send)
            return
        await self._page(scope, receive, send, session)

    async def _page(self, scope: Scope, receive: Receive, send: Send, session: Session) -> None:
        """What a signed-in browser gets of the page itself."""
        path, method, headers = scope["path"], scope["method"], _headers(scope)
        accepts = headers.get("accept-encoding", "")
        if method not in READING | WRITING or path.startswith(NOT_SERVED):
            await PlainTextResponse(tell("There is no such page."), 404)(scope, receive, send)
            return
        if method in WRITING and not (path.startswith(UPLOADS) and "measure" in MAY[session.role]):
            told = refused(session.role, "measure")
            note = self.running.access.store.as_user(session.account).note
            await run_in_threadpool(note, "refused", f"{method} of an upload")
            await PlainTextResponse(tell(str(told)), 403)(scope, receive, send)
            return
        answer = await run_in_threadpool(self.assets.answer, path, accepts)
        if answer is not None:
            await answer(scope, receive, send)
            return
        if method in WRITING or headers.get("sec-fetch-mode") == "navigate":
            await run_in_threadpool(self.running.access.sessions.touched, session)
        await self._inner(scope, receive, send, accepts=accepts)

    async def _inner(self, scope: Scope, receive: Receive, send: Send, *, accepts: str) -> None:
        """Streamlit's answer; in place of its start page comes ours."""
        ours = False

        async def sending(message: Message) -> None:
            nonlocal ours
            if message["type"] == "http.response.start" and message["status"] == 200:
                told = {name.lower(): value for name, value in message.get("headers", [])}
                ours = told.get(b"content-type", b"").startswith(b"text/html")
            if not ours:
                await send(message)

        await self.app(scope, receive, sending)
        if ours:
            await self.assets.start_page(accepts)(scope, receive, send)

    async def _socket(
        self, scope: Scope, receive: Receive, send: Send, session: Session | None
    ) -> None:
        """A web socket, as long as its session counts."""
        if session is None:
            await receive()  # the handshake
            await send({"type": "websocket.close", "code": 1008})
            return
        scope["headers"].append((HEADER.encode(), session.id.encode()))
        watched = _Watched(self, session, receive, send)
        try:
            await self.app(scope, watched.receive, send)
        finally:
            watched.stop()

    def _with_headers(
        self, headers: list[tuple[bytes, bytes]], host: str
    ) -> list[tuple[bytes, bytes]]:
        """Ours over the page's; cookies over TLS alone; nothing cached that was not said to be."""
        told = {name.lower() for name, _ in headers}
        ours = dict(HEADERS)
        if b"content-security-policy" in told:  # a page of the gate's own
            del ours["referrer-policy"]
        else:
            ours["content-security-policy"] = policy(host, secure=True)
        if self.strict:
            ours["strict-transport-security"] = "max-age=31536000"
        kinds = {name.lower(): value for name, value in headers}
        caching = kinds.get(b"cache-control", b"")
        if b"immutable" in caching and kinds.get(b"content-type", b"").startswith(NO_PAGES):
            ours = dict(OF_A_FILE)
        if b"immutable" not in caching and b"max-age=86400" not in caching:
            ours["cache-control"] = "no-store"
        dropped = {name.encode() for name in ours} | {b"server"}
        kept = [(n, _secure(n, v)) for n, v in headers if n.lower() not in dropped]
        return [*kept, *((n.encode(), v.encode("latin-1")) for n, v in ours.items())]


class _Watched:
    """What a browser sends over a web socket, until its session has ended."""

    def __init__(self, gate: Gate, session: Session, receive: Receive, send: Send) -> None:
        self.gate, self.session, self._receive, self._send = gate, session, receive, send
        self._next: asyncio.Future[Message] | None = None

    async def receive(self) -> Message:
        """The next message; at its end the socket is closed from here."""
        sessions = self.gate.running.access.sessions
        while True:
            if self._next is None:
                self._next = asyncio.ensure_future(self._receive())
            await asyncio.wait({self._next}, timeout=CHECKED_S)
            counts = await run_in_threadpool(sessions.by_id, self.session.id)
            if counts is None:
                await self._send({"type": "websocket.close", "code": 1008})
                return {"type": "websocket.disconnect", "code": 1008}
            if self._next.done():
                message, self._next = self._next.result(), None
                if message["type"] == "websocket.receive":
                    await run_in_threadpool(sessions.touched, counts)
                return message

    def stop(self) -> None:
        """The socket is closed."""
        if self._next is not None:
            self._next.cancel()


async def _turned_away(scope: Scope, receive: Receive, send: Send, status: int, said: str) -> None:
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": 1008})
        return
    await PlainTextResponse(tell(said), status)(scope, receive, send)


def _headers(scope: Scope) -> dict[str, str]:
    return {name.decode("latin-1").lower(): value.decode("latin-1")
            for name, value in scope["headers"]}  # fmt: skip


NAME_AND_PORT = re.compile(r"([\w.-]+|\[[0-9A-Fa-f:.]+\])(:\d{1,5})?", re.ASCII)


def _host(host: str) -> str:
    """The name alone; empty where it is anything but a name, perhaps with a port."""
    if NAME_AND_PORT.fullmatch(host) is None:  # it goes into the content policy as it stands
        return ""
    return urlsplit(f"//{host}").hostname or ""


def _secure(name: bytes, value: bytes) -> bytes:
    """A cookie of Streamlit's goes over TLS alone, too."""
    if name.lower() != b"set-cookie" or b"secure" in value.lower():
        return value
    return value + b"; Secure"
