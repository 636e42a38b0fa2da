"""What is printed reaches any terminal and any file, whatever signs it can write."""

from __future__ import annotations

import codecs
import os
import sys

__all__ = ["Printed", "drop_output", "make_streams_safe"]

PLAIN_SIGNS = {"°": " deg", "±": "+/-", "\u2212": "-"}
"""Signs of ours that an encoding may lack. A lost minus would be another number."""


def make_streams_safe() -> None:
    """Print plain signs where the output's encoding lacks ours, instead of failing."""
    codecs.register_error("knee_angle.plain", _plain)
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:  # None under a closed stream, or one that a test put there
            reconfigure(errors="knee_angle.plain")


def drop_output() -> None:
    """Forget what could not be written: else Python tries once more, and complains, at exit."""
    sink = os.open(os.devnull, os.O_WRONLY)
    os.dup2(sink, sys.stdout.fileno())
    os.close(sink)


class Printed:
    """What is printed while work goes on: a reader that went away costs no row.

    Parameters
    ----------
    goes_on : bool
        Whether there is work beside printing: then the first output that fails is told by
        `finish`, and what is printed after it is dropped. Else it is told at once.
    """

    def __init__(self, *, goes_on: bool) -> None:
        self._goes_on = goes_on
        self._failed: OSError | None = None

    def show(self, text: str, end: str = "\n") -> None:
        """Print, unless nobody reads any more."""
        if self._failed is not None:
            return
        try:
            print(text, end=end, flush=True)
        except OSError as error:
            if not self._goes_on:
                raise
            drop_output()
            self._failed = error

    def finish(self) -> None:
        """Tell the output that failed.

        Raises
        ------
        OSError
            Of the first text that could not be printed.
        """
        if self._failed is not None:
            raise self._failed


def _plain(error: UnicodeError) -> tuple[str, int]:
    """Codec error handler: our signs in plain ones, anything else (file names) as code points."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    lacking = error.object[error.start : error.end]
    return (
        "".join(
            PLAIN_SIGNS.get(sign) or sign.encode("ascii", "backslashreplace").decode()
            for sign in lacking
        ),
        error.end,
    )
