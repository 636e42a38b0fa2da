"""The commands: one module each. Read input, call one function, print what it says."""

from __future__ import annotations

import sys

# Each module adds its command to the app when it is imported.
from knee_angle.cli import (  # noqa: F401
    agreement,
    batch,
    check,
    demo,
    measure,
    models,
    page,
    sensitivity,
    sheet,
    store,
)
from knee_angle.cli.app import app
from knee_angle.errors import KneeAngleError

__all__ = ["app", "main"]


def main() -> None:
    """Run the command line; every error of ours is one line and exit status 2."""
    try:
        app()
    except KneeAngleError as error:
        print(f"knee-angle: {error}", file=sys.stderr)
        raise SystemExit(2) from None
    except KeyboardInterrupt:
        print("knee-angle: stopped", file=sys.stderr)
        raise SystemExit(130) from None
