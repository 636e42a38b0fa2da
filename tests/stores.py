"""Stores to test with: a temporary PostgreSQL server, and visits and checks made of numbers."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import psycopg
import pytest
import sqlalchemy as sa
from alembic import command
from alembic.config import Config
from drawn_visits import Body, Shot, drawn, visit
from invented import SETTINGS, SHA, at_angle, made_measurement

from knee_angle.angle import uncertainty, verdict
from knee_angle.machine import cause, over_range
from knee_angle.machine.answer import VisitAnswer, answer_visit
from knee_angle.machine.check import MachineCheck, check_machine
from knee_angle.machine.evidence import SettingsOfMachine
from knee_angle.machine.judge import judge_machine
from knee_angle.records import (
    Displayed,
    Finding,
    Frame,
    Machine,
    Measurement,
    NotMeasured,
    Outcome,
)
from knee_angle.records.displayed import checked
from knee_angle.settings import Settings
from knee_angle.store import MachineCard, PhotoToKeep, SetUp, Store, open_store
from knee_angle.visit import VisitPhoto

NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


def made_frame(
    deg: float = 90.0, *, u: float = 0.5, fit: float = 0.0, u_fit: float = 1.8,
    distal: float = 0.0, anterior: float = 0.0, cov: tuple[float, float, float] = (36.0, 0.0, 49.0),
    source: str = "dot",
) -> Frame:  # fmt: skip
    """Bars and hinge as one photo shows them."""
    return Frame(
        deg, u, (deg - 2 * u, deg + 2 * u), fit, u_fit, distal, anterior, cov, (0.0, 0.0),
        source=source,
    )  # fmt: skip


def found_in(
    seen: Frame, shown_deg: float, settings: Settings | None = None, *, provable: bool = True
) -> Finding:
    """The finding of a photo that shows those bars, judged as the visit that it is alone."""
    (dd, da, aa), u = seen.hinge_cov_mm2, seen.u_deg
    cov = np.zeros((4, 4))
    cov[:2, :2] = [[u**2 + seen.u_fit_deg**2, u**2], [u**2, u**2]]
    cov[2:, 2:] = [[dd, da], [da, aa]]
    machine = judge_machine(
        SettingsOfMachine(
            (("knee", 0), ("bars", 0), ("distal", 0), ("anterior", 0)),
            np.array([seen.deg - seen.fit_deg, seen.deg, seen.distal_mm, seen.anterior_mm]),
            cov,
            (shown_deg,),
        ),
        range_deg=(seen.deg - 0.5, seen.deg + 0.5),
    )
    return cause.finding_of(
        seen, Displayed(shown_deg), settings or Settings(), machine=machine, provable=provable
    )


def as_measured(photo: VisitPhoto) -> Measurement:
    """What the pipeline hands on of a drawn photo."""
    rng = np.random.default_rng(1)
    frame = uncertainty.frame_with_uncertainty(photo.leg, trials=200, rng=rng)
    shown = photo.displayed_deg
    return replace(
        made_measurement(displayed_deg=None),
        photo=photo.name,
        leg=photo.leg,
        knee=uncertainty.flexion_with_uncertainty(photo.leg, trials=200, rng=rng),
        machine=None if frame is None else Machine(points={}, frame=frame),
        displayed=None if shown is None else checked(shown),
        alarms=(),
        cautions=(),
    )


def made_series(
    *, offset_deg: float = 1.5, gain: float = 1.02, bars: bool = True
) -> dict[str, Outcome]:
    """Outcomes of six photos of an invented machine over its range, one of them refused."""
    return dict(_series(offset_deg, gain, bars))


@cache
def _series(offset_deg: float, gain: float, bars: bool) -> dict[str, Outcome]:
    series: dict[str, Outcome] = {}
    for number, knee_deg in enumerate((10.0, 30.0, 50.0, 70.0, 90.0)):
        shot = Shot(
            f"Ada {number}.jpg", str(number), knee_deg, frame_deg=knee_deg + 2.0 if bars else None,
            yaw_deg=3.0 * number, hinge_mm=(8.0, -3.0),
            displayed_deg=round(offset_deg + gain * (knee_deg + 2.0)),
        )  # fmt: skip
        series[shot.name] = as_measured(drawn(Body(), shot))
    series["Ada again.jpg"] = NotMeasured("no leg was found", "step back")
    return series


@cache
def made_check(*, bars: bool = True) -> MachineCheck:
    """The check of `made_series`, judged once."""
    result = check_machine(made_series(bars=bars), SETTINGS)
    assert isinstance(result, MachineCheck)
    return result


VISIT = (
    Shot("Ada straight.jpg", "Ada's first", 12.0, frame_deg=13.0, displayed_deg=13.0),
    Shot("Ada bent.jpg", "Ada's last", 85.0, frame_deg=86.0, displayed_deg=87.0),
    Shot("Ada bent again.jpg", "Ada's last", 85.0, frame_deg=86.0, displayed_deg=87.0),
)
VISITED = {shot.name: f"{n:x}" * 64 for n, shot in enumerate(VISIT, 1)}
"""The photos of an invented visit with their hashes: one end, and the other one twice."""


def made_visit(names: Sequence[str] = tuple(VISITED)) -> tuple[VisitAnswer, list[PhotoToKeep]]:
    """The joint answer of some of those photos, and the photos ready to be kept."""
    answer, kept = _visit(tuple(names))
    return answer, list(kept)


@cache
def _visit(names: tuple[str, ...]) -> tuple[VisitAnswer, list[PhotoToKeep]]:
    photos = visit(Body(), [shot for shot in VISIT if shot.name in names])
    found = {one.name: replace(as_measured(one), photo_sha256=VISITED[one.name]) for one in photos}
    rng = np.random.default_rng(3)
    answer = answer_visit(photos, SETTINGS, rng=rng, outcomes=tuple(found.items()))
    assert isinstance(answer, VisitAnswer)
    return answer, [PhotoToKeep(name, one, SetUp(setting="1")) for name, one in found.items()]


def shifted(result: MachineCheck, *, offset_deg: float, gain: float) -> MachineCheck:
    """The same check with another display: for lists and charts, not for recomputing."""
    assert result.reading is not None
    assert result.reading_verdict is not None
    line = replace(result.reading, offset=offset_deg, gain=gain)
    judged = over_range.verdict_over(
        line,
        low_deg=result.reading_verdict.low_deg,
        high_deg=result.reading_verdict.high_deg,
        tolerance_deg=result.reading_verdict.tolerance_deg,
    )
    kind = "calibration" if judged.verdict == "outside" else result.kind
    return replace(result, reading=line, reading_verdict=judged, kind=kind)


def invented_ward(store: Store, *, today: datetime) -> None:
    """An invented ward: one person over three weeks, four machines over two years."""
    rng = np.random.default_rng(17)
    base = made_measurement()
    store.add_person("P-017")
    store.add_person("P-021")
    begin = today - timedelta(days=20)
    for after, flexion in ((0, 70.0), (7, 90.0), (14, 105.0)):
        day = (begin + timedelta(days=after)).date()
        store.prescribe("P-017", from_day=day, flexion_deg=flexion, extension_deg=0.0)
    for code in ("M-01", "M-02", "M-03", "M-04"):
        store.add_machine(code)
        store.note_machine(MachineCard(code, 400, 380, 120))
    for n in range(0, 21, 2):
        flexion = 55.0 + 2.4 * n + float(rng.normal(0, 1.5))
        for end, deg in (("flexion", flexion), ("extension", 14.0 - 0.6 * n)):
            displayed = checked(round(deg + (7.0 if end == "flexion" else -3.0)))
            measured = replace(at_angle(base, deg, u_deg=2.1), displayed=displayed)
            measured = replace(
                measured, comparison=verdict.compare(displayed, measured.knee, SETTINGS)
            )
            store.save_measurement(
                measured,
                settings=SETTINGS,
                photo_sha256=SHA,
                person="P-017",
                machine="M-03",
                setup=SetUp(end=end),
                taken_at=begin + timedelta(days=n),
            )
    series, found = made_series(), made_check()
    for machine, last, drift in (("M-01", 30, 0.0), ("M-02", 115, 0.0), ("M-03", 160, 9.0)):
        for n in range(14):
            offset = 1.5 + float(rng.normal(0, 0.6)) + (drift if n == 13 else 0.0)
            store.save_check(
                shifted(found, offset_deg=offset, gain=1.0 + float(rng.normal(0, 0.006))),
                machine=machine,
                outcomes=series,
                settings=SETTINGS,
                photo_sha256={},
                taken_at=today - timedelta(days=last + 45 * (13 - n)),
            )


upgrade = command.upgrade
"""Alembic's own: where a test is of the migrations' steps."""
MADE_BY: dict[str, list[tuple[str, Any]]] = {}
"""What the migrations said to an empty store, by the kind of database."""


def tables_once() -> None:
    """Each further empty store of this process gets its tables by the same statements.

    Alembic and SQLAlchemy take some four times as long to find them.
    """
    command.upgrade = _upgraded


def _upgraded(config: Config, revision: str) -> None:
    connection = config.attributes["connection"]
    kind = connection.dialect.name
    if revision != "head" or sa.inspect(connection).get_table_names():
        upgrade(config, revision)
    elif kind in MADE_BY:
        for statement, given in MADE_BY[kind]:
            connection.exec_driver_sql(statement, given or None)
    else:
        said: list[tuple[str, Any]] = []

        def hear(_connection: Any, _cursor: Any, statement: str, given: Any, *_: Any) -> None:
            said.append((statement, given))

        sa.event.listen(connection, "before_cursor_execute", hear)
        upgrade(config, revision)
        sa.event.remove(connection, "before_cursor_execute", hear)
        MADE_BY[kind] = said


def postgres_bin() -> Path | None:
    """Where Debian keeps the newest server's programs."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    return found[-1].parent if found else None


def opened_once(url: str) -> None:
    """A store is made there, and nothing kept in it."""
    open_store(url).close()


class Cluster:
    """A PostgreSQL server of our own on a Unix socket, nothing shared with any other."""

    def __init__(self, programs: Path, folder: Path) -> None:
        self.programs, self.folder, self.data = programs, folder, folder / "data"
        self.made = 0
        self.templates: dict[Callable[[str], None], str] = {}

    def run(self, program: str, *arguments: str) -> None:
        # The server refuses to run as root: then it runs as Debian's user postgres.
        as_user = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
        command = [*as_user, str(self.programs / program), *arguments]
        done = subprocess.run(command, cwd="/", capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stdout + done.stderr

    def start(self) -> None:
        # What a killed server has written is in the system's hands and stays; only a power cut
        # would lose it, so the disk itself is not waited for.
        # Autovacuum would go through some hundred databases in turn, for as long as they stand.
        options = f"-c listen_addresses='' -c fsync=off -c autovacuum=off -k {self.folder}"
        log = str(self.folder / "log")
        self.run(
            "pg_ctl", "-D", str(self.data), "-w", "-t", "300", "-l", log, "-o", options, "start"
        )

    def crash(self) -> None:
        """Stop at once, without writing anything out: what a killed server leaves."""
        self.run("pg_ctl", "-D", str(self.data), "-w", "-m", "immediate", "stop")

    def admin(self, statement: str) -> None:
        with psycopg.connect(
            host=str(self.folder), user="postgres", dbname="postgres", autocommit=True
        ) as connection:
            connection.execute(statement)  # type: ignore[arg-type]

    def url(self, name: str) -> str:
        return f"postgresql://postgres@/{name}?host={self.folder}"

    def fresh(self) -> str:
        """The URL of a new, empty database."""
        return self._made_like("template1")

    def fresh_store(self, filled_by: Callable[[str], None] = opened_once) -> str:
        """The URL of a new store: the copy of one that was made once.

        Nothing is kept in it, or what a function keeps that is handed an empty database's URL.
        """
        if filled_by not in self.templates:
            self.templates[filled_by] = f"template_{len(self.templates)}"
            filled_by(self._made_like("template1", name=self.templates[filled_by]))
        return self._made_like(self.templates[filled_by])

    def _made_like(self, template: str, *, name: str = "") -> str:
        self.made += 1
        name = name or f"store_{self.made}"
        # Copied file by file: page by page, every page would go through the log as well.
        self.admin(f"CREATE DATABASE {name} TEMPLATE {template} STRATEGY FILE_COPY")
        return self.url(name)


def disk_in_memory() -> Path | None:
    """Linux's own, where it has room for some hundred databases of 8 MB.

    On a disk each of them takes 0.3 s of processor time: it is 300 files.
    """
    disk = Path("/dev/shm")  # noqa: S108  a folder of our own is made in it
    roomy = disk.is_dir() and shutil.disk_usage(disk).free > 4e9
    return disk if roomy and os.access(disk, os.W_OK) else None


@contextmanager
def cluster() -> Iterator[Cluster]:
    """A running server; skipped with the reason where none is installed."""
    programs = postgres_bin()
    if programs is None:
        said = "PostgreSQL is not installed: apt-get install postgresql"
        if os.environ.get("CI"):
            pytest.fail(said)
        pytest.skip(said)
    # Socket paths have at most 107 letters: pytest's own folders can be too deep.
    folder = Path(tempfile.mkdtemp(prefix="knee-pg-", dir=disk_in_memory()))
    server = Cluster(programs, folder)
    try:
        if os.geteuid() == 0:
            shutil.chown(folder, "postgres", "postgres")
        server.run(
            "initdb", "-D", str(server.data), "-U", "postgres", "-A", "trust", "-E", "UTF8", "-N"
        )
        server.start()
        yield server
        server.crash()
    finally:
        shutil.rmtree(folder, ignore_errors=True)
