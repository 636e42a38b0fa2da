"""Starting a ward's page: what is missing is told in one line, then it serves."""

from __future__ import annotations

import logging
import ssl
import threading
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

import platformdirs
import uvicorn
from starlette.middleware import Middleware
from streamlit.starlette import App
from streamlit.web import bootstrap

from knee_angle.errors import NoStoreYet
from knee_angle.language import say, tell
from knee_angle.page.receiving import Receiving
from knee_angle.page.server import SCRIPT, SETTINGS
from knee_angle.page.uploads import uploads_on_disk
from knee_angle.page.ward import here
from knee_angle.page.ward.assets import Assets
from knee_angle.page.ward.certificate import Certificate, given, made_here
from knee_angle.page.ward.doors import Doors
from knee_angle.page.ward.gate import Gate
from knee_angle.page.ward.here import Running
from knee_angle.page.ward.slow import SocketProtocol, TimedProtocol
from knee_angle.store import open_store
from knee_angle.store.access.signing_in import Access
from knee_angle.store.access.ward import Ward, check_ward

if TYPE_CHECKING:
    from knee_angle.page.ward.provider import Vouching

__all__ = ["serve"]

CONNECTIONS = 512
"""At a time; a ward's phones and computers open some ten each."""


def serve(ward: Ward) -> None:
    """Serve the page until it is stopped.

    Raises
    ------
    InvalidInput, StoreError
        It may not or cannot start; nothing was served.
    """
    access = _access()
    check_ward(ward, access)
    assert access is not None  # noqa: S101  check_ward refuses that
    certificate = _certificate(ward)
    running = Running(ward, access)
    here.now_serving(running)
    assets = Assets(Path(platformdirs.user_cache_dir("knee-angle")) / "page")
    gate = Middleware(
        Gate,
        running=running,
        doors=Doors(
            running,
            _vouching(ward),
            certificate.fingerprint if certificate is not None and ward.certificate is None else "",
        ),
        assets=assets,
        strict=ward.certificate is not None or ward.proxy is not None,
    )
    bootstrap.load_config_options(
        {**SETTINGS, "server.address": ward.address, "server.port": ward.port}
    )
    # Logs name no person and no photo: requests are not logged at all.
    logging.getLogger("uvicorn.error").setLevel(logging.WARNING)
    threading.Thread(target=_ready, args=(assets,), daemon=True).start()
    _tell(ward, certificate)
    app = uploads_on_disk(App(SCRIPT, middleware=[gate, Middleware(Receiving)]))
    _run(app, ward, certificate)


def _vouching(ward: Ward) -> Vouching | None:
    if ward.provider is None:
        return None
    from knee_angle.page.ward.provider import Vouching

    return Vouching(ward.provider, url=ward.url)


def _access() -> Access | None:
    try:
        return Access(open_store(create=False, who="the page"))
    except NoStoreYet:
        return None


def _certificate(ward: Ward) -> Certificate | None:
    if ward.proxy is not None:
        return None
    if ward.certificate is not None and ward.key is not None:
        return given(ward.certificate, ward.key, hosts=ward.hosts)
    folder = Path(platformdirs.user_data_dir("knee-angle"))
    return made_here(folder, hosts=ward.hosts)


def _ready(assets: Assets) -> None:
    """Load the pages and compress what every first visitor needs, before one comes."""
    import_module("knee_angle.page.navigation")
    for path in assets.first_files():
        assets.answer(path, "br")


def _tell(ward: Ward, certificate: Certificate | None) -> None:
    print(tell("The ward's page is at {url} (stop with Ctrl+C)", url=ward.url), flush=True)
    if certificate is not None:
        whose = say("of the files given") if ward.certificate is not None else say("made here")
        told = tell(
            "Certificate {whose}, until {ends:%Y-%m-%d}, SHA-256 fingerprint:\n{fingerprint}",
            whose=whose,
            ends=certificate.ends_at,
            fingerprint=certificate.fingerprint,
        )
        print(told, flush=True)


def _run(app: Any, ward: Ward, certificate: Certificate | None) -> None:
    class Protocol(TimedProtocol):
        counted = ward.proxy is None

    config = uvicorn.Config(
        app,
        host=ward.address,
        port=ward.port,
        http=Protocol,
        ws=SocketProtocol,
        ws_max_size=64 * 1024 * 1024,
        log_level="warning",
        access_log=False,
        use_colors=False,
        # Who the proxy is, the gate knows; uvicorn's own belief is switched off.
        proxy_headers=False,
        server_header=False,
        limit_concurrency=CONNECTIONS,
        timeout_graceful_shutdown=5,
        h11_max_incomplete_event_size=32 * 1024,
        ssl_certfile=None if certificate is None else certificate.certificate,
        ssl_keyfile=None if certificate is None else certificate.key,
        ssl_version=ssl.PROTOCOL_TLS_SERVER,
    )
    uvicorn.Server(config).run()
