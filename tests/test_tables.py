"""Tables that people make: one set of rules, whichever command reads them."""

from __future__ import annotations

import math
import time
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from knee_angle.cli.photos import read_displayed_table
from knee_angle.errors import InvalidInput
from knee_angle.files.tables import read_table


def read_by_measure(path):
    return read_displayed_table(path, [Path("a.jpg")])["a.jpg"]


def read_by_batch(path):
    return read_table(str(path), needs=("photo",)).displayed_deg["a.jpg"]


def read_by_agreement(path):
    return read_table(path).numbers("displayed_deg")[0]


every_reader = pytest.mark.parametrize(
    "read",
    [
        pytest.param(read_by_measure, id="measure and check"),
        pytest.param(read_by_batch, id="batch"),
        pytest.param(read_by_agreement, id="agreement"),
    ],
)


def table(path, text):
    path.write_text(text)
    return path


@every_reader
@pytest.mark.parametrize(
    ("text", "number"),
    [
        pytest.param("photo,displayed_deg\na.jpg,93.5\n", 93.5, id="a point"),
        pytest.param('photo,displayed_deg\na.jpg,"93,5"\n', 93.5, id="a comma in quotes"),
        pytest.param("photo;displayed_deg\na.jpg;93,5\n", 93.5, id="a comma that is free"),
        pytest.param(
            "photo;displayed_deg\na.jpg;93,512\n", 93.512, id="a free comma and three decimals"
        ),
        pytest.param("photo;displayed_deg\na.jpg;93.5\n", 93.5, id="a point beside semicolons"),
        pytest.param("photo\tdisplayed_deg\na.jpg\t-5\n", -5.0, id="hyperextension"),
    ],
)
def test_a_number_is_read_where_it_can_mean_one_thing_only(tmp_path, read, text, number):
    assert read(table(tmp_path / "t.csv", text)) == number


@every_reader
@pytest.mark.parametrize(
    ("text", "message"),
    [
        pytest.param(
            'photo,displayed_deg\na.jpg,"1,234"\n',
            "displayed_deg must be a number, but got '1,234', which may be 1234 or 1.234: write it",
            id="a comma that may separate thousands",
        ),
        pytest.param("photo;displayed_deg\na.jpg;1.234,5\n", "but got '1.234,5'", id="both"),
        pytest.param("photo,displayed_deg\na.jpg,True\n", "but got 'True'", id="true"),
        pytest.param("photo,displayed_deg\na.jpg,nan\n", "but got 'nan'", id="not a number"),
        pytest.param("photo,displayed_deg\na.jpg,inf\n", "but got 'inf'", id="infinity"),
        pytest.param("photo,displayed_deg\na.jpg,+93\n", "but got '+93'", id="a plus"),
        pytest.param("photo,displayed_deg\na.jpg,1e999\n", "but got '1e999'", id="beyond numbers"),
        pytest.param(
            "photo,displayed_deg\na.jpg,412\n",
            "line 2: displayed_deg must be between -30 and 180, but got 412",
            id="no angle of a knee",
        ),
        pytest.param(
            "photo,displayed_deg\na.jpg,1\n\na.jpg,9\n",
            "line 4: a.jpg is named twice",
            id="a photo twice",
        ),
        pytest.param("photo,displayed_deg\n,9\n", "line 2: names no photo", id="no name"),
        pytest.param(
            "photo,displayed_deg\na.jpg,93,5\n",
            "line 2: has 3 cells, but the header has 2: decimals need a point",
            id="a comma without quotes",
        ),
        pytest.param(
            f"photo,displayed_deg\n{'9' * 200_000},93\na.jpg,x\n",
            "a cell has more than 131072 letters",
            id="a cell without end",
        ),
        pytest.param(
            'photo,displayed_deg\n"a.jpg,93\n',
            "cannot be read as UTF-8 CSV (unexpected end of data)",
            id="a quote that is never closed",
        ),
        pytest.param("photo,displayed_deg\na.jpg,93 deg\n", "but got '93 deg'", id="a unit"),
        pytest.param("photo,displayed_deg\n", "t.csv has no rows: give one", id="no rows"),
        pytest.param(
            "photo,displayed_deg,displayed_deg\na.jpg,1,2\n",
            "the column 'displayed_deg' is there twice: rename one",
            id="a column twice",
        ),
    ],
)
def test_anything_else_is_refused_in_the_same_words(tmp_path, read, text, message):
    with pytest.raises(InvalidInput) as refused:
        read(table(tmp_path / "t.csv", text))
    assert message in str(refused.value)
    assert "\n" not in str(refused.value)


@every_reader
@pytest.mark.parametrize(
    ("cell", "message"),
    [
        pytest.param(True, "row 1: displayed_deg must be a number, but got True", id="yes"),
        pytest.param(math.inf, "row 1: displayed_deg must be a number, but got inf", id="infinity"),
        pytest.param(412, "row 1: displayed_deg must be between -30 and 180", id="no knee"),
        pytest.param("+93", "row 1: displayed_deg must be a number, but got '+93'", id="text"),
        pytest.param([93], "row 1: displayed_deg must be a number, but got [93]", id="a list"),
    ],
)
def test_a_parquet_table_is_held_to_the_same_rules(tmp_path, read, cell, message):
    path = tmp_path / "t.parquet"
    pq.write_table(pa.table({"photo": ["a.jpg"], "displayed_deg": [cell]}), path)
    with pytest.raises(InvalidInput) as refused:
        read(path)
    assert message in str(refused.value)


def test_a_number_that_is_none_in_parquet_is_an_empty_cell(tmp_path):
    """Other software writes NaN where a spreadsheet leaves the cell empty."""
    path = tmp_path / "t.parquet"
    pq.write_table(pa.table({"photo": ["a.jpg", "b.jpg"], "displayed_deg": [math.nan, 9]}), path)
    assert read_table(path).displayed_deg == {"b.jpg": 9.0}


@pytest.mark.parametrize("at", ["photo;displayed_deg\na.jpg;88\n", "x\n1\n"])
def test_a_column_that_is_not_there_is_told_with_those_that_are(tmp_path, at):
    with pytest.raises(InvalidInput, match=r"has no column y, but (photo, displayed_deg|x): name"):
        read_table(table(tmp_path / "t.csv", at)).numbers("y")


def test_rows_without_anything_in_them_are_no_rows(tmp_path):
    text = "\ufeffphoto;displayed_deg\r\n;\r\n \r\na.jpg;9\r\n\r\n ; \r\nb.jpg;\r\n"
    assert read_table(table(tmp_path / "t.csv", text)).photos == ("a.jpg", "b.jpg")


def test_the_line_that_is_told_is_the_files_own_whatever_stands_above_it(tmp_path):
    text = 'photo,note,displayed_deg\na.jpg,"two\nlines",9\n\n,,\nb.jpg,,x\n'
    with pytest.raises(InvalidInput, match="line 6: displayed_deg must be a number"):
        read_table(table(tmp_path / "t.csv", text))


def test_a_free_decimal_comma_is_read_in_every_other_column_too(tmp_path):
    found = read_table(table(tmp_path / "t.csv", "photo;hand_deg\na.jpg;90,125\n"))
    assert found.others.to_pylist() == [{"hand_deg": 90.125}]
    assert found.numbers("hand_deg")[0] == 90.125


def test_a_comma_in_quotes_is_a_decimal_one_where_a_number_is_asked_for(tmp_path):
    """Handed on, such a cell stays as it is written: it may be no number."""
    found = read_table(table(tmp_path / "t.csv", 'photo,hand_deg\na.jpg,"90,5"\n'))
    assert found.numbers("hand_deg")[0] == 90.5
    assert found.others.to_pylist() == [{"hand_deg": "90,5"}]


@pytest.mark.parametrize(
    "row",
    [
        pytest.param("p{n}.jpg,x", id="numbers"),
        pytest.param(",9", id="names"),
        pytest.param("a.jpg,9,9", id="cells"),
    ],
)
def test_of_many_bad_rows_the_first_are_told_and_the_others_counted(tmp_path, row):
    rows = "".join(row.format(n=n) + "\n" for n in range(5000))
    with pytest.raises(InvalidInput) as refused:
        read_table(table(tmp_path / "t.csv", f"photo,displayed_deg\n{rows}"))
    assert len(str(refused.value)) < 3000
    assert str(refused.value).endswith(" more")


def test_a_long_cell_and_many_columns_do_not_make_a_long_message(tmp_path):
    for text in (
        "photo,displayed_deg\na.jpg," + "x" * 100_000 + "\n",
        ",".join(f"c{n}" for n in range(9999)) + "\n",
    ):
        with pytest.raises(InvalidInput) as refused:
            read_table(table(tmp_path / "t.csv", text))
        assert len(str(refused.value)) < 1000


@every_reader
def test_the_time_grows_with_the_columns_and_not_with_their_square(tmp_path, read):
    """Eight times the columns would take 64 times as long."""

    def seconds(columns):
        names, cells = (",".join(f"{x}{n}" for n in range(columns)) for x in ("c", ""))
        path = table(tmp_path / "t.csv", f"photo,displayed_deg,{names}\na.jpg,9,{cells}\n")
        times = []
        for _ in range(3):
            start = time.perf_counter()
            read(path)
            times.append(time.perf_counter() - start)
        return min(times)

    assert seconds(16_000) < 24 * seconds(2_000)


@pytest.mark.parametrize(
    ("name", "text"),
    [
        pytest.param("a.csv", '"ph\noto",x\na,1\n', id="a column over two lines"),
        pytest.param("a.csv", 'photo,x\n"a\u2028b",1\n"a\u2028b",2\n', id="a photo likewise"),
        pytest.param("a\nb.csv", "photo,x\na,1\na,2\n", id="the file's own name"),
        pytest.param("a\nb.parquet", "no table", id="the name of another kind of file"),
    ],
)
def test_a_name_over_several_lines_is_told_on_one(tmp_path, name, text):
    (tmp_path / name).write_text(text, encoding="utf-8")
    with pytest.raises(InvalidInput) as told:
        read_table(tmp_path / name, needs=("photo",))
    assert str(told.value).isprintable()
