"""Photos in an object storage, workers on a cluster: a real server each, on this machine only."""

from __future__ import annotations

import csv
import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import psutil
import pytest
from called import called
from conftest import SAMPLES

from knee_angle.batch.pool import _check_versions, _Cluster
from knee_angle.batch.work import Conditions, Job
from knee_angle.errors import InvalidInput
from knee_angle.settings import Settings

HERE = "127.0.0.1"
STORAGE_ACCESS = {
    "AWS_ACCESS_KEY_ID": "testing",
    "AWS_SECRET_ACCESS_KEY": "testing",
    "AWS_DEFAULT_REGION": "us-east-1",
    "AWS_EC2_METADATA_DISABLED": "true",
}


def free_port() -> int:
    with socket.socket() as server:
        server.bind((HERE, 0))
        return int(server.getsockname()[1])


def started(command: list[str], port: int) -> subprocess.Popen[bytes]:
    """A server that answers on the port."""
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    deadline = time.monotonic() + 60
    while True:
        try:
            socket.create_connection((HERE, port), timeout=1).close()
            return process
        except OSError:
            assert process.poll() is None
            assert time.monotonic() < deadline
            time.sleep(0.05)


def batch(*args: object, cwd: Path, env: dict[str, str] | None = None):
    return subprocess.run(
        [sys.executable, "-m", "knee_angle", "batch", *map(str, args)],
        cwd=cwd, capture_output=True, text=True, timeout=120, check=False,
        env={**os.environ, **(env or {})},
    )  # fmt: skip


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def put(address: str, content: bytes = b"") -> None:
    """A bucket, or a file in it."""
    told = {
        "Authorization": "AWS4-HMAC-SHA256 Credential=testing/20260101/us-east-1/s3/aws4_request",
        "Content-Type": "application/octet-stream",
    }
    request = urllib.request.Request(address, content, told, method="PUT")
    with urllib.request.urlopen(request) as answer:
        assert answer.status == 200


@pytest.fixture
def storage() -> Iterator[dict[str, str]]:
    """The environment that leads to an S3 server (moto) with a bucket."""
    port = free_port()
    server = started([sys.executable, "-m", "moto.server", "-H", HERE, "-p", str(port)], port)
    env = {**STORAGE_ACCESS, "AWS_ENDPOINT_URL": f"http://{HERE}:{port}"}
    put(f"{env['AWS_ENDPOINT_URL']}/study")
    for name in ("bed_01.jpg", "bed_04.jpg", "displayed.csv"):
        put(f"{env['AWS_ENDPOINT_URL']}/study/may/{name}", (SAMPLES / name).read_bytes())
    yield env
    server.kill()
    server.wait()


def test_photos_and_table_in_a_storage_give_the_same_rows_as_here(storage, tmp_path):
    there = batch(
        "s3://study/may", "--table", "s3://study/may/displayed.csv", "--partial-table",
        "--out", "there.csv", cwd=tmp_path, env=storage,
    )  # fmt: skip
    left_out = "1 entry is not measured: displayed.csv (not called like a photo)"
    assert (there.returncode, there.stderr) == (0, f"knee-angle: {left_out}\n")
    here = called(
        "batch", SAMPLES / "bed_0[14].jpg", "--table", SAMPLES / "displayed.csv",
        "--partial-table", "--out", "here.csv", cwd=tmp_path,
    )  # fmt: skip
    assert (here.returncode, here.stderr) == (0, "")
    assert (tmp_path / "there.csv").read_bytes() == (tmp_path / "here.csv").read_bytes()
    assert rows_of(tmp_path / "there.csv")[0]["displayed_deg"] == "93.0"
    gone = batch("s3://nobody/here", "--out", "t.csv", cwd=tmp_path, env=storage)
    assert (gone.returncode, len(gone.stderr.splitlines())) == (2, 1)
    assert "s3://nobody/here" in gone.stderr


@pytest.fixture
def cluster() -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """A Dask scheduler with two worker processes of one thread each."""
    port = free_port()
    python = [sys.executable, "-m"]
    address = f"tcp://{HERE}:{port}"
    scheduler = started(
        [*python, "distributed.cli.dask_scheduler", "--host", HERE, "--port", str(port),
         "--no-dashboard", "--dashboard-address", f"{HERE}:0"], port,
    )  # fmt: skip
    workers = [
        subprocess.Popen(
            [*python, "distributed.cli.dask_worker", address, "--nthreads", "1", "--no-nanny",
             "--no-dashboard", "--host", HERE],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )
        for _ in range(2)
    ]  # fmt: skip
    yield address, workers
    for process in (*workers, scheduler):
        process.kill()
        process.wait()


def ready(address: str, count: int) -> None:
    """Wait until so many workers are there."""
    code = (
        "import sys, distributed; "
        "distributed.Client(sys.argv[1]).wait_for_workers(int(sys.argv[2]), timeout=60)"
    )
    subprocess.run([sys.executable, "-c", code, address, str(count)], check=True)


def test_with_a_worker_killed_in_the_middle_every_photo_is_there_once(cluster, tmp_path):
    address, workers = cluster
    (tmp_path / "photos").mkdir()
    for n in range(8):
        shutil.copy(SAMPLES / f"bed_0{1 + n % 2}.jpg", tmp_path / "photos" / f"{n:02d}.jpg")
    ready(address, 2)
    journal = tmp_path / "far.journal.jsonl"
    with subprocess.Popen(
        [sys.executable, "-m", "knee_angle", "batch", "photos", "--out", "far.csv",
         "--scheduler", address],
        cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as run:  # fmt: skip
        while not journal.exists() or journal.read_bytes().count(b"\n") < 3:
            assert run.poll() is None, run.communicate()
            time.sleep(0.01)
        measuring = psutil.Process(workers[0].pid).children()
        assert len(measuring) == 1
        workers[0].kill()
        said, complaint = run.communicate(timeout=120)
    assert (run.returncode, complaint) == (0, "")
    assert "8 photos: 8 measured" in said
    rows = rows_of(tmp_path / "far.csv")
    assert [row["photo"] for row in rows] == [f"{n:02d}.jpg" for n in range(8)]
    # The same photo under another name, on whichever worker: the same numbers.
    assert {rows[n]["flexion_deg"] for n in range(0, 8, 2)} == {rows[0]["flexion_deg"]}
    assert journal.read_bytes().count(b"\n") == 9
    # Nothing is left behind: not with the killed worker, not with the other.
    psutil.wait_procs(measuring, timeout=20)
    assert not [p for p in measuring if p.is_running() and p.status() != psutil.STATUS_ZOMBIE]
    assert psutil.Process(workers[1].pid).children() == []


class Lonely:
    """A client whose cluster has no worker left."""

    def get_executor(self, **_: object) -> object:
        return object()

    def nthreads(self) -> dict[str, int]:
        return {}


def test_a_photo_or_a_cluster_that_is_lost_is_told_apart():
    from concurrent.futures import CancelledError

    from distributed.scheduler import KilledWorker

    workers = _Cluster(Lonely(), Conditions(Settings(), 1.0, None, 1.0, {}))
    job = Job("a.jpg", "/a.jpg", 1)
    killed = KilledWorker("task", SimpleNamespace(address=HERE), allowed_failures=3)
    lost = workers.lost(job, killed)
    assert (lost.trouble, lost.row["reason"]) == (
        "crash",
        "its worker machine was lost several times",
    )
    with pytest.raises(InvalidInput, match=r"the cluster is gone .*CancelledError.*--resume"):
        workers.lost(job, CancelledError())
    with pytest.raises(InvalidInput, match=r"no worker is left on the cluster.*--resume"):
        workers.check()


def versions(**change) -> dict:
    packages = {"python": "3.11.7.final.0", "dask": "2026.8.0", "distributed": "2026.8.0"}
    return {"packages": {**packages, **change}}


def test_a_cluster_that_speaks_another_version_is_refused_with_every_difference():
    found = {
        "client": versions(),
        "scheduler": versions(distributed="2025.1.0"),
        "workers": {"tcp://w1": versions(), "tcp://w2": versions(python="3.12.1.final.0")},
    }
    with pytest.raises(InvalidInput) as error:
        _check_versions(found)
    assert (
        "the scheduler has distributed 2025.1.0 instead of 2026.8.0; "
        "tcp://w2 has Python 3.12 instead of 3.11"
    ) in str(error.value)
    _check_versions({**found, "scheduler": versions(), "workers": {"tcp://w1": versions()}})
