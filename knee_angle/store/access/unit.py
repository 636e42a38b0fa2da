"""What starts a ward's page with its computer: a systemd unit, a container file.

Both are templates beside this module; the command that was typed stands in them.
"""

from __future__ import annotations

import shlex
import sys
from collections.abc import Sequence
from pathlib import Path

from knee_angle.errors import InvalidInput
from knee_angle.files import write_whole
from knee_angle.language import say

__all__ = ["FILES", "write_units"]

FILES = {"unit.service": "knee-angle.service", "unit.containerfile": "Containerfile"}
"""Templates, and what they are called where they are written."""


def write_units(
    folder: Path, arguments: Sequence[str], *, port: int, files: Sequence[Path] = ()
) -> list[Path]:
    """Write the files for a page that is started with these arguments.

    Parameters
    ----------
    folder : Path
        Where to; made where it is not there.
    arguments : sequence of str
        After ``knee-angle``.
    port : int
        Which it listens on.
    files : sequence of Path
        Files that the arguments name: the container is handed them.

    Raises
    ------
    InvalidInput
        A file is there already, or cannot be written.
    """
    written = []
    values = {
        "@PROGRAM@": f"{sys.executable} -m knee_angle",
        "@PORT@": str(port),
        "@FILES@": "".join(f" -v {shlex.quote(f'{one}:{one}:ro')}" for one in files),
        "@ARGUMENTS@": shlex.join(arguments),
        "@LIST@": ", ".join(f'"{one}"' for one in ("knee-angle", *arguments)),
    }
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for template, name in FILES.items():
            text = Path(__file__).with_name(template).read_text(encoding="utf-8")
            for mark, value in values.items():
                text = text.replace(mark, value)
            write_whole(folder / name, text, new=True)
            written.append(folder / name)
    except OSError as error:
        raise InvalidInput(
            say(
                "{part} was not written ({error}): name another folder",
                part=error.filename or folder,
                error=error.strerror,
            )
        ) from None
    return written
