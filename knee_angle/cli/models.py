"""``knee-angle models``: model files."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

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


@models_app.command("build")
def models_build(
    archive: Annotated[Path, typer.Argument(help="The archive from npm pack @mediapipe/pose.")],
    out: Annotated[Path | None, typer.Option(help="Where to put the bundle.")] = None,
) -> None:
    """Build the pose model bundle from the published npm archive."""
    from knee_angle.landmarks.pose.bundles import build_pose_bundle

    print(build_pose_bundle(archive, out))
