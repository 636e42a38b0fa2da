"""kill -9 at random moments of everything that keeps something: what was acknowledged is there.

    python tests/bench/faults.py                    100 kills at eight doors, in a few minutes
    python tests/bench/faults.py save backup --kills 200 --seed 3

Each kill hits a process of its own at a random moment of its work, from its first line to a
little after its end. What that process had acknowledged by then must be there, whole and once;
what it had not may be there, but never by half; the store opens, its pages are whole, and no
unfinished file is left. `python tests/bench/mishaps.py` does the same with full disks, clocks,
locks, versions, memory and models.
"""

from __future__ import annotations

import argparse
import gzip
import os
import random
import shutil
import signal
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any
from unittest import mock

TESTS = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(TESTS))

import psutil  # noqa: E402
import sqlalchemy as sa  # noqa: E402
from stores import (  # noqa: E402
    SETTINGS,
    SHA,
    at_angle,
    cluster,
    made_measurement,
    made_visit,
    postgres_bin,
)

from knee_angle.files import UNFINISHED  # noqa: E402
from knee_angle.photo.bare import bare_jpeg  # noqa: E402
from knee_angle.records import CropJpeg  # noqa: E402
from knee_angle.store import Store, new_id, open_store, schema  # noqa: E402
from knee_angle.store.encrypting import change_key, encrypt_pictures  # noqa: E402
from knee_angle.store.sealing import new_key as key_in  # noqa: E402

Acknowledge = Callable[[str], None]
Work = Callable[[Acknowledge], None]

KILLS = {"save": 20, "save-postgresql": 10, "backup": 15, "restore": 15, "migration": 15,
         "batch": 10, "clip": 10, "new-key": 5}  # fmt: skip
"""A hundred in all."""
size = {"rows": 150}
"""Rows of the stores that are backed up, restored and brought to a new version."""


@dataclass
class Told:
    """What happened at a door."""

    door: str
    kills: int = 0
    before_the_end: int = 0
    acknowledged: int = 0
    broke: list[str] = field(default_factory=list)

    def check(self, holds: bool, what: str) -> None:
        """Note what broke."""
        if not holds:
            self.broke.append(f"kill {self.kills}: {what}")


def killed(work: Work, after_s: float | None) -> tuple[list[str], float]:
    """What a process of its own acknowledged until it was killed, and how long it had worked.

    Without a time it works to its end.
    """
    reading, writing = os.pipe()
    started = time.monotonic()
    child = os.fork()
    if child == 0:
        os.close(reading)
        with suppress(BaseException):
            sys.stdout = sys.stderr = open(os.devnull, "w")  # noqa: SIM115, PTH123
            work(lambda line: os.write(writing, f"{line}\n".encode()))
        os._exit(0)
    os.close(writing)
    children: list[psutil.Process] = []
    if after_s is not None:
        time.sleep(after_s)
        with suppress(psutil.NoSuchProcess):
            children = psutil.Process(child).children(recursive=True)
        os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    with os.fdopen(reading, "rb") as pipe:
        said = pipe.read().decode().splitlines(keepends=True)
    # What it had started ends by itself; an orphan would go on writing.
    psutil.wait_procs(children, timeout=20)
    for one in children:
        if one.is_running() and one.status() != psutil.STATUS_ZOMBIE:
            raise AssertionError(f"process {one.pid} outlived its owner")
    return [line.strip() for line in said if line.endswith("\n")], time.monotonic() - started


def left_over(folder: Path) -> list[str]:
    """Unfinished files under any name of ours."""
    return [f.name for f in folder.rglob("*") if UNFINISHED in f.name or f.suffix == ".part"]


def whole(store: Store) -> bool:
    """Whether the database says that its pages and references are sound."""
    if store.engine.dialect.name != "sqlite":
        return True
    with store.engine.connect() as connection:
        pages = connection.exec_driver_sql("PRAGMA integrity_check").scalar_one()
        return pages == "ok" and not connection.exec_driver_sql("PRAGMA foreign_key_check").all()


def everything(store: Store) -> dict[str, list[str]]:
    """Every row of every table but the trail."""
    with store.engine.connect() as connection:
        return {
            name: sorted(str(tuple(row)) for row in connection.execute(table.select()))
            for name, table in schema.metadata.tables.items()
            if name != "audit"
        }


def filled(path: Path, rows: int | None = None) -> Path:
    """A store with so many measurements of one person."""
    measured = made_measurement()
    with open_store(path) as store:
        store.add_person("P-017")
        store.add_machine("M-03")
        given: dict[str, Any] = {"settings": SETTINGS, "photo_sha256": SHA, "person": "P-017"}
        for number in range(rows or size["rows"]):
            store.save_measurement(at_angle(measured, 40.0 + number % 50), **given)
    return path


# ------------------------------------------------------------------ the doors


def save(told: Told, folder: Path, rng: random.Random, kills: int, url: str = "") -> None:
    """Measurements and visits kept one after the other by several programs in turn."""
    place = url or str(folder / "store.db")
    measured, (answer, photos) = made_measurement(), made_visit()
    with open_store(place) as store:
        store.add_person("P-017")
    given: dict[str, Any] = {"settings": SETTINGS, "person": "P-017"}

    def work(acknowledge: Acknowledge, most: int = 10**9) -> None:
        with open_store(place, who="writer") as store:
            for _ in range(most):
                row = store.save_measurement(measured, photo_sha256=SHA, row_id=new_id(), **given)
                acknowledge(f"row {row.id}")
                visit = new_id()
                store.save_visit(answer, photos, visit_id=visit, **given)
                acknowledge(f"visit {visit}")

    # How long a few take here: a loaded machine is slow.
    acknowledged, lasts_s = killed(partial(work, most=4), None)
    for _ in range(kills):
        told.kills += 1
        said, _ = killed(work, rng.uniform(0.0, 1.5 * lasts_s))
        told.before_the_end += 1
        acknowledged += said
        with open_store(place, create=False) as store:
            told.check(whole(store), "the pages are damaged")
            rows = {r.id: r for r in store.measurements(limit=10**6, all_rows=True)}
            visits = {v.id: v for v in store.visits(limit=10**6)}
            noted = {a.about for a in store.audit(limit=10**6) if a.what == "kept measurement"}
        for line in acknowledged:
            kind, name = line.split()
            told.check(name in (rows if kind == "row" else visits), f"{line} is lost")
        of_visits = [row for row in rows.values() if row.setup.visit]
        told.check({r.setup.visit for r in of_visits} == set(visits), "a visit by half")
        told.check(len(of_visits) == len(photos) * len(visits), "photos of a visit are lost")
        told.check(noted == set(rows), "rows and audit trail differ")
    told.acknowledged = len(acknowledged)
    told.check(told.acknowledged > kills, "hardly anything was kept")


def save_postgresql(told: Told, folder: Path, rng: random.Random, kills: int) -> None:
    """The same, kept in a PostgreSQL server."""
    with cluster() as server:
        save(told, folder, rng, kills, server.fresh())


def backup(told: Told, folder: Path, rng: random.Random, kills: int) -> None:
    """A backup into a new file."""
    path = filled(folder / "store.db")
    out = folder / "backup.jsonl"
    with open_store(path) as store:
        before = everything(store)

    def work(acknowledge: Acknowledge) -> None:
        with open_store(path) as store:
            store.backup(out)
        acknowledge("backup")

    def judge(said: list[str]) -> None:
        told.check(not said or out.exists(), "an acknowledged backup is lost")
        if out.exists():
            with open_store(folder / f"restored-{told.kills}.db") as fresh:
                fresh.restore(out)
                told.check(everything(fresh) == before, "the backup lacks rows")
            for one in folder.glob("restored-*"):
                one.unlink()
            out.unlink()
        with open_store(path) as store:
            told.check(whole(store) and everything(store) == before, "the store changed")
        told.check(not left_over(folder), f"an unfinished file is left: {left_over(folder)}")

    each_kill(told, work, judge, rng, kills)


def restore(told: Told, folder: Path, rng: random.Random, kills: int) -> None:
    """A backup restored into a new store."""
    with open_store(filled(folder / "store.db")) as store:
        before = everything(store)
        store.backup(folder / "backup.jsonl")
    place = folder / "restored.db"

    def work(acknowledge: Acknowledge) -> None:
        with open_store(place) as fresh:
            fresh.restore(folder / "backup.jsonl")
        acknowledge("restored")

    def judge(said: list[str]) -> None:
        with open_store(place) as fresh:
            found = everything(fresh)
            empty = not any(found.values())
            told.check(whole(fresh), "the pages are damaged")
            told.check(found == before or (empty and not said), "restored by half")
            if empty:
                fresh.restore(folder / "backup.jsonl")
                told.check(everything(fresh) == before, "it cannot be restored again")
        for one in folder.glob("restored.db*"):
            one.unlink()

    each_kill(told, work, judge, rng, kills)


def new_key(told: Told, folder: Path, rng: random.Random, kills: int) -> None:
    """All kept pictures encrypted anew, under a key that is made for it."""
    path, keys = folder / "store.db", folder / "keys"
    keys.mkdir()
    sample = (TESTS.parent / "sample_images" / "bed_01.jpg").read_bytes()
    picture = CropJpeg(bare_jpeg(sample), 0.0, 0.0, 1.0)
    with open_store(path) as store:
        for _ in range(size["rows"] // 5):
            store.save_measurement(
                made_measurement(), settings=SETTINGS, photo_sha256=SHA, photo=picture
            )
        encrypt_pictures(store, key_in(keys / "0"), key_file=keys / "0")

    def work(acknowledge: Acknowledge) -> None:
        key = keys / f"{told.kills + 1}"
        with open_store(path) as store:
            change_key(store, key_in(key), key_file=key)
        acknowledge(str(key))

    def judge(said: list[str]) -> None:
        with open_store(path) as store, store.engine.connect() as connection:
            newest = schema.encryption.c.saved_at.desc()
            place = connection.execute(
                sa.select(schema.encryption.c.key_file).order_by(newest)
            ).scalars()
            told.check(not said or next(place) == said[-1], "an acknowledged key does not count")
            told.check(whole(store), "the pages are damaged")
            rows = connection.execute(sa.select(schema.photos.c.measurement)).scalars().all()
            told.check(len(rows) == size["rows"] // 5, "pictures are lost")
            told.check(all(store.photo(row) == picture for row in rows), "a picture does not open")
        told.check(not left_over(folder), f"an unfinished file is left: {left_over(folder)}")

    each_kill(told, work, judge, rng, kills)


def of_before(path: Path, rows: int | None = None) -> Path:
    """A store of tables 0002 with so many measurements; see `tests/test_store_before.py`."""
    path.write_bytes(gzip.decompress((TESTS / "store_before_columns.db.gz").read_bytes()))
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        names = [row[1] for row in connection.execute("PRAGMA table_info(measurements)")]
        others = ", ".join(name for name in names if name != "id")
        connection.execute("BEGIN")
        for number in range(rows or size["rows"]):
            connection.execute(
                f"INSERT INTO measurements (id, {others}) SELECT ?, {others} "  # noqa: S608
                f"FROM measurements WHERE id = ?",
                (f"{number:032x}", "a" * 32),
            )
            connection.execute(
                "INSERT INTO prescriptions (id, person, from_day, flexion_deg, saved_at, who) "
                "VALUES (?, 'P-017', '2026-03-01', ?, '2026-03-01 08:00:00', 'local')",
                (f"{number:032x}", 60 + number % 60),
            )
        connection.execute("COMMIT")
    return path


def old_rows(path: Path) -> dict[str, Any]:
    """What stands in the columns that the tables of before had."""
    with closing(sqlite3.connect(path)) as connection:
        return {
            table: connection.execute(f"SELECT {columns} FROM {table} ORDER BY 1").fetchall()  # noqa: S608
            for table, columns in (
                ("measurements", "id, contract, settings"),
                ("prescriptions", "id, person, from_day, flexion_deg, lifted"),
                ("checks", "id, result"),
                ("audit", "id, what, about"),
            )
        }


def migration(told: Told, folder: Path, rng: random.Random, kills: int) -> None:
    """A store of before, opened by this version: its tables are brought to the newest one."""
    original, path = of_before(folder / "before.db"), folder / "store.db"
    before = old_rows(original)
    shutil.copy(original, path)

    def work(acknowledge: Acknowledge) -> None:
        with open_store(path, create=False):
            acknowledge("opened")

    def judge(_: list[str]) -> None:
        with open_store(path, create=False) as store:
            told.check(whole(store), "the pages are damaged")
            told.check(
                len(store.measurements(limit=10**6)) == size["rows"] + 1, "measurements are lost"
            )
            tables = set(sa.inspect(store.engine).get_table_names())
            told.check(tables >= set(schema.metadata.tables), "tables are missing")
        told.check(old_rows(path) == before, "rows of before changed")
        for one in folder.glob("store.db*"):
            one.unlink()
        shutil.copy(original, path)

    each_kill(told, work, judge, rng, kills)


def batch(told: Told, folder: Path, rng: random.Random, kills: int) -> None:
    """A batch that goes on after each kill; its table is that of a run that nobody killed."""
    from knee_angle.batch.run import BatchPlan, run_batch

    photos = folder / "photos"
    photos.mkdir()
    for name in ("bed_01", "bed_04", "bed_05", "bed_06", "series_a_1", "series_a_2"):
        shutil.copy(TESTS.parent / "sample_images" / f"{name}.jpg", photos)

    def plan(out: str) -> BatchPlan:
        return BatchPlan(source=str(photos), out=folder / out, workers=1, resume=True)

    def work(acknowledge: Acknowledge) -> None:
        run_batch(plan("cut.csv"), lambda done, _all: acknowledge(str(done)))
        acknowledge("whole")

    run_batch(plan("whole.csv"))
    done = 0
    for _ in range(kills):
        told.kills += 1
        said, _ = killed(work, rng.uniform(0.5, 7.0))
        told.acknowledged += len(said)
        journal = folder / "cut.journal.jsonl"
        rows = max(0, journal.read_bytes().count(b"\n") - 1) if journal.exists() else 0
        numbers = [int(line) for line in said if line != "whole"]
        told.check(rows >= max([done, *numbers]), "a row that was told is not in the journal")
        told.check(not left_over(folder), f"an unfinished file is left: {left_over(folder)}")
        done = rows
        for ending in ("csv", "parquet"):
            cut, one = (folder / f"{name}.{ending}" for name in ("cut", "whole"))
            told.check("whole" not in said or cut.exists(), "an acknowledged table is lost")
            same = not cut.exists() or cut.read_bytes() == one.read_bytes()
            told.check(same, f"the {ending} table is another one")
        if "whole" in said:
            done = 0
            for one in folder.glob("cut.*"):
                one.unlink()
        else:
            told.before_the_end += 1
    run_batch(plan("cut.csv"))
    told.check((folder / "cut.csv").read_bytes() == (folder / "whole.csv").read_bytes(), "the end")


def clip(told: Told, folder: Path, rng: random.Random, kills: int) -> None:
    """`knee-angle clip FILM --keep` with plot and table, killed after the film was measured."""
    from drawn_clips import Clip, filmed
    from typer.testing import CliRunner

    from knee_angle.cli import app
    from knee_angle.clip.measure import measure_clip
    from knee_angle.landmarks.standard import opened_detectors
    from knee_angle.settings import Settings

    film = filmed(
        Clip(seconds=2.5, cycle_s=5.0, person_s=None, exposure_s=None, bars_deg=(30.0, 70.0)),
        folder / "short.mov",
    )
    with opened_detectors() as detectors:
        answer = measure_clip(film, detectors=detectors, settings=Settings(trials=500))
    path, plot, table = folder / "store.db", folder / "plot.svg", folder / "rows.csv"
    with open_store(path) as store:
        store.add_person("P-017")
    call = ["clip", film, "--keep", "--keep-pictures", "--person", "P-017", "--store", path,
            "--chart", plot, "--frames", table]  # fmt: skip

    def work(acknowledge: Acknowledge) -> None:
        with mock.patch("knee_angle.cli.clip._measured", return_value=answer):
            done = CliRunner().invoke(app, [str(word) for word in call])
        if done.exit_code == 0:
            acknowledge("clip")

    visits = 0

    def judge(said: list[str]) -> None:
        nonlocal visits
        with open_store(path, create=False) as store:
            told.check(whole(store), "the pages are damaged")
            kept, rows = store.visits(), store.measurements(limit=10**6)
            told.check(len(kept) - visits in ((1,) if said else (0, 1)), "the visit is lost")
            of_each = [sum(row.setup.visit == one.id for row in rows) for one in kept]
            told.check(of_each == [len(answer.chosen)] * len(kept), "a visit by half")
            told.check(all(store.photo(row.id) is not None for row in rows), "a picture is lost")
            told.check(len(rows) == sum(of_each), "photos without their visit")
            visits = len(kept)
        for one, ends in ((plot, b"</svg>"), (table, b"")):
            told.check(not said or one.exists(), f"an acknowledged {one.name} is lost")
            torn = one.exists() and not one.read_bytes().rstrip().endswith(ends)
            told.check(not torn, f"{one.name} is torn")
            one.unlink(missing_ok=True)
        told.check(not left_over(folder), f"an unfinished file is left: {left_over(folder)}")

    each_kill(told, work, judge, rng, kills)


def each_kill(
    told: Told, work: Work, judge: Callable[[list[str]], None], rng: random.Random, kills: int
) -> None:
    """Kill at moments from the first to a little after the last, and judge each time."""
    said, lasts_s = killed(work, None)
    told.check(bool(said), "it does not even work without a kill")
    judge(said)
    for _ in range(kills):
        told.kills += 1
        said, _ = killed(work, rng.uniform(0.0, 1.15 * lasts_s))
        told.before_the_end += not said
        told.acknowledged += len(said)
        judge(said)


DOORS: dict[str, Callable[[Told, Path, random.Random, int], None]] = {
    "save": save,
    "save-postgresql": save_postgresql,
    "backup": backup,
    "restore": restore,
    "migration": migration,
    "batch": batch,
    "clip": clip,
    "new-key": new_key,
}


@contextmanager
def place() -> Iterator[Path]:
    """A folder that goes again."""
    folder = Path(tempfile.mkdtemp(prefix="knee-faults-"))
    with ExitStack() as stack:
        stack.callback(partial(shutil.rmtree, folder, ignore_errors=True))
        yield folder


def main() -> None:
    """Print a line a door; exit status 1 where anything broke."""
    about = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    about.add_argument("doors", nargs="*", help=f"of {', '.join(DOORS)}; all without")
    about.add_argument("--kills", type=int, help="at each door; a hundred in all without")
    about.add_argument("--rows", type=int, default=150, help="of the stores that are copied")
    about.add_argument("--seed", type=int, default=1)
    given = about.parse_args()
    size["rows"] = given.rows
    kills = broken = 0
    print("door              kills  before the end  acknowledged  broke")
    for door in given.doors or [d for d in DOORS if postgres_bin() or "postgres" not in d]:
        told, rng = Told(door), random.Random(f"{door} {given.seed}")  # noqa: S311
        with place() as folder:
            DOORS[door](told, folder, rng, given.kills or KILLS[door])
        print(f"{door:16} {told.kills:6} {told.before_the_end:15} {told.acknowledged:13}  "
              f"{len(told.broke)}", flush=True)  # fmt: skip
        for what in dict.fromkeys(line.split(": ", 1)[1] for line in told.broke):
            print(f"  {what}", flush=True)
        kills, broken = kills + told.kills, broken + len(told.broke)
    print(f"{kills} kills, {broken} of their checks broke")
    sys.exit(1 if broken else 0)


if __name__ == "__main__":
    main()
