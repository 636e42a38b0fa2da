"""Processor seconds of each paper after the start, first and again, from kept rows alone.

``python tests/bench/bench_papers.py``: an invented ward, a course of 200 days, a visit of three
photos, a check of six. The first time holds reading fonts; starting Python is not in it.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from datetime import timedelta
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from stores import (
    NOON,
    SETTINGS,
    SHA,
    at_angle,
    invented_ward,
    made_measurement,
    made_series,
    made_visit,
)

from knee_angle.machine.check import check_machine
from knee_angle.report.paper.html import html_of
from knee_angle.report.paper.pdf import pdf_of
from knee_angle.store import SetUp, Store, new_id, open_store, papers


def filled(store: Store) -> str:
    """A ward's rows; the visit that is printed."""
    invented_ward(store, today=NOON)
    store.add_person("P-200")
    base = made_measurement()
    for day in range(200):
        for end, deg in (("flexion", 60.0 + 0.2 * day), ("extension", 12.0 - 0.05 * day)):
            store.save_measurement(
                at_angle(base, deg), settings=SETTINGS, photo_sha256=SHA, person="P-200",
                setup=SetUp(end=end), taken_at=NOON + timedelta(days=day),
            )  # fmt: skip
    series = made_series()
    store.add_machine("M-09")
    store.save_check(
        check_machine(series, SETTINGS), machine="M-09", outcomes=series, settings=SETTINGS,
        photo_sha256={name: f"{n:x}" * 64 for n, name in enumerate(series, 1)},
    )  # fmt: skip
    answer, photos = made_visit()
    kept = store.save_visit(answer, photos, visit_id=new_id(), settings=SETTINGS, person="P-021")
    assert kept.visit is not None
    return kept.visit.id


def main() -> None:
    """Print the table."""
    with TemporaryDirectory() as folder, open_store(Path(folder, "a.db"), clock=lambda: NOON) as st:
        visit = filled(st)
        made = {
            "visit of 3 photos": lambda: papers.of_visit(st, row=visit),
            "course of 200 days": lambda: papers.of_course(st, "P-200", made_at=NOON),
            "machine check": lambda: papers.of_machine(st, "M-09"),
            "fleet of 5": lambda: papers.of_fleet(st, made_at=NOON),
        }
        print("                     rows    PDF   again  HTML  seconds")
        for name, make in made.items():
            rows, paper = timed(make)
            first, again, page = (
                timed(partial(write, paper))[0] for write in (pdf_of, pdf_of, html_of)
            )
            print(f"{name:20}{rows:7.3f}{first:7.3f}{again:7.3f}{page:7.3f}")


def timed(step: Callable[[], Any]) -> tuple[float, Any]:
    """Processor seconds of a step, and what it gave."""
    begun = time.process_time()
    result = step()
    return time.process_time() - begun, result


if __name__ == "__main__":
    main()
