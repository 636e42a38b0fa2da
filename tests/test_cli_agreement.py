"""``knee-angle agreement``, as a person and as a script call it."""

from __future__ import annotations

import json
import re

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from conftest import SAMPLES
from typer.testing import CliRunner

from knee_angle.cli import app
from knee_angle.errors import InvalidInput
from knee_angle.files.tables import read_table

TABLE = SAMPLES / "agreement.csv"
HEAD = "photo,status,reason,flexion_deg,u_deg,displayed_deg\n"


def run(*args: object):
    return CliRunner().invoke(app, ["agreement", *map(str, args)])


def figures(*args: object) -> dict:
    done = run(*args, "--format", "json")
    assert done.exit_code == 0, done.output + repr(done.exception)
    return json.loads(done.stdout)


def refusal(*args: object) -> str:
    done = run(*args)
    assert isinstance(done.exception, InvalidInput), done.output
    return str(done.exception)


def test_the_sample_table_gives_bias_limits_and_the_gain_of_its_machines():
    """By construction the displays of the samples read too high, more so in flexion."""
    row = figures(TABLE, "--person", "person", "--by", "plane")
    assert (row["pairs"], row["persons"], row["design"]) == (32, 12, "varies")
    assert row["limits"]["bias"]["interval"][0] > 0
    assert row["trend"]["gain"]["interval"][0] > 0
    assert [group["label"] for group in row["subgroups"]] == ["estimated", "tag"]
    assert row["errors_in_both"]["chi2_per_dof"] < 4
    assert row["settings"]["u_reference"] == "u_deg"
    assert row["settings"]["u_compared"] == pytest.approx(1 / 12**0.5)


def test_text_names_the_figures_and_the_caution():
    done = run(TABLE)
    assert done.exit_code == 0
    assert done.stdout.startswith("Over 32 pairs, the display reads on average")
    assert "upper limit of agreement" in done.stdout
    assert "--person" in done.stdout
    assert "not a medical device" in done.stdout


@pytest.mark.parametrize(
    "asked",
    [
        pytest.param((TABLE, "--person", "person", "--by", "plane"), id="a study"),
        pytest.param((TABLE,), id="a study that names no persons"),
        pytest.param(("plan", "--sd", 4, "--half-width", 1.5), id="a plan"),
        pytest.param(("plan", "--sd", 4, "--half-width", 1.5, "--repeats", 3), id="with repeats"),
    ],
)
def test_the_text_is_told_in_german_with_decimal_commas(asked):
    done = run(*asked, "--language", "de")
    assert done.exit_code == 0, done.output
    assert "kein Medizinprodukt" in done.stdout
    told = re.sub(r"\w+_\w+|--\w+", "", done.stdout)  # names of columns and options
    assert not re.search(r"\b(the|of|and|with|is|to|pairs|persons|knee|display)\b", told)
    assert not re.search(r"\d\.\d", told)


def test_the_report_is_written_and_named(tmp_path):
    report = tmp_path / "report.html"
    text = run(TABLE, "--html", report)
    assert text.exit_code == 0
    assert text.stdout.endswith(f"written: {report}\n")
    assert text.stderr == ""
    assert report.read_text().startswith("<!doctype html>")
    report.unlink()
    data = run(TABLE, "--html", report, "--format", "json")
    assert data.exit_code == 0
    assert "written:" not in data.stdout, "what a programme reads stays JSON alone"
    assert data.stderr == f"written: {report}\n"
    assert report.read_text().startswith("<!doctype html>")


def test_parquet_gives_the_same_figures_as_csv(tmp_path):
    table = read_table(TABLE)
    columns = {name: table.numbers(name) for name in ("flexion_deg", "u_deg", "displayed_deg")}
    labels = {name: table.labels(name) for name in ("photo", "person")}
    path = tmp_path / "table.parquet"
    person = pa.array(labels["person"]).dictionary_encode()
    pq.write_table(pa.table({**columns, "photo": labels["photo"], "person": person}), path)
    ours = figures(path, "--person", "person")
    assert ours["limits"] == figures(TABLE, "--person", "person")["limits"]


def test_failed_photos_are_refused_or_dropped_by_choice(tmp_path):
    path = tmp_path / "table.csv"
    rows = [f"p{i}.jpg,measured,,{20 + 10 * i},1.5,{22 + 10 * i + i % 3}" for i in range(8)]
    rows[2] = "p2.jpg,not_measured,No leg was found.,,,45"
    path.write_text(HEAD + "\n".join(rows) + "\n")
    assert refusal(path) == (
        "1 of 8 rows cannot be used (p2.jpg: flexion_deg is missing, the u of flexion_deg is not "
        "a positive number: No leg was found.): correct them, or choose to drop them "
        "(--missing drop), which lists them"
    )
    row = figures(path, "--missing", "drop")
    assert row["pairs"] == 7
    assert [left["name"] for left in row["excluded"]] == ["p2.jpg"]


@pytest.mark.parametrize(
    ("text", "options", "says"),
    [
        pytest.param(
            "photo,flexion_deg\na.jpg,3\n", [],
            "the table table.csv has no column displayed_deg, but photo, flexion_deg: "
            "name one of these",
            id="a missing column",
        ),
        pytest.param(
            'photo,flexion_deg,displayed_deg\na.jpg,1,2\nb.jpg,"1,234",90\n', [],
            "the table table.csv: line 3: flexion_deg must be a number, but got '1,234', "
            "which may be 1234 or 1.234: write it with a point",
            id="a comma that may separate thousands",
        ),
        pytest.param(
            "photo,flexion_deg,displayed_deg\n", [],
            "the table table.csv has no rows: give one with a row for each photo",
            id="no rows",
        ),
        pytest.param(
            "flexion_deg,flexion_deg,displayed_deg\n1,2,3\n", [],
            "the table table.csv: the column 'flexion_deg' is there twice: rename one",
            id="a column that is there twice",
        ),
        pytest.param(
            "flexion_deg,displayed_deg\n1,2\n2,3\n", [],
            "limits of agreement need 3 pairs or more, but got 2: measure more",
            id="two rows",
        ),
        pytest.param(
            "flexion_deg,displayed_deg\n1,2\n2,3\n5,9\n", ["--within", "0"],
            "--within must be above 0, but got 0",
            id="no tolerance",
        ),
    ],
)  # fmt: skip
def test_what_cannot_be_used_is_told_in_one_line(text, options, says, tmp_path):
    path = tmp_path / "table.csv"
    path.write_text(text)
    assert refusal(path, *options) == says


@pytest.mark.parametrize("name", ["gone.csv", "gone.parquet", "broken.parquet"])
def test_a_table_that_cannot_be_read_is_named(name, tmp_path):
    path = tmp_path / name
    if name.startswith("broken"):
        path.write_bytes(b"PAR1 and then nothing")
    said = refusal(path)
    says = f"{name} is no readable Parquet file" if name == "broken.parquet" else path
    assert said.startswith(f"the table {says} ")
    assert "\n" not in said


def test_a_report_that_cannot_be_written_is_named(tmp_path):
    assert "cannot be written" in refusal(TABLE, "--html", tmp_path / "gone" / "report.html")


def test_codes_keep_their_leading_zeros_and_empty_cells_are_missing(tmp_path):
    path = tmp_path / "table.csv"
    path.write_text("\ufeffperson,x\n007,1.5\n7,\n,2\n", encoding="utf-8")
    table = read_table(path)
    assert table.labels("person") == ["007", "7", None]
    np.testing.assert_array_equal(table.numbers("x"), [1.5, np.nan, 2.0])


@pytest.mark.parametrize("separator", [";", "\t"])
def test_a_spreadsheets_separators_and_decimal_commas_are_read(separator, tmp_path):
    path = tmp_path / "table.csv"
    path.write_text("\ufeffperson,x\n007,1.5\n7,\n".replace(",", separator).replace(".", ","))
    table = read_table(path)
    assert table.labels("person") == ["007", "7"]
    np.testing.assert_array_equal(table.numbers("x"), [1.5, np.nan])
    path.write_text(f"person{separator}x\n7{separator}1.234,5\n")
    with pytest.raises(InvalidInput, match=r"line 2: x must be a number, but got '1\.234,5'"):
        read_table(path).numbers("x")


def test_names_of_columns_may_have_spaces_around_and_lists_are_no_labels(tmp_path):
    path = tmp_path / "table.csv"
    path.write_text("photo; displayed_deg\na.jpg;88\n")
    np.testing.assert_array_equal(read_table(path).numbers("displayed_deg"), [88.0])
    pq.write_table(pa.table({"by": [["a"], ["b"]]}), tmp_path / "lists.parquet")
    with pytest.raises(InvalidInput, match="the column by must hold single values"):
        read_table(tmp_path / "lists.parquet").labels("by")


def test_a_displayed_number_may_have_a_comma_in_quotes_as_in_a_batchs_table(tmp_path):
    path = tmp_path / "table.csv"
    path.write_text('photo,displayed_deg\na.jpg,"88,5"\n')
    np.testing.assert_array_equal(read_table(path).numbers("displayed_deg"), [88.5])


def test_the_plan_says_how_many_pairs_and_for_what():
    done = run("plan", "--sd", 4, "--half-width", 1.5)
    assert done.stdout.startswith("84 pairs, each of another person: with differences of SD 4°")
    assert figures("plan", "--sd", 4, "--half-width", 1.5, "--assurance", 0.8)["pairs"] == 94
