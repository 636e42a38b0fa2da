"""`knee-angle batch` on this machine: one row a photo, whatever happens."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import psutil
import pytest
from called import called
from conftest import SAMPLES
from pyarrow import parquet
from typer.testing import CliRunner

from knee_angle.batch import run
from knee_angle.cli import app
from knee_angle.cli.batch import photos_done
from knee_angle.errors import InvalidInput

COMMAND = [sys.executable, "-m", "knee_angle", "batch"]
PHOTOS = ("bed_01.jpg", "bed_04.jpg", "bed_05.jpg", "bed_08.jpg", "series_a_2.jpg")
TRUTHS = {
    name: float(
        json.loads((SAMPLES / name).with_suffix(".json").read_text())["true_knee_flexion_deg"]
    )
    for name in PHOTOS
}


def batch(*args: object, cwd: Path) -> subprocess.CompletedProcess[str]:
    """The run itself in this process, its measuring in processes of their own as always."""
    return called("batch", *args, cwd=cwd)


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def furnished(folder: Path) -> Path:
    """A folder with the photos, a broken one among them, and a table about all."""
    photos = folder / "photos"
    photos.mkdir()
    for name in PHOTOS:
        shutil.copy(SAMPLES / name, photos)
    (photos / "broken.jpg").write_bytes((SAMPLES / "bed_01.jpg").read_bytes()[:5000])
    names = sorted([*PHOTOS, "broken.jpg"])
    (folder / "known.csv").write_text(
        "photo,displayed_deg,person,hand_deg\n"
        + "".join(f"{name},{60 + n},{n:03d},{n}.5\n" for n, name in enumerate(names))
    )
    return folder


@pytest.fixture
def place(tmp_path) -> Path:
    return furnished(tmp_path)


@pytest.fixture(scope="module")
def finished(tmp_path_factory) -> Path:
    place = furnished(tmp_path_factory.mktemp("finished"))
    done = batch(
        "photos", "--table", "known.csv", "--out", "one.parquet", "--workers", 1, cwd=place
    )
    assert (done.returncode, done.stderr) == (1, "")
    assert "broken.jpg: unreadable: the photo must be complete" in done.stdout
    assert "6 photos: 5 measured, 1 unreadable" in done.stdout
    return place


def test_what_is_not_measured_is_said_and_recorded(tmp_path):
    photos = tmp_path / "photos"
    photos.mkdir()
    shutil.copy(SAMPLES / PHOTOS[0], photos)
    (photos / "linked.jpg").symlink_to(SAMPLES / PHOTOS[1])
    done = batch("photos", "--out", "one.csv", "--workers", 1, cwd=tmp_path)
    reason = "a symbolic link: put the photo itself there, or name it in a list"
    assert done.stderr == f"knee-angle: 1 entry is not measured: linked.jpg ({reason})\n"
    assert "1 photo: 1 measured" in done.stdout
    record = json.loads((tmp_path / "one.run.json").read_text())
    assert record["other_files"] == 1
    assert record["left_out"] == [{"name": "linked.jpg", "reason": reason}]


@pytest.fixture
def whole(finished, tmp_path) -> Path:
    """A place after one whole run with one worker."""
    return shutil.copytree(finished, tmp_path / "whole")


def test_tables_record_and_repeatability(whole):
    """Two workers, a list in another folder: the same bytes; the record says how."""
    rows = rows_of(whole / "one.csv")
    assert [row["photo"] for row in rows] == sorted([*PHOTOS, "broken.jpg"])
    for row in rows:
        if row["status"] == "measured":
            truth = TRUTHS[row["photo"]]
            assert abs(float(row["flexion_deg"]) - truth) < 8
        assert row["displayed_deg"]
    broken = rows[-2]
    assert (broken["status"], broken["person"], broken["hand_deg"]) == ("unreadable", "004", "4.5")
    assert "seconds" not in rows[0]

    table = parquet.read_table(whole / "one.parquet")
    assert table.column_names == list(rows[0])
    types = [str(table.schema.field(n).type) for n in ("u_deg", "tags", "person", "heel_x_px")]
    assert types == ["double", "int64", "string", "double"]
    assert table["photo"].to_pylist() == [row["photo"] for row in rows]

    other = whole / "elsewhere"
    shutil.copytree(whole / "photos", other / "photos")
    done = batch("photos", "--table", "../known.csv", "--out", "two.csv", "--workers", 2, cwd=other)
    assert done.stderr == ""
    for ending in (".csv", ".parquet"):
        one, two = (whole / "one").with_suffix(ending), (other / "two").with_suffix(ending)
        assert one.read_bytes() == two.read_bytes()
    records = [json.loads(p.read_text()) for p in (whole / "one.run.json", other / "two.run.json")]
    assert str(whole) not in (whole / "one.run.json").read_text()
    for record in records:
        this_run = record.pop("this_run")
        assert this_run["photos_measured"] == 6
        record["outputs"] = sorted(record["outputs"].values())
    assert records[0] == records[1]
    assert records[0]["counts"] == {"measured": 5, "unreadable": 1}


def test_going_on_measures_what_is_new_changed_or_asked_for_and_says_so(whole):
    again = ("photos", "--table", "known.csv", "--out", "one.parquet", "--resume")
    before = (whole / "one.csv").read_bytes()
    assert "6 photos were done before" in batch(*again, cwd=whole).stdout
    assert (whole / "one.csv").read_bytes() == before

    shutil.copy(SAMPLES / "bed_08.jpg", whole / "photos" / "bed_01.jpg")
    (whole / "photos" / "series_a_2.jpg").unlink()
    known = (whole / "known.csv").read_text().replace("series_a_2.jpg,65,005,5.5\n", "")
    (whole / "known.csv").write_text(known)
    said = batch(*again, cwd=whole).stdout
    assert "4 photos were done before" in said
    assert "1 photo or its displayed number changed and is measured again" in said
    assert "1 photo of the earlier run is not in the source and is left out" in said
    rows = {row["photo"]: row for row in rows_of(whole / "one.csv")}
    assert "series_a_2.jpg" not in rows
    assert rows["bed_01.jpg"]["flexion_deg"] == rows["bed_08.jpg"]["flexion_deg"]

    refused = batch(*again, "--tag-mm", 40, cwd=whole)
    assert refused.returncode == 2
    assert "tag_mm was 50.0, now 40.0" in refused.stderr


@pytest.fixture
def heeds_ctrl_c():
    """In a shell's background Ctrl+C is ignored, also by whatever the tests start."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.mark.usefixtures("heeds_ctrl_c")
def test_killed_and_stopped_at_any_moment_it_goes_on_to_the_same_table(whole):
    """Killed after one row, Ctrl+C after the next: nothing lost, nothing twice, nobody left."""
    arguments = ["photos", "--table", "known.csv", "--out", "cut.csv", "--resume", "--workers", "1"]
    journal = whole / "cut.journal.jsonl"
    for number, how in ((1, signal.SIGKILL), (2, signal.SIGINT)):
        with subprocess.Popen(
            [*COMMAND, *arguments], cwd=whole, stdout=subprocess.PIPE, stderr=subprocess.PIPE
        ) as run:
            deadline = time.monotonic() + 60
            while not journal.exists() or journal.read_bytes().count(b"\n") <= number:
                assert time.monotonic() < deadline
                assert run.poll() is None
                time.sleep(0.01)
            children = psutil.Process(run.pid).children(recursive=True)
            run.send_signal(how)
            _, said = run.communicate(timeout=30)
        assert run.returncode == (-9 if how == signal.SIGKILL else 130)
        if how == signal.SIGINT:
            assert b"go on with --resume" in said
            assert b"Traceback" not in said
        psutil.wait_procs(children, timeout=20)
        assert not [c for c in children if c.is_running() and c.status() != psutil.STATUS_ZOMBIE]
        assert not (whole / "cut.csv").exists()
    assert batch(*arguments, cwd=whole).returncode == 1
    assert (whole / "cut.csv").read_bytes() == (whole / "one.csv").read_bytes()
    assert (whole / "cut.parquet").read_bytes() == (whole / "one.parquet").read_bytes()
    assert not list(whole.glob(".*.part"))


def test_a_hanging_worker_costs_one_photo_which_can_be_tried_again(whole):
    """The measuring process is frozen in the middle: its photo's time runs out, no other's."""
    arguments = ["photos", "--table", "known.csv", "--out", "hung.csv", "--workers", "1"]
    journal = whole / "hung.journal.jsonl"
    with subprocess.Popen(
        [*COMMAND, *arguments, "--photo-seconds", "6"], cwd=whole, stdout=subprocess.PIPE, text=True
    ) as run:
        while not journal.exists() or journal.read_bytes().count(b"\n") < 2:
            assert run.poll() is None
            time.sleep(0.01)
        psutil.Process(run.pid).children()[0].suspend()
        said, _ = run.communicate(timeout=60)
    assert "not measured: measuring it took longer than 6 s and was stopped" in said
    rows = rows_of(whole / "hung.csv")
    assert [row["status"] for row in rows].count("not_measured") == 1
    assert json.loads((whole / "hung.run.json").read_text())["failed"] == {"time_limit": 1}
    done = batch(*arguments, "--resume", "--retry-failed", cwd=whole)
    assert "1 photo whose measuring failed is tried again" in done.stdout
    assert (whole / "hung.csv").read_bytes() == (whole / "one.csv").read_bytes()


def test_overlays_lie_in_one_folder_and_photos_never_share_one(place):
    shutil.copytree(place / "photos", place / "all" / "ward1")
    done = batch("all/*/bed_0[14].jpg", "--out", "t.csv", "--overlay", "pictures", cwd=place)
    assert done.returncode == 0
    assert sorted(path.name for path in (place / "pictures").iterdir()) == [
        "ward1_bed_01_overlay.jpg",
        "ward1_bed_04_overlay.jpg",
    ]
    shutil.copy(place / "photos" / "bed_01.jpg", place / "photos" / "bed_01.png")
    refused = batch("photos", "--out", "u.csv", "--overlay", "pictures", cwd=place)
    assert (refused.returncode, refused.stdout) == (2, "")
    assert "bed_01.jpg and bed_01.png would share one picture" in refused.stderr


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["nowhere", "--out", "t.csv"], "nowhere is not there"),
        (
            ["photos", "--out", "t.xlsx"],
            "must be a file on this machine that ends in .parquet or .csv",
        ),
        (["photos", "--out", "gone/t.csv"], "the folder gone for the table is not there"),
        (["photos", "--out", "known.csv", "--table", "known.csv"], "would overwrite the table"),
        (["photos", "--out", "known.csv"], "known.csv is there already: --resume goes on"),
        (["photos", "--out", "t.csv", "--table", "short.csv"], "5 photos have no row: bed_04.jpg"),
        (
            ["photos", "--out", "t.csv", "--table", "ours.csv"],
            "columns that the result has too (side)",
        ),
        (["photos", "--out", "t.csv", "--overlay", "photos/o"], "must not lie in the folder"),
        (["photos/*.jpg", "--out", "t.csv", "--overlay", "photos"], "must not lie in the folder"),
        (["photos", "--out", "t.csv", "--photo-seconds", "0"], "--photo-seconds must be above 0"),
        (["photos", "--out", "t.csv", "--resume", "--overwrite"], "exclude each other"),
        (["photos", "--out", "t.csv", "--retry-failed"], "--retry-failed belongs to --resume"),
        (["photos", "--out", "t.csv", "--pose-model", "no.task"], "no.task"),
        (
            ["photos", "--out", "t.csv", "--scheduler", "tcp://127.0.0.1:9"],
            "no Dask scheduler answers at tcp://127.0.0.1:9",
        ),
    ],
)
def test_a_wrong_call_is_one_line_measures_nothing_and_leaves_no_table(
    place, arguments, message, monkeypatch, capsys
):
    from knee_angle.batch import pool
    from knee_angle.cli import main

    (place / "short.csv").write_text("photo,displayed_deg\nbed_01.jpg,93\n")
    names = sorted([*PHOTOS, "broken.jpg"])
    (place / "ours.csv").write_text("photo,side\n" + "".join(f"{name},left\n" for name in names))
    monkeypatch.chdir(place)
    monkeypatch.setattr(pool, "CONNECT_SECONDS", 1)
    monkeypatch.setattr(sys, "argv", ["knee-angle", "batch", *arguments])
    with pytest.raises(SystemExit) as stopped:
        main()
    said = capsys.readouterr()
    assert stopped.value.code == 2
    assert message in said.err
    assert (len(said.err.strip().splitlines()), said.out) == (1, "")
    assert not list(place.glob("t.*sv"))


def test_an_earlier_table_is_replaced_only_by_choice(whole):
    refused = batch("photos/bed_04.jpg", "--out", "one.csv", cwd=whole)
    assert "--resume goes on with a run, --overwrite begins again" in refused.stderr
    done = batch("photos/bed_04.jpg", "--out", "one.csv", "--overwrite", cwd=whole)
    assert done.returncode == 0
    assert [row["photo"] for row in rows_of(whole / "one.csv")] == ["bed_04.jpg"]


def test_a_terminal_shows_how_many_how_fast_and_how_long(monkeypatch):
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    monkeypatch.setenv("TERM", "xterm")
    with photos_done() as progress:
        for done in range(4):
            progress(done, 2000)
            time.sleep(0.12)
    shown = terminal.getvalue()
    assert "3/2000" in shown
    assert "/s" in shown
    assert re.search(r"\d:\d\d:\d\d", shown)


def test_every_size_that_is_printed_reaches_the_measuring(monkeypatch, tmp_path):
    plans = []

    def stop(plan, _progress):
        plans.append(plan)
        raise InvalidInput("seen")

    monkeypatch.setattr(run, "run_batch", stop)
    sizes = ["--tag-mm", "60", "--bar-tag-mm", "30", "--dot-mm", "12"]
    CliRunner().invoke(app, ["batch", str(SAMPLES), "--out", str(tmp_path / "x.csv"), *sizes])
    (plan,) = plans
    settings = plan.settings
    assert (settings.tag_mm, settings.bar_tag_mm, settings.dot_mm) == (60.0, 30.0, 12.0)


@pytest.mark.parametrize("ending", ["csv", "parquet"])
def test_the_table_goes_through_agreement_with_its_failures_named(whole, ending):
    done = called(
        "agreement", f"one.{ending}", "--missing", "drop", "--by", "plane", "--html", "report.html",
        "--format", "json", cwd=whole,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "written: report.html\n")
    study = json.loads(done.stdout)
    rows = [row for row in rows_of(whole / "one.csv") if row["status"] == "measured"]
    differences = [float(row["displayed_deg"]) - float(row["flexion_deg"]) for row in rows]
    assert study["pairs"] == len(PHOTOS)
    assert study["limits"]["bias"]["value"] == pytest.approx(sum(differences) / 5, abs=1e-6)
    assert [left["name"] for left in study["excluded"]] == ["broken.jpg"]
    assert "broken.jpg" in (whole / "report.html").read_text()
