"""Starting the page's server: on this machine only, or for a ward's network."""

from __future__ import annotations

import errno
import http.client
import os
import socket
import sys
from typing import TYPE_CHECKING, NoReturn

from knee_angle.errors import InvalidInput
from knee_angle.files.extras import needs
from knee_angle.language import current, say, tell
from knee_angle.language.catalogue import VARIABLE

if TYPE_CHECKING:
    from knee_angle.store.access.ward import Ward

__all__ = ["ADDRESS", "WHO", "command", "serve", "serve_ward"]

ADDRESS = "127.0.0.1"
"""Photos of patients stay here: any other address is for a ward's page, with its sign-in."""
WHO = "x-knee-angle"
"""Header by which a page's server tells its version and process."""
ASK_S = 2.0
"""How long whoever has the port may take to answer, seconds."""


def command(*, port: int) -> list[str]:
    """The server's command line; its settings stand in `knee_angle.page.server`."""
    return [sys.executable, "-m", "knee_angle.page", "--port", str(port)]


def serve(*, port: int, address: str = ADDRESS) -> NoReturn:
    """Become the server: one process, so that whatever ends the command ends the server.

    Raises
    ------
    InvalidInput
        Any address but this machine's own, or a port that is taken.
    """
    if address != ADDRESS:
        raise InvalidInput(
            say(
                "the page's address must be {address}, but got {address2}: it shows "
                "patients' photos and nobody signs in; leave --address out, or add --ward "
                "for sign-in and TLS",
                address=ADDRESS,
                address2=address,
            )
        )
    needs("streamlit")
    _check_free(ADDRESS, port)
    print(
        tell(
            "The page is at http://{address}:{port} (stop with Ctrl+C)", address=ADDRESS, port=port
        ),
        flush=True,
    )
    line = command(port=port)
    os.environ[VARIABLE] = current().code  # what it says itself; a browser asks for its own
    os.execv(line[0], line)  # noqa: S606  our own program, no shell


def serve_ward(ward: Ward) -> NoReturn:
    """Become the ward's server; it looks itself whether it may start.

    Raises
    ------
    InvalidInput
        A port that is taken.
    """
    from knee_angle.store.access.ward import arguments_of

    needs("streamlit")
    _check_free(ward.address, ward.port)
    line = [sys.executable, "-m", "knee_angle.page", *arguments_of(ward)]
    os.environ[VARIABLE] = current().code  # what it says itself; a browser asks for its own
    os.execv(line[0], line)  # noqa: S606  our own program, no shell


def _check_free(address: str, port: int) -> None:
    """Refuse a port on which another program answers: it would show that one's page."""
    with socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET) as line:
        # As the server binds: a port whose last connections just ended is free.
        line.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            line.bind((address, port))
            line.listen()
        except PermissionError:
            raise InvalidInput(
                say("port {port} is not for this user: give --port with 1024 or more", port=port)
            ) from None
        except OSError as error:
            if error.errno != errno.EADDRINUSE:
                raise InvalidInput(
                    say(
                        "the page cannot listen on {address} ({error}): give an address of this "
                        "computer",
                        address=address,
                        error=error.strerror,
                    )
                ) from None
            raise InvalidInput(
                say("port {port} is taken by {who_has}", port=port, who_has=_who_has(port))
            ) from None


def _who_has(port: int) -> str:
    """Whoever answers on a port, and what to do."""
    asked = http.client.HTTPConnection(ADDRESS, port, timeout=ASK_S)
    try:
        asked.request("HEAD", "/_stcore/health")
        version, _, process = (asked.getresponse().getheader(WHO) or "").partition(" ")
    except (OSError, http.client.HTTPException):
        process = ""
    finally:
        asked.close()
    if not process.isdecimal():
        return say("another program: give another --port")
    return say(
        "another knee-angle page (version {version}, process {process}): stop that "
        "one, or give another --port",
        version=version,
        process=process,
    )
