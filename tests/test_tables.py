"""Tables that people make: one set of rules, whichever command reads them."""

from __future__ import annotations

import time

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from knee_angle.batch.table import read_table as read_photo_table
from knee_angle.cli.tables import read_table as read_any_table
from knee_angle.errors import InvalidInput

DISPLAYED = {
    "measure, check and batch": lambda path: read_photo_table(str(path)).displayed_deg["a.jpg"],
    "agreement": lambda path: read_any_table(path).numbers("displayed_deg")[0],
}
every_reader = pytest.mark.parametrize("read", DISPLAYED.values(), ids=DISPLAYED.keys())


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
def test_yes_and_no_are_no_numbers_in_parquet_either(tmp_path, read):
    path = tmp_path / "t.parquet"
    pq.write_table(pa.table({"photo": ["a.jpg"], "displayed_deg": [True]}), path)
    with pytest.raises(InvalidInput, match="displayed_deg must be a number, but got True"):
        read(path)


def test_a_free_decimal_comma_is_read_in_every_other_column_too(tmp_path):
    path = table(tmp_path / "t.csv", "photo;hand_deg\na.jpg;90,125\n")
    assert read_photo_table(str(path)).columns.to_pylist() == [{"hand_deg": 90.125}]
    assert read_any_table(path).numbers("hand_deg")[0] == 90.125


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
        read_photo_table(str(table(tmp_path / "t.csv", f"photo,displayed_deg\n{rows}")))
    assert len(str(refused.value)) < 3000
    assert str(refused.value).endswith(" more")


def test_a_long_cell_and_many_columns_do_not_make_a_long_message(tmp_path):
    for text in (
        "photo,displayed_deg\na.jpg," + "x" * 100_000 + "\n",
        ",".join(f"c{n}" for n in range(9999)) + "\n",
    ):
        with pytest.raises(InvalidInput) as refused:
            read_photo_table(str(table(tmp_path / "t.csv", text)))
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

    assert seconds(40_000) < 24 * seconds(5_000)
