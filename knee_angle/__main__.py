"""``python -m knee_angle`` is the command ``knee-angle``."""

from __future__ import annotations

import os
import signal

from knee_angle.errors import INTERRUPTED

__all__ = ["main"]


def main() -> None:
    """Load the commands and run one; Ctrl+C while they load ends without a word."""
    # A photo's matrices are small: a second thread costs more than it gains (a check of 80
    # machines took 51 s of processor time with two threads, 19 s with one). Who says otherwise
    # is heard.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    before = signal.getsignal(signal.SIGINT)
    if before is signal.default_int_handler:  # not where a shell has it ignored
        signal.signal(signal.SIGINT, lambda *_: os._exit(INTERRUPTED))
    from knee_angle.cli import main as run

    signal.signal(signal.SIGINT, before)
    run()


if __name__ == "__main__":
    main()
