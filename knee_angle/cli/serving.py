"""Starting the page's server, on this machine only."""

from __future__ import annotations

import subprocess
import sys

from knee_angle.errors import InvalidInput

__all__ = ["ADDRESS", "command", "serve"]

ADDRESS = "127.0.0.1"
"""Photos of patients stay here: no other address until the page has a sign-in."""


def command(*, port: int) -> list[str]:
    """The server's command line; its settings stand in `knee_angle.page.server`."""
    return [sys.executable, "-m", "knee_angle.page", "--port", str(port)]


def serve(*, port: int, address: str = ADDRESS) -> int:
    """Run the server until it is stopped; its exit status.

    Raises
    ------
    InvalidInput
        Any address but this machine's own.
    """
    if address != ADDRESS:
        raise InvalidInput(
            f"the page's address must be {ADDRESS}, but got {address}: it shows patients' photos "
            "and has no sign-in yet; leave --address out"
        )
    print(f"The page is at http://{ADDRESS}:{port} (stop with Ctrl+C)", flush=True)
    return subprocess.run(command(port=port), check=False).returncode
