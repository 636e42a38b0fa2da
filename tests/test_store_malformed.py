"""Backups that were changed and hashed anew: words, never a traceback, and nothing kept by half."""

from __future__ import annotations

import copy
import hashlib
import json
import shutil
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
import sqlalchemy as sa
from hypothesis import given, settings
from hypothesis import strategies as st
from test_store_commands import made_backup

from knee_angle.errors import KneeAngleError
from knee_angle.store import open_store, schema
from knee_angle.store.recheck import recheck
from knee_angle.store.table import csv_of, json_lines_of

LINES: list[Any] = [json.loads(line) for line in made_backup().splitlines()[:-1]]
DROP = object()


def hashed(lines: list[bytes]) -> bytes:
    """The file with the hash that belongs to it."""
    body = b"".join(line + b"\n" for line in lines)
    return body + json.dumps({"sha256": hashlib.sha256(body).hexdigest()}).encode() + b"\n"


def as_text(lines: list[Any]) -> list[bytes]:
    # As a hand or another program would write it: NaN is written too.
    return [json.dumps(line).encode() for line in lines]


def places(value: Any, path: tuple = ()) -> list[tuple]:
    """Where something stands in a JSON value."""
    inside: Any = ()
    if isinstance(value, dict):
        inside = value.items()
    elif isinstance(value, list):
        inside = enumerate(value)
    return [path, *(place for key, one in inside for place in places(one, (*path, key)))]


def changed(line: Any, path: tuple, value: Any) -> Any:
    """A line with another value in one place, or without it."""
    if not path:
        return value
    line = copy.deepcopy(line)
    parent = line
    for key in path[:-1]:
        parent = parent[key]
    if value is DROP:
        del parent[path[-1]]
    else:
        parent[path[-1]] = value
    return line


ODD = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.sampled_from([2**31, 2**63, -(2**70), 10**400, 0, -1]),
    st.floats(),
    st.text(max_size=40),
    st.sampled_from(["", "\0", "\ud800", "x" * 300, "2026-03-02", "0001-01-01T00:00:00+14:00"]),
    st.sampled_from([[], {}, [[]], {"base64": "?"}, {"base64": None}, [None] * 3]),
)


@st.composite
def malformed(draw) -> bytes:
    """A real backup with one to three changes and the hash that belongs to them."""
    lines = copy.deepcopy(LINES)
    for _ in range(draw(st.integers(1, 3))):
        at = draw(st.integers(0, len(lines) - 1))
        match draw(st.sampled_from(["value", "value", "value", "value", "drop", "twice", "swap"])):
            case "value":
                path = draw(st.sampled_from(places(lines[at])))
                value = draw(ODD if not path else st.one_of(ODD, st.just(DROP)))
                lines[at] = changed(lines[at], path, value)
            case "drop":
                del lines[at]
            case "twice":
                lines.insert(at, lines[at])
            case "swap":
                other = draw(st.integers(0, len(lines) - 1))
                lines[at], lines[other] = lines[other], lines[at]
        if not lines:
            break
    if lines and draw(st.booleans()) and isinstance(lines[0], dict):
        named = [x.get("table") for x in lines[1:] if isinstance(x, dict)]
        lines[0] = {**lines[0], "rows": {t: named.count(t) for t in schema.metadata.tables}}
    text = as_text(lines)
    if text and draw(st.integers(0, 9)) == 0:
        at = draw(st.integers(0, len(text) - 1))
        text[at] = draw(st.one_of(st.binary(max_size=20), st.just(b"[" * 100_000)))
        text[at] = text[at].replace(b"\n", b"")
    return hashed(text)


def used(store) -> None:
    """Everything that commands and pages ask of a store."""
    for subject in store.people():
        store.prescriptions(subject.code)
    for subject in store.machines():
        store.machine_card(subject.code)
    for row in store.measurements(all_rows=True):
        store.photo(row.id)
    for row in store.checks(all_rows=True):
        store.check(row.id)
    store.latest_checks()
    store.audit()
    kept = list(store.stored_measurements(all_rows=True))
    assert len("".join(csv_of(kept))) + len("".join(json_lines_of(kept))) > 0


def restored(store, folder: Path, content: bytes) -> bool:
    """Whether it was restored; else it was told in one line and nothing was kept."""
    file = folder / "b.jsonl"
    file.write_bytes(content)
    told = ""
    try:
        store.restore(file)
    except KneeAngleError as error:
        told = str(error)
    if not told:
        used(store)
        return True
    assert "\n" not in told
    assert not any(store.overview().counts.values())
    return False


@pytest.fixture(scope="module")
def template(tmp_path_factory) -> Path:
    """An empty store to copy."""
    path = tmp_path_factory.mktemp("template") / "empty.db"
    open_store(path).close()
    return path


@settings(max_examples=150, deadline=None)
@given(content=malformed())
def test_a_changed_backup_is_restored_and_usable_or_refused_in_words(template, content):
    with TemporaryDirectory() as folder:
        shutil.copy(template, Path(folder) / "a.db")
        with open_store(Path(folder) / "a.db") as store:
            restored(store, Path(folder), content)


@pytest.fixture(scope="module")
def databases(postgres):
    """Empty PostgreSQL stores, a new one after each that was filled."""
    opened: list[Any] = []

    def empty():
        if not opened or any(opened[-1].overview().counts.values()):
            opened.append(open_store(postgres.fresh_store()))
        return opened[-1]

    yield empty
    for store in opened:
        store.close()


@settings(max_examples=40, deadline=None)
@given(content=malformed())
def test_postgresql_takes_or_refuses_a_changed_backup_in_words(databases, content):
    with TemporaryDirectory() as folder:
        restored(databases(), Path(folder), content)


def line_of(table: str) -> int:
    return next(n for n, x in enumerate(LINES) if x.get("table") == table)


@pytest.mark.parametrize(
    ("table", "path", "value", "said"),
    [
        pytest.param("people", ("row", "code"), "ADA-LOVELACE", "never use a name", id="a name"),
        pytest.param("people", ("row", "saved_at"), "2026-03-02T12:00:00", "zone", id="no zone"),
        pytest.param(
            "prescriptions", ("row", "flexion_deg"), "ninety", "flexion_deg: it must be int or",
            id="a word for a number",
        ),
        pytest.param(
            "prescriptions", ("row", "flexion_deg"), float("nan"), "NaN is no number", id="NaN"
        ),
        pytest.param(
            "prescriptions", ("row", "flexion_deg"), 900, "between -30 and 180", id="no knee"
        ),
        pytest.param(
            "prescriptions", ("row", "side"), "both", "must be left, right or empty", id="no knee"
        ),
        pytest.param(
            "prescriptions", ("row", "lifted"), "all", "one of flexion, extension", id="no limit"
        ),
        pytest.param("measurements", ("row", "u_deg"), DROP, "lacks u_deg", id="a value lacks"),
        pytest.param("measurements", ("row", "more"), 1, "no column 'more'", id="one too many"),
        pytest.param(
            "measurements", ("row", "measurement", "leg"), 5, "cannot be used", id="half a leg"
        ),
        pytest.param(
            "measurements", ("row", "verdict"), "fine", "cannot be used", id="no verdict of ours"
        ),
        pytest.param(
            "measurements", ("row", "person"), "P-999", "FOREIGN KEY|foreign key", id="nobody"
        ),
        pytest.param(
            "photos", ("row", "jpeg"), {"base64": "////"}, "must be a JPEG", id="no picture"
        ),
        pytest.param("audit", ("table",), "sqlite_master", "no table", id="no table of ours"),
        pytest.param("audit", ("row", "id"), 10**30, "usual whole number", id="a huge number"),
        pytest.param(
            "audit", ("row", "at"), "0001-01-01T00:00:00+14:00", "audit, at: ", id="before year 1"
        ),
        pytest.param(
            "measurements", ("row", "contract", "machine"), "none", "cannot be used",
            id="a result that exports cannot read",
        ),
        pytest.param(
            "measurements", ("row", "contract", "interval_deg"), True, "cannot be used",
            id="an interval that is none",
        ),
    ],
)  # fmt: skip
def test_what_is_wrong_with_a_line_is_named(store_url, tmp_path, table, path, value, said):
    at = line_of(table)
    lines = [*LINES[:at], changed(LINES[at], path, value), *LINES[at + 1 :]]
    (tmp_path / "b.jsonl").write_bytes(hashed(as_text(lines)))
    with open_store(store_url) as store:
        with pytest.raises(KneeAngleError, match=said) as told:
            store.restore(tmp_path / "b.jsonl")
        assert "\n" not in str(told.value)
        assert not any(store.overview().counts.values())


def test_the_backup_as_it_is_is_restored_and_computes_again(store_url, tmp_path):
    with open_store(store_url) as store:
        assert restored(store, tmp_path, hashed(as_text(LINES)))
        assert all(recheck(one).same for one in store.stored_measurements(all_rows=True))


def test_a_backup_of_the_first_tables_is_restored(store_url, tmp_path):
    lines = copy.deepcopy(LINES)
    lines[0]["tables"] = "0001"
    for line in lines:
        if line.get("table") == "prescriptions":
            del line["row"]["lifted"], line["row"]["side"]
    with open_store(store_url) as store:
        assert restored(store, tmp_path, hashed(as_text(lines)))
        (row,) = store.prescriptions("P-017")
        assert (row.flexion_deg, row.extension_deg, row.lifted, row.side) == (90, None, (), None)
        with store.engine.connect() as connection:
            assert connection.execute(sa.select(schema.prescriptions.c.lifted)).scalar() == ""
