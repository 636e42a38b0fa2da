"""Spoilt input at every door: a result or our own words, in bounded time (small; see the bench)."""

from __future__ import annotations

import gc
import gzip
import random
import runpy
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent / "bench"))

from fuzz import one
from fuzz_doors import DOORS, SLOW


@pytest.mark.parametrize("name", DOORS)
@pytest.mark.filterwarnings("default")  # a spoilt picture may make its decoder complain
def test_spoilt_input_is_answered_or_told_in_words(name, tmp_path):
    door, rng = DOORS[name], random.Random(7)  # noqa: S311  input to try, no secret
    seeds = door.seeds()
    for good in seeds:
        door.enter(good, tmp_path)  # loads what the door needs; refused, it would prove nothing
    count = 5 if name in SLOW else 25
    wrong = [one(door, door.spoil(rng.choice(seeds), rng), tmp_path) for _ in range(count)]
    assert [found for found in wrong if found] == []


BROKE = sorted((Path(__file__).parent / "fuzzed").iterdir())


@pytest.mark.parametrize("file", BROKE, ids=[file.stem for file in BROKE])
@pytest.mark.filterwarnings("default")
def test_what_once_broke_a_door_is_answered_or_told_in_words(file, tmp_path):
    """Each file is named after its door, and what is wrong with it."""
    content = file.read_bytes()
    data = gzip.decompress(content) if file.suffix == ".gz" else content
    assert one(DOORS[file.name.partition("-")[0]], data, tmp_path) is None


def test_a_bench_that_borrows_from_the_tests_frees_what_it_no_longer_needs():
    """Else 500 stores opened one after the other take 1.1 GB."""
    try:
        runpy.run_path(str(Path(__file__).with_name("conftest.py")))
        assert gc.isenabled()
    finally:
        gc.enable()
