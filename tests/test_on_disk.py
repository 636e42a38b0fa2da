"""Mappings on the disk: as a dict, in the same memory however many entries there are."""

from __future__ import annotations

import contextlib
import hashlib
import tracemalloc
from concurrent.futures import Future

import pytest
from stores import made_measurement

from knee_angle.batch import outputs, run
from knee_angle.batch.work import Answer
from knee_angle.errors import InvalidInput
from knee_angle.files import on_disk
from knee_angle.files.on_disk import OnDisk
from knee_angle.report import schemas
from knee_angle.report.contract import as_json


@pytest.fixture(autouse=True)
def few_at_once(monkeypatch):
    monkeypatch.setattr(on_disk, "AT_ONCE", 3)


def test_it_is_a_dict_that_keeps_the_order_in_which_keys_came():
    kept = OnDisk[int](int, int)
    like = {}
    for key, value in (("b", 1), ("ä", 2), ("a", 3), ("b", 4), ("\udcfe", 5), ("", 6)):
        kept[key] = like[key] = value
    assert (kept, list(kept), list(kept.pairs())) == (like, list(like), list(like.items()))
    assert (len(kept), len(OnDisk(int, int))) == (5, 0)
    assert "b" in kept
    assert "c" not in kept
    assert kept.get("c") is None
    with pytest.raises(KeyError):
        kept["c"]


def test_by_key_its_order_is_that_of_sorted_texts():
    names = ["b", "ä", "a", "a/b", "a b", "\udcfe", "\U0001f9b5", "z"]
    kept = OnDisk[int](int, int, by_key=True)
    for name in names:
        kept[name] = 0
    assert list(kept) == sorted(names)


def test_what_comes_while_it_is_gone_through_is_gone_through_too():
    kept = OnDisk[int](int, int)
    kept["0"] = 0
    for key, value in kept.pairs():
        if value < 7:
            kept[f"{key}{value}"] = value + 1
    assert len(kept) == 8


def test_a_full_disk_is_one_line():
    kept = OnDisk[str](str, str)
    kept._base.execute("PRAGMA max_page_count = 4")
    with pytest.raises(InvalidInput, match=r"takes no more .* name another one in TMPDIR"):
        kept["a"] = "x" * 100_000


class AtOnce:
    """Workers that answer at once."""

    at_once = 4

    def __init__(self) -> None:
        self.row = as_json("a.jpg", made_measurement(displayed_deg=None), version="0")

    def submit(self, job):
        answer: Future[Answer] = Future()
        digest = hashlib.sha256(job.photo.encode()).hexdigest()
        answer.set_result(Answer(job.photo, {**self.row, "photo": job.photo}, digest))
        return answer


def test_a_batch_takes_the_same_memory_for_many_photos_as_for_few(tmp_path, monkeypatch):
    """A ward's archive of years must not end the machine."""
    monkeypatch.setattr(run, "_workers", lambda *_: contextlib.nullcontext(AtOnce()))
    monkeypatch.setattr(on_disk, "AT_ONCE", 20)
    monkeypatch.setattr(outputs, "ROWS_AT_ONCE", 20)
    monkeypatch.setattr(schemas, "ROWS_AT_ONCE", 20)
    monkeypatch.setattr(run, "identity_of", lambda _: {})
    monkeypatch.setattr("os.fsync", lambda _: None)
    photos = tmp_path / "photos"
    photos.mkdir()
    most = []
    for first, last in ((0, 5), (5, 50), (50, 450)):
        for n in range(first, last):
            (photos / f"{n:06d}.jpg").touch()
        plan = run.BatchPlan(str(photos), tmp_path / "o.csv", overwrite=True)
        tracemalloc.start()
        assert run.run_batch(plan).photos == last
        most.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert most[2] - most[1] < 400 * 100, "bytes for 400 photos more; 0.8 kB each before"
