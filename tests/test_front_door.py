"""The package's own doors: loaded on first use, usable in a line, short to look at."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from conftest import SAMPLES

import knee_angle
from knee_angle import pipeline
from knee_angle.batch.journal import Journal
from knee_angle.batch.work import Conditions, to_plain
from knee_angle.errors import InvalidInput
from knee_angle.landmarks.standard import shared_detectors
from knee_angle.machine.check import MachineCheck
from knee_angle.records import Measurement, NotMeasured, Unreadable
from knee_angle.settings import SETTING_NAMES, Settings
from knee_angle.store.codec import from_json, to_json
from knee_angle.store.rows import renamed

BED = SAMPLES / "bed_01.jpg"
SERIES = [SAMPLES / f"series_a_{number}.jpg" for number in (1, 3, 4)]
HEAVY = {
    "PIL", "altair", "cv2", "mediapipe", "numpy", "onnxruntime", "pyarrow", "reportlab", "scipy",
    "sqlalchemy", "streamlit",
}  # fmt: skip


def loaded_by(*command: str) -> set[str]:
    """Names of the libraries that a fresh Python has loaded after it."""
    end = "import sys, atexit; atexit.register(lambda: print(*sys.modules, file=sys.stderr));"
    done = subprocess.run(
        [sys.executable, "-c", end + command[0], *command[1:]],
        capture_output=True, text=True, check=True,
        env={**os.environ, "PYTHONPATH": str(Path(knee_angle.__file__).parents[1])},
    )  # fmt: skip
    return {name.partition(".")[0] for name in done.stderr.split()}


RUN = "import knee_angle.__main__ as run; run.main()"


@pytest.mark.parametrize(
    "command",
    [
        pytest.param(("import knee_angle",), id="the package"),
        pytest.param(("import knee_angle; knee_angle.Settings(tag_mm=40)",), id="settings"),
        pytest.param((RUN, "--help"), id="the help"),
        pytest.param((RUN, "measure", "--help"), id="a command's help"),
        pytest.param((RUN, "store", "--help"), id="the store's help"),
        pytest.param((RUN, "--version"), id="the version"),
    ],
)
def test_what_measures_nothing_loads_no_library_that_measures(command):
    assert loaded_by(*command) & HEAVY == set()


def test_the_help_reads_no_metadata_and_makes_no_hash():
    """Either takes as long as all commands' modules together."""
    assert loaded_by(RUN, "--help") & {"email", "hashlib"} == set()


def test_the_watch_over_loaded_libraries_sees_one():
    assert "numpy" in loaded_by("import numpy")


def test_the_package_is_loaded_in_a_moment():
    script = "import time; t = time.perf_counter(); import knee_angle; print(time.perf_counter()-t)"
    runs = [
        subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
        for _ in range(3)
    ]
    assert min(float(run.stdout) for run in runs) < 0.15


def test_every_name_is_there_and_no_other():
    assert set(dir(knee_angle)) == set(knee_angle.__all__)
    assert all(getattr(knee_angle, name) is not None for name in knee_angle.__all__)
    with pytest.raises(AttributeError, match="has no attribute 'mesure'"):
        _ = knee_angle.mesure


def test_a_photo_is_measured_with_single_settings_over_given_ones():
    result = knee_angle.measure(
        BED, displayed_deg=93, settings=Settings(tolerance_deg=4, trials=200), tolerance_deg=8
    )
    assert isinstance(result, Measurement)
    assert result.settings == Settings(tolerance_deg=8, trials=200)
    assert result.comparison.tolerance_deg == 8
    assert abs(result.knee.deg - 88.3) < 2.5


def test_detectors_stay_open_between_calls():
    assert shared_detectors() is shared_detectors()


@pytest.mark.parametrize(
    ("changes", "message"),
    [({"tag": 50}, "tag is no setting"), ({"tag_mm": 5}, "tag_mm must be between 10 and 500 mm"),
     ({"displayed_deg": 412}, "displayed_deg must be between -30 and 180")],
)  # fmt: skip
def test_a_call_that_cannot_be_is_refused(changes, message):
    with pytest.raises(InvalidInput, match=message):
        knee_angle.measure(BED, **changes)


def test_a_photo_that_is_none_is_its_answer_with_the_displays_alarm(tmp_path):
    broken = tmp_path / "broken.jpg"
    broken.write_bytes(b"")
    result = knee_angle.measure(broken, displayed_deg=100, limit_flexion_deg=90)
    assert isinstance(result, Unreadable)
    assert "PAST THE PRESCRIBED FLEXION" in result.alarms[0]


def test_a_fault_of_ours_is_told_apart_from_a_photo_that_shows_no_leg(monkeypatch):
    assert not pipeline.measure(SAMPLES / "displayed.csv", detectors=()).alarms
    monkeypatch.setattr(pipeline, "measure_photo", lambda *_, **__: 1 / 0)
    fault = knee_angle.measure(BED)
    assert isinstance(fault, NotMeasured)
    assert fault.fault


def test_a_machine_is_checked_as_the_command_does(capsys):
    result = knee_angle.check_machine(SERIES, [18, 62, 88], limit_flexion_deg=60)
    assert isinstance(result, MachineCheck)
    assert result.photos == tuple(photo.name for photo in SERIES)
    assert any("series_a_4.jpg" in alarm for alarm in result.alarms)
    named = {photo.name: deg for photo, deg in zip(SERIES, [18, 62, 88], strict=True)}
    again = knee_angle.check_machine(SERIES, named, limit_flexion_deg=60)
    assert again == result
    assert capsys.readouterr() == ("", "")


@pytest.mark.parametrize(
    ("photos", "displayed", "message"),
    [
        ([BED, BED], [1, 2], "given once, under a file name of its own, but 2 photos have 1"),
        (SERIES, [18, 62], "a number for each photo, but has 2 for 3"),
        (SERIES, {"x.jpg": 18}, "names x.jpg, but no such photo is given"),
    ],
    ids=["a photo twice", "a number too few", "a name that is none"],
)
def test_photos_and_numbers_that_do_not_belong_together_are_refused(photos, displayed, message):
    with pytest.raises(InvalidInput, match=message):
        knee_angle.check_machine(photos, displayed)


def test_a_folder_gives_rows_and_the_same_table(tmp_path):
    (tmp_path / "in").mkdir()
    for name in ("bed_01.jpg", "bed_02.jpg"):
        (tmp_path / "in" / name).write_bytes((SAMPLES / name).read_bytes())
    (tmp_path / "in" / "none.jpg").write_bytes(b"none")
    table = tmp_path / "t.csv"
    table.write_text("photo,displayed_deg\nbed_01.jpg,93\nbed_02.jpg,\nnone.jpg,100\n")
    given = {"table": table, "workers": 1, "limit_flexion_deg": 60, "trials": 500}
    rows = knee_angle.measure_folder(tmp_path / "in", out=tmp_path / "o.csv", **given)
    assert [row["status"] for row in rows] == ["measured", "measured", "unreadable"]
    assert "PAST THE PRESCRIBED FLEXION" in rows[0]["alarms"]
    assert "PAST THE PRESCRIBED FLEXION" in rows[2]["alarms"]
    assert (tmp_path / "o.csv").read_text().count("\n") == 4
    assert knee_angle.measure_folder(tmp_path / "in", **given) == rows
    one = knee_angle.measure(BED, displayed_deg=93, limit_flexion_deg=60, trials=500)
    assert rows[0]["flexion_deg"] == pytest.approx(one.knee.deg, abs=6e-4)
    with pytest.raises(InvalidInput, match="is there already"):
        knee_angle.measure_folder(tmp_path / "in", out=tmp_path / "o.csv", **given)


def test_two_methods_are_compared_and_the_displays_step_counts():
    study = knee_angle.compare_methods(SAMPLES / "agreement.csv", drop_missing=True)
    assert study.pairs.n > 10
    wide = knee_angle.compare_methods(
        SAMPLES / "agreement.csv", drop_missing=True, display_resolution_deg=15
    )
    assert wide.both.gain.value != study.both.gain.value
    assert np.array_equal(wide.pairs.compared, study.pairs.compared)


def test_results_are_short_to_look_at_and_say_alarms_first():
    measured = knee_angle.measure(BED, displayed_deg=93, limit_flexion_deg=60)
    checked = knee_angle.check_machine(SERIES, [18, 62, 88], limit_flexion_deg=60)
    study = knee_angle.compare_methods(SAMPLES / "agreement.csv", drop_missing=True)
    for result in (measured, checked, NotMeasured("dark", "use light", ("PAST",)), study):
        assert repr(result).startswith(f"<{type(result).__name__}")
        assert len(repr(result)) < 700
    assert repr(Unreadable("it is cut off.", ("PAST",))) == "<Unreadable: PAST; it is cut off>"
    for result in (measured, checked):
        assert "PAST THE PRESCRIBED" in repr(result).partition("; ")[0]
        assert result._repr_html_().partition("<table>")[0].startswith("<p><strong>")
    assert study._repr_html_().startswith("<table>")


def test_a_kept_measurement_has_its_settings_and_one_without_them_still_opens():
    measured = knee_angle.measure(BED, trials=200, tag_mm=55)
    kept = to_json(measured)
    assert from_json(kept, Measurement) == measured
    kept["settings"]["tag_mm"] = 4.0  # allowed once
    assert from_json(kept, Measurement).settings.tag_mm == 4.0
    del kept["settings"]
    assert from_json(kept, Measurement).settings is None


def test_a_kept_check_holds_no_photos_name_in_its_alarms():
    checked = knee_angle.check_machine(SERIES, [18, 62, 88], limit_flexion_deg=60)
    assert "series_a" in json.dumps(to_json(checked.alarms))
    names = {photo.name: f"photo {number}" for number, photo in enumerate(SERIES, start=1)}
    assert "series_a" not in json.dumps(to_json(renamed(checked, names)))


def test_a_journal_from_before_a_setting_goes_on_where_it_has_its_default(tmp_path):
    def conditions(settings):
        return Conditions(settings, 120.0, None, 60.0, {"knee-angle": "1"}).of_the_numbers()

    path = tmp_path / "t.journal.jsonl"
    before = conditions(Settings())
    del before["settings"]["display_resolution_deg"]
    with Journal(path, before):
        pass
    with Journal(path, conditions(Settings())):
        pass
    with pytest.raises(InvalidInput, match=r"display_resolution_deg was 1\.0, now 5\.0"):
        Journal(path, conditions(Settings(display_resolution_deg=5.0)))
    assert set(json.loads(json.dumps(to_plain(Settings())))) == set(SETTING_NAMES)
