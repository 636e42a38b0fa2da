"""Photos that a phone sends to a visit's draft, apart from the page's own connection.

``POST /visit-photos/TOKEN`` with a photo's bytes puts them into that draft, whether the page is
connected or not; sent twice they are there once. The token in the address is what the page of
that visit carries: without it, and without a draft of that name, nothing is taken.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.responses import JSONResponse, PlainTextResponse, Response

from knee_angle.errors import KneeAngleError
from knee_angle.language import in_language, language_of, say, tell
from knee_angle.page.drafts import MOST_BYTES, drafts_folder

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Receive, Scope, Send

__all__ = ["PATH", "Receiving"]

PATH = "/visit-photos/"
MOST_PHOTOS = 24
"""Of one draft: twice what a visit takes, as some are removed again."""

ENDED = say("This visit has ended: open the page anew, then photograph again.")
TOO_LARGE = say(
    "The photo's file is larger than {most_mb} MB: photograph at a usual size.",
    most_mb=MOST_BYTES // 2**20,
)


class Receiving:
    """ASGI middleware: takes photos, hands everything else on."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http" or not scope["path"].startswith(PATH):
            await self.app(scope, receive, send)
            return
        with in_language(language_of(Headers(scope=scope).get("accept-language", "")) or "en"):
            answer = await _answer(scope, receive)
        await answer(scope, receive, send)


async def _answer(scope: Scope, receive: Receive) -> Response:
    token = scope["path"].removeprefix(PATH)
    if scope["method"] != "POST":
        return PlainTextResponse(tell("Photos are sent by POST."), status_code=405)
    if not await run_in_threadpool(_is_open, token, _account(scope)):
        return PlainTextResponse(tell(ENDED), status_code=404)
    content = await _content(receive)
    if content is None:
        return PlainTextResponse(tell(TOO_LARGE), status_code=413)
    return await run_in_threadpool(_put, token, content)


def _account(scope: Scope) -> str:
    """Whose request it is, where people sign in; empty on the local page."""
    session = scope.get("knee_angle.session")
    return "" if session is None else str(session.account)


def _is_open(token: str, account: str) -> bool:
    """Whether there is such a visit, and it is that account's."""
    draft = drafts_folder().find(token)
    return draft is not None and draft.state.get("account", "") == account


async def _content(receive: Receive) -> bytes | None:
    """The request's body; None where it is larger than a photo."""
    parts, size = [], 0
    while True:
        message = await receive()
        if message["type"] == "http.disconnect":
            return b""
        part = message.get("body", b"")
        size += len(part)
        if size <= MOST_BYTES:
            parts.append(part)
        if not message.get("more_body", False):
            return b"".join(parts) if size <= MOST_BYTES else None


def _put(token: str, content: bytes) -> Response:
    folder = drafts_folder()
    if not content:
        return PlainTextResponse(tell("The photo came without its content: send it again."), 503)
    try:
        if len(folder.photos(token)) >= MOST_PHOTOS:
            return PlainTextResponse(tell("This visit has enough photos: remove one first."), 409)
        sha256 = folder.put_photo(token, content)
    except KneeAngleError as error:
        return PlainTextResponse(tell(str(error)), 400)
    except OSError as error:
        why = error.strerror or type(error).__name__
        return PlainTextResponse(
            tell("The photo cannot be written to the disk ({why}).", why=why), 507
        )
    return JSONResponse({"sha256": sha256})
