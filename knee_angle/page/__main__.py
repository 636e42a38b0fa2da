"""``python -m knee_angle.page --port N``: the page's server, started by `cli.serving`."""

from __future__ import annotations

import argparse
import os
import signal
import sys

__all__ = ["main"]

INTERRUPTED = 130
"""Exit status after Ctrl+C: 128 and the signal's number, as shells count."""


def main() -> None:
    """Serve the page until it is stopped."""
    parser = argparse.ArgumentParser(prog="knee-angle page")
    parser.add_argument("--port", type=int, required=True)
    port = parser.parse_args().port
    try:
        _serve(port)
    except KeyboardInterrupt:
        print("knee-angle: stopped", file=sys.stderr)
        raise SystemExit(INTERRUPTED) from None


def _serve(port: int) -> None:
    # While libraries load, an exception out of the signal may surface anywhere in them.
    before = signal.signal(signal.SIGINT, lambda *_: os._exit(INTERRUPTED))
    from streamlit.starlette import App

    from knee_angle.page.server import MIDDLEWARE, SCRIPT, SETTINGS

    signal.signal(signal.SIGINT, before)
    App(SCRIPT, middleware=MIDDLEWARE).run(config={**SETTINGS, "server.port": port})


if __name__ == "__main__":
    main()
