"""The commands, as a person and as a script call them."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from pathlib import Path

import pytest
from conftest import SAMPLES, scenes

from knee_angle import photo
from knee_angle.cli import photos
from knee_angle.photo import read_photo
from knee_angle.records import Settings

BED = SAMPLES / "bed_01.jpg"


def run(*args: object, cwd=None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "knee_angle", *map(str, args)],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        cwd=cwd,
    )


def test_json_lines_in_the_order_given_and_the_rest_goes_on(tmp_path):
    broken = tmp_path / "broken.jpg"
    broken.write_bytes(BED.read_bytes()[:5000])
    done = run(
        "measure", BED, broken, SAMPLES / "bed_06.jpg", tmp_path / "gone.jpg", "--format", "json"
    )
    rows = [json.loads(line) for line in done.stdout.splitlines()]
    assert [r["photo"] for r in rows] == ["bed_01.jpg", "broken.jpg", "bed_06.jpg", "gone.jpg"]
    assert [r["status"] for r in rows] == ["measured", "unreadable", "measured", "unreadable"]
    assert all(r["reason"] for r in rows if r["status"] == "unreadable")
    assert done.returncode == 1
    assert "Traceback" not in done.stderr


def test_all_measured_is_exit_status_zero_and_stderr_stays_empty():
    done = run("measure", BED, "--displayed", 93)
    assert (done.returncode, done.stderr) == (0, "")
    assert "The left knee bends 8" in done.stdout
    assert "display agrees (tolerance 10°" in done.stdout
    assert "not a medical device" in done.stdout


def test_displayed_table_and_csv(tmp_path):
    table = tmp_path / "displayed.csv"
    table.write_text("photo,displayed_deg\nbed_01.jpg,93\nbed_06.jpg,\n")
    done = run(
        "measure", BED, SAMPLES / "bed_06.jpg", "--displayed-table", table, "--format", "csv"
    )
    rows = list(csv.DictReader(io.StringIO(done.stdout)))
    assert [r["displayed_deg"] for r in rows] == ["93.0", ""]
    assert rows[0]["verdict"] == "within"


def test_points_by_hand_and_the_overlay(tmp_path):
    scene = scenes(image="bed_11.jpg")[0]
    points = tmp_path / "points.json"
    points.write_text(json.dumps(scene.manual()))
    done = run(
        "measure",
        scene.photo,
        "--landmarks",
        points,
        "--overlay",
        tmp_path / "out",
        "--format",
        "json",
    )
    row = json.loads(done.stdout)
    assert row["status"] == "measured"
    assert {p["source"] for p in row["landmarks"].values()} == {"manual"}
    assert row["flat_flexion_deg"] == pytest.approx(
        scene.truth["projected_2d_from_marker_points_deg"], abs=0.1
    )
    assert (tmp_path / "out" / "bed_11_overlay.jpg").stat().st_size > 20_000


def test_a_photo_is_read_once_even_when_it_is_drawn(tmp_path, monkeypatch):
    names = []

    def counted(source, **options):
        names.append(Path(source).name)
        return read_photo(source, **options)

    monkeypatch.setattr(photo, "read_photo", counted)
    rows = photos.measured(
        [SAMPLES / "bed_01.jpg", tmp_path / "gone.jpg"],
        displayed={SAMPLES / "bed_01.jpg": 93.0, tmp_path / "gone.jpg": None},
        manual=None,
        settings=Settings(trials=500),
        pose_model=None,
        overlay=tmp_path / "out",
        limit_megapixels=120.0,
    )
    assert [type(outcome).__name__ for _, outcome in rows] == ["Measurement", "Unreadable"]
    assert names == ["bed_01.jpg", "gone.jpg"]
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["bed_01_overlay.jpg"]


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (
            ["--displayed", "412"],
            "displayed_deg must be between -30 and 180, but got 412: was a decimal point lost?",
        ),
        (["--tag-mm", "0"], "--tag-mm must be above 0, but got 0"),
        (["--dot-mm", "-3"], "--dot-mm must be above 0, but got -3"),
        (["--tolerance", "nan"], "--tolerance must be above 0, but got nan"),
        (["--placement-mm", "10"], "--placement-mm must be three numbers like 10/5/5"),
        (["--landmarks", "nowhere.json"], "the points file nowhere.json cannot be read"),
        (["--displayed-table", "nowhere.csv"], "the table nowhere.csv cannot be read"),
        (["--pose-model", "nowhere.task"], "nowhere.task"),
    ],
)
def test_a_wrong_call_is_one_line_and_exit_status_two(args, message):
    done = run("measure", BED, *args)
    assert done.returncode == 2
    assert message in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert done.stdout == ""


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("photo\nbed_01.jpg\n", "must have the columns photo, displayed_deg"),
        (
            "photo,displayed_deg\nbed_01.jpg,x\nbed_01.jpg,9\n",
            "line 2: displayed_deg must be a number, but got 'x'",
        ),
        ("photo,displayed_deg\na.jpg,1\na.jpg,9\n", "line 3: a.jpg is named twice"),
        (
            "photo,displayed_deg\nbed_01.jpg,412\n",
            "line 2: displayed_deg must be between -30 and 180, but got 412",
        ),
        ("photo,displayed_deg\nbed_1.jpg,90\n", "names bed_1.jpg, but no such photo was given"),
    ],
)
def test_a_wrong_table_names_every_line(tmp_path, text, message):
    table = tmp_path / "t.csv"
    table.write_text(text)
    done = run("measure", BED, "--displayed-table", table)
    assert done.returncode == 2
    assert message in done.stderr
    assert done.stdout == ""


def test_the_demo_shows_the_truth_beside(tmp_path):
    for name in ("bed_01", "bed_06"):
        for ending in (".jpg", ".json"):
            (tmp_path / f"{name}{ending}").write_bytes((SAMPLES / f"{name}{ending}").read_bytes())
    done = run("demo", tmp_path)
    assert done.returncode == 0
    assert "bed_01.jpg" in done.stdout
    assert "88.3°" in done.stdout
    assert "2 photos measured" in done.stdout


def test_a_demo_without_photos_says_so(tmp_path):
    done = run("demo", tmp_path)
    assert done.returncode == 2
    assert "no photo in" in done.stderr


@pytest.mark.parametrize("kind", ["tags", "dots"])
def test_sheets_are_written_as_pdf(tmp_path, kind):
    out = tmp_path / "sheet.pdf"
    done = run("sheet", kind, out, "--paper", "letter")
    assert done.returncode == 0
    assert out.read_bytes().startswith(b"%PDF")
    assert "print at 100 %" in done.stdout


def test_a_sheet_that_cannot_be_written_says_so(tmp_path):
    done = run("sheet", "tags", tmp_path / "none" / "sheet.pdf")
    assert done.returncode == 2
    assert "cannot be written" in done.stderr


def test_typed_lengths():
    """A thigh by tape gives lengths; one in other units is refused."""
    done = run("measure", SAMPLES / "bed_06.jpg", "--thigh-mm", 390, "--format", "json")
    assert json.loads(done.stdout)["segments_mm"]["thigh"] == pytest.approx(390, abs=2)
    wrong = run("measure", BED, "--thigh-mm", 39)
    assert wrong.returncode == 2
    assert wrong.stderr.startswith("knee-angle: --thigh-mm must be between 100 and 700 mm")


def test_version_and_help():
    assert run("--version").stdout.strip() == __import__("knee_angle").__version__
    top = run("--help").stdout
    for command in ("measure", "demo", "sheet", "models", "page"):
        assert command in top
