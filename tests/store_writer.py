"""A program that keeps measurements until it is killed, and says which ones were kept.

It prints one identifier a line, each only after the store has said that it is kept.
"""

from __future__ import annotations

import os
import resource
import signal
from multiprocessing.connection import Connection

from invented import SETTINGS, SHA, at_angle, made_measurement

from knee_angle.store import new_id, open_store


def run(
    told: Connection, failed: Connection, url: str, writer: str, count: str, most_bytes: int | None
) -> None:
    """Its two streams, and how large its files may grow; a larger one fails as on a full disk."""
    os.dup2(told.fileno(), 1)
    os.dup2(failed.fileno(), 2)
    if most_bytes is not None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, most_bytes))
    main(url, writer, count)


def main(url: str, writer: str, count: str) -> None:
    """Keep COUNT measurements as one writer."""
    measured = made_measurement()
    with open_store(url, who=writer) as store:
        store.add_person("P-017")
        for number in range(int(count)):
            row = store.save_measurement(
                at_angle(measured, 40.0 + number % 50),
                settings=SETTINGS,
                photo_sha256=SHA,
                person="P-017",
                row_id=new_id(),
            )
            print(row.id, flush=True)
