"""Kills and mishaps, the small version; the whole is `bench/faults.py` and `bench/mishaps.py`."""

from __future__ import annotations

import argparse
import importlib
import os
import subprocess
import sys
from pathlib import Path

import pytest
from conftest import SAMPLES

from knee_angle.batch import child
from knee_angle.batch.work import Job
from knee_angle.errors import UnreadablePhoto
from knee_angle.photo.memory import OUT_OF_MEMORY
from knee_angle.settings import Settings

BENCH = Path(__file__).with_name("bench")


def bench(name: str, *words: object) -> str:
    """What a bench prints; whatever broke fails the test with its lines."""
    done = subprocess.run(
        [sys.executable, str(BENCH / name), *map(str, words)],
        capture_output=True, text=True, check=False, cwd=BENCH.parents[1],
        env={**os.environ, "PYTHONPATH": str(BENCH.parents[1])},
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_nothing_acknowledged_is_lost_however_keeping_is_killed():
    doors = ("save", "backup", "restore", "migration")
    told = bench("faults.py", *doors, "--kills", 1, "--rows", 20)
    assert "4 kills, 0 of their checks broke" in told


def test_the_last_entry_counts_however_the_clock_jumps(monkeypatch):
    monkeypatch.syspath_prepend(str(BENCH))
    mishaps = importlib.import_module("mishaps")
    mishaps.clock(argparse.Namespace(seed=1, entries=8))
    assert mishaps.broke == []


@pytest.mark.parametrize(
    ("error", "trouble"),
    [
        pytest.param(UnreadablePhoto(OUT_OF_MEMORY), "memory", id="no room: worth another try"),
        pytest.param(UnreadablePhoto("it is torn."), None, id="torn: it stays so"),
    ],
)
def test_a_photo_that_found_no_memory_is_tried_again_by_retry_failed(monkeypatch, error, trouble):
    def measure(*_args, **_given):
        raise error

    monkeypatch.setattr(child, "measure", measure)
    job = Job("a.jpg", str(SAMPLES / "bed_01.jpg"), 10, None, None, None)
    answer = child._answer(job, (), Settings(), 120.0)
    assert (answer.row["status"], answer.trouble) == ("unreadable", trouble)
