"""``knee-angle page``: the bedside page."""

from __future__ import annotations

from typing import Annotated

import typer

from knee_angle.cli.app import app

__all__ = ["page"]


@app.command()
def page(
    port: Annotated[int, typer.Option(help="Port on this machine.", min=1, max=65535)] = 8501,
    address: Annotated[
        str, typer.Option(help="Only this machine's own: there is no sign-in yet.")
    ] = "127.0.0.1",
) -> None:
    """Open the bedside page in a browser; it answers on this machine only."""
    from knee_angle.cli.serving import serve

    serve(port=port, address=address)
