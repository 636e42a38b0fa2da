"""Dots that were seen and not used: told in fields, and used where a person says so."""

from __future__ import annotations

import json
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path

import pytest
from called import called
from conftest import SAMPLES
from test_landmarks_dots import Drawing, photo_of
from test_landmarks_dots_always import twin_of_the_ankle

import knee_angle
from knee_angle.errors import InvalidInput
from knee_angle.landmarks import choose, standard
from knee_angle.landmarks.dots.unused import usable_dots, use_dots
from knee_angle.landmarks.standard import shared_detectors
from knee_angle.machine.check import check_machine
from knee_angle.photo.reading import read_photo
from knee_angle.pipeline import Shot, answer_of_visit, look, measure
from knee_angle.records import (
    LEG_POINTS,
    Landmark,
    Landmarks,
    Measurement,
    NotMeasured,
    Unreadable,
    UnusedDot,
)
from knee_angle.report.contract import as_flat, as_json, check_as_json
from knee_angle.report.visit_contract import visit_as_json
from knee_angle.settings import Settings

DRAWING = Drawing(names=LEG_POINTS, extra=(twin_of_the_ankle(),))
WHY = "two could be the knee"


def dot(name, x=12.0, y=30.0) -> UnusedDot:
    return UnusedDot(Landmark.round(x, y, u_px=0.5, source="dot"), 14.0, "green", name, WHY)


LEG = tuple(dot(name, 40.0 * k, 20.0 + k) for k, name in enumerate(LEG_POINTS))
FOUND = Landmarks(
    {n: Landmark.round(90.0, 90.0, u_px=5.0, source="network") for n in LEG_POINTS},
    unused_dots=(dot("hinge"), dot(None, 50.0, 60.0)),
    cautions=("2 dots were seen and not used.", "keep still"),
)


@pytest.fixture(autouse=True)
def models_of_the_process(monkeypatch) -> None:
    """Each command would load all models for itself, which takes longer than its photo."""
    monkeypatch.setattr(
        standard, "opened_detectors", lambda *_, **__: nullcontext(shared_detectors())
    )


@pytest.fixture(scope="module")
def drawn(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("drawn")
    photo_of(DRAWING.picture(), folder)
    return folder / "drawn.tif"


@pytest.fixture(scope="module")
def refused(drawn) -> NotMeasured:
    return measure(drawn)


def test_each_dot_that_is_not_used_is_a_field_with_name_place_and_why(refused):
    rows = as_json("a.png", refused, version="1")["unused_dots"]
    assert [row["name"] for row in rows] == [*LEG_POINTS, "shank_bar"]
    truth = DRAWING.points()
    places = [truth["hip"], truth["knee"], twin_of_the_ankle(), truth["ankle"]]
    for place, row in zip(places, rows, strict=True):
        assert (row["x"], row["y"]) == pytest.approx(tuple(place), abs=1.0)
    first = rows[0]
    assert set(first) == {"name", "x", "y", "u_px", "diameter_px", "colour", "why"}
    assert first["colour"] == "green"
    assert first["diameter_px"] == pytest.approx(14.0, rel=0.1)
    assert first["why"] == "A dot of the leg seems to be hidden or missing."
    assert json.loads(json.dumps(rows)) == rows


def test_one_column_of_the_table_holds_them(refused):
    row = as_json("a.png", refused, version="1")
    assert json.loads(as_flat(row)["unused_dots"]) == row["unused_dots"]
    none = as_json("a.png", Unreadable("damaged"), version="1")
    assert none["unused_dots"] == []
    assert as_flat(none)["unused_dots"] == ""


def test_a_dot_that_nobody_can_name_has_no_name():
    refused = NotMeasured("no leg", "look", unused_dots=(dot(None),))
    (row,) = as_json("a.png", refused, version="1")["unused_dots"]
    assert row["name"] is None
    assert row["why"] == WHY


def test_the_answer_says_which_option_uses_them_and_it_does(drawn, refused):
    said = called("measure", drawn)
    assert said.returncode == 1
    assert "--use-dots" in said.stdout
    used = called("measure", drawn, "--use-dots", "--format", "json")
    row = json.loads(used.stdout)
    assert (used.returncode, row["status"]) == (0, "measured")
    assert {point["source"] for point in row["landmarks"].values()} == {"dot"}
    by_tap = use_dots(refused)
    assert {n: (row["landmarks"][n]["x"], row["landmarks"][n]["y"]) for n in LEG_POINTS} == {
        n: pytest.approx((by_tap.points[n].x_px, by_tap.points[n].y_px), abs=0.006)
        for n in LEG_POINTS
    }
    assert any(one.startswith("Dots used because that was asked for") for one in row["cautions"])
    assert not any("--use-dots" in one for one in row["cautions"])


def test_every_command_of_photos_uses_them(drawn):
    single = measure(drawn, settings=Settings(use_dots=True)).knee.deg
    visit = json.loads(called("visit", drawn, "--use-dots", "--format", "json").stdout)
    assert visit["settings"][0]["knee"]["value"] == pytest.approx(single, abs=0.01)
    folder = drawn.parent
    assert called("batch", folder, "--out", folder / "t.csv", "--use-dots").returncode == 0
    assert ",measured," in (folder / "t.csv").read_text()
    check = json.loads(called("check", drawn, "--use-dots", "--format", "json").stdout)
    without = json.loads(called("check", drawn, "--format", "json").stdout)
    assert check["unused_dots"] == []
    assert [one["photo"] for one in without["unused_dots"]] == [drawn.name] * 4


def test_where_they_make_no_leg_no_option_is_named():
    found = NotMeasured("no leg", "look", unused_dots=LEG[:2])
    assert usable_dots(found) == ()
    assert choose.with_option_told(found) == found
    told = choose.with_option_told(replace(found, unused_dots=LEG))
    assert "--use-dots" in told.advice
    assert told.reason == "no leg"


def test_a_leg_by_another_detector_says_the_option_beside_its_dots():
    assert [one.name for one in usable_dots(FOUND)] == ["hinge"]
    told = choose.with_option_told(FOUND)
    assert told.cautions[:2] == FOUND.cautions
    assert "--use-dots" in told.cautions[2]
    nameless = replace(FOUND, unused_dots=(dot(None),))
    assert choose.with_option_told(nameless) == nameless


def test_of_dots_in_use_those_that_are_left_stay_said():
    used = use_dots(FOUND)
    assert used.points["hinge"].source == "dot"
    assert [one.name for one in used.unused_dots] == [None]
    kept, as_said, left, lacking = used.cautions
    assert kept == "keep still"
    assert as_said == (
        "Dots used because that was asked for, each as what it most probably is: hinge (green). "
        "Look whether each lies right."
    )
    assert left.startswith("1 dot was seen and not used (green, at (50, 60) px)")
    assert lacking.startswith("The machine's thigh bar and lower-leg bar dots were not seen")


def test_points_by_hand_stand_above_dots_in_use(refused):
    hand = Landmarks({"ankle": Landmark.round(5.0, 6.0, u_px=1.0, source="manual")})
    found = choose.with_manual(use_dots(refused), hand)
    assert {name: found.points[name].source for name in LEG_POINTS} == {
        "hip": "dot", "knee": "dot", "ankle": "manual",
    }  # fmt: skip


def test_what_was_seen_before_is_used_too(drawn):
    """Ratings look once and measure often; the page puts dots to use itself."""
    photo = read_photo(drawn)
    seen = look(photo, detectors=shared_detectors())
    assert "--use-dots" not in seen.landmarks.advice  # the page has its own button
    assert isinstance(measure(photo, seen=seen), NotMeasured)
    assert isinstance(measure(photo, seen=seen, settings=Settings(use_dots=True)), Measurement)


def test_a_film_does_not_take_the_option(tmp_path):
    film = tmp_path / "film.mp4"
    film.write_bytes(b"no film")
    said = called("clip", film, "--use-dots")
    assert said.returncode == 2
    assert "--use-dots" in said.stderr
    with pytest.raises(InvalidInput, match="use_dots is of photos"):
        knee_angle.measure_clip(film, use_dots=True)


def test_visit_and_check_name_the_photo_of_each(refused):
    one = measure(SAMPLES / "bed_01.jpg", settings=Settings())
    marked = replace(one, landmarks=replace(one.landmarks, unused_dots=(dot("hinge"),)))
    shots = [(Shot("a", "1"), marked), (Shot("b", "2"), refused)]
    row = visit_as_json(answer_of_visit(shots, Settings()), version="1")
    assert [(each["photo"], each["name"]) for each in row["unused_dots"]] == [
        ("a", "hinge"), *(("b", name) for name in (*LEG_POINTS, "shank_bar")),
    ]  # fmt: skip
    outcomes = {shot.name: each for shot, each in shots}
    check = check_as_json(check_machine(outcomes, Settings()), version="1", outcomes=outcomes)
    assert check["unused_dots"] == row["unused_dots"]
