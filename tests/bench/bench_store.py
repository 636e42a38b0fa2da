"""Keeping, measured: saves under kill -9, and lists of 10,000 measurements.

    python tests/bench/bench_store.py [postgresql]

Prints, for SQLite or for a temporary PostgreSQL server: how many of 500 saves from 8
programs with 20 kill -9 in between were acknowledged and how many of those are missing;
time a save; time of each question that a page asks with 10,000 rows in the store.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from stores import SETTINGS, SHA, at_angle, cluster, made_measurement
from test_store_robust import check_whole, write_and_kill

from knee_angle.store import SetUp, Store, open_store

BEGIN = datetime(2026, 1, 1, 8, 0, tzinfo=UTC)
PEOPLE, MACHINES, ROWS = 100, 12, 10_000


def milliseconds(job: Callable[[], object], repeats: int = 7) -> float:
    """Median over some repeats, after one to warm up."""
    job()
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        job()
        times.append(1000 * (time.perf_counter() - start))
    return statistics.median(times)


def filled(store: Store, rows: int = ROWS) -> float:
    """Keep so many measurements; milliseconds a save."""
    rng = np.random.default_rng(1)
    base = made_measurement()
    for n in range(PEOPLE):
        store.add_person(f"P-{n:03d}")
    for n in range(MACHINES):
        store.add_machine(f"M-{n:02d}")
    start = time.perf_counter()
    for n in range(rows):
        end = "flexion" if n // PEOPLE % 2 == 0 else "extension"
        deg = float(rng.normal(70.0 if end == "flexion" else 8.0, 4.0))
        store.save_measurement(
            at_angle(base, deg),
            settings=SETTINGS,
            photo_sha256=SHA,
            person=f"P-{n % PEOPLE:03d}",
            machine=f"M-{n % MACHINES:02d}",
            setup=SetUp(end=end),
            taken_at=BEGIN + timedelta(hours=12 * (n // PEOPLE)),
        )
    return 1000 * (time.perf_counter() - start) / rows


def killed(url: str) -> None:
    """500 saves, 8 writers, 20 kills."""
    start = time.perf_counter()
    rng = np.random.default_rng(20)
    acknowledged = write_and_kill(url, writers=8, saves=63, kills=20, rng=rng)
    with open_store(url) as store:
        check_whole(store, acknowledged)
        rows = len(store.measurements(limit=100_000))
    print(
        f"8 programs, 20 kill -9: {len(acknowledged)} saves acknowledged, {rows} kept, none "
        f"missing, none by half, in {time.perf_counter() - start:.0f} s"
    )


def asked(url: str) -> None:
    """What the pages ask, with 10,000 rows in the store."""
    with open_store(url) as store:
        print(f"{ROWS} saves one after the other: {filled(store):.1f} ms each")
        questions: dict[str, Callable[[], object]] = {
            "people with counts": store.people,
            "machines with counts": store.machines,
            "the newest 200": lambda: store.measurements(limit=200),
            "one person's 100": lambda: store.measurements(person="P-007"),
            "all 10,000 rows": lambda: store.measurements(limit=ROWS),
            "overview": store.overview,
        }
        for name, question in questions.items():
            print(f"  {name:<24}{milliseconds(question):9.1f} ms")
    print(f"  {'opening the store':<24}{milliseconds(lambda: open_store(url).close()):9.1f} ms")


def main() -> None:
    """Print the figures."""
    with ExitStack() as stack:
        if sys.argv[1:] == ["postgresql"]:
            server = stack.enter_context(cluster())
            urls = [server.fresh(), server.fresh()]
        else:
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
            urls = [f"sqlite:///{folder / name}.db" for name in ("killed", "asked")]
        killed(urls[0])
        asked(urls[1])


if __name__ == "__main__":
    main()
