"""Full disks, folders that may only be read, clocks, locks, versions, memory, models: what is said.

    python tests/bench/mishaps.py                 everything, in about five minutes
    python tests/bench/mishaps.py disk clock --locked-s 1

Each line is one mishap: whether what was acknowledged before is there, whether the program said
in one line what to do, and that line. As root disks are small temporary file systems; else a
limit on the size of files stands for them. Kills are in `tests/bench/faults.py`.
"""

from __future__ import annotations

import argparse
import os
import random
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(TESTS), str(TESTS / "bench")]

import psutil  # noqa: E402
from faults import everything, filled, left_over, of_before, old_rows, whole  # noqa: E402
from PIL import Image  # noqa: E402
from stores import SETTINGS, SHA, cluster, made_measurement, made_series  # noqa: E402

from knee_angle.errors import KneeAngleError, StoreError  # noqa: E402
from knee_angle.machine.check import check_machine  # noqa: E402
from knee_angle.store import MachineCard, Store, new_id, open_store, opening  # noqa: E402

ROOT = TESTS.parent
SAMPLES = ROOT / "sample_images"
MEASURED = made_measurement()
SMALL = 1_200_000
"""Room of a small disk, bytes."""

broke: list[str] = []


def told(mishap: str, holds: bool, said: str = "") -> None:
    """Print what happened, and note what broke."""
    print(
        f"{'held' if holds else 'BROKE':6} {mishap:52} {' '.join(said.split())[:200]}", flush=True
    )
    if not holds:
        broke.append(mishap)


def keep(store: Store, row_id: str | None = None) -> str:
    """One measurement kept; its row."""
    given: dict[str, Any] = {"settings": SETTINGS, "photo_sha256": SHA}
    return store.save_measurement(MEASURED, row_id=row_id or new_id(), **given).id


def refused(work: Callable[[], object]) -> str:
    """What a call of ours was refused with; empty where it was not."""
    try:
        work()
    except KneeAngleError as error:
        return str(error)
    return ""


def command(
    *words: object, before: Callable[[], None] | None = None, **env: str
) -> tuple[int, str]:
    """Exit status and stderr of the command in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-m", "knee_angle", *map(str, words)],
        capture_output=True, text=True, check=False, preexec_fn=before,
        timeout=600, cwd=ROOT, env={**os.environ, **env},
    )  # fmt: skip
    return done.returncode, done.stderr


def one_line(status: int, said: str) -> bool:
    """Whether a command ended with its one line."""
    return status == 2 and said.startswith("knee-angle: ") and said.count("\n") == 1


@contextmanager
def folder() -> Iterator[Path]:
    made = Path(tempfile.mkdtemp(prefix="knee-mishaps-"))
    try:
        yield made
    finally:
        shutil.rmtree(made, ignore_errors=True)


@contextmanager
def disk(room: int) -> Iterator[tuple[Path, Callable[[], None], Callable[..., None]]]:
    """A small disk: its folder, what limits a process to it, and a way to mount it anew."""
    with folder() as place:
        on = ["mount", "-t", "tmpfs", "-o", f"size={room}", "tmpfs", str(place)]
        mounted = os.geteuid() == 0 and subprocess.run(on, check=False).returncode == 0

        def limit() -> None:
            if not mounted:
                signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
                resource.setrlimit(resource.RLIMIT_FSIZE, (room // 3, room // 3))

        def again(options: str) -> None:
            if mounted:
                remount = ["mount", "-o", f"remount,{options}", str(place)]
                subprocess.run(remount, check=True)
            elif options in ("ro", "rw"):
                for one in (place, *place.iterdir()):
                    one.chmod(0o500 if options == "ro" else 0o700)
            else:
                resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY,) * 2)

        try:
            yield place, limit, again
        finally:
            if mounted:
                subprocess.run(["umount", "-l", str(place)], check=False)


# ------------------------------------------------------------------ the mishaps


def full_disk(_: argparse.Namespace) -> None:
    """Saving, backing up, exporting and a batch on a disk that becomes full."""
    with disk(SMALL) as (place, limit, again):
        limit()
        kept: list[str] = []
        with open_store(place / "store.db") as store:
            said = ""
            while not said:
                said = refused(lambda: kept.append(keep(store)))
            rows = {row.id for row in store.measurements(limit=10**6)}
            told(
                "disk full in a save",
                (rows == set(kept) and "disk" in said) or "room" in said,
                said,
            )
        with open_store(place / "store.db") as store:
            told("the store opens on the full disk", whole(store))
            said = refused(lambda: store.backup(place / "backup.jsonl"))
        nothing = not (place / "backup.jsonl").exists() and not left_over(place)
        told("disk full in a backup", bool(said) and nothing, said)
        done = command("store", "export", place / "out.parquet", "--format", "parquet", "--store",
                       place / "store.db", before=limit)  # fmt: skip
        told("disk full in an export", one_line(*done) and not left_over(place), done[1])
        again(f"size={4 * SMALL}")
        with open_store(place / "store.db") as store:
            store.backup(place / "backup.jsonl")
            keep(store)
            rows = {row.id for row in store.measurements(limit=10**6)}
            told("with room again everything goes on", rows > set(kept) and whole(store))
    with disk(200_000) as (place, limit, again), folder() as photos:
        for name in ("bed_01", "bed_04"):
            shutil.copy(SAMPLES / f"{name}.jpg", photos)
        (place / "filler").write_bytes(bytes(190_000))
        batch = ("batch", photos, "--out", place / "t.csv", "--workers", 1)
        done = command(*batch, before=limit)
        torn = (place / "t.csv").exists() or left_over(place)
        told("disk full in a batch", one_line(*done) and not torn, done[1])
        again("size=2000000")
        (place / "filler").unlink()
        done = command(*batch, "--resume")
        told(
            "with room again the batch goes on",
            done[0] == 0 and (place / "t.csv").exists(),
            done[1],
        )


def read_only(_: argparse.Namespace) -> None:
    """A store, a backup's folder and a batch's folder that may only be read."""
    with disk(8 * SMALL) as (place, _limit, again):
        path = filled(place / "store.db", 20)
        again("ro")
        status, said = command("measure", SAMPLES / "bed_01.jpg", "--keep", "--store", path)
        told("a save into a store that may only be read", one_line(status, said), said)
        status, said = command("store", "where", "--store", path)
        told("reading it", status == 0 or one_line(status, said), said)
        with folder() as elsewhere:
            filled(elsewhere / "store.db", 20)
            done = command("store", "backup", place / "b.jsonl", "--store", elsewhere / "store.db")
            told("a backup into a folder that may only be read", one_line(*done), done[1])
        done = command("batch", SAMPLES, "--out", place / "t.csv", "--workers", 1)
        told("a batch into a folder that may only be read", one_line(*done), done[1])
        again("rw")
        with open_store(path) as store:
            keep(store)
            told("then written again", len(store.measurements()) == 21 and whole(store))


def clock(given: argparse.Namespace) -> None:
    """A clock that jumps by up to a year to both sides between any two entries."""
    rng = random.Random(given.seed)  # noqa: S311
    moment = [datetime(2026, 3, 2, 12, 0, tzinfo=UTC)]
    series = made_series()
    checked = check_machine(series, SETTINGS)
    wrong: list[str] = []
    with folder() as place, open_store(place / "store.db", clock=lambda: moment[0]) as store:
        store.add_person("P-017")
        store.add_machine("M-03")
        rows: set[str] = set()
        for number in range(given.entries):
            jump_s = rng.choice((1.0, -1.0)) * 10 ** rng.uniform(-3, 7.5)
            moment[0] += timedelta(seconds=jump_s)
            rows.add(keep(store))
            deg = float(rng.randint(40, 120))
            store.prescribe("P-017", from_day=date(2025, 1, 1), flexion_deg=deg, extension_deg=None)
            store.note_machine(MachineCard("M-03", 300 + number, 380, 90))
            check = store.save_check(
                checked, machine="M-03", outcomes=series, settings=SETTINGS, photo_sha256={}
            )
            in_force = store.prescription_on("P-017", date(2026, 1, 1))
            newest = {
                "limit": in_force is not None and in_force.flexion_deg == deg,
                "card": store.machine_card("M-03").thigh_section_mm == 300 + number,
                "check": store.latest_checks()[0].id == check.id,
                "rows": {r.id for r in store.measurements(limit=10**6)} == rows,
            }
            wrong += [f"{what} after {jump_s:.0f} s" for what, right in newest.items() if not right]
        numbers = [line.at for line in store.audit(limit=10**6)]
        store.backup(place / "b.jsonl")
        with open_store(place / "new.db") as fresh:
            fresh.restore(place / "b.jsonl")
            told("restored with that clock", everything(fresh) == everything(store))
    told(
        f"{len(numbers)} entries under a jumping clock, the last one counts",
        not wrong,
        str(wrong[:2]),
    )


def locked(given: argparse.Namespace) -> None:
    """A store that another program holds for so long."""
    with folder() as place, open_store(place / "store.db") as store:
        before, row_id = keep(store), new_id()
        holder = sqlite3.connect(place / "store.db", isolation_level=None, check_same_thread=False)
        holder.execute("BEGIN IMMEDIATE")
        release = threading.Timer(given.locked_s, holder.rollback)
        release.start()
        tries, longest, said, began = 0, 0.0, "-", time.monotonic()
        first = ""
        while said:
            started = time.monotonic()
            said = refused(lambda: keep(store, row_id))
            longest = max(longest, time.monotonic() - started)
            first, tries = first or said, tries + 1
            # Readers never wait.
            started = time.monotonic()
            rows = [row.id for row in store.measurements()]
            if time.monotonic() - started > 1 or before not in rows:
                told("reading a locked store", False)
        lasted = time.monotonic() - began
        release.join()
        holder.close()
        once = [row.id for row in store.measurements()].count(row_id) == 1
        waits = opening.WAIT_S
        told(
            f"locked for {given.locked_s:g} s: {tries} tries in {lasted:.0f} s, each {longest:.1f}",
            once and longest < waits + 3 and ("in use" in first) == (given.locked_s > waits),
            first,
        )


def restarted(given: argparse.Namespace) -> None:
    """PostgreSQL restarted in mid-save, gently and at once; the same open store goes on."""
    with cluster() as server:
        url = server.fresh()
        acknowledged: list[str] = []
        failures: list[str] = []
        done = threading.Event()

        def work() -> None:
            with open_store(url, who="writer") as store:
                row_id = new_id()
                while not done.is_set():
                    said = refused(lambda: keep(store, row_id))  # noqa: B023
                    if said:
                        failures.append(said)
                        time.sleep(0.05)
                        continue
                    acknowledged.append(row_id)
                    row_id = new_id()

        writer = threading.Thread(target=work)
        writer.start()
        for number in range(given.restarts):
            seen = len(acknowledged)
            while len(acknowledged) < seen + 5:
                time.sleep(0.005)
            mode = ("fast", "immediate")[number % 2]
            server.run("pg_ctl", "-D", str(server.data), "-w", "-m", mode, "stop")
            server.start()
        seen = len(acknowledged)
        while len(acknowledged) < seen + 5:
            time.sleep(0.005)
        done.set()
        writer.join()
        with open_store(url) as store:
            rows = [row.id for row in store.measurements(limit=10**6)]
        kept = set(acknowledged) <= set(rows) and len(rows) == len(set(rows))
        told(
            f"{given.restarts} restarts of PostgreSQL, {len(acknowledged)} saves",
            kept and bool(failures),
            failures[0] if failures else "no save noticed",
        )


def versions(_: argparse.Namespace) -> None:
    """Two versions on one store: the newer one opens it while the older one keeps writing."""
    with folder() as place:
        path = of_before(place / "store.db", 20)
        before = old_rows(path)
        # The older program's own statements, by the columns that its tables had.
        older = sqlite3.connect(path, isolation_level=None, timeout=15)
        names = [row[1] for row in older.execute("PRAGMA table_info(measurements)")]
        others = ", ".join(name for name in names if name != "id")
        insert = (
            f"INSERT INTO measurements (id, {others}) SELECT ?, {others} "  # noqa: S608
            "FROM measurements WHERE id = ?"
        )
        older.execute(insert, ("1" * 31 + "0", "a" * 32))
        with open_store(path, create=False) as newer:
            keep(newer)
            older.execute(insert, ("1" * 31 + "1", "a" * 32))
            older.execute(
                "INSERT INTO prescriptions (id, person, from_day, flexion_deg, saved_at, who) "
                "VALUES ('n', 'P-017', '2026-03-09', 77, '2026-03-09 08:00:00', 'old')"
            )
            keep(newer)
            rows = {row.id for row in newer.measurements(limit=10**6)}
            limit = newer.prescription_on("P-017", date(2026, 3, 10))
            told("the older program goes on writing", {"1" * 31 + "0", "1" * 31 + "1"} <= rows
                 and limit is not None and limit.flexion_deg == 77 and len(rows) == 25)  # fmt: skip
        older.close()
        after = old_rows(path)
        same = all(set(before[table]) <= set(after[table]) for table in before)
        told("no row of before changed", same)
        with closing(sqlite3.connect(path)) as connection, connection:
            connection.execute("UPDATE alembic_version SET version_num = '9999'")
        content = path.read_bytes()
        status, said = command("store", "where", "--store", path)
        told(
            "a store of newer tables", one_line(status, said) and path.read_bytes() == content, said
        )
        status, said = command("measure", SAMPLES / "bed_01.jpg", "--keep", "--store", path)
        told("keeping into it", one_line(status, said), said)


def memory(_: argparse.Namespace) -> None:
    """A batch's worker without memory: its photo is told, the run goes on and can be resumed."""
    with folder() as place:
        (place / "photos").mkdir()
        for name in ("bed_01", "bed_05"):
            shutil.copy(SAMPLES / f"{name}.jpg", place / "photos")
        with Image.open(SAMPLES / "bed_04.jpg") as photo:
            large = photo.resize((6000, 4500))
            large.save(place / "photos" / "bed_04.jpg", exif=photo.info["exif"], quality=80)
        call = [
            sys.executable,
            "-m",
            "knee_angle",
            "batch",
            "photos",
            "--out",
            "t.csv",
            "--workers",
            "1",
        ]
        path = {**os.environ, "PYTHONPATH": str(ROOT)}
        with subprocess.Popen(call, cwd=place, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                              text=True, env=path) as run:  # fmt: skip
            journal = place / "t.journal.jsonl"
            while run.poll() is None and not (
                journal.exists() and journal.read_bytes().count(b"\n") > 1
            ):
                time.sleep(0.002)
            with suppress(
                psutil.Error, IndexError
            ):  # it measures the second photo; now it gets no more
                worker = psutil.Process(run.pid).children()[0]
                room = worker.memory_info().vms + 4_000_000
                worker.rlimit(psutil.RLIMIT_AS, (room, room))
            said, error = run.communicate(timeout=300)
        rows = (place / "t.csv").read_text().count("\n") - 1 if (place / "t.csv").exists() else 0
        told(
            "a worker without memory",
            rows == 3 and not error and "bed_04.jpg: " in said,
            next((line for line in said.splitlines() if "bed_04" in line), said + error),
        )
        done = command(
            "batch",
            place / "photos",
            "--out",
            place / "t.csv",
            "--workers",
            1,
            "--resume",
            "--retry-failed",
        )
        measured = (place / "t.csv").read_text().count(",measured,")
        told("tried again with memory", done[0] == 0 and measured == 3, done[1])


def models(_: argparse.Namespace) -> None:
    """Network files that are missing, cut off or changed; cards that are none."""

    def changed(path: Path) -> None:
        content = bytearray(path.read_bytes())
        content[len(content) // 2] ^= 1
        path.write_bytes(content)

    def cut(path: Path) -> None:
        path.write_bytes(path.read_bytes()[:1000])

    bare = next(p for p in sorted(SAMPLES.glob("bed_0*.jpg")) if "bed_02" in p.name)
    damages: list[tuple[str, str, Callable[[Path], object]]] = [
        ("the leg network is missing", "leg.onnx", Path.unlink),
        ("the leg network was changed", "leg.onnx", changed),
        ("the leg network is cut off", "leg.onnx", cut),
        ("the leg network's card is missing", "leg.json", Path.unlink),
        ("the leg network's card is no JSON", "leg.json", cut_text),
        ("the leg network's card lacks its hash", "leg.json", emptied),
        ("the display's reader is missing", "reader.onnx", Path.unlink),
        ("the display's finder was changed", "finder.onnx", changed),
        ("the display networks' card is no JSON", "display.json", cut_text),
        ("the display networks' card lacks its hash", "display.json", emptied),
    ]
    with folder() as place:
        shutil.copytree(ROOT / "knee_angle", place / "knee_angle",
                        ignore=shutil.ignore_patterns("training", "__pycache__"))  # fmt: skip
        for what, name, damage in damages:
            (target,) = (place / "knee_angle").rglob(name)
            good = target.read_bytes()
            damage(target)
            flag = ["--read-display"] if "display" in what else []
            done = subprocess.run(
                [sys.executable, "-m", "knee_angle", "measure", bare, *flag],
                capture_output=True, text=True, check=False, cwd=place,
                env={**os.environ, "PYTHONPATH": str(place)},
            )  # fmt: skip
            target.write_bytes(good)
            told(what, one_line(done.returncode, done.stderr), done.stderr or done.stdout)


def cut_text(path: Path) -> None:
    path.write_text(path.read_text()[:20])


def emptied(path: Path) -> None:
    path.write_text("{}")


MISHAPS: dict[str, Callable[[argparse.Namespace], None]] = {
    "disk": full_disk,
    "read-only": read_only,
    "clock": clock,
    "locked": locked,
    "postgresql": restarted,
    "versions": versions,
    "memory": memory,
    "models": models,
}


def main() -> None:
    """Print a line a mishap; exit status 1 where anything broke."""
    about = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    about.add_argument("mishaps", nargs="*", help=f"of {', '.join(MISHAPS)}; all without")
    about.add_argument("--locked-s", type=float, default=60.0)
    about.add_argument("--wait-s", type=float, default=opening.WAIT_S, help="of a save for a lock")
    about.add_argument("--entries", type=int, default=40, help="under a jumping clock")
    about.add_argument("--restarts", type=int, default=6)
    about.add_argument("--seed", type=int, default=1)
    given = about.parse_args()
    opening.WAIT_S = given.wait_s
    for name in given.mishaps or list(MISHAPS):
        # A process of its own: some limits cannot be taken back.
        child = os.fork()
        if child == 0:
            try:
                MISHAPS[name](given)
            except (Exception, StoreError) as error:  # noqa: BLE001  the next mishap is tried too
                told(f"{name} ended by {type(error).__name__}", False, str(error))
            sys.stdout.flush()
            os._exit(len(broke))
        broke.extend([name] * os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))
    print(f"{len(broke)} broke")
    sys.exit(1 if broke else 0)


if __name__ == "__main__":
    main()
