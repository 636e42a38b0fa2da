"""``python -m knee_angle.page --port N``: the page's server, started by `cli.serving`."""

from __future__ import annotations

import argparse

from streamlit.starlette import App

from knee_angle.page.server import MIDDLEWARE, SCRIPT, SETTINGS

__all__ = ["main"]


def main() -> None:
    """Serve until stopped."""
    parser = argparse.ArgumentParser(prog="knee-angle page")
    parser.add_argument("--port", type=int, required=True)
    port = parser.parse_args().port
    App(SCRIPT, middleware=MIDDLEWARE).run(config={**SETTINGS, "server.port": port})


if __name__ == "__main__":
    main()
