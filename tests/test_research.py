"""Tables for a study: pseudonyms, days instead of dates, units in the schema, every column told."""

from __future__ import annotations

import csv
import io
import json
import re
from datetime import timedelta
from pathlib import Path

import pytest
import streamlit as st
from called import called
from pyarrow import parquet
from stores import NOON, SETTINGS, SHA, at_angle, made_measurement, made_visit

import knee_angle
from knee_angle.batch.outputs import COLUMNS as BATCH
from knee_angle.batch.rating.covers import COLUMNS as COVERS
from knee_angle.batch.rating.measured import RATED, write_rated
from knee_angle.batch.review import COLUMNS as REVIEW
from knee_angle.cli.research import all_tables, dictionary_text
from knee_angle.files.tables import read_table
from knee_angle.page import for_study
from knee_angle.report.clip_contract import FRAME_COLUMNS
from knee_angle.report.columns import COLUMNS
from knee_angle.report.contract import csv_lines
from knee_angle.report.schemas import UCUM
from knee_angle.store import SetUp, new_id, open_store
from knee_angle.store.access.guarded import guarded
from knee_angle.store.access.roles import ROLES, NotAllowed
from knee_angle.store.research import RESEARCH_COLUMNS, Pseudonyms, by_pseudonym
from knee_angle.store.table import flat_columns

PACKAGE = Path(knee_angle.__file__).parent
PEOPLE = ("P-017", "P-018", "P-019")
SECRETS = ("P-017", "P-018", "P-019", "M-03", "ward 3", "Ada", SHA, SHA[:12], "2026-0")
"""What no research table may hold: codes, account, names, hashes, dates."""


@pytest.fixture(scope="module")
def where(tmp_path_factory):
    """A store of three people who came one after the other, and a visit."""
    path = tmp_path_factory.mktemp("store") / "a.db"
    base = made_measurement()
    with open_store(path, who="ward 3", clock=lambda: NOON) as store:
        store.add_machine("M-03")
        for number, person in enumerate(PEOPLE):
            store.add_person(person)
            for day in (0, 1, 5):
                store.save_measurement(
                    at_angle(base, 60.0 + day), settings=SETTINGS, photo_sha256=SHA,
                    person=person, machine="M-03", setup=SetUp(end="flexion", bed_head_deg=30),
                    taken_at=NOON + timedelta(days=10 * number + day),
                )  # fmt: skip
        store.save_measurement(base, settings=SETTINGS, photo_sha256=SHA)
        answer, photos = made_visit()
        store.save_visit(answer, photos, visit_id=new_id(), settings=SETTINGS, person="P-017")
    return path


def exported(where, tmp_path, *more: str, name: str = "out.csv", key: str = "key"):
    (tmp_path / "table").mkdir(exist_ok=True)
    out = tmp_path / "table" / name
    made = called("store", "research", str(out), "--key", str(tmp_path / key), "--store",
                  str(where), *more)  # fmt: skip
    return out, made


def test_a_research_table_holds_no_code_name_hash_or_date_and_joins_by_pseudonym(where, tmp_path):
    out, made = exported(where, tmp_path)
    assert made.returncode == 0, made.stderr
    text = out.read_text()
    assert [secret for secret in SECRETS if secret in text] == []
    rows = list(csv.DictReader(io.StringIO(text)))
    assert tuple(rows[0]) == tuple(RESEARCH_COLUMNS)
    assert len(rows) == 13
    people = [row["person"] for row in rows if row["person"]]
    assert len(set(people)) == 3
    assert people == sorted(people)  # not in the order in which they came
    days = {one: [r["day"] for r in rows if r["person"] == one] for one in set(people)}
    assert sorted(days.values()) == [
        ["0", "0", "0", "0", "1", "5"],
        ["0", "1", "5"],
        ["0", "1", "5"],
    ]
    assert {row["flexion_deg"] for row in rows} >= {"60.0", "61.0", "65.0"}
    together = [row for row in rows if row["visit"]]
    assert len(together) == 3
    assert len({row["visit"] for row in together}) == 1
    assert all(row["visit_arc_deg"] for row in together)


def test_one_key_gives_the_same_pseudonyms_again_and_another_key_others(where, tmp_path):
    first, _ = exported(where, tmp_path)
    again, _ = exported(where, tmp_path, name="again.csv")
    other, _ = exported(where, tmp_path, name="other.csv", key="another")
    assert first.read_text() == again.read_text()
    people = [
        {row["person"] for row in csv.DictReader(io.StringIO(one.read_text())) if row["person"]}
        for one in (first, other)
    ]
    assert people[0].isdisjoint(people[1])
    assert (tmp_path / "key").stat().st_mode & 0o077 == 0


def test_dates_can_be_moved_each_person_by_their_own_days(where, tmp_path):
    out, _ = exported(where, tmp_path, "--dates", "shifted")
    rows = [r for r in csv.DictReader(io.StringIO(out.read_text())) if r["person"]]
    assert all(row["day"] == "" for row in rows)
    key = Pseudonyms(bytes.fromhex((tmp_path / "key").read_text()))
    wanted = {
        (key.of("person", person), (first + timedelta(days=day) - key.shift(person)).isoformat())
        for number, person in enumerate(PEOPLE)
        for first in [NOON.date() + timedelta(days=10 * number)]
        for day in (0, 1, 5)
    }
    assert {(row["person"], row["shifted_date"]) for row in rows} == wanted
    fixed = Pseudonyms(bytes(range(32)))
    shifts = [fixed.shift(f"P-{number}") for number in range(400)]
    assert all(timedelta(days=1) <= one <= timedelta(days=365) for one in shifts)
    assert len(set(shifts)) > 200


@pytest.mark.parametrize(
    ("key", "content", "said"),
    [
        pytest.param("table/key", None, "must not lie beside the table", id="beside the table"),
        pytest.param("key", "feed", "must hold a key of 64", id="no key"),
        pytest.param("key", "é" * 64, "must hold a key of 64", id="no digits"),
    ],
)
def test_a_key_that_protects_nothing_is_refused_before_anything_is_written(
    where, tmp_path, key, content, said
):
    if content is not None:
        (tmp_path / key).write_text(content)
    out, made = exported(where, tmp_path, key=key)
    assert made.returncode == 2
    assert said in made.stderr
    assert not out.exists()
    assert not (tmp_path / "table" / "key").exists()


@pytest.mark.parametrize("role", ROLES)
def test_only_who_may_export_gets_rows_for_a_study(where, role):
    class Session:
        account, id = "one", "s"

    session = Session()
    session.role = role
    with open_store(where) as store:
        rows = by_pseudonym(guarded(store, session), Pseudonyms(bytes(32)))
        if role == "researcher":
            assert len(list(rows)) == 13
        else:
            with pytest.raises(NotAllowed):
                list(rows)


# Tables and their columns ------------------------------------------------------------


@pytest.mark.parametrize("command", ["research", "export"])
def test_parquet_says_the_unit_and_meaning_of_every_column(where, tmp_path, command):
    if command == "research":
        out, made = exported(where, tmp_path, name="out.parquet")
        columns = tuple(RESEARCH_COLUMNS.values())
    else:
        out = tmp_path / "out.parquet"
        made = called("store", "export", str(out), "--format", "parquet", "--store", str(where))
        columns = flat_columns()
    assert made.returncode == 0, made.stderr
    table = parquet.read_table(out)
    assert table.num_rows == 13
    assert table.schema.names == [column.name for column in columns]
    for column in columns:
        told = table.schema.field(column.name).metadata
        assert told[b"meaning"].decode() == column.meaning
        assert told.get(b"unit", b"").decode() == (column.unit or "")
        if column.unit is not None:
            assert told[b"ucum"].decode() == UCUM[column.unit]
    assert b"0 is straight" in table.schema.metadata[b"convention"]


def test_the_data_dictionary_names_every_column_of_every_table_with_its_meaning(where, tmp_path):
    lines = list(csv.DictReader(io.StringIO(dictionary_text())))
    told: dict[str, list[str]] = {}
    convention = lines.pop(0)
    assert (convention["table"], convention["column"]) == ("every table", "every column")
    assert "0 is straight" in convention["meaning"]
    for line in lines:
        told.setdefault(line["table"], []).append(line["column"])
        assert line["meaning"].strip()
        assert bool(line["unit"]) == bool(line["ucum"])
    named_by_unit = {"deg": "degrees", "mm": "millimetres", "px": "pixels", "seconds": "seconds"}
    for line in lines:
        last = line["column"].rpartition("_")[2]
        assert line["unit"] == named_by_unit.get(last, line["unit"]), line
    out, _ = exported(where, tmp_path)
    whole = tmp_path / "whole.csv"
    called("store", "export", str(whole), "--store", str(where))
    assert told["store export"] == next(csv.reader(io.StringIO(whole.read_text())))
    assert told["store research"] == next(csv.reader(io.StringIO(out.read_text())))
    assert told["measure"] == list(COLUMNS)
    assert told["store columns"] == list(convention)
    rated, some = tmp_path / "rated.csv", {"photo": "a.jpg", "repeat": 1, "status": "measured"}
    write_rated(rated, [some], settings=SETTINGS, planned=1)
    assert told["rating measure"] == next(csv.reader(io.StringIO(rated.read_text())))
    assert told["batch"] == [*told["rating measure"][: -len(RATED)]] == list(BATCH)
    assert told["batch review"] == list(REVIEW)
    assert told["rating begin covers"] == list(COVERS)
    assert told["clip frames"] == list(FRAME_COLUMNS)
    assert set(told) == set(all_tables())
    beside = out.with_suffix(".columns.csv").read_text()
    told_beside = [row["column"] for row in csv.DictReader(io.StringIO(beside))]
    assert told_beside == ["every column", *RESEARCH_COLUMNS]
    assert called("store", "columns").stdout == dictionary_text()


def test_there_is_one_place_that_writes_csv_and_one_that_writes_parquet():
    """Whoever writes a table any other way leaves out what protects a spreadsheet, or units."""
    writing = re.compile(
        r"csv\.writer\(|DictWriter|write_csv\(table|to_csv|write_table\(|ParquetWriter|to_parquet"
    )
    found = {
        str(path.relative_to(PACKAGE))
        for path in PACKAGE.rglob("*.py")
        if writing.search(path.read_text())
    }
    assert found == {"report/contract.py", "report/schemas.py"}


@pytest.mark.parametrize(
    ("value", "written"),
    [
        *(
            pytest.param(f"{sign}1+1", f"'{sign}1+1", id=f"text that begins with {sign!r}")
            for sign in ("=", "+", "-", "@")
        ),
        pytest.param("\t=1", "'\t=1", id="a tab before it"),
        pytest.param("\r=1", '"\'\r=1"', id="a carriage return before it"),
        pytest.param("\n=1", '"\'\n=1"', id="a line feed before it"),
        *(
            pytest.param(f"{before}=1", f"'{before}=1", id=f"{what} before it")
            for before, what in (
                ("  ", "spaces"),
                ("\xa0", "a space that breaks no line"),
                ("\u200b", "a space of no width"),
                ("\ufeff", "a byte order mark"),
            )
        ),
        *(
            pytest.param(f"{sign}1", f"'{sign}1", id=f"a full-width {name}")
            for sign, name in (("\uff1d", "="), ("\uff0b", "+"), ("\uff0d", "-"), ("\uff20", "@"))
        ),
        pytest.param(
            "bed;=1;-2",
            "bed;'=1;'-2",
            id="one after a semicolon: the column's end where the comma is the decimal sign",
        ),
        pytest.param("bed\t @1", "bed\t' @1", id="one after a tab"),
        pytest.param("a\n=1", '"a\n\'=1"', id="one on a line of its own"),
        pytest.param("=1;=2", "'=1;'=2", id="at the start and after a semicolon"),
        pytest.param("2; a", "2; a", id="a semicolon alone"),
        pytest.param(-5.25, "-5.25", id="a negative number stays a number"),
        pytest.param(0, "0", id="a count stays a number"),
        pytest.param(True, "TRUE", id="a flag in letters that R, pandas and Arrow all read as one"),
        pytest.param(False, "FALSE", id="a flag that is not set"),
        pytest.param("a=1", "a=1", id="other text stays as it is"),
        pytest.param(None, "", id="nothing stays empty"),
    ],
)
def test_a_spreadsheet_runs_no_cell_and_numbers_stay_numbers(value, written, tmp_path):
    line = csv_lines([{"a": value, "b": 1}], ["a", "b"], header=False)
    assert line == f"{written},1\r\n"
    if isinstance(value, str):
        table = tmp_path / "t.csv"
        table.write_bytes(csv_lines([{"a": value, "b": 1}], ["a", "b"], header=True).encode())
        assert read_table(table).labels("a") == [value.strip()]  # whoever reads ours has it again


def test_a_measurement_without_a_person_has_no_day(where, tmp_path):
    out, _ = exported(where, tmp_path)
    (row,) = [r for r in csv.DictReader(io.StringIO(out.read_text())) if not r["person"]]
    assert (row["day"], row["shifted_date"], row["status"]) == ("", "", "measured")
    assert json.loads(row["flexion_deg"]) == pytest.approx(made_measurement().knee.deg, abs=1e-3)


# From the page -----------------------------------------------------------------------


def offered(monkeypatch, store) -> list[tuple[str, bytes]]:
    """What the page offers for a study: the file's name and its content."""
    found = []
    monkeypatch.setattr(
        st, "download_button",
        lambda _label, *, data, file_name, **_: found.append((file_name, data())),
    )  # fmt: skip
    for_study.study_button(store)
    return found


def test_the_page_hands_a_study_its_table_and_keeps_the_key(where, tmp_path, monkeypatch):
    out, _ = exported(where, tmp_path)
    with open_store(where) as store:
        monkeypatch.delenv(for_study.KEY_VARIABLE, raising=False)
        assert offered(monkeypatch, store) == []
        monkeypatch.setenv(for_study.KEY_VARIABLE, str(tmp_path / "key"))
        (name, content), (told_as, told) = offered(monkeypatch, store)
        assert any(line.what == "export" and "research" in line.about for line in store.audit())
    assert (name, told_as) == ("study.csv", "study.columns.csv")
    assert told == out.with_suffix(".columns.csv").read_bytes()
    # Bytes: a text file would take the line ends for its own.
    assert content == out.read_bytes()


@pytest.mark.parametrize("role", [role for role in ROLES if role != "researcher"])
def test_no_other_role_gets_the_study_table_from_the_page(where, tmp_path, monkeypatch, role):
    class Session:
        account, id = "one", "s"

    session = Session()
    session.role = role
    monkeypatch.setenv(for_study.KEY_VARIABLE, str(tmp_path / "key"))
    with open_store(where) as store, pytest.raises(NotAllowed):
        offered(monkeypatch, guarded(store, session))
