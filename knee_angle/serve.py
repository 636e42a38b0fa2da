"""Starting the page's server, on this machine only."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

__all__ = ["ADDRESS", "command", "serve"]

ADDRESS = "127.0.0.1"
"""Photos of patients stay here: no other address until the page has a sign-in."""


def command(*, port: int) -> list[str]:
    """The server's command line; settings as in the project's .streamlit/config.toml."""
    settings = {
        "server.address": ADDRESS,
        "server.port": str(port),
        "server.headless": "true",
        "server.maxUploadSize": "40",
        "server.fileWatcherType": "none",
        "browser.gatherUsageStats": "false",
        "client.toolbarMode": "minimal",
        "client.showErrorDetails": "none",
        "theme.base": "light",
        "theme.primaryColor": "#0b6e69",
    }
    options = [text for name, value in settings.items() for text in (f"--{name}", value)]
    script = Path(__file__).with_name("page") / "script.py"
    return [sys.executable, "-m", "streamlit", "run", str(script), *options]


def serve(*, port: int) -> int:
    """Run the server until it is stopped; its exit status."""
    print(f"The page is at http://{ADDRESS}:{port} (stop with Ctrl+C)")
    return subprocess.run(command(port=port), check=False).returncode
