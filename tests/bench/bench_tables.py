"""How long a table of 1,000,000 rows takes to be read and checked, beside splitting it alone.

Run: ``python tests/bench/bench_tables.py``. Prints seconds from one run on one machine and
their ratio to pyarrow's own reader, which checks nothing; nothing is asserted.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from pyarrow import csv

from knee_angle.files.tables import Table, read_table

ROWS = 1_000_000


def seconds(job: Callable[[], object]) -> float:
    """Shortest of three."""
    times = []
    for _ in range(3):
        start = time.perf_counter()
        job()
        times.append(time.perf_counter() - start)
    return min(times)


def main() -> None:
    rng = np.random.default_rng(1)
    numbers = rng.uniform(0, 130, (ROWS, 3)).round(3)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "t.csv"
        with path.open("w", encoding="utf-8") as file:
            file.write("photo,displayed_deg,flexion_deg,u_deg,person\n")
            for row, (display, knee, u) in enumerate(numbers):
                file.write(f"ward/{row}.jpg,{display},{knee},{u},P-{row % 999}\n")

        def for_agreement() -> object:
            table = read_table(path)
            return [table.numbers(c) for c in ("flexion_deg", "displayed_deg", "u_deg")]

        def for_a_batch() -> tuple[object, ...]:
            table: Table = read_table(path, needs=("photo",))
            return table.photos, table.displayed_deg, table.others

        plain = seconds(lambda: csv.read_csv(path))
        print(
            f"{ROWS:,} rows, {path.stat().st_size / 1e6:.0f} MB   seconds   times splitting alone"
        )
        for name, job in (("agreement", for_agreement), ("batch", for_a_batch)):
            took = seconds(job)
            print(f"  {name:<20}{took:>12.2f}   {took / plain:>6.1f}")
        print(f"  {'splitting alone':<20}{plain:>12.2f}")


if __name__ == "__main__":
    main()
