"""The commands, as a person and as a script call them."""

from __future__ import annotations

import csv
import io
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from called import called
from conftest import SAMPLES, scenes
from PIL import Image
from remembered import remember_commands
from typer.main import get_command

from knee_angle import cli as commands
from knee_angle import pipeline as measuring
from knee_angle.cli import app, photos
from knee_angle.landmarks.manual import UNBOUND
from knee_angle.photo.reading import read_photo
from knee_angle.records import Measurement
from knee_angle.settings import Settings
from knee_angle.store import open_store

BED = SAMPLES / "bed_01.jpg"


@pytest.fixture(autouse=True)
def remembered(monkeypatch) -> None:
    remember_commands(monkeypatch)


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
    done = called(
        "measure", BED, broken, SAMPLES / "bed_06.jpg", tmp_path / "gone.jpg", "--format", "json"
    )
    rows = [json.loads(line) for line in done.stdout.splitlines()]
    assert [r["photo"] for r in rows] == ["bed_01.jpg", "broken.jpg", "bed_06.jpg", "gone.jpg"]
    assert [r["status"] for r in rows] == ["measured", "unreadable", "measured", "unreadable"]
    assert all(r["reason"] for r in rows if r["status"] == "unreadable")
    assert done.returncode == 1
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("debug", [None, "1"])
def test_a_fault_of_ours_in_one_photo_is_its_row_and_the_rest_goes_on(monkeypatch, capfd, debug):
    true_steps = measuring.measure_photo

    def faulty(photo, **how):
        if photo.name == "bed_01.jpg":
            raise ZeroDivisionError("in /a/private/path")
        return true_steps(photo, **how)

    monkeypatch.setattr(measuring, "measure_photo", faulty)
    if debug:
        monkeypatch.setenv(measuring.DEBUG, debug)
    rows = photos.measured(
        [BED, SAMPLES / "bed_06.jpg"],
        displayed={BED: None, SAMPLES / "bed_06.jpg": None},
        manual=None, settings=Settings(), pose_model=None, overlay=None, limit_megapixels=120.0,
    )  # fmt: skip
    (_, fault), (_, good) = rows
    assert fault.reason == "this software has a fault that this photo shows (ZeroDivisionError)"
    assert "please report it" in fault.advice
    assert isinstance(good, Measurement)
    assert ("Traceback" in capfd.readouterr().err) == bool(debug)


@pytest.mark.parametrize("stop", [MemoryError, KeyboardInterrupt])
def test_what_is_no_fault_of_the_photo_stops_the_run(stop):
    def steps():
        raise stop

    with pytest.raises(stop):
        measuring.safely(steps)
    assert "memory" in measuring.internal_fault(MemoryError()).reason


def test_a_full_memory_is_one_line(monkeypatch, capsys):
    def full(**_):
        raise MemoryError

    monkeypatch.setattr(commands, "app", full)
    with pytest.raises(SystemExit, match="2"):
        commands.main()
    assert capsys.readouterr().err.startswith("knee-angle: the memory of this machine is full")


def test_all_measured_is_exit_status_zero_and_stderr_stays_empty():
    done = run("measure", BED, "--displayed", 93)
    assert (done.returncode, done.stderr) == (0, "")
    assert "The left knee bends 8" in done.stdout
    assert "display agrees (tolerance 10°" in done.stdout
    assert "not a medical device" in done.stdout


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        pytest.param("", "all 3 photos", id="no table"),
        pytest.param("bed_03.jpg,40\n", "2 of 3 photos", id="a table names one of them"),
        pytest.param("bed_03.jpg,40\nbed_06.jpg,\n", None, id="only one photo has no row"),
    ],
)
def test_one_displayed_number_for_several_photos_is_said(tmp_path, rows, said):
    table = tmp_path / "displayed.csv"
    table.write_text(f"photo,displayed_deg\n{rows}")
    photos = [BED, SAMPLES / "bed_03.jpg", SAMPLES / "bed_06.jpg"]
    more = ("--table", table) if rows else ()
    done = called("measure", *photos, "--displayed", 93, "--format", "json", *more)
    words = (
        f"knee-angle: the displayed number 93 is used for {said}: where each has its own, give "
        "--table\n"
    )
    assert done.stderr == ("" if said is None else words)
    assert len([json.loads(line) for line in done.stdout.splitlines()]) == 3


def names_of_tables(command: str) -> set[str]:
    (option,) = (one for one in get_command(app).commands[command].params if "--table" in one.opts)
    return set(option.opts)


@pytest.mark.parametrize("command", ["measure", "visit", "check", "clip"])
def test_the_displayed_numbers_have_one_name_everywhere_and_the_older_one_stays(command):
    """Check and measure once took `--displayed-table` where visit took `--table`."""
    assert names_of_tables(command) == {"--table", "--displayed-table"}


@pytest.mark.parametrize("name", ["--table", "--displayed-table"])
def test_displayed_table_and_csv(tmp_path, name):
    table = tmp_path / "displayed.csv"
    table.write_text("photo,displayed_deg\nbed_01.jpg,93\nbed_06.jpg,\n")
    done = called("measure", BED, SAMPLES / "bed_06.jpg", name, table, "--format", "csv")
    rows = list(csv.DictReader(io.StringIO(done.stdout)))
    assert [r["displayed_deg"] for r in rows] == ["93.0", ""]
    assert rows[0]["verdict"] == "within"


def test_points_by_hand_and_the_overlay(tmp_path):
    scene = scenes(image="bed_11.jpg")[0]
    points = tmp_path / "points.json"
    points.write_text(json.dumps(scene.manual()))
    done = called(
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


def test_a_whole_result_goes_back_in_for_its_own_photo_only(tmp_path):
    """Points of another photo would be measured with confidence, and mean nothing."""
    points = tmp_path / "result.json"
    first = called("measure", BED, "--format", "json")
    points.write_text(first.stdout)
    again = json.loads(called("measure", BED, "--landmarks", points, "--format", "json").stdout)
    assert again["flexion_deg"] == pytest.approx(json.loads(first.stdout)["flexion_deg"], abs=0.3)
    assert again["landmarks"]["knee"]["source"] == "manual"
    assert UNBOUND not in again["cautions"]
    other = called("measure", SAMPLES / "bed_06.jpg", "--landmarks", points)
    assert (other.returncode, other.stdout) == (2, "")
    assert "must be of bed_06.jpg" in other.stderr
    assert "are of another photo ('bed_01.jpg')" in other.stderr


def test_points_without_a_hash_are_taken_with_a_word(tmp_path):
    points = tmp_path / "points.json"
    points.write_text(json.dumps(scenes(image="bed_01.jpg")[0].manual()))
    row = json.loads(called("measure", BED, "--landmarks", points, "--format", "json").stdout)
    assert UNBOUND in row["cautions"]


def test_a_photo_is_read_once_even_when_it_is_drawn(tmp_path, monkeypatch):
    names = []

    def counted(source, **options):
        names.append(Path(source).name)
        return read_photo(source, **options)

    monkeypatch.setattr(measuring, "read_photo", counted)
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


@pytest.mark.parametrize("content", [b"", None], ids=["unreadable", "without a leg"])
def test_a_display_past_the_limit_is_said_where_the_knee_was_not_measured(tmp_path, content):
    picture = tmp_path / "a.png"
    Image.new("RGB", (640, 480), (230, 230, 230)).save(picture)
    if content is not None:
        picture.write_bytes(content)
    given = ["measure", picture, "--displayed", 100, "--limit-flexion", 90, "--limit-extension", 0]
    said = called(*given)
    first, alarm = said.stdout.splitlines()[:2]
    assert first == "a.png"
    assert alarm == (
        "  !! THE DISPLAY IS PAST THE PRESCRIBED FLEXION: it says 100°, the prescribed limit is "
        "90°. Stop the machine and follow the prescription."
    )
    assert said.returncode == 1
    row = json.loads(called(*given, "--format", "json").stdout)
    assert row["status"] in ("unreadable", "not_measured")
    assert row["alarms"] == [alarm.removeprefix("  !! ")]
    within = called("measure", picture, "--displayed", 90, "--limit-flexion", 90)
    assert "!!" not in within.stdout


def test_a_display_past_the_limit_is_said_beside_a_knee_that_is_not():
    said = called("measure", BED, "--displayed", 97, "--limit-flexion", 96).stdout
    assert "!! THE DISPLAY IS PAST THE PRESCRIBED FLEXION: it says 97°" in said
    assert "the knee may bend to" not in said


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (
            ["--displayed", "412"],
            "displayed_deg must be between -30 and 180, but got 412: was a decimal point lost?",
        ),
        (["--displayed", "93,5"], "--displayed must be a number like 93.5, with a point"),
        (["--nothing"], "No such option: --nothing"),
        (["--format", "xml"], "'xml' is not one of 'text', 'json', 'csv'"),
        (["--tag-mm", "0"], "--tag-mm must be between 10 and 500 mm, but got 0"),
        (["--tag-mm", "1e12"], "--tag-mm must be between 10 and 500 mm, but got 1e+12"),
        (["--dot-mm", "-3"], "--dot-mm must be between 3 and 100 mm, but got -3"),
        (["--stature-mm", "175"], "--stature-mm must be between 400 and 2600 mm, but got 175"),
        (["--tolerance", "nan"], "--tolerance must be above 0 and at most 45 degrees, but got nan"),
        (["--not-paused", "-1"], "--not-paused must be between 0 and 90 degrees, but got -1"),
        (
            ["--limit-flexion", "30", "--limit-extension", "60"],
            "--limit-extension must not be above --limit-flexion, but got 60 and 30",
        ),
        (["--placement-mm", "10"], "--placement-mm must be three numbers like 10/5/5"),
        (["--landmarks", "nowhere.json"], "the points file nowhere.json cannot be read"),
        (["--table", "nowhere.csv"], "the table nowhere.csv cannot be read"),
        (["--pose-model", "nowhere.task"], "nowhere.task"),
    ],
)
def test_a_wrong_call_is_one_line_and_exit_status_two(args, message):
    done = called("measure", BED, *args)
    assert done.returncode == 2
    assert message in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert done.stdout == ""


def test_a_wrong_table_is_one_line_and_exit_status_two(tmp_path):
    table = tmp_path / "t.csv"
    table.write_text("photo,displayed_deg\nbed_01.jpg,x\n")
    done = called("measure", BED, "--table", table)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == (
        "knee-angle: the table t.csv: line 2: displayed_deg must be a number, but got 'x': "
        "write decimals with a point\n"
    )


@pytest.mark.parametrize(
    ("encoding", "sentence"),
    [
        ("utf-8", "knee bends 88.5°"),
        ("ascii", "knee bends 88.5 deg (95 % between 85.0 deg"),
        # Code page 1252 has the degree sign and no minus (U+2212).
        ("cp1252", "knee bends 88.5°"),
    ],
)
def test_a_terminal_that_lacks_our_signs_gets_plain_ones(encoding, sentence):
    done = subprocess.run(
        [sys.executable, "-m", "knee_angle", "measure", str(BED), "--displayed", "80"],
        capture_output=True,
        env={**os.environ, "PYTHONIOENCODING": encoding},
        timeout=120,
        check=False,
    )
    text = done.stdout.decode(encoding)
    assert (done.returncode, done.stderr) == (0, b"")
    assert sentence in text
    minus = "−" if encoding == "utf-8" else "-"
    assert f"difference    {minus}8.5" in text


def test_names_stay_on_one_line_and_json_is_ascii(tmp_path):
    photo = tmp_path / "Ä\nb.jpg"
    photo.write_bytes(b"")
    assert called("measure", photo).stdout.startswith("Ä\\nb.jpg\n  The photo could not be read")
    done = called("measure", photo, "--format", "json")
    assert done.stdout.isascii()
    assert json.loads(done.stdout)["photo"] == "Ä\nb.jpg"


def test_a_reader_that_goes_away_is_no_fault():
    call = [sys.executable, "-m", "knee_angle", "measure", BED, BED, "--format", "json"]
    with subprocess.Popen(call, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as writing:
        assert writing.stdout.read(1) == b"{"
        writing.stdout.close()
        assert writing.stderr.read() == b""


@pytest.mark.parametrize(
    ("command", "photos"),
    [
        pytest.param("measure", [BED, SAMPLES / "bed_06.jpg"], id="photo by photo"),
        pytest.param("visit", [SAMPLES / "series_a_1.jpg"], id="a visit"),
    ],
)
def test_a_reader_that_went_away_costs_no_row(tmp_path, command, photos):
    """`knee-angle measure --keep | head`: what was to be kept is kept, and nothing is said."""
    store = tmp_path / "kept.db"
    reading, writing = os.pipe()
    os.close(reading)
    done = subprocess.run(
        [sys.executable, "-m", "knee_angle", command, *photos, "--keep", "--store", store],
        stdout=writing, stderr=subprocess.PIPE, text=True, timeout=120, check=False,
    )  # fmt: skip
    os.close(writing)
    assert done.returncode == 1
    told = done.stderr.splitlines()  # what is kept is said where the answer had no reader
    assert [line.startswith("knee-angle: kept as ") for line in told] == [True]
    with open_store(store, create=False) as opened:
        assert len(opened.measurements()) == len(photos)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a full device (Linux)")
def test_a_full_disk_is_one_line_and_exit_status_two():
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "knee_angle", "measure", str(BED)],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            timeout=120,
            check=False,
        )
    assert done.returncode == 2
    assert done.stderr == (
        "knee-angle: the output cannot be written (No space left on device): "
        "send it somewhere else\n"
    )


def test_pictures_of_photos_with_one_name_do_not_replace_each_other(tmp_path):
    given = [tmp_path / "a" / "leg.jpg", tmp_path / "b" / "leg.png", tmp_path / "leg_overlay_2.jpg"]
    targets = photos.overlay_files([*given, given[0]], tmp_path)
    assert [targets[photo].name for photo in given] == [
        "leg_overlay.jpg",
        "leg_overlay_3.jpg",
        "leg_overlay_2_overlay.jpg",
    ]


def test_a_picture_that_cannot_be_written_costs_no_result(tmp_path):
    (tmp_path / "bed_01_overlay.jpg").mkdir()
    done = called("measure", BED, SAMPLES / "bed_06.jpg", "--overlay", tmp_path, "--format", "json")
    assert [json.loads(line)["status"] for line in done.stdout.splitlines()] == ["measured"] * 2
    assert done.returncode == 2
    assert done.stderr.splitlines() == [
        f"knee-angle: the picture {tmp_path / 'bed_01_overlay.jpg'} cannot be written "
        "(Is a directory): name another folder"
    ]


@pytest.mark.parametrize(
    ("args", "message"),
    [
        ((BED, BED), "each photo must be named once"),
        (("plan", "--low", "90", "--high", "10"), "--low must not be above --high, but got 90"),
        (("plan", "--high", "500"), "--high must be between -30 and 180 degrees, but got 500"),
        (("plan", "--wanted-u", "inf"), "--wanted-u must be above 0, but got inf"),
        (("plan", "--format", "json"), "check plan prints text, but got json"),
    ],
)
def test_a_check_that_cannot_be_is_refused(args, message):
    done = called("check", *args)
    assert (done.returncode, done.stdout) == (2, "")
    assert message in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_the_demo_shows_the_truth_beside(tmp_path):
    for name in ("bed_01", "series_e_3"):
        for ending in (".jpg", ".json"):
            (tmp_path / f"{name}{ending}").write_bytes((SAMPLES / f"{name}{ending}").read_bytes())
    done = called("demo", tmp_path)
    assert done.returncode == 0
    assert "bed_01.jpg" in done.stdout
    assert "88.3°" in done.stdout
    assert "measured: 2, middle error 0." in done.stdout


@pytest.mark.parametrize(
    "truth", ["", "{}", '{"machine": {"displayed_angle_int": null}, "true_knee_flexion_deg": "x"}']
)
def test_a_demo_with_a_wrong_truth_file_names_it(tmp_path, truth):
    (tmp_path / "a.jpg").write_bytes(b"")
    (tmp_path / "a.json").write_text(truth)
    done = called("demo", tmp_path)
    assert done.returncode == 2
    assert f"the truth file {tmp_path / 'a.json'} must hold the numbers" in done.stderr


def test_a_demo_of_unreadable_photos_says_so_and_exits_with_one(tmp_path):
    (tmp_path / "a.jpg").write_bytes(b"")
    (tmp_path / "a.json").write_bytes((SAMPLES / "bed_01.json").read_bytes())
    done = called("demo", tmp_path)
    assert done.returncode == 1
    assert "measured: 0; not measured: 1." in done.stdout


def test_a_demo_without_photos_says_so(tmp_path):
    done = called("demo", tmp_path)
    assert done.returncode == 2
    assert "no photo in" in done.stderr


@pytest.mark.parametrize("kind", ["tags", "dots"])
def test_sheets_are_written_as_pdf(tmp_path, kind):
    out = tmp_path / "sheet.pdf"
    done = called("sheet", kind, out, "--paper", "letter")
    assert done.returncode == 0
    assert out.read_bytes().startswith(b"%PDF")
    assert "print at 100 %" in done.stdout


def test_a_sheet_that_cannot_be_written_says_so(tmp_path):
    done = called("sheet", "tags", tmp_path / "none" / "sheet.pdf")
    assert done.returncode == 2
    assert "cannot be written" in done.stderr


def test_typed_lengths():
    """A thigh by tape gives lengths; one in other units is refused."""
    done = called("measure", SAMPLES / "bed_06.jpg", "--thigh-mm", 390, "--format", "json")
    assert json.loads(done.stdout)["segments_mm"]["thigh"] == pytest.approx(390, abs=2)
    wrong = called("measure", BED, "--thigh-mm", 39)
    assert wrong.returncode == 2
    assert wrong.stderr.startswith("knee-angle: --thigh-mm must be between 100 and 700 mm")


def test_version_and_help():
    assert called("--version").stdout.strip() == __import__("knee_angle").__version__
    top = called("--help").stdout
    for command in ("measure", "demo", "sheet", "models", "page"):
        assert command in top
    bare = called()
    assert (bare.returncode, bare.stdout, bare.stderr.strip()) == (2, "", top.strip())


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        pytest.param(["--nix", "measure", BED, "--language", "de"],
                     "Diese Option gibt es nicht: --nix: siehe", id="an option of no command"),
        pytest.param(["nix", "--language=de"], "Diesen Befehl gibt es nicht: 'nix': siehe",
                     id="no command"),
        pytest.param(["measure", BED, "--nix", "--language", "de"],
                     "Diese Option gibt es nicht: --nix: siehe", id="one that a command has not"),
        pytest.param(["store", "where", "--nix", "--language", "de"],
                     "Diese Option gibt es nicht: --nix: siehe", id="one of a group"),
        pytest.param(["measure", BED, "--limit", "95", "--language", "de"],
                     "gibt es nicht: --limit (ähnliche: --limit-flexion): siehe", id="a part"),
        pytest.param(["agreement", "plan", "--repeats", "few", "--language", "de"],
                     "--repeats muss eine ganze Zahl sein: siehe", id="no whole number"),
        pytest.param(["measure", BED, "--language"], "Option '--language' requires an argument",
                     id="no language"),
        pytest.param(["follow", "P-017", "--format", "csv", "--language", "de"],
                     "Ungültiger Wert für '--format': 'csv' ist keines von 'text', 'json': siehe",
                     id="a word that is none of those"),
    ],
)  # fmt: skip
def test_a_wrong_call_is_told_in_the_language_that_it_asks_for(arguments, said):
    done = called(*arguments)
    assert (done.returncode, done.stdout) == (2, "")
    assert said in done.stderr


def test_help_offers_no_format_that_the_command_refuses():
    offered = {
        name: "<text|json|csv>" in called(name, "--help").stdout for name in ("measure", "follow")
    }
    assert offered == {"measure": True, "follow": False}


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        pytest.param(["--help", "--language", "de"], ["Aufruf: ", "Optionen:", "Befehle:",
                     "Gedruckte Blätter", "Diese Hilfe zeigen"], id="of the whole"),
        pytest.param(["measure", "--help", "--language", "de"],
                     ["Fotos von je einem Bein.  [nötig]", "[Vorgabe: text]"],
                     id="of a command, asked for last"),
        pytest.param(["--language", "de", "store", "backup", "--help"],
                     ["Alles Gespeicherte in eine Datei"], id="of a command of a group"),
    ],
)  # fmt: skip
def test_help_is_german_where_the_rest_is(arguments, said):
    for told in said:
        assert told in called(*arguments).stdout
