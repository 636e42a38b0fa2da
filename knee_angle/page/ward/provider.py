"""Signing in by the hospital's OpenID Connect provider, with Authlib.

The code flow with PKCE, state and nonce. What comes back is only who it is: whether that
person has an account, and what it may do, stands in our own table.
"""

from __future__ import annotations

import hashlib
from typing import Any

import httpx2
from authlib.integrations.base_client import OAuthError
from authlib.integrations.starlette_client import OAuth
from joserfc.errors import JoseError
from starlette.middleware.sessions import SessionMiddleware
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp

from knee_angle.errors import InvalidInput
from knee_angle.language import say
from knee_angle.page.ward.doors import VouchingFailed
from knee_angle.store.access.ward import Provider

__all__ = ["Vouching"]

BACK = "/ward/provider/back"
FLOW_S = 600
"""How long signing in at the provider may take, seconds."""
TIMEOUT_S = 10.0
WRONG = (httpx2.HTTPError, OAuthError, JoseError, RuntimeError, ValueError, KeyError)
"""How a provider, or what came back from it, can be wrong."""


class Vouching:
    """The way to the provider and back."""

    def __init__(self, provider: Provider, *, url: str) -> None:
        self.provider = provider
        self.back = url + BACK
        try:
            self.secret = provider.secret_file.read_text(encoding="utf-8").strip()
        except (OSError, UnicodeDecodeError) as error:
            raise InvalidInput(
                say(
                    "the provider's secret {secret_file} cannot be read ({error}): give "
                    "--oidc-secret-file a text file that this user may read",
                    secret_file=provider.secret_file,
                    error=error,
                )
            ) from None
        oauth = OAuth()
        discovery = provider.issuer.rstrip("/") + "/.well-known/openid-configuration"
        self.client: Any = oauth.register(
            "provider",
            client_id=provider.client,
            client_secret=self.secret,
            server_metadata_url=discovery,
            client_kwargs={
                "scope": "openid profile email",
                "code_challenge_method": "S256",
                "timeout": TIMEOUT_S,
            },
        )

    def with_state(self, app: ASGIApp) -> ASGIApp:
        """The app with a short-lived signed cookie that holds state, nonce and verifier.

        Its key comes from the provider's secret: the way back may end at another page server.
        """
        key = hashlib.sha256(b"knee-angle sign-in state " + self.secret.encode()).hexdigest()
        return SessionMiddleware(
            app, key, session_cookie="__Host-knee-angle-flow", max_age=FLOW_S, same_site="lax",
            https_only=True,
        )  # fmt: skip

    async def there(self, request: Request) -> Response:
        """Send the browser to the provider.

        Raises
        ------
        VouchingFailed
            It cannot be reached.
        """
        try:
            sent: Response = await self.client.authorize_redirect(request, self.back)
        except WRONG as error:
            raise VouchingFailed(type(error).__name__) from error
        return sent

    async def subject(self, request: Request) -> str:
        """Who came back, by the claim that accounts are known by.

        Raises
        ------
        VouchingFailed
            State, nonce, signature, issuer, audience or time is wrong, or it said no.
        """
        try:
            token = await self.client.authorize_access_token(
                request,
                claims_options={"iss": {"essential": True, "value": self.provider.issuer}},
            )
        except (
            httpx2.HTTPError,
            OAuthError,
            JoseError,
            RuntimeError,
            ValueError,
            KeyError,
        ) as error:
            raise VouchingFailed(type(error).__name__) from error
        finally:
            request.session.clear()
        told = (token.get("userinfo") or {}).get(self.provider.claim)
        if not isinstance(told, str) or not told:
            raise VouchingFailed(f"no claim {self.provider.claim}")
        return told
