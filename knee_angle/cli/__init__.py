"""The commands: one module each. Read input, call one function, print what it says.

* ``measure``, ``visit``, ``check``, ``batch``, ``demo``: photos in, answers out; ``clip``: a film;
* ``rating``: a rater study, from the drawn order to how far raters agree;
* ``agreement``, ``sensitivity``, ``sheet``: figures and paper without photos;
* ``store``, ``encrypting``, ``rechecking``, ``research``, ``follow``, ``report``, ``export``,
  ``page``, ``accounts``, ``models``: keeping, kept pictures encrypted, is it still what was kept,
  for a study, a course over days, papers, handing on, the page, who may sign in to it, the
  optional pose model.

Between them: ``app`` (its name, how it stops), ``kept`` (what was kept),
``helping`` (its help, in either language),
``settings`` and ``options`` (what several take), ``photos`` and ``samples`` (photos named, and
ours), ``serving`` (starting the page's server), ``streams`` (output that reaches any terminal).
"""

from __future__ import annotations

import contextvars
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from threading import current_thread, main_thread
from types import FrameType
from typing import Any

# Each module adds its command to the app when it is imported.
from knee_angle.cli import (  # noqa: F401
    accounts,
    agreement,
    batch,
    check,
    clip,
    demo,
    encrypting,
    export,
    follow,
    measure,
    models,
    page,
    rating,
    rechecking,
    report,
    research,
    sensitivity,
    sheet,
    store,
    visit,
)
from knee_angle.cli.app import app
from knee_angle.cli.helping import in_our_words
from knee_angle.cli.streams import drop_output, make_streams_safe
from knee_angle.errors import INTERRUPTED, KneeAngleError
from knee_angle.files.extras import missing
from knee_angle.language import say, tell

__all__ = ["app", "main"]


def main() -> None:
    """Run the command line; every error of ours is one line and exit status 2.

    In a context of its own: the language of this call is none of the next one's.
    """
    contextvars.copy_context().run(_run)


def _run() -> None:
    make_streams_safe()
    try:
        with _heard() as presses:
            status = app(standalone_mode=False) or 0
        if presses and status == 0:  # a library that was being loaded went on regardless
            status = INTERRUPTED
        if sys.stdout is not None:
            sys.stdout.flush()
    except KneeAngleError as error:
        _stop(tell(str(error)))
    except MemoryError:
        _stop(tell("the memory of this machine is full: end other programs, or name fewer photos"))
    except KeyboardInterrupt:
        status = INTERRUPTED
    except OSError as error:
        if error.filename is not None:  # not the output: a mistake of ours
            raise
        drop_output()
        if not isinstance(error, BrokenPipeError):
            _stop(
                tell(
                    "the output cannot be written ({why}): send it somewhere else",
                    why=error.strerror,
                )
            )
        status = 1
    except Exception as error:  # noqa: BLE001  a fault of ours is raised again
        _stop(_in_words(error))
    if status == INTERRUPTED:
        print(tell("knee-angle: stopped"), file=sys.stderr)
    raise SystemExit(status)


@contextmanager
def _heard() -> Iterator[list[int]]:
    """The times that Ctrl+C was pressed, also where what it raises is swallowed."""
    presses: list[int] = []

    def stop(number: int, frame: FrameType | None) -> None:
        presses.append(number)
        signal.default_int_handler(number, frame)

    usual = signal.getsignal(signal.SIGINT) is signal.default_int_handler
    if not usual or current_thread() is not main_thread():
        yield presses
        return
    signal.signal(signal.SIGINT, stop)
    try:
        yield presses
    finally:
        signal.signal(signal.SIGINT, signal.default_int_handler)


def _in_words(error: Exception) -> str:
    """What is said of a package that is missing, or of a wrong call; a fault of ours is raised."""
    lacking = missing(error.name or "") if isinstance(error, ModuleNotFoundError) else None
    if lacking is not None:
        return tell(str(lacking))
    # Typer raises what is wrong with a call as a class that it keeps to itself.
    if not hasattr(error, "format_message"):
        raise error
    if type(error).__name__ == "NoArgsIsHelpError":
        print(error.format_message(), file=sys.stderr)
        return ""
    return _wrong_call(error)


def _stop(message: str) -> None:
    """One line, where there is something to say, and exit status 2."""
    if message:
        print(f"knee-angle: {' '.join(message.split())}", file=sys.stderr)
    raise SystemExit(2) from None


def _wrong_call(error: Any) -> str:
    """What is wrong with the call itself, on one line."""
    said = " ".join(error.format_message().split()).rstrip(".")
    said = said.replace("Value error, ", "")
    name, _, rule = said.removeprefix("Invalid value for ").partition(": ")
    if "valid number" in rule or "valid float" in rule:
        said = say(
            "{option} must be a number like 93.5, with a point and no unit",
            option=name.strip("'"),
        )
    elif "valid integer" in rule:
        said = say("{option} must be a whole number", option=name.strip("'"))
    else:
        said = in_our_words(said)
    command = error.ctx.command_path if error.ctx is not None else "knee-angle"
    return tell("{said}: see {command} --help", said=said, command=command)
