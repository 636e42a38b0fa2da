"""Sockets that dawdle are closed: a request that never ends would hold its place for good.

uvicorn ends connections that idle *between* requests; this ends those that idle in one,
and allows one address only so many at a time. A web socket that its browser is about to close
is closed when the server stops, too.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from typing import Any, ClassVar

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.protocols.websockets.websockets_sansio_impl import WebSocketsSansIOProtocol
from websockets.exceptions import InvalidState

__all__ = ["AT_A_TIME", "BODY_S", "HEAD_S", "ROOM", "SocketProtocol", "TimedProtocol"]

HEAD_S = 15.0
"""Seconds for a request's head, from connecting or from the end of the request before."""
BODY_S = 360.0
"""Seconds for its body: 40 MB at 1 Mbit/s take 320."""
AT_A_TIME = 64
"""Connections of one address; a browser opens six and one web socket a tab. All computers
behind one proxy are one address: there it is not counted."""


ROOM = 384
"""Connections of all addresses beyond which a new one ends the one that has waited longest in
the middle of a request: who dawdles makes room for who does not."""


class TimedProtocol(H11Protocol):
    """HTTP/1.1 with an end to every wait for the browser."""

    counted = True
    _open: ClassVar[Counter[str]] = Counter()
    _waiting: ClassVar[dict[TimedProtocol, None]] = {}

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin the clock; turn away an address that has too many."""
        super().connection_made(transport)
        self._timer: asyncio.TimerHandle | None = None
        self._from = self.client[0] if self.client else ""
        self._open[self._from] += 1
        if self.counted and self._open[self._from] > AT_A_TIME:
            # Not close(): over TLS that waits for the other end to say goodbye, too.
            self.transport.abort()
            return
        if len(self.connections) > ROOM and self._waiting:
            next(iter(self._waiting))._too_slow()
        self._wait(HEAD_S)

    def data_received(self, data: bytes) -> None:
        """A head that is whole starts the body's clock; a whole body stops it."""
        super().data_received(data)
        if self.transport.is_closing():
            return
        if self.conn.their_state is h11.SEND_BODY:
            if self._for != BODY_S:
                self._wait(BODY_S)
        elif self.conn.their_state is not h11.IDLE:
            self._stop()

    def on_response_complete(self) -> None:
        """The next request has its own time, within uvicorn's own for idle connections."""
        super().on_response_complete()
        if not self.transport.is_closing() and self.conn.their_state is h11.IDLE:
            self._wait(max(HEAD_S, self.timeout_keep_alive + 1))

    def handle_websocket_upgrade(self, event: Any) -> None:
        """A web socket is the gate's to watch; uvicorn pings it.

        With a control sign in a header uvicorn's web socket code answers nothing and holds
        the line for good: such a handshake ends here.
        """
        if any(sign < 0x20 or sign == 0x7F for _, value in self.headers for sign in value):
            self.send_400_response("Invalid HTTP request received.")
            return
        self._stop()
        self._leave()
        super().handle_websocket_upgrade(event)

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget the clock."""
        self._stop()
        self._leave()
        super().connection_lost(exc)

    def _wait(self, seconds: float) -> None:
        self._stop()
        self._for = seconds
        self._waiting[self] = None
        self._timer = self.loop.call_later(seconds, self._too_slow)

    def _stop(self) -> None:
        self._for = 0.0
        self._waiting.pop(self, None)
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _too_slow(self) -> None:
        self._stop()
        self.transport.abort()

    def _leave(self) -> None:
        if self._from and self._open[self._from] > 0:
            self._open[self._from] -= 1
            if not self._open[self._from]:
                del self._open[self._from]
        self._from = ""


class SocketProtocol(WebSocketsSansIOProtocol):
    """A web socket that ends with the server, whoever began to close it."""

    def shutdown(self) -> None:
        """Uvicorn fails where the browser was first, and then closes none of the others."""
        try:
            super().shutdown()
        except InvalidState:
            self.transport.close()
