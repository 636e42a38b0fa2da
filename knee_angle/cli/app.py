"""The command line itself: its name, its help, and how it stops.

Exit status: 0 everything measured, 1 some photos not measured or unreadable,
2 the call itself is wrong. Results go to stdout, everything else to stderr.
"""

from __future__ import annotations

from typing import Annotated

import typer

from knee_angle import words

__all__ = ["app"]

app = typer.Typer(
    name="knee-angle",
    help="Measure from a bedside photo what a knee really does in a CPM machine.\n\n"
    + words.CAUTION,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"max_content_width": 100},
    rich_markup_mode=None,  # plain text: drawing boxes takes longer than all the rest
)


@app.callback(invoke_without_command=True)
def _top(
    version: Annotated[bool, typer.Option("--version", help="Show the version and stop.")] = False,
) -> None:
    if version:
        from knee_angle import __version__

        print(__version__)
        raise typer.Exit
