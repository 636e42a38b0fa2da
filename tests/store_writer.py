"""A program that keeps measurements until it is killed, and says which ones were kept.

    python store_writer.py URL WRITER COUNT

Prints one identifier a line, each only after the store has said that it is kept.
"""

from __future__ import annotations

import sys

from invented import SETTINGS, SHA, at_angle, made_measurement

from knee_angle.store import new_id, open_store


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


if __name__ == "__main__":
    main(*sys.argv[1:])
