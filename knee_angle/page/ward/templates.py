"""The pages before and beside the page itself: plain HTML, one style, one short script.

Each carries a policy that allows its own style and script by their hashes and nothing else.
"""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from pathlib import Path
from typing import Any

import jinja2
from starlette.responses import HTMLResponse

from knee_angle.language import current, tell
from knee_angle.store.access.roles import ROLE_WORDS

__all__ = ["page", "script"]

HERE = Path(__file__).parent


@cache
def _made() -> jinja2.Environment:
    made = jinja2.Environment(
        loader=jinja2.FileSystemLoader(HERE), autoescape=True, undefined=jinja2.StrictUndefined
    )
    made.globals |= {"tell": tell, "roles": ROLE_WORDS}
    return made


@cache
def _text(name: str) -> str:
    return (HERE / name).read_text(encoding="utf-8")


def _hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


@cache
def _policy() -> str:
    rules = {
        "default-src": "'none'",
        "style-src": _hash(_text("ward.css")),
        "script-src": _hash(_text("join.js")),
        "img-src": "data:",
        "form-action": "'self'",
        "base-uri": "'none'",
        "frame-ancestors": "'none'",
    }
    return "; ".join(f"{name} {sources}" for name, sources in rules.items())


def script(name: str) -> str:
    """A script of ours, as text."""
    return _text(name)


def page(name: str, *, status: int = 200, **values: Any) -> HTMLResponse:
    """A page from its template."""
    html = (
        _made()
        .get_template(name)
        .render(style=_text("ward.css"), join=_text("join.js"), language=current().code, **values)
    )
    # Under "no-referrer" browsers send a form with "Origin: null": it could be anybody's.
    headers = {"content-security-policy": _policy(), "referrer-policy": "same-origin"}
    return HTMLResponse(html, status, headers)
