"""A photo whose measuring crashes or hangs costs itself only."""

from __future__ import annotations

import os
import signal
import sys
import time

import psutil
import pytest

from knee_angle.batch import crew as crews
from knee_angle.batch.crew import Crew, end_crew, measure_here
from knee_angle.batch.pool import answers, local_workers
from knee_angle.batch.work import Conditions, Job
from knee_angle.errors import InvalidInput
from knee_angle.settings import Settings

CHILD = """
import json, os, sys, time
print(json.dumps({"ready": {"knee-angle": "1"}}), flush=True)
for line in sys.stdin:
    photo = json.loads(line)["job"]["photo"]
    if photo.startswith("crash"):
        os.kill(os.getpid(), 11)
    if photo.startswith("leave"):
        os._exit(3)
    if photo.startswith("hang"):
        time.sleep(1000)
    if photo.startswith("stop"):
        print(json.dumps({"stop": "the models are missing"}), flush=True)
        continue
    row = {"photo": photo, "status": "measured", "reason": str(os.getpid())}
    print(json.dumps({"row": row, "sha256": "ab", "trouble": None}), flush=True)
"""
"""Answers like the real one, and fails as the photo's name says."""


def conditions(**change) -> Conditions:
    values = {
        "settings": Settings(),
        "limit_megapixels": 1.0,
        "pose_model": None,
        "photo_seconds": 1.0,
        "identity": {"knee-angle": "1"},
    }
    return Conditions(**{**values, **change})


@pytest.fixture
def crew():
    crew = Crew((sys.executable, "-c", CHILD))
    yield crew
    crew.end()


def job(photo) -> Job:
    return Job(photo, f"/{photo}", 1)


@pytest.mark.parametrize(
    ("photo", "trouble", "reason"),
    [
        ("crash.jpg", "crash", "measuring it ended the worker process (SIGSEGV)"),
        ("leave.jpg", "crash", "measuring it ended the worker process (exit status 3)"),
        ("hang.jpg", "time_limit", "measuring it took longer than 1 s and was stopped"),
    ],
)
def test_a_failed_photo_has_a_row_with_its_reason_and_the_next_is_measured(
    crew, photo, trouble, reason
):
    answer = crew.measure(job(photo), conditions())
    assert (answer.trouble, answer.row["reason"]) == (trouble, reason)
    assert answer.row["status"] == "not_measured"
    assert "--retry-failed" in answer.row["advice"]
    assert crew.measure(job("fine.jpg"), conditions()).row["status"] == "measured"


def test_the_same_process_goes_on_while_nothing_fails(crew):
    pids = {crew.measure(job(f"{n}.jpg"), conditions()).row["reason"] for n in range(5)}
    assert len(pids) == 1


def test_among_many_photos_only_the_failing_ones_fail(crew):
    photos = [f"{'hang' if n % 10 == 3 else 'crash' if n % 10 == 7 else 'fine'}{n}.jpg"
              for n in range(40)]  # fmt: skip
    with local_workers(
        2, conditions(), measure=crew.measure, end=lambda _run: crew.end()
    ) as workers:
        done = list(answers(workers, map(job, photos)))
    assert sorted(a.photo for a in done) == sorted(photos)
    assert {a.photo for a in done if a.trouble} == {p for p in photos if p[:4] in ("hang", "cras")}


def test_what_holds_for_every_photo_stops_the_run(crew):
    with pytest.raises(InvalidInput, match="the models are missing"):
        crew.measure(job("stop.jpg"), conditions())


def test_a_worker_of_another_version_is_refused(crew):
    with pytest.raises(InvalidInput, match="a worker has knee-angle 1 instead of 2"):
        crew.measure(job("a.jpg"), conditions(identity={"knee-angle": "2"}))


def test_a_worker_that_cannot_start_says_so():
    with pytest.raises(InvalidInput, match="could not start"):
        Crew((sys.executable, "-c", "raise SystemExit(1)")).measure(job("a.jpg"), conditions())


def test_the_real_process_ends_with_its_owner():
    """Its owner killed without a chance to tidy up, the process ends by itself."""
    code = (
        "import subprocess, sys; from knee_angle.batch.crew import CHILD\n"
        "p = subprocess.Popen(CHILD, stdin=subprocess.PIPE, start_new_session=True)\n"
        "print(p.pid, flush=True); sys.stdin.read()"
    )
    import subprocess

    with subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as owner:
        assert owner.stdout is not None
        child = psutil.Process(int(owner.stdout.readline()))
        time.sleep(0.2)
        owner.kill()
        owner.wait()
        psutil.wait_procs([child], timeout=20)
        assert not child.is_running() or child.status() == psutil.STATUS_ZOMBIE


def test_runs_that_share_a_worker_end_only_their_own_processes(monkeypatch):
    """Another run's beginning ends idle processes only; its end, none of the others'."""
    monkeypatch.setattr(crews, "CHILD", (sys.executable, "-c", CHILD))
    one, two = conditions(run="one"), conditions(run="two")
    first = measure_here(job("a.jpg"), one).row["reason"]
    measure_here(job("a.jpg"), two)
    second = measure_here(job("b.jpg"), one)
    assert second.trouble is None
    assert second.row["reason"] != first
    end_crew("two")
    assert measure_here(job("c.jpg"), one).row["reason"] == second.row["reason"]
    end_crew("one")
    assert not psutil.pid_exists(int(second.row["reason"]))


def test_a_process_that_died_after_its_photo_does_not_cost_the_next(crew):
    pid = int(crew.measure(job("first.jpg"), conditions()).row["reason"])
    os.kill(pid, signal.SIGKILL)
    psutil.Process(pid).wait(10)
    answer = crew.measure(job("next.jpg"), conditions())
    assert (answer.trouble, answer.row["status"]) == (None, "measured")
