"""Work of seconds beside the page's run, so that a tap or a number does not wait for its end.

Runs of one visit come one after the other (`page.server.SETTINGS`): a newer one begins where the
one before it next looks at the session or draws.
"""

from __future__ import annotations

import contextvars
import threading
from collections.abc import Callable
from concurrent.futures import Future, wait
from typing import TypeVar

__all__ = ["begun", "ended"]

LOOK_S = 0.1
"""How soon a newer run may begin, seconds: nobody notices so little (our own)."""

T = TypeVar("T")


def begun(work: Callable[[], T]) -> Future[T]:
    """Begin the work in a thread of its own, in the language of this run.

    It goes on where the run is ended: a newer one can wait for it.
    """
    done: Future[T] = Future()

    def run() -> None:
        try:
            done.set_result(work())
        except Exception as fault:  # noqa: BLE001  told on the page's own thread
            done.set_exception(fault)

    threading.Thread(target=contextvars.copy_context().run, args=(run,), daemon=True).start()
    return done


def ended(work: Future[T], *, look: Callable[[], object]) -> T:
    """What the work gave, once it is done.

    Parameters
    ----------
    work : Future
        Of `begun`.
    look : callable
        Called again and again until then; what it raises ends the waiting, not the work.

    Raises
    ------
    Exception
        What the work raised.
    """
    while not wait([work], timeout=LOOK_S).done:
        look()
    return work.result()
