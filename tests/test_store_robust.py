"""Two writers, a kill -9, a full disk, a lock, damage: nothing acknowledged is lost."""

from __future__ import annotations

import multiprocessing
import os
import re
import resource
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import sqlalchemy as sa
import store_writer
import stores
from sqlalchemy import event
from stores import SETTINGS, SHA, made_measurement
from typer.testing import CliRunner

from knee_angle.cli import app
from knee_angle.errors import StoreError
from knee_angle.store import open_store, opening

MEASURED = made_measurement()
BEGUN = multiprocessing.get_context("forkserver")
"""Programs of their own, whose libraries were loaded once."""
BEGUN.set_forkserver_preload(["knee_angle.store", "knee_angle.angle.uncertainty", "psycopg"])


def kept(store, **given):
    store.add_person("P-017")
    return store.save_measurement(
        MEASURED, **{"settings": SETTINGS, "photo_sha256": SHA, "person": "P-017", **given}
    )


class Writer:
    """One writing program; what it acknowledged is collected while it runs."""

    def __init__(self, url: str, name: str, count: int, *, most_bytes: int | None = None) -> None:
        self.acknowledged: list[str] = []
        told, tells = BEGUN.Pipe(duplex=False)
        failed, fails = BEGUN.Pipe(duplex=False)
        self.process = BEGUN.Process(
            target=store_writer.run, args=(tells, fails, url, name, str(count), most_bytes)
        )
        self.process.start()
        tells.close()
        fails.close()
        self.told, self.failed = (os.fdopen(os.dup(one.fileno())) for one in (told, failed))
        told.close()
        failed.close()
        self.reader = threading.Thread(target=self._collect)
        self.reader.start()

    def _collect(self) -> None:
        for line in self.told:
            # A line that was cut off by the kill was not acknowledged.
            if line.endswith("\n"):
                self.acknowledged.append(line.strip())

    def ended(self) -> bool:
        return self.process.exitcode is not None

    def kill(self) -> None:
        self.process.kill()
        self.wait()

    def wait(self) -> int:
        self.process.join(timeout=120)
        self.reader.join()
        self.error = self.failed.read()
        self.told.close()
        self.failed.close()
        assert self.process.exitcode is not None
        return self.process.exitcode


def write_and_kill(url: str, *, writers: int, saves: int, kills: int, rng: np.random.Generator):
    """Several programs keep at once, some are killed in the middle and begin again."""
    running = {n: Writer(url, f"writer {n}", saves) for n in range(writers)}
    acknowledged: list[str] = []
    for turn in range(kills):
        victim = running[turn % writers]
        wanted = len(victim.acknowledged) + int(rng.integers(1, max(2, saves // 4)))
        deadline = time.monotonic() + 60
        while len(victim.acknowledged) < wanted and not victim.ended():
            assert time.monotonic() < deadline, "no save was acknowledged for a minute"
            time.sleep(rng.uniform(0.0005, 0.003))
        victim.kill()
        acknowledged += victim.acknowledged
        running[turn % writers] = Writer(url, f"writer {turn % writers}", saves)
    for writer in running.values():
        assert writer.wait() == 0, writer.error
        acknowledged += writer.acknowledged
    return acknowledged


def check_whole(store, acknowledged: list[str]) -> None:
    """Every acknowledged row is there, and no row is there by half."""
    rows = {row.id for row in store.measurements(limit=100_000, all_rows=True)}
    assert set(acknowledged) <= rows
    assert len(acknowledged) == len(set(acknowledged))
    noted = {a.about for a in store.audit(limit=100_000) if a.what == "kept measurement"}
    assert noted == rows
    for row_id in acknowledged[:: max(1, len(acknowledged) // 20)]:
        assert store.measurement(row_id).measurement.side == "left"
    if store.engine.dialect.name == "sqlite":
        with store.engine.connect() as connection:
            assert connection.exec_driver_sql("PRAGMA integrity_check").scalar_one() == "ok"


def test_kill_9_in_the_middle_of_saves_loses_nothing_acknowledged(store_url):
    acknowledged = write_and_kill(
        store_url, writers=2, saves=30, kills=4, rng=np.random.default_rng(4)
    )
    assert len(acknowledged) >= 60
    with open_store(store_url) as store:
        check_whole(store, acknowledged)


def test_a_server_that_dies_loses_nothing_acknowledged(postgres):
    url = postgres.fresh()
    writer = Writer(url, "writer", 10_000)
    deadline = time.monotonic() + 60
    while len(writer.acknowledged) < 20:
        assert time.monotonic() < deadline, "no save was acknowledged for a minute"
        time.sleep(0.01)
    postgres.crash()
    try:
        assert writer.wait() == 1
        # Cut off within a save: it may be on the disk. Between two: the next was not begun.
        assert re.search(
            r"then try again.*what was asked now (may not have been|was not) done", writer.error
        )
        with pytest.raises(StoreError, match="does not answer"):
            open_store(url)
    finally:  # other tests share the server
        postgres.start()
    with open_store(url) as store:
        check_whole(store, writer.acknowledged)


def test_many_threads_and_two_programs_that_open_a_new_store_at_once_all_succeed(
    new_store_url,
):
    others = [Writer(new_store_url, f"program {n}", 10) for n in range(2)]
    found: list[str] = []

    def write() -> None:
        found.extend(kept(shared).id for _ in range(5))

    with open_store(new_store_url) as shared:
        threads = [threading.Thread(target=write) for _ in range(6)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert [writer.wait() for writer in others] == [0, 0], [w.error for w in others]
        acknowledged = found + [row for writer in others for row in writer.acknowledged]
        assert len(acknowledged) == 50
        check_whole(shared, acknowledged)


# A full disk


def test_a_full_file_is_told_and_what_was_kept_stays(tmp_path):
    with open_store(tmp_path / "a.db") as store:
        first = kept(store)

        @event.listens_for(store.engine, "connect")
        def small(connection, _record):
            pages = connection.execute("PRAGMA page_count").fetchone()[0]
            connection.execute(f"PRAGMA max_page_count = {pages + 3}").close()

        store.engine.dispose()
        acknowledged = [first.id]

        def fill_up() -> None:
            # One by one: what was kept before the error stays in the list.
            acknowledged.extend(kept(store).id for _ in range(50))

        with pytest.raises(StoreError, match="no room left: free some space") as told:
            fill_up()
        assert "What was told as kept before is kept" in str(told.value)
        check_whole(store, acknowledged)
        assert len(store.measurements()) == len(acknowledged)


def test_a_disk_without_room_for_another_byte_is_told_and_what_was_kept_stays(tmp_path):
    url = f"sqlite:///{tmp_path / 'a.db'}"
    with open_store(url) as store:
        before = kept(store).id

    writer = Writer(url, "writer", 10_000, most_bytes=400_000)
    assert writer.wait() == 1
    assert "check the disk, then try again" in writer.error
    assert writer.acknowledged
    with open_store(url) as store:
        check_whole(store, [before, *writer.acknowledged])


def test_a_full_server_is_told_and_what_was_kept_stays(postgres):
    with open_store(postgres.fresh_store()) as store:
        first = kept(store)
        with store.engine.begin() as connection:
            # The server's own error 53100, raised where the audit line is written: the
            # measurement before it in the same save must not stay alone.
            connection.exec_driver_sql(
                "CREATE FUNCTION full_disk() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
                "RAISE EXCEPTION 'could not extend file' USING ERRCODE = 'disk_full'; END $$"
            )
            connection.exec_driver_sql(
                "CREATE TRIGGER full_disk BEFORE INSERT ON audit "
                "FOR EACH ROW EXECUTE FUNCTION full_disk()"
            )
        with pytest.raises(StoreError, match="no room left"):
            kept(store)
        assert [row.id for row in store.measurements()] == [first.id]


# Locked, damaged, foreign, newer


def test_a_store_that_another_program_holds_is_told(tmp_path, monkeypatch):
    monkeypatch.setattr(opening, "WAIT_S", 0.2)
    with open_store(tmp_path / "a.db") as store:
        first = kept(store)
        other = sqlite3.connect(tmp_path / "a.db", isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreError, match="in use by another program"):
            kept(store)
        assert [row.id for row in store.measurements()] == [first.id]  # readers never wait
        other.rollback()
        other.close()
        kept(store)


def newer(url: str) -> None:
    with open_store(url) as store, store.engine.begin() as connection:
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = '9999'")


def test_a_store_of_newer_software_is_not_touched(store_url):
    newer(store_url)
    with pytest.raises(StoreError, match=r"newer software \(tables 9999.*update knee-angle"):
        open_store(store_url)


def test_a_migration_that_fails_changes_nothing_and_stays_pending(new_store_url, monkeypatch):
    engine = opening.opened_engine(opening.default_url(new_store_url))
    monkeypatch.setattr("alembic.command.upgrade", stores.upgrade)

    def fail(*_args, **_kwargs):
        raise RuntimeError("a step fails half-way")

    with monkeypatch.context() as patched:
        # The last call of the first step: all tables are made by then.
        patched.setattr("alembic.operations.ops.ExecuteSQLOp.execute", fail)
        with pytest.raises(RuntimeError, match="half-way"):
            opening.migrate(engine)
    assert sa.inspect(engine).get_table_names() in ([], ["alembic_version"])
    with engine.connect() as connection:
        assert opening.revision_of(connection) is None
    opening.migrate(engine)
    assert "measurements" in sa.inspect(engine).get_table_names()
    engine.dispose()


def zeroed(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[4096 : 4096 * 20] = bytes(4096 * 19)
    path.write_bytes(content)


@pytest.mark.parametrize(
    ("damage", "said"),
    [
        pytest.param(zeroed, "is damaged and was not changed", id="overwritten pages"),
        pytest.param(lambda p: p.write_bytes(b"not a store" * 500), "is damaged", id="other file"),
        pytest.param(lambda p: os.truncate(p, 30_000), "is damaged", id="cut off"),
    ],
)
def test_a_damaged_file_is_told_with_the_way_back(
    tmp_path, damage: Callable[[Path], None], said: str
):
    path = tmp_path / "a.db"
    with open_store(path) as store:
        kept(store)
    damage(path)
    before = path.read_bytes()

    def use() -> None:
        with open_store(path) as store:
            kept(store)

    with pytest.raises(StoreError, match=said) as told:
        use()
    assert "store restore" in str(told.value)
    assert path.read_bytes() == before


def rows_lost(path: Path) -> None:
    """A page that says it holds one row less than it does."""
    content = bytearray(path.read_bytes())
    for at in range(4096, len(content), 4096):
        # A leaf of a table: its kind, then the number of its cells (SQLite's file format).
        if content[at] == 13 and content[at + 4] > 1:
            content[at + 4] -= 1
    path.write_bytes(content)


def text_spoilt(path: Path) -> None:
    """A row whose own text was spoilt: the pages are whole."""
    path.write_bytes(path.read_bytes().replace(b'"flexion_deg": ', b'"flexion_deg"; '))


@pytest.mark.parametrize("command", ["backup", "export", "recheck"])
@pytest.mark.parametrize(
    "at_opening", [0, opening.CHECKED_AT_OPENING_BYTES], ids=["large", "small"]
)
@pytest.mark.parametrize("damage", [rows_lost, text_spoilt])
def test_damage_that_shows_no_error_by_itself_is_noticed(
    tmp_path, monkeypatch, command, at_opening, damage
):
    path, out = tmp_path / "a.db", tmp_path / "out.csv"
    with open_store(path) as store:
        for _ in range(3):
            kept(store)
    damage(path)
    before = path.read_bytes()
    monkeypatch.setattr(opening, "CHECKED_AT_OPENING_BYTES", at_opening)
    arguments = [command] if command == "recheck" else [command, str(out)]
    done = CliRunner().invoke(app, ["store", *arguments, "--store", str(path)])
    assert isinstance(done.exception, StoreError), (done.output, done.exception)
    assert "is damaged and was not changed" in str(done.exception)
    assert not out.exists()
    assert path.read_bytes() == before


def test_a_full_disk_leaves_no_half_backup(tmp_path):
    path, folder = tmp_path / "a.db", tmp_path / "backups"
    folder.mkdir()
    with open_store(path) as store:
        for _ in range(20):
            kept(store)

    def no_room() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))

    done = subprocess.run(
        [sys.executable, "-m", "knee_angle", "store", "backup", folder / "b.jsonl",
         "--store", path],
        capture_output=True, text=True, check=False, preexec_fn=no_room,
    )  # fmt: skip
    assert done.returncode == 2
    assert re.search(r"^knee-angle: the backup .* could not be written", done.stderr)
    assert done.stderr.count("\n") == 1
    assert list(folder.iterdir()) == []


def test_a_folder_that_cannot_be_made_is_told(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="cannot be made"):
        open_store(tmp_path / "file" / "a.db")
