"""Spoilt input at every door: a result or our own words, in bounded time (small; see the bench)."""

from __future__ import annotations

import random
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent / "bench"))

from fuzz import DOORS, one

SLOW = ("backup", "store")


@pytest.mark.parametrize("name", DOORS)
@pytest.mark.filterwarnings("default")  # a spoilt picture may make its decoder complain
def test_spoilt_input_is_answered_or_told_in_words(name, tmp_path):
    door, rng = DOORS[name], random.Random(7)  # noqa: S311  input to try, no secret
    seeds = door.seeds()
    count = 6 if name in SLOW else 25
    wrong = [one(door, door.spoil(rng.choice(seeds), rng), tmp_path) for _ in range(count)]
    assert [found for found in wrong if found] == []
