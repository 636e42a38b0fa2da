"""``knee-angle models``: model files."""

from __future__ import annotations

import typer

from knee_angle.cli.app import Commands, app

__all__ = ["models_app"]

models_app = typer.Typer(
    cls=Commands,
    help="Model files: those of the package, and a pose model of one's own.",
    no_args_is_help=True,
)
app.add_typer(models_app, name="models")


@models_app.command("list")
def models_list() -> None:
    """Which model files are on this machine."""
    from knee_angle.landmarks.pose.bundles import describe_models

    for model in describe_models():
        print(model)
