"""What the gate answers itself: signing in and out, pairing, devices.

Each step that changes something is a POST from a page of ours (the gate has looked at its
origin); those of a signed-in browser carry the session's own form token as well.
"""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import logging
from dataclasses import dataclass
from typing import TYPE_CHECKING
from urllib.parse import parse_qs

import segno
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import RedirectResponse, Response

from knee_angle.errors import InvalidInput
from knee_angle.language import say, tell
from knee_angle.page.ward import templates
from knee_angle.page.ward.here import Running
from knee_angle.store.access.pairing import LIVES
from knee_angle.store.access.roles import MAY, NotAllowed
from knee_angle.store.access.sessions import ABSOLUTE, Session
from knee_angle.store.access.signing_in import SignedIn, Wait

if TYPE_CHECKING:
    from knee_angle.page.ward.provider import Vouching

__all__ = ["COOKIE", "Doors", "VouchingFailed", "form_token"]

COOKIE = "__Host-knee-angle"
"""The prefix makes browsers take it from this host alone, over TLS, for every path."""
FORM_BYTES, FORM_S = 4096, 15.0
"""The most a form may hold, and how long it may take, seconds."""
Form = dict[str, str]
LOG = logging.getLogger("knee_angle.ward")

NO_FIT = say("Account and password do not fit. Nothing is told of which.")
NO_CODE = say("This code opens nothing any more: have the computer show a new one.")
NO_VOUCH = say(
    "The hospital's sign-in did not work. Try again, or ask who looks after the accounts."
)
NO_ACCOUNT = say("The hospital knows you, this page does not: ask for an account here.")


class VouchingFailed(Exception):
    """The provider did not vouch; the text is for the log, not for the browser."""


@dataclass(frozen=True)
class Doors:
    """The gate's own pages and steps."""

    running: Running
    vouching: Vouching | None
    fingerprint: str

    def sign_in_page(self, said: str = "", *, status: int = 401, wait: float = 0) -> Response:
        """All that an unsigned browser ever gets."""
        page = templates.page(
            "sign_in.html", status=status, said=tell(said), provider=self.vouching is not None
        )
        if wait:
            page.headers["retry-after"] = str(int(wait))
        return page

    async def unsigned(self, request: Request, *, address: str) -> Response:
        """A request without a session."""
        step = (request.method, request.url.path)
        device = request.headers.get("user-agent", "")
        access = self.running.access
        if step == ("POST", "/ward/sign-in"):
            form = await form_of(request)
            tried = await run_in_threadpool(
                access.by_password, form.get("name", ""), form.get("password", ""),
                address=address, device=device,
            )  # fmt: skip
            return self._entered(tried, NO_FIT)
        if step == ("POST", "/ward/join"):
            code = (await form_of(request)).get("code", "")
            tried = await run_in_threadpool(access.by_code, code, address=address, device=device)
            return self._entered(tried, NO_CODE)
        if self.vouching is not None and step[0] == "GET":
            if step[1] == "/ward/provider":
                return await self._to_provider(request)
            if step[1] == "/ward/provider/back":
                return await self._from_provider(request, device=device)
        return self.sign_in_page(status=200 if step == ("GET", "/") else 401)

    async def signed(self, request: Request, session: Session, *, address: str) -> Response | None:
        """A request under ``/ward/`` with a session; None: there is no such page."""
        path = request.url.path
        if path in {"/ward/sign-in", "/ward/join"}:
            # Somebody else signs in, or again: the session that was there ends.
            entered = await self.unsigned(request, address=address)
            if entered.status_code == 303:
                await run_in_threadpool(self._end, session.id, session.account, "signed out")
            return entered
        if request.method == "GET" and path == "/ward/session":
            return Response(status_code=204)
        if request.method == "GET" and path == "/ward/devices":
            return await self.devices(request, session)
        step = {
            "/ward/sign-out": self._sign_out, "/ward/end": self._end_one, "/ward/pair": self._pair,
        }.get(path)  # fmt: skip
        if request.method != "POST" or step is None:
            return None
        form = await form_of(request)
        expected = form_token(request.cookies[COOKIE])
        if not hmac.compare_digest(form.get("form", "").encode(), expected.encode()):
            return await self.devices(
                request, session, said=say("That form was too old: try again.")
            )
        return await step(request, session, form)

    async def devices(
        self, request: Request, session: Session, *, said: str = "", code: str = ""
    ) -> Response:
        """Who is signed in, and the code for a phone."""
        whose = None if "accounts" in MAY[session.role] else session.account
        return templates.page(
            "devices.html",
            here=session,
            sessions=await run_in_threadpool(self.running.access.sessions.standing, whose),
            said=tell(said),
            code=code,
            lives_s=int(LIVES.total_seconds()),
            fingerprint=self.fingerprint,
            may_pair=session.way != "paired" and session.role != "admin",
            form=form_token(request.cookies[COOKIE]),
        )

    async def _sign_out(self, _: Request, session: Session, __: Form) -> Response:
        await run_in_threadpool(self._end, session.id, session.account, "signed out")
        return _forgotten(RedirectResponse("/", 303))

    async def _pair(self, request: Request, session: Session, _: Form) -> Response:
        pairing = self.running.access.by(session.account).pairing
        try:
            secret = await run_in_threadpool(pairing.offer, session)
        except NotAllowed as no:
            return await self.devices(request, session, said=say("Not done: {why}", why=no))
        made = segno.make(f"{self.running.ward.url}/#join={secret}", error="m", micro=False)
        return await self.devices(request, session, code=made.svg_data_uri(scale=8, border=4))

    async def _end_one(self, request: Request, session: Session, form: Form) -> Response:
        """End a session of one's own; whoever looks after accounts may end any."""
        ended = form.get("session", "")
        whose = None if "accounts" in MAY[session.role] else session.account
        standing = await run_in_threadpool(self.running.access.sessions.standing, whose)
        if ended not in {one.id for one in standing}:
            return await self.devices(request, session, said=say("That one has ended already."))
        await run_in_threadpool(self._end, ended, session.account, "ended a session")
        return RedirectResponse("/ward/devices", 303)

    def _end(self, ended: str, account: str, told: str) -> None:
        try:
            self.running.access.by(account).sessions.end(ended, told=told)
        except InvalidInput:
            return  # it is gone: that was wanted

    def _entered(self, tried: SignedIn | Wait | None, no: str) -> Response:
        if isinstance(tried, Wait):
            said = say(
                "Too many attempts: try again in {seconds:.0f} seconds.", seconds=tried.seconds
            )
            return self.sign_in_page(said, status=429, wait=tried.seconds)
        if tried is None:
            return self.sign_in_page(no)
        return _remembered(RedirectResponse("/", 303), tried.secret)

    async def _to_provider(self, request: Request) -> Response:
        if self.vouching is None:
            return self.sign_in_page()
        try:
            return await self.vouching.there(request)
        except VouchingFailed as failed:
            LOG.warning("the provider could not be asked: %s", failed)
            return self.sign_in_page(NO_VOUCH)

    async def _from_provider(self, request: Request, *, device: str) -> Response:
        if self.vouching is None:
            return self.sign_in_page()
        try:
            subject = await self.vouching.subject(request)
        except VouchingFailed as failed:
            LOG.warning("the provider did not vouch: %s", failed)
            return self.sign_in_page(NO_VOUCH)
        access = self.running.access
        account = await run_in_threadpool(access.accounts.by_subject, subject)
        if account is None:
            note = access.store.as_user(access.who).note
            await run_in_threadpool(note, "refused", "sign-in by the provider: no account")
            return self.sign_in_page(NO_ACCOUNT)
        entered = await run_in_threadpool(access.begun, account, way="provider", device=device)
        return _remembered(RedirectResponse("/", 303), entered.secret)


def form_token(secret: str) -> str:
    """What a form of this session carries: another site cannot know it."""
    return hashlib.sha256(f"form {secret}".encode()).hexdigest()


async def form_of(request: Request) -> Form:
    """A small form's fields; empty where it is too large, too slow, broken off or none."""
    body = b""
    try:
        async with asyncio.timeout(FORM_S):
            async for piece in request.stream():
                body += piece
                if len(body) > FORM_BYTES:
                    return {}
        fields = parse_qs(body.decode(), max_num_fields=10, keep_blank_values=True)
    except (ClientDisconnect, TimeoutError, ValueError):
        return {}
    return {name: values[0] for name, values in fields.items()}


def _remembered(answer: Response, secret: str) -> Response:
    answer.set_cookie(
        COOKIE, secret, max_age=int(ABSOLUTE.total_seconds()), path="/",
        secure=True, httponly=True, samesite="lax",
    )  # fmt: skip
    return answer


def _forgotten(answer: Response) -> Response:
    answer.set_cookie(COOKIE, "", max_age=0, path="/", secure=True, httponly=True, samesite="lax")
    answer.headers["clear-site-data"] = '"cache", "storage"'
    return answer
