"""Streamlit's test driver, which waits for the end of a run instead of asking for it.

It asks a thousand times a second, each time in the way of the run itself.
"""

from __future__ import annotations

from streamlit.testing.v1 import AppTest, local_script_runner
from streamlit.testing.v1.local_script_runner import LocalScriptRunner

__all__ = ["AppTest"]


def _ended(runner: LocalScriptRunner, timeout: float = 3) -> None:
    assert runner._script_thread is not None
    runner._script_thread.join(timeout)
    if not runner.script_stopped():
        runner.request_stop()
        runner.join()
        raise RuntimeError(f"the page's run took more than {timeout} s")


local_script_runner.require_widgets_deltas = _ended
