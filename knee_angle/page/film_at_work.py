"""A film that is being measured: beside the page's own runs, so that a tap loses nothing.

Every tap on a page of Streamlit begins its script anew. So the film is measured in a thread of
its own; the page looks at how far it is. Nobody looking for `LEFT_S` means that the page was
left: it is stopped.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

from knee_angle.clip.answer import ClipOutcome
from knee_angle.errors import KneeAngleError

__all__ = ["AtWork"]

LEFT_S = 60.0

Measure = Callable[[Callable[[float, float | None], None], Callable[[], bool]], ClipOutcome]


class AtWork:
    """One film that is measured; it begins at once.

    Parameters
    ----------
    fingerprint : str
        What is measured, and by which settings.
    measure : callable
        Measures it, given whom to tell the seconds done and in all, and whom to ask for a stop.
    """

    def __init__(self, fingerprint: str, measure: Measure) -> None:
        self.fingerprint = fingerprint
        self.outcome: ClipOutcome | None = None
        self.trouble: KneeAngleError | None = None
        self.stopped = False
        self._fault: Exception | None = None
        self._measure = measure
        self._share, self._stopping, self._looked = 0.0, False, time.monotonic()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End it there; what was seen so far is answered."""
        self._stopping = True

    def look(self, *, wait_s: float) -> float | None:
        """The share that is done; None once it is over. Waits so long for the end.

        Raises
        ------
        Exception
            What nobody expected while it was measured.
        """
        self._looked = time.monotonic()
        self._thread.join(wait_s)
        if self._thread.is_alive():
            return self._share
        if self._fault is not None:
            raise self._fault
        return None

    def _run(self) -> None:
        try:
            self.outcome = self._measure(self._told, self._asked)
        except KneeAngleError as trouble:
            self.trouble = trouble
        except Exception as fault:  # noqa: BLE001  told on the page's own thread
            self._fault = fault

    def _told(self, done_s: float, all_s: float | None) -> None:
        self._share = min(1.0, done_s / all_s) if all_s else 0.5

    def _asked(self) -> bool:
        self.stopped = self._stopping or time.monotonic() - self._looked > LEFT_S
        return self.stopped
