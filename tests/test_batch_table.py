"""What is known about the photos, joined by name; nothing guessed."""

from __future__ import annotations

import pyarrow
import pytest
from pyarrow import parquet

from knee_angle.batch.table import Known
from knee_angle.errors import InvalidInput
from knee_angle.files.tables import read_table as read_any_table


def read_table(path):
    """As a batch reads it."""
    return read_any_table(path, needs=("photo",))


def test_a_csv_keeps_codes_as_text_and_reads_plain_numbers(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text(
        "\ufeffphoto,displayed_deg,code,visit,hand_deg,note\n"
        'a.jpg,93,007,1,88.5,"left, swollen"\n\nb.jpg,,012,2,,\n',
        encoding="utf-8",
    )
    table = read_table(str(path))
    assert table.photos == ("a.jpg", "b.jpg")
    assert table.displayed_deg == {"a.jpg": 93.0}
    assert table.others.to_pylist() == [
        {"code": "007", "visit": 1, "hand_deg": 88.5, "note": "left, swollen"},
        {"code": "012", "visit": 2, "hand_deg": None, "note": None},
    ]


def test_decimal_commas_are_numbers_in_every_column_where_the_comma_is_free(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text("photo;displayed_deg;hand_deg;code\na.jpg;93,5;90,5;1,2,3\nb.jpg;;7;x\n")
    assert read_table(str(path)).others.to_pylist() == [
        {"hand_deg": 90.5, "code": "1,2,3"},
        {"hand_deg": 7.0, "code": "x"},
    ]
    path.write_text('photo,hand_deg\na.jpg,"90,5"\n')
    assert read_table(str(path)).others.to_pylist() == [{"hand_deg": "90,5"}]


def test_a_parquet_table_keeps_its_types(tmp_path):
    path = tmp_path / "t.parquet"
    columns = {
        "photo": ["a.jpg", "b.jpg"],
        "displayed_deg": [93, None],
        "person": ["p1", "p2"],
        "visit": pyarrow.array([1, 2], pyarrow.int8()),
    }
    parquet.write_table(pyarrow.table(columns), path)
    table = read_table(str(path))
    assert table.displayed_deg == {"a.jpg": 93.0}
    assert table.others.schema.field("visit").type == pyarrow.int8()


@pytest.mark.parametrize(
    ("text", "messages"),
    [
        pytest.param("name\na.jpg\n", ["must have the columns photo"], id="no photo column"),
        pytest.param("photo,x,x\na.jpg,1,2\n", ["'x' is there twice"], id="a column twice"),
        pytest.param(
            "photo,displayed_deg\na.jpg,x\na.jpg,412\n,9\nb.jpg\n",
            [
                "line 2: displayed_deg must be a number, but got 'x'",
                "line 3: a.jpg is named twice",
                "line 3: displayed_deg must be between -30 and 180",
                "line 4: names no photo",
                "line 5: has 1 cells, but the header has 2",
            ],
            id="every problem at once",
        ),
    ],
)
def test_a_wrong_table_names_every_problem_in_one_line(tmp_path, text, messages):
    path = tmp_path / "t.csv"
    path.write_text(text)
    with pytest.raises(InvalidInput) as error:
        read_table(str(path))
    assert all(message in str(error.value) for message in messages)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize("content", [b"\xff\xfe\x00photo", b"PAR1nonsense"])
def test_a_table_that_is_none_says_so(tmp_path, content):
    path = tmp_path / ("t.parquet" if content.startswith(b"PAR1") else "t.csv")
    path.write_bytes(content)
    with pytest.raises(InvalidInput, match="the table t"):
        read_table(str(path))


@pytest.fixture
def table(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text("photo,displayed_deg\na.jpg,93\nc.jpg,10\n")
    return read_table(str(path))


def test_missing_and_surplus_names_are_refused_together(table):
    with pytest.raises(InvalidInput) as error:
        Known(table).match(["a.jpg", "b.jpg"], partial=False)
    assert "1 photo has no row: b.jpg; 1 row names no photo: c.jpg" in str(error.value)
    assert "--partial-table" in str(error.value)


def test_or_allowed_by_choice_and_said(table):
    assert Known(table).match(["a.jpg", "b.jpg"], partial=True) == [
        "1 photo has no row: b.jpg",
        "1 row names no photo: c.jpg",
    ]
    assert Known(table).match(["a.jpg", "c.jpg"], partial=False) == []


def test_a_table_that_names_not_one_photo_is_refused_whatever_was_chosen(table):
    with pytest.raises(InvalidInput, match=r"names must be exactly like ward/a.jpg"):
        Known(table).match(["ward/a.jpg"], partial=True)
