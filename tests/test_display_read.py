"""Displays found and read by the networks that are shipped: drawn ones, and the sample photos."""

from __future__ import annotations

import csv
import hashlib
import json
import shutil

import numpy as np
import pytest
from conftest import SAMPLES
from drawn_displays import drawn
from typer.testing import CliRunner

from knee_angle.batch.review import COLUMNS, write_review
from knee_angle.batch.work import Job
from knee_angle.cli import app
from knee_angle.errors import MissingModel
from knee_angle.files.tables import read_table
from knee_angle.photo.display import networks as of_networks
from knee_angle.photo.display import seen as of_seen
from knee_angle.photo.display import told
from knee_angle.photo.display.seen import display_crop, read_display
from knee_angle.photo.reading import read_photo
from knee_angle.records.shown import DisplaySeen, NumberSeen
from knee_angle.report.contract import as_flat
from knee_angle.settings import Settings
from knee_angle.training.display_judge import drawn_photo

SETTINGS = Settings()


def truth(name):
    return json.loads((SAMPLES / f"{name}.json").read_text())["lcd"]


def test_no_drawn_display_is_wrong_where_its_number_would_be_used():
    for seed in range(6):
        scene = drawn(seed)
        seen = read_display(drawn_photo(scene), settings=SETTINGS)
        shown = {number.says for number in scene.numbers}
        assert seen.state != "read" or seen.angle.text in shown


def test_pictures_without_a_display_give_no_number_to_use():
    """Clocks' faces, scales, tags, labels, keys, dark screens: some of each."""
    for seed in range(4):
        seen = read_display(drawn_photo(drawn(seed, panels=0)), settings=SETTINGS)
        assert seen.clear_number is None


@pytest.mark.parametrize("name", ["bed_02", "series_a_5", "series_b_4"])
def test_a_sample_photos_display_is_read_with_its_place(name):
    photo = read_photo(SAMPLES / f"{name}.jpg")
    seen = read_display(photo, settings=SETTINGS)
    lcd = truth(name)
    assert seen.angle.number == float(lcd["text"])
    assert seen.angle.kind == "angle"
    middle = np.mean(seen.angle.quad, 0)
    assert np.linalg.norm(middle - np.mean(lcd["corners_px"], 0)) < 40
    assert read_photo(seen.crop_jpeg).width < 700
    assert seen == read_display(photo, settings=SETTINGS), "the same photo, the same answer"


@pytest.mark.parametrize(
    ("texts", "wide"),
    [pytest.param(["32°", "45°"], True, id="of two angles both"),
     pytest.param(["32°", "45"], False, id="of one angle that alone")],
)  # fmt: skip
def test_the_picture_shows_every_number_that_may_be_the_angle(monkeypatch, texts, wide):
    """Who types the number from a picture of one of two types the limit, perhaps."""
    numbers = [
        NumberSeen(float(text.rstrip("°")), "angle" if "°" in text else "number", text, 0.999,
                   ((x, 40), (x + 40, 40), (x + 40, 60), (x, 60)), 20.0)
        for text, x in zip(texts, (30, 480), strict=True)
    ]  # fmt: skip
    monkeypatch.setattr(of_seen, "find_lines", lambda *_: [])
    monkeypatch.setattr(of_seen, "read_places", lambda *_: numbers)
    picture = read_photo(
        read_display(read_photo(SAMPLES / "bed_02.jpg"), settings=SETTINGS).crop_jpeg
    )
    assert (picture.width > 4 * picture.height) == wide


def test_what_is_kept_of_a_display_is_pixels_alone():
    photo = read_photo(SAMPLES / "bed_02.jpg")
    seen = read_display(photo, settings=SETTINGS)
    jpeg = display_crop(photo, seen.angle)
    assert b"Exif" not in jpeg
    assert jpeg.startswith(b"\xff\xd8")


def measured(monkeypatch, *more, state="read"):
    """bed_02 by the command, with a display that says 32."""
    one = NumberSeen(32.0, "angle", "32°", 0.9995, ((0, 0), (9, 0), (9, 9), (0, 9)), 14.0)
    reason = "" if state == "read" else "it is unclear"
    display = DisplaySeen(state, reason, (one,), one)
    monkeypatch.setattr(told, "read_display", lambda *_, **__: display)
    photo = str(SAMPLES / "bed_02.jpg")
    done = CliRunner().invoke(app, ["measure", photo, "--format", "json", *more])
    return json.loads(done.stdout.splitlines()[0])


def test_measure_reads_the_display_where_it_is_asked_to(monkeypatch):
    read = measured(monkeypatch, "--read-display")
    assert (read["displayed_deg"], read["displayed_source"]) == (32.0, "read")
    assert read["displayed_probability"] == 0.9995
    assert read["display"]["state"] == "read"
    assert read["comparison"] is not None
    assert as_flat(read)["display_number"] == 32.0
    without = measured(monkeypatch)
    assert without["display"] is None
    assert without["displayed_deg"] is None


def test_an_unclear_display_is_told_and_never_judged(monkeypatch):
    row = measured(monkeypatch, "--read-display", state="unsure")
    assert row["displayed_deg"] is None
    assert row["comparison"] is None
    assert row["display"]["state"] == "unsure"


def test_measure_says_where_a_typed_number_is_another_than_the_one_in_the_photo(monkeypatch):
    typed = measured(monkeypatch, "--read-display", "--displayed", "38")
    assert (typed["displayed_deg"], typed["displayed_source"]) == (38.0, "given")
    assert any("says 32" in caution for caution in typed["cautions"])


def test_a_display_past_the_prescribed_limit_is_an_alarm_when_it_was_read(monkeypatch):
    row = measured(monkeypatch, "--read-display", "--limit-flexion", "30")
    assert any("THE DISPLAY IS PAST" in alarm for alarm in row["alarms"])


def unclear(state, texts):
    corners = truth("bed_02")["corners_px"]
    return {
        "display": {
            "state": state, "reason": "it is unclear", "number": 32.0, "probability": 0.8,
            "numbers": [
                {"number": 32.0, "kind": "angle", "text": text, "probability": 0.8,
                 "digit_px": 14.0, "box": corners}
                for text in texts
            ],
        }
    }  # fmt: skip


def test_unclear_displays_go_to_a_list_with_pictures_that_is_filled_in_and_given_back(tmp_path):
    jobs = [
        Job(name, str(SAMPLES / "bed_02.jpg"), None, given)
        for name, given in (("a.jpg", None), ("=b/c.jpg", None), ("d.jpg", 32.0), ("e.jpg", None))
    ]
    rows = [unclear("unsure", ["32°", "7"]), unclear("undecided", ["32°", "12:5"]),
            unclear("unsure", ["32°"]), {"display": None}]  # fmt: skip
    stem = tmp_path / "study"
    assert write_review(stem, zip(jobs, rows, strict=True), 120.0) == 2
    written = tmp_path / "study.review.csv"
    listed = list(csv.DictReader(written.read_text().splitlines()))
    assert tuple(listed[0]) == tuple(COLUMNS)
    assert [one["photo"] for one in listed] == ["a.jpg", "'=b/c.jpg"]  # no spreadsheet runs it
    assert read_table(written, needs=("photo",)).photos == ("a.jpg", "=b/c.jpg")
    assert [one["seems_to_say"] for one in listed] == ["32°", "32° or 12:5"]
    for one in listed:
        assert min(read_photo(tmp_path / one["picture"]).small.shape[:2]) > 20
    written.write_text(written.read_text().replace("a.jpg,,", "a.jpg,32,"))
    assert read_table(written, needs=("photo",)).displayed_deg == {"a.jpg": 32.0}
    given = [Job("a.jpg", jobs[0].address, None, 32.0), *jobs[1:]]
    for known in (given, jobs):  # with the list given back, and with it forgotten
        open_rows = 1 if known is given else 2
        assert write_review(stem, zip(known, rows, strict=True), 120.0) == open_rows
        assert read_table(written).displayed_deg == {"a.jpg": 32.0}, "what was filled in stays"
        assert len(list(csv.DictReader(written.read_text().splitlines()))) == 2
    assert write_review(stem, zip(jobs[2:], rows[2:], strict=True), 120.0) == 0
    assert not written.exists(), "a list of before is not left lying"
    assert not (tmp_path / "study.review").exists()


def test_weights_that_are_not_those_of_the_card_are_refused(monkeypatch, tmp_path):
    real = of_networks.resources.files("knee_angle.photo.display") / "weights"
    folder = tmp_path / "weights"
    folder.mkdir()
    for file in real.iterdir():
        (folder / file.name).write_bytes(file.read_bytes())
    monkeypatch.setattr(of_networks.resources, "files", lambda _: tmp_path)
    of_networks.Networks()
    (folder / "reader.onnx").write_bytes(b"another")
    with pytest.raises(MissingModel, match="reader do not match their card"):
        of_networks.Networks()
    (folder / "finder.onnx").unlink()
    with pytest.raises(MissingModel, match="weights are missing"):
        of_networks.Networks()


@pytest.mark.parametrize("card", ["", "{", "[]", "{}", '{"sha256": 1}'])
def test_a_card_that_is_none_is_refused(monkeypatch, tmp_path, card):
    real = of_networks.resources.files("knee_angle.photo.display") / "weights"
    shutil.copytree(str(real), tmp_path / "weights")
    (tmp_path / "weights" / "display.json").write_text(card)
    monkeypatch.setattr(of_networks.resources, "files", lambda _: tmp_path)
    with pytest.raises(MissingModel, match="card cannot be used: reinstall the package"):
        of_networks.Networks()


def test_both_networks_are_small_enough_for_the_wheel():
    folder = of_networks.resources.files("knee_angle.photo.display") / "weights"
    card = json.loads((folder / "display.json").read_text())
    sizes = {name: (folder / f"{name}.onnx").read_bytes() for name in card["sha256"]}
    assert sum(map(len, sizes.values())) < 6_000_000
    for name, digest in card["sha256"].items():
        assert hashlib.sha256(sizes[name]).hexdigest() == digest
    assert 0.99 <= card["accept"] < 1
