"""How time and memory grow with what comes in, each as a plot.

``python tests/bench/growth.py [WHAT ...] [--most SHARE] [--rows growth.jsonl] [--plot growth.svg]``
measures all, or what is named, writes a line a point, and draws every line of the file.
``--most 0.1`` stops at a tenth of the largest sizes; ``--draw`` draws the rows that are there.
Processor seconds of this process, the least of three below a second; asserts nothing. ``mb`` is
the most that Python and numpy held at once, ``process_mb`` the most that the process ever took,
libraries and sizes before included. Dotted: n; dashed: n log n, through the first point.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import io
import json
import math
import resource
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from dataclasses import dataclass
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import sqlalchemy as sa
from PIL import Image, ImageOps

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from drawn_visits import Body, Shot, drawn, random_body, visit
from stores import (
    NOON,
    SETTINGS,
    SHA,
    as_measured,
    at_angle,
    made_measurement,
    made_series,
    made_visit,
)

from knee_angle import agreement
from knee_angle.batch import run
from knee_angle.batch.work import Answer, Job
from knee_angle.cli.research import _research
from knee_angle.landmarks.dots import DotDetector
from knee_angle.machine.calibration import fit_line
from knee_angle.machine.check import check_machine
from knee_angle.photo.reading import read_photo
from knee_angle.photo.tags import find_tags
from knee_angle.pipeline import measure
from knee_angle.report.contract import as_json
from knee_angle.report.paper.drawing import Drawing
from knee_angle.store import SetUp, Store, new_id, open_store, papers, schema
from knee_angle.store.following import course_of
from knee_angle.store.research import Pseudonyms
from knee_angle.visit import estimate_visit

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
Job_ = Callable[[], object]


@dataclass(frozen=True)
class Growth:
    """One thing that grows: its sizes, and what makes the job of a size."""

    of: str
    sizes: tuple[int, ...]
    prepare: Callable[[int], contextlib.AbstractContextManager[Job_]]
    memory: bool = False


def plain(make: Callable[[int], Job_]) -> Callable[[int], contextlib.AbstractContextManager[Job_]]:
    """Of a job that needs no clearing up."""
    return lambda n: contextlib.nullcontext(make(n))


def seconds(job: Job_) -> float:
    """Least processor time of three runs; of one, where it takes a second."""
    took = []
    for _ in range(3):
        begun = time.process_time()
        job()
        took.append(time.process_time() - begun)
        if took[0] > 1.0:
            break
    return min(took)


def megabytes(job: Job_) -> float:
    """Most memory that Python and numpy held at once for it."""
    tracemalloc.start()
    job()
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return most / 1e6


# What grows -------------------------------------------------------------------------


def shots(n: int) -> list[Shot]:
    """Photos of ten settings at most, or of one setting each below that."""
    places = min(n, 10)
    rng = np.random.default_rng(1)
    return [
        Shot(
            f"p{k:04d}", f"s{k % places}", 95.0 * (k % places) / places,
            frame_deg=3.0 + 95.0 * (k % places) / places, yaw_deg=float(rng.normal(0, 12)),
            displayed_deg=round(3.0 + 95.0 * (k % places) / places),
        )
        for k in range(n)
    ]  # fmt: skip


def visit_of(n: int) -> Job_:
    rng = np.random.default_rng(1)
    photos = visit(random_body(rng), shots(n), rng)
    return lambda: estimate_visit(photos, rng=np.random.default_rng(0))


def check_of(n: int) -> Job_:
    outcomes = {shot.name: as_measured(drawn(Body(), shot)) for shot in shots(n)}
    return lambda: check_machine(outcomes, SETTINGS)


def line_of(n: int) -> Job_:
    x = np.linspace(5.0, 110.0, n)
    y = 2.0 + 1.03 * x + np.random.default_rng(4).normal(0, 0.5, n)
    return lambda: fit_line(x, y, u_x=0.4, u_y=0.3, common_u_y=0.29)


def pairs_of(n: int, persons: int | None) -> Job_:
    rng = np.random.default_rng(1)
    knee = rng.uniform(0, 130, n)
    display = knee + rng.normal(1, 3, n)
    whose = None if persons is None else rng.integers(0, persons, n)

    def study() -> object:
        chosen = agreement.select_pairs(
            reference=knee, compared=display, person=whose, missing="drop"
        )
        return agreement.study_agreement(chosen, u_compared=0.3)

    return study


def photo_of(megapixels: int) -> Job_:
    with Image.open(SAMPLES / "bed_01.jpg") as picture:
        upright = ImageOps.exif_transpose(picture)
        factor = (1e6 * megapixels / (upright.width * upright.height)) ** 0.5
        size = (round(upright.width * factor), round(upright.height * factor))
        content = io.BytesIO()
        upright.resize(size, Image.Resampling.LANCZOS).save(content, "JPEG", quality=92)
    return lambda: measure(content.getvalue(), name="a.jpg")


def jpeg_of(pixels: np.ndarray) -> bytes:
    content = io.BytesIO()
    Image.fromarray(pixels).save(content, "JPEG", quality=92)
    return content.getvalue()


def tags_of(n: int) -> Job_:
    """So many tags on one large picture."""
    pixels = np.full((2400, 3200, 3), 230, np.uint8)
    book = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    across = 16
    for k in range(n):
        top, left = 60 + 190 * (k // across), 60 + 190 * (k % across)
        tag = cv2.aruco.generateImageMarker(book, k % 587, 120)
        pixels[top : top + 120, left : left + 120] = tag[:, :, None]
    content = jpeg_of(pixels)
    return lambda: find_tags(read_photo(content, name="a.jpg"))


def discs_of(n: int) -> Job_:
    """So many discs of the dots' kind beside the leg of a sample photo."""
    rng = np.random.default_rng(3)
    with Image.open(SAMPLES / "bed_01.jpg") as picture:
        pixels = np.array(picture.convert("RGB"))
    high, wide = pixels.shape[:2]
    colours = [(30, 200, 60), (230, 40, 160), (40, 90, 230), (250, 160, 20)]
    for k in range(n):
        at = int(rng.uniform(20, wide - 20)), int(rng.uniform(20, high - 20))
        cv2.circle(pixels, at, int(rng.uniform(8, 14)), colours[k % 4], -1, cv2.LINE_AA)
    content = jpeg_of(pixels)
    return lambda: DotDetector().find(read_photo(content, name="a.jpg"))


PEOPLE, MACHINES = 200, 20


def filled(store: Store, n: int) -> None:
    """So many measurements of 200 people at 20 machines, a tenth of them in visits of two photos.

    One of each is kept by the store itself; the others are its rows under other codes and times.
    """
    base = made_measurement()
    whose = {"person": "P-000", "machine": "M-00"}
    for k in range(PEOPLE):
        store.add_person(f"P-{k:03d}")
    for k in range(MACHINES):
        store.add_machine(f"M-{k:02d}")
    for end, deg in (("flexion", 70.0), ("extension", 8.0)):
        store.save_measurement(at_angle(base, deg), settings=SETTINGS, photo_sha256=SHA,
                               setup=SetUp(end=end), taken_at=NOON, **whose)  # fmt: skip
    answer, photos = made_visit()
    store.save_visit(answer, photos, visit_id=new_id(), settings=SETTINGS, **whose)
    series = made_series()
    store.save_check(
        check_machine(series, SETTINGS), machine="M-00", outcomes=series, settings=SETTINGS,
        photo_sha256={}, taken_at=NOON,
    )  # fmt: skip
    _copied(store, schema.measurements, n, like="P-000")
    _copied(store, schema.visits, n // 20, like="P-000")
    _copied(store, schema.checks, n // 100, like="M-00")


def _copied(store: Store, table: sa.Table, n: int, *, like: str) -> None:
    """Rows of a table again, each under the next code, a further half day later a round."""
    own, of = ("machine", MACHINES) if like.startswith("M") else ("person", PEOPLE)
    with store.engine.begin() as connection:
        rows = [dict(row._mapping) for row in connection.execute(sa.select(table))]
        for first in range(0, n, 1_000):
            more = []
            for k in range(first, min(first + 1_000, n)):
                row = rows[k % len(rows)] | {
                    "id": f"{k:032x}",
                    own: f"{like[:2]}{k % of:0{len(like) - 2}d}",
                    "taken_at": NOON + timedelta(hours=12 * (k // of)),
                }
                if "machine" in row and own == "person":
                    row["machine"] = f"M-{k % MACHINES:02d}"
                more.append(row)
            connection.execute(sa.insert(table), more)


@contextlib.contextmanager
def store_of(n: int, ask: Callable[[Store], object]) -> Iterator[Job_]:
    """A question to a store with so many measurements."""
    with (
        tempfile.TemporaryDirectory(dir=memory_disk()) as folder,
        open_store(Path(folder, "a.db")) as store,
    ):
        filled(store, n)
        yield lambda: ask(store)


def page_lists(store: Store) -> None:
    """What the pages' lists ask."""
    store.people()
    store.machines()
    store.latest_checks()
    store.measurements(person="P-007", limit=200)


def one_person(store: Store) -> None:
    """What following a person asks, and the paper of the newest visit."""
    course_of(store, "P-007")
    papers.of_visit(store, person="P-007")


def fleet(store: Store) -> None:
    """The papers of all machines and of one."""
    papers.of_fleet(store)
    papers.of_machine(store, "M-00")


def research(store: Store) -> None:
    """The pseudonymised table, written."""
    with tempfile.TemporaryDirectory(dir=memory_disk()) as folder:
        _research(store, Path(folder, "r.csv"), Pseudonyms(b"k" * 32), "days")


def memory_disk() -> Path | None:
    """A folder without a disk in the times, where there is one."""
    shared = Path("/dev/shm")  # noqa: S108
    return shared if shared.is_dir() else None


class Fake:
    """Workers that answer at once, with the row of a measured photo."""

    at_once = 4

    def __init__(self) -> None:
        self.row = as_json("a.jpg", made_measurement(displayed_deg=None), version="0")

    def submit(self, job: Job) -> Future[Answer]:
        answer: Future[Answer] = Future()
        digest = hashlib.sha256(job.photo.encode()).hexdigest()
        answer.set_result(Answer(job.photo, {**self.row, "photo": job.photo}, digest))
        return answer

    def lost(self, job: Job, error: BaseException) -> Answer:
        raise RuntimeError(job.photo) from error

    def check(self) -> None:
        """Always there."""


@contextlib.contextmanager
def batch_of(n: int) -> Iterator[Job_]:
    """A whole batch but for the measuring: found, journal, both tables, record."""
    with tempfile.TemporaryDirectory(dir=memory_disk()) as place:
        folder = Path(place, "photos")
        folder.mkdir()
        for k in range(n):
            (folder / f"{k:06d}.jpg").touch()
        real = run._workers

        def whole() -> object:
            out = Path(place, "out.parquet")
            return run.run_batch(run.BatchPlan(str(folder), out, overwrite=True))

        run._workers = lambda *_: contextlib.nullcontext(Fake())
        try:
            yield whole
        finally:
            run._workers = real


ROWS = (100, 1_000, 10_000, 100_000)
GROWTHS = {
    "visit": Growth("photos of a visit", (3, 10, 30, 100, 300), plain(visit_of)),
    "check": Growth("photos of a check", (3, 10, 30, 100, 300), plain(check_of)),
    "line": Growth("points of a line", (10, 100, 1_000, 10_000, 100_000), plain(line_of), True),
    "pairs": Growth(
        "pairs compared", (1_000, 10_000, 100_000, 1_000_000),
        plain(lambda n: pairs_of(n, None)), True,
    ),
    "persons": Growth(
        "persons compared, two pairs each", (100, 1_000, 10_000, 100_000),
        plain(lambda n: pairs_of(2 * n, n)), True,
    ),
    "megapixels": Growth("megapixels of a photo", (1, 2, 4, 8, 16, 32), plain(photo_of)),
    "tags": Growth("tags in a photo", (1, 4, 16, 64, 160), plain(tags_of)),
    "discs": Growth("discs like dots in a photo", (1, 10, 100, 400), plain(discs_of)),
    "store": Growth("rows kept: the pages' lists", ROWS, partial(
        store_of, ask=page_lists)),
    "person": Growth("rows kept: one person's course", ROWS, partial(
        store_of, ask=one_person)),
    "fleet": Growth("rows kept: all machines", ROWS, partial(
        store_of, ask=fleet)),
    "research": Growth("rows kept: research table", ROWS[:3], partial(
        store_of, ask=research), True),
    "batch": Growth("photos of a batch", (100, 1_000, 10_000, 100_000), batch_of, True),
}  # fmt: skip


# Rows and plot ----------------------------------------------------------------------

Row = dict[str, Any]
WIDE, HIGH, PAD = 330.0, 215.0, 46.0


def measured(name: str, most: float) -> Iterator[Row]:
    growth = GROWTHS[name]
    for n in growth.sizes:
        if n > max(growth.sizes[0], most * growth.sizes[-1]):
            return
        with growth.prepare(n) as job:
            row: Row = {"what": name, "n": n, "seconds": round(seconds(job), 5)}
            if growth.memory:
                row["mb"] = round(megabytes(job), 2)
                row["process_mb"] = round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3)
        yield row


def steepness(rows: list[Row]) -> float:
    """The power of n between the last two sizes."""
    if len(rows) < 2:
        return math.nan
    (a, b) = rows[-2:]
    return math.log(b["seconds"] / max(a["seconds"], 1e-6)) / math.log(b["n"] / a["n"])


def panel(drawing: Drawing, left: float, top: float, name: str, rows: list[Row]) -> None:
    """Seconds against n, both by tens, with n and n log n through the first point."""
    first, last = rows[0], rows[-1]
    ns = [row["n"] for row in rows]
    linear = [first["seconds"] * n / first["n"] for n in ns]
    log = [
        first["seconds"] * n * math.log(n + 1) / (first["n"] * math.log(first["n"] + 1)) for n in ns
    ]
    took = [max(row["seconds"], 1e-5) for row in rows]
    low, high = math.log10(min(took)) - 0.2, math.log10(max(*took, *log)) + 0.2
    start, end = math.log10(ns[0]), math.log10(ns[-1])

    def at(n: float, value: float) -> tuple[float, float]:
        x = left + PAD + (math.log10(n) - start) / max(end - start, 1e-9) * (WIDE - PAD - 24)
        y = top + 30 + (1 - (math.log10(value) - low) / (high - low)) * (HIGH - 74)
        return x, y

    drawing.text(GROWTHS[name].of, (left + PAD, top + 16), size=12, strong=True)
    for power in range(math.ceil(low), math.floor(high) + 1):
        y = at(ns[0], 10.0**power)[1]
        drawing.line([(left + PAD, y), (left + WIDE - 24, y)], "#d9dee2", wide=0.7)
        drawing.text(f"{10.0**power:g} s", (left + PAD - 5, y + 4), size=10, anchor="end")
    for n in ns:
        x = at(n, 10.0**low)[0]
        drawing.text(f"{n:,}", (x, top + HIGH - 28), size=10, anchor="middle")
    drawing.line([at(n, v) for n, v in zip(ns, linear, strict=True)], "#7a858d", dashes="2 3")
    drawing.line([at(n, v) for n, v in zip(ns, log, strict=True)], "#7a858d", dashes="6 4")
    places = [at(n, v) for n, v in zip(ns, took, strict=True)]
    drawing.line(places, "#0b6e69", wide=2.0)
    for place in places:
        drawing.circle(place, 3.2, "#0b6e69")
    told = f"{last['seconds']:.3g} s at {last['n']:,}; n^{steepness(rows):.2f} at the end"
    if "mb" in last:
        told += f"; {last['mb']:.3g} MB"
    drawing.text(told, (left + PAD, top + HIGH - 10), size=10)


def plot(rows: list[Row], path: Path) -> None:
    """Every thing that has rows, three in a line."""
    found = {name: [row for row in rows if row["what"] == name] for name in GROWTHS}
    found = {name: sorted(own, key=lambda row: row["n"]) for name, own in found.items() if own}
    drawing = Drawing(3 * WIDE, math.ceil(len(found) / 3) * HIGH)
    corners = [(0.0, 0.0), (drawing.width, 0.0), (drawing.width, drawing.height),
               (0.0, drawing.height)]  # fmt: skip
    drawing.area(corners, "#ffffff")
    for k, (name, own) in enumerate(found.items()):
        panel(drawing, k % 3 * WIDE, k // 3 * HIGH, name, own)
    path.write_text(drawing.svg() + "\n")


def main() -> None:
    """Measure, write down, draw."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("what", nargs="*", help=f"of {', '.join(GROWTHS)}; else all")
    asked.add_argument("--most", type=float, default=1.0)
    asked.add_argument("--rows", type=Path, default=Path("growth.jsonl"))
    asked.add_argument("--plot", type=Path, default=Path("growth.svg"))
    asked.add_argument("--draw", action="store_true", help="Measure nothing.")
    given = asked.parse_args()
    cv2.setNumThreads(1)
    for name in () if given.draw else given.what or GROWTHS:
        for row in measured(name, given.most):
            print(json.dumps(row), flush=True)
            with given.rows.open("a") as file:
                file.write(json.dumps(row) + "\n")
    newest = {
        (row["what"], row["n"]): row for row in map(json.loads, given.rows.read_text().splitlines())
    }
    plot(list(newest.values()), given.plot)


if __name__ == "__main__":
    main()
