"""Displays that count otherwise: converted once, at the door, before anything is compared."""

from __future__ import annotations

import json

import pytest
from called import called
from conftest import SAMPLES
from remembered import look_once

import knee_angle
from knee_angle.batch.run import BatchPlan, run_batch
from knee_angle.errors import InvalidInput
from knee_angle.files.tables import read_table
from knee_angle.records import Displayed
from knee_angle.records.displayed import checked
from knee_angle.settings import COUNTINGS, Settings

BED = SAMPLES / "bed_01.jpg"
QUICK = {"trials": 200}


@pytest.fixture(autouse=True)
def same_photos(monkeypatch):
    look_once(monkeypatch)


def no_photo(folder):
    """A file that is no photo: its displayed number is judged all the same."""
    path = folder / "a.jpg"
    path.write_bytes(b"")
    return path


@pytest.mark.parametrize(
    ("number", "counts", "flexion"),
    [
        pytest.param(92, "straight-is-180", 88, id="92 where straight is 180 bends by 88"),
        pytest.param(210, "straight-is-180", -30, id="210 there is 30 beyond straight"),
        pytest.param(-93, "negative", 93, id="-93 where flexion is negative bends by 93"),
        pytest.param(93, "flexion", 93, id="flexion as it stands"),
    ],
)
def test_a_typed_number_means_flexion_as_the_display_counts(number, counts, flexion):
    assert checked(number, counts) == Displayed(flexion)


@pytest.mark.parametrize(
    ("number", "counts", "rule"),
    [
        pytest.param(211, "straight-is-180", "between 0 and 210, but got 211", id="beyond 210"),
        pytest.param(-92, "straight-is-180", "between 0 and 210, but got -92", id="below zero"),
        pytest.param(93, "negative", "between -180 and 30, but got 93", id="flexion above zero"),
        pytest.param(-93, "flexion", "between -30 and 180, but got -93", id="flexion below zero"),
    ],
)
def test_a_number_that_cannot_be_is_refused_in_the_displays_own_counting(
    tmp_path, number, counts, rule
):
    with pytest.raises(InvalidInput, match=f"displayed_deg must be {rule}"):
        knee_angle.measure(no_photo(tmp_path), displayed_deg=number, counts=counts)
    table = tmp_path / "t.csv"
    table.write_text(f"photo,displayed_deg\na.jpg,{number}\n")
    with pytest.raises(InvalidInput, match=f"line 2: displayed_deg must be {rule}"):
        read_table(table, counts=counts)


def test_ways_of_counting_are_few_and_another_word_is_refused():
    assert COUNTINGS == ("flexion", "straight-is-180", "negative")
    with pytest.raises(InvalidInput, match="counts must be one of flexion, straight-is-180, neg"):
        Settings(counts="upwards")


def test_python_compares_what_the_display_means():
    result = knee_angle.measure(BED, displayed_deg=87, counts="straight-is-180", **QUICK)
    same = knee_angle.measure(BED, displayed_deg=93, **QUICK)
    assert result.displayed == same.displayed == Displayed(93)
    assert result.comparison == same.comparison


@pytest.mark.parametrize(
    ("number", "counts", "means"),
    [
        pytest.param(70, "straight-is-180", "110° (shown as 70)", id="straight is 180"),
        pytest.param(-110, "negative", "110° (shown as -110)", id="flexion below zero"),
    ],
)
def test_a_limit_is_held_against_the_flexion_that_the_display_means(
    tmp_path, number, counts, means
):
    past = knee_angle.measure(
        no_photo(tmp_path), displayed_deg=number, counts=counts, limit_flexion_deg=95
    )
    (alarm,) = past.alarms
    assert alarm.startswith(
        f"THE DISPLAY IS PAST THE PRESCRIBED FLEXION: it says {means}, the prescribed limit is 95°"
    )
    beyond = 180 - 80 if counts == "straight-is-180" else -80
    within = knee_angle.measure(
        no_photo(tmp_path), displayed_deg=beyond, counts=counts, limit_flexion_deg=95
    )
    assert not within.alarms


def test_a_tables_column_is_flexion_once_it_is_read(tmp_path):
    table = tmp_path / "t.csv"
    table.write_text("photo,displayed_deg,hand_deg\na.jpg,92,90\nb.jpg,,80\n")
    read = read_table(table, counts="straight-is-180")
    assert read.displayed_deg == {"a.jpg": 88.0}
    assert read.numbers("displayed_deg")[0] == 88.0
    assert read.numbers("hand_deg").tolist() == [90.0, 80.0]


def test_a_table_that_this_program_wrote_holds_flexion_and_is_not_converted_again(tmp_path):
    table = tmp_path / "rows.csv"
    table.write_text("photo,displayed_deg,displayed_source\na.jpg,88,given\n")
    with pytest.raises(InvalidInput, match=r"rows\.csv was written by this program: its"):
        read_table(table, counts="straight-is-180")
    assert read_table(table).displayed_deg == {"a.jpg": 88.0}


@pytest.mark.parametrize("door", ["typed", "table"])
def test_measure_says_flexion_and_the_displays_own_number(tmp_path, door):
    table = tmp_path / "t.csv"
    table.write_text("photo,displayed_deg\nbed_01.jpg,87\n")
    given = ("--displayed", 87) if door == "typed" else ("--table", table)
    done = called("measure", BED, *given, "--counts", "straight-is-180", "--trials", 200)
    assert "DISPLAY 93° (shown as 87)" in done.stdout
    assert "the display says 93.0° (shown as 87)" in done.stdout
    assert "display       93.0° (shown as 87)" in done.stdout
    assert "display agrees" in done.stdout


def test_a_visit_and_a_check_convert_their_tables(tmp_path):
    table = tmp_path / "t.csv"
    photos = [SAMPLES / f"series_a_{n}.jpg" for n in (1, 3, 4)]
    rows = zip(photos, (18, 62, 88), strict=True)
    table.write_text("photo,displayed_deg\n" + "".join(f"{p.name},{180 - n}\n" for p, n in rows))
    counting = ("--counts", "straight-is-180", "--trials", 200, "--format", "json")
    visit = json.loads(called("visit", *photos, "--table", table, *counting).stdout)
    assert [one["displayed_deg"] for one in visit["settings"]] == [18.0, 62.0, 88.0]
    so = json.loads(called("check", *photos, "--table", table, *counting).stdout)
    plain = tmp_path / "plain.csv"
    plain.write_text("photo,displayed_deg\n" + "".join(
        f"{p.name},{n}\n" for p, n in zip(photos, (18, 62, 88), strict=True)
    ))  # fmt: skip
    other = ("--trials", 200, "--format", "json")
    assert so == json.loads(called("check", *photos, "--table", plain, *other).stdout)


def test_check_machine_in_python_converts_its_numbers():
    photos = [SAMPLES / f"series_a_{n}.jpg" for n in (1, 3, 4)]
    so = knee_angle.check_machine(photos, [162, 118, 92], counts="straight-is-180", **QUICK)
    plain = knee_angle.check_machine(photos, [18, 62, 88], **QUICK)
    assert so.knee_line == plain.knee_line


def test_agreement_converts_the_displays_column_and_no_other(tmp_path):
    rows = [(20, 23), (40, 41), (60, 64), (80, 82), (100, 103)]
    table, plain = tmp_path / "t.csv", tmp_path / "plain.csv"
    head = "photo,flexion_deg,displayed_deg\n"
    table.write_text(head + "".join(f"{k}.jpg,{k},{180 - d}\n" for k, d in rows))
    plain.write_text(head + "".join(f"{k}.jpg,{k},{d}\n" for k, d in rows))
    so = knee_angle.compare_methods(table, counts="straight-is-180")
    assert so.limits.bias.value == knee_angle.compare_methods(plain).limits.bias.value == 2.6
    refused = called("agreement", table, "--compared", "flexion_deg", "--reference", "flexion_deg",
                  "--counts", "negative")  # fmt: skip
    assert refused.returncode == 2
    assert "--counts is about the column displayed_deg" in refused.stderr


def test_a_batch_keeps_flexion_names_its_counting_and_goes_on_with_no_other(tmp_path):
    no_photo(tmp_path)
    (tmp_path / "known.csv").write_text("photo,displayed_deg\na.jpg,70\n")
    given = {
        "source": str(tmp_path / "*.jpg"), "out": tmp_path / "rows.csv",
        "table": str(tmp_path / "known.csv"),
    }  # fmt: skip
    so = Settings(counts="straight-is-180", limit_flexion_deg=95, trials=200)
    (row,) = run_batch(BatchPlan(**given, settings=so)).rows
    assert row["displayed_deg"] == 110.0
    assert "it says 110° (shown as 70)" in row["alarms"]
    record = json.loads((tmp_path / "rows.run.json").read_text())
    assert record["settings"]["counts"] == "straight-is-180"
    with pytest.raises(InvalidInput, match="counts was straight-is-180, now flexion"):
        run_batch(
            BatchPlan(**given, settings=Settings(limit_flexion_deg=95, trials=200), resume=True)
        )
