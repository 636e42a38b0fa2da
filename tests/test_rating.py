"""A rater study: orders drawn from a seed, every rating kept, the page blind, ratings as angles."""

from __future__ import annotations

import base64
import csv
import json
import subprocess
import sys
from dataclasses import replace
from io import BytesIO
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from bench import rater_study
from browsers import needed_chromium
from conftest import SAMPLES
from PIL import Image
from streamlit.testing.v1 import AppTest
from typer.testing import CliRunner

import knee_angle
from knee_angle import measure, pipeline
from knee_angle.batch.rating import (
    Covers,
    RatingPlan,
    begin_study,
    found_covers,
    open_study,
    read_covers,
    turns_of,
)
from knee_angle.batch.rating.table import study_of_table
from knee_angle.batch.rating.times import times_of
from knee_angle.batch.versions import versions_of
from knee_angle.cli import app
from knee_angle.errors import InvalidInput
from knee_angle.files.tables import read_table
from knee_angle.landmarks.manual import rater_of
from knee_angle.landmarks.standard import opened_detectors
from knee_angle.language import in_language, tell
from knee_angle.page import rate
from knee_angle.page.editor import _preview
from knee_angle.photo.reading import read_photo

PLAN = RatingPlan(photos=12, raters=("R1", "R2", "R3"), repeats=3, seed=5)
POINTS = {"hip": {"x": 10, "y": 10}, "knee": {"x": 30, "y": 40}, "ankle": {"x": 60, "y": 20}}


# The plan -----------------------------------------------------------------------------


@pytest.mark.parametrize("rater", PLAN.raters)
def test_every_photo_comes_once_in_each_round_and_never_twice_in_a_row(rater):
    turns = turns_of(PLAN, rater)
    for repeat in (1, 2, 3):
        block = turns[12 * (repeat - 1) : 12 * repeat]
        assert sorted(turn.photo for turn in block) == list(range(1, 13))
        assert {turn.repeat for turn in block} == {repeat}
    assert all(a.photo != b.photo for a, b in pairwise(turns))


@pytest.mark.parametrize("photos", [2, 3, 12, 31])
def test_half_of_the_photos_come_before_one_comes_again_whatever_the_seed(photos):
    nearest = []
    for seed in range(100):
        turns = turns_of(RatingPlan(photos, ("R1",), 3, seed), "R1")
        seen = [turn.photo for turn in turns]
        at = {(turn.photo, turn.repeat): place for place, turn in enumerate(turns)}
        gaps = [at[p, k + 1] - at[p, k] - 1 for p in set(seen) for k in (1, 2)]
        nearest.append(min(gaps))
    assert min(nearest) == photos // 2


def test_orders_are_the_seed_s_and_each_rater_s_own():
    orders = [turns_of(PLAN, rater) for rater in PLAN.raters]
    assert orders == [turns_of(PLAN, rater) for rater in PLAN.raters]
    assert len(set(orders)) == 3
    assert turns_of(replace(PLAN, seed=6), "R1") != orders[0]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        pytest.param({"photos": 0}, "photos must be", id="no photo"),
        pytest.param({"repeats": 0}, "repeats must be", id="no repeat"),
        pytest.param({"seed": -1}, "seed", id="a negative seed"),
        pytest.param({"raters": ()}, "raters must be named", id="no rater"),
        pytest.param({"raters": ("R1", "R1")}, "each once", id="a rater twice"),
        pytest.param({"raters": ("ADA",)}, "never use a name", id="a name"),
    ],
)
def test_a_plan_that_cannot_be_is_refused(change, words):
    with pytest.raises(InvalidInput, match=words):
        replace(PLAN, **change)


def test_a_rater_that_the_study_has_not_is_named():
    with pytest.raises(InvalidInput, match="no rater 'R9'"):
        turns_of(PLAN, "R9")


# The folder ---------------------------------------------------------------------------


def pictures(folder: Path, count: int = 3) -> list[Path]:
    found = []
    for number in range(count):
        path = folder / f"Ada {number}.jpg"
        Image.new("RGB", (80, 60), (10 * number, 90, 120)).save(path)
        found.append(path)
    return found


@pytest.fixture
def study(tmp_path):
    return begin_study(
        tmp_path / "study", pictures(tmp_path), raters=["r1", "R2"], repeats=2, seed=3
    )


def keep(study, rater: str, points: dict = POINTS, *, place: int | None = None):
    now, turn = study.next_turn(rater)
    return study.keep(rater, place or now, points, photo=study.open_photo(turn.photo), seconds=1.25)


def test_a_study_is_read_again_as_it_was_begun(study):
    again = open_study(study.folder)
    assert (again.plan, again.photos) == (study.plan, study.photos)
    assert again.plan.raters == ("R1", "R2")
    assert study.folder.stat().st_mode & 0o777 == 0o700


def test_the_orders_are_written_down_so_that_no_other_version_draws_other_ones(study):
    path = study.folder / "study.json"
    made = json.loads(path.read_text())
    made["orders"]["R1"].reverse()
    path.write_text(json.dumps(made))
    again = open_study(study.folder)
    assert again.turns("R1") == study.turns("R1")[::-1]
    assert again.next_turn("R1") == (1, study.turns("R1")[-1])
    made["orders"]["R1"][0] = made["orders"]["R1"][1]
    path.write_text(json.dumps(made))
    with pytest.raises(InvalidInput, match="no rater study"):
        open_study(study.folder)


def test_a_study_of_before_orders_were_written_down_goes_on_in_its_own(study):
    """Drawn with the version that began it, seed 3, R1: a study that was begun must go on."""
    path = study.folder / "study.json"
    made = json.loads(path.read_text())
    del made["orders"]
    for photo in made["photos"]:
        del photo["found"]
    path.write_text(json.dumps(made))
    before = open_study(study.folder)
    turns = before.turns("R1")
    assert len(before.bare) == 3  # nobody spoke of displays
    assert [(turn.photo, turn.repeat) for turn in turns] == [
        (3, 1),
        (2, 1),
        (1, 1),
        (3, 2),
        (2, 2),
        (1, 2),
    ]


def test_two_servers_of_one_study_keep_every_rating(study):
    """Two raters, each at a server of their own, keep at the same moment."""
    call = (
        "import sys; from pathlib import Path; from knee_angle.batch.rating import open_study\n"
        f"study = open_study(Path({str(study.folder)!r}))\n"
        "while (turn := study.next_turn(sys.argv[1])):\n"
        f"    study.keep(sys.argv[1], turn[0], {POINTS!r},\n"
        "        photo=study.open_photo(turn[1].photo), seconds=1)\n"
    )
    both = [subprocess.Popen([sys.executable, "-c", call, who]) for who in ("R1", "R2")]
    assert [one.wait(60) for one in both] == [0, 0]
    assert sorted((one.rater, one.place) for one in study.ratings()) == [
        (rater, place) for rater in ("R1", "R2") for place in range(1, 7)
    ]


def test_turns_go_on_where_they_were_and_raters_do_not_mix(study):
    turns = turns_of(study.plan, "R1")
    for place, turn in enumerate(turns, start=1):
        assert study.next_turn("R1") == (place, turn)
        rating = keep(open_study(study.folder), "R1")
        assert (rating.photo, rating.repeat, rating.place) == (turn.photo, turn.repeat, place)
    assert study.next_turn("R1") is None
    assert study.next_turn("R2")[0] == 1
    assert [one.rater for one in study.ratings()] == ["R1"] * 6
    assert (study.folder / "ratings.jsonl").stat().st_mode & 0o777 == 0o600


def test_a_torn_last_line_is_asked_for_again_and_cut_off(study):
    keep(study, "R1")
    path = study.folder / "ratings.jsonl"
    whole = path.read_text()
    path.write_text(whole + whole[:40])
    assert len(study.ratings()) == 1
    assert study.next_turn("R1")[0] == 2
    keep(study, "R1")
    assert len(study.ratings()) == 2
    assert path.read_text().startswith(whole)


def test_a_line_that_was_changed_by_hand_is_named(study):
    keep(study, "R1")
    path = study.folder / "ratings.jsonl"
    path.write_text("{}\n" + path.read_text())
    with pytest.raises(InvalidInput, match=r"line 1 of .* is no rating"):
        study.ratings()


def test_a_second_tap_or_window_keeps_nothing_twice(study):
    keep(study, "R1")
    with pytest.raises(InvalidInput, match="turn 1 of R1 was kept before"):
        keep(study, "R1", place=1)
    assert len(study.ratings()) == 1


@pytest.mark.parametrize(
    ("points", "words"),
    [
        pytest.param({k: POINTS[k] for k in ("hip", "knee")}, "missing: ankle", id="one missing"),
        pytest.param({**POINTS, "knee": {"x": 90, "y": 40}}, "knee", id="outside the photo"),
    ],
)
def test_points_that_cannot_be_are_refused(study, points, words):
    with pytest.raises(InvalidInput, match=words):
        keep(study, "R1", points)
    assert study.ratings() == ()


def test_a_photo_that_is_another_one_now_is_refused(study):
    Image.new("RGB", (80, 60), (1, 2, 3)).save(study.photos[0].path)
    with pytest.raises(InvalidInput, match="another one than when the study began") as raised:
        study.open_photo(1)
    assert "Ada" not in str(raised.value)  # a rater may read it


def test_a_folder_that_is_there_and_a_photo_that_is_named_twice_are_refused(study, tmp_path):
    photos = [Path(one.path) for one in study.photos]
    with pytest.raises(InvalidInput, match="name a new folder"):
        begin_study(study.folder, photos, raters=["R1"], repeats=1, seed=1)
    with pytest.raises(InvalidInput, match="leave out copies"):
        begin_study(tmp_path / "x", [*photos, photos[0]], raters=["R1"], repeats=1, seed=1)
    assert not (tmp_path / "x").exists()
    with pytest.raises(InvalidInput, match="no rater study"):
        open_study(tmp_path)


COVERS = "photo,left_px,top_px,right_px,bottom_px\n"


def covers_of(tmp_path: Path, *lines: str) -> Path:
    path = tmp_path / "covers.csv"
    path.write_text(COVERS + "\n".join(lines) + "\n")
    return path


def test_what_is_covered_is_grey_in_what_the_browser_gets(tmp_path):
    """In the picture itself, so that no tool of the browser can look beneath."""
    photos = pictures(tmp_path, 2)
    table = covers_of(tmp_path, "Ada 1.jpg,10,20,40,50", "Ada 1.jpg,60,0,99,10")
    study = begin_study(
        tmp_path / "s", photos, raters=["R1"], repeats=1, seed=1,
        covers=Covers(read_covers(table)),
    )  # fmt: skip
    assert (study.covered, open_study(study.folder).photos) == (1, study.photos)
    photo = study.open_photo(2)
    sent = _preview.__wrapped__(photo, study.photos[1].covers)
    picture = np.asarray(Image.open(BytesIO(base64.b64decode(sent.partition(",")[2]))), float)
    assert np.abs(picture[28:42, 18:32] - 128).max() < 6  # colours bleed at an edge
    assert np.abs(picture[1:8, 63:79] - 128).max() < 12
    assert np.abs(picture[30:50, 60:78] - photo.small[30:50, 60:78]).max() < 12


def test_a_number_on_a_display_is_found_and_covered_without_a_table(tmp_path):
    """The corners of the digits of 93 in this sample lie within; what raters see has no number."""
    photos = [SAMPLES / "bed_01.jpg", *pictures(tmp_path, 2)]
    table = covers_of(tmp_path, "Ada 1.jpg,,,,")
    covers = found_covers(photos, read_covers(table))
    assert covers.found == {"bed_01.jpg", "Ada 0.jpg"}
    (left, top, right, bottom), *_ = covers.boxes["bed_01.jpg"]
    assert (left < 405, top < 867, right > 459, bottom > 899) == (True,) * 4
    assert (right - left) * (bottom - top) < 0.01 * 1600 * 1200
    folder = tmp_path / "s"
    study = begin_study(folder, photos, raters=["R1"], repeats=1, seed=1, covers=covers)
    assert (study.covered, study.bare) == (1, ("Ada 0.jpg",))
    assert open_study(folder).bare == study.bare
    seen = sorted((folder / "as_seen").iterdir())
    assert [path.name for path in seen] == ["001_bed_01.jpg", "002_Ada 0.jpg", "003_Ada 1.jpg"]
    again = found_covers([seen[0]], {}).boxes[seen[0].name]
    assert not any(a < 432 < c and b < 883 < d for a, b, c, d in again)
    assert read_covers(folder / "covers.csv") == {
        name: list(boxes) for name, boxes in covers.boxes.items()
    }


@pytest.mark.parametrize(
    ("line", "words"),
    [
        pytest.param("Ada 9.jpg,1,2,3,4", "not in the study: Ada 9.jpg", id="no such photo"),
        pytest.param("Ada 0.jpg,30,2,3,4", "left before right", id="the wrong way round"),
        pytest.param("Ada 0.jpg,90,2,95,4", "must lie in it", id="beside the photo"),
        pytest.param("Ada 0.jpg,1,2,3,", "four numbers", id="a side missing"),
    ],
)
def test_covers_that_cannot_be_are_refused(line, words, tmp_path):
    photos = pictures(tmp_path, 2)
    with pytest.raises(InvalidInput, match=words):
        begin_study(
            tmp_path / "s", photos, raters=["R1"], repeats=1, seed=1,
            covers=Covers(read_covers(covers_of(tmp_path, line))),
        )  # fmt: skip
    assert not (tmp_path / "s").exists()


# Who placed the points ----------------------------------------------------------------


def marked(**more: object) -> dict:
    truth = json.loads((SAMPLES / "bed_02.json").read_text())["landmarks"]
    points = {n: dict(zip("xy", truth[n]["marker_px"], strict=True)) for n in POINTS}
    return {**points, **more}


def test_points_by_hand_carry_who_placed_them_into_the_result():
    found = measure(SAMPLES / "bed_02.jpg", manual=marked(rater="r-2"))
    assert found.rater == "R-2"
    assert rater_of({}) is None


@pytest.mark.parametrize("rater", ["Ada", 7, ""])
def test_who_placed_the_points_is_a_code(rater):
    photo = read_photo(SAMPLES / "bed_02.jpg")
    with pytest.raises(InvalidInput, match="rater"):
        measure(photo, manual=marked(rater=rater))


@pytest.mark.parametrize(
    ("told", "given", "words"),
    [
        pytest.param(None, ("--rater", "r-2"), "", id="the call says who"),
        pytest.param("R-2", ("--rater", "r-2"), "", id="both say the same"),
        pytest.param("R3", ("--rater", "R-2"), "correct one", id="both say another"),
        pytest.param(None, ("--rater", "Ada"), "never use a name", id="a name"),
    ],
)
def test_a_call_says_who_placed_the_points(told, given, words, tmp_path):
    points = tmp_path / "points.json"
    points.write_text(json.dumps(marked(**({} if told is None else {"rater": told}))))
    call = ["measure", str(SAMPLES / "bed_02.jpg"), "--landmarks", str(points), *given]
    done = CliRunner().invoke(app, [*call, "--format", "json"])
    if words:
        assert words in str(done.exception) + done.output
    else:
        assert json.loads(done.stdout)["rater"] == "R-2"


def test_a_rater_without_points_is_refused():
    done = CliRunner().invoke(app, ["measure", "no.jpg", "--rater", "R1"])
    assert "name their file too" in str(done.exception)


# The page, tap by tap -----------------------------------------------------------------


@pytest.fixture
def session(study, monkeypatch):
    """What the raters' page holds for R1 while turn 1 is shown."""
    held = {"rater": "R1", "rate-R1-1-shown": 0.0}
    monkeypatch.setenv(rate.FOLDER, str(study.folder))
    monkeypatch.setattr(rate.st, "session_state", held)
    return held


def sent(place: int, *names: str) -> dict:
    moved = {name: (POINTS[name]["x"], POINTS[name]["y"]) for name in names}
    return {"points": {"revision": f"rate-R1-{place}", "moved": moved, "removed": []}}


def test_a_tap_keeps_what_the_browser_sent_with_it_whatever_was_drawn_last(study, session):
    session["rate"] = sent(1, *POINTS)
    rate._keep()
    assert [(one.rater, one.place) for one in study.ratings()] == [("R1", 1)]
    rate._keep()  # the second tap of two: it finds the next turn, without a point
    assert len(study.ratings()) == 1
    assert "not-kept" not in session


def test_a_tap_too_early_is_told_what_is_missing(study, session):
    session["rate"] = sent(1, "hip")
    rate._keep()
    assert study.ratings() == ()
    place, said = session["not-kept"]
    assert (place, "missing: knee, ankle" in said) == ("rate-R1-1", True)
    with in_language("de"):
        assert tell(said).startswith("Es fehlen Punkte: Knie, Sprunggelenk")


def test_points_of_another_window_s_photo_are_not_kept_for_this_one(study, session):
    keep(study, "R1")
    session["rate"] = sent(1, *POINTS)
    rate._keep()
    assert [(one.rater, one.place) for one in study.ratings()] == [("R1", 1)]


def test_the_button_is_never_dead(study, monkeypatch):
    """Streamlit drops a tap on a button that it last knew as disabled."""
    monkeypatch.setenv(rate.FOLDER, str(study.folder))

    def draw() -> None:
        from knee_angle.page import rate

        rate.show()

    page = AppTest.from_function(draw, default_timeout=60).run()
    page.radio[0].set_value("R1").run()
    page.button[0].click().run()
    assert not page.exception
    assert [(one.label, one.disabled) for one in page.button] == [
        ("Keep, and show the next photo", False),
        ("Another rater", False),
    ]
    page.button[1].click().run()
    assert page.radio[0].value is None


# Through the page ---------------------------------------------------------------------


@pytest.fixture(scope="module")
def rated(tmp_path_factory):
    """Two photos and two raters through the page; what was seen on it."""
    needed_chromium()
    out = tmp_path_factory.mktemp("rated")
    told = rater_study.run_study(out, rater_study.sample_photos(2), ("R1", "R2"), repeats=1)
    return out / "study", told


def test_a_study_runs_through_the_page_and_what_is_placed_is_kept(rated):
    folder, _ = rated
    study = open_study(folder)
    ratings = study.ratings()
    assert len(ratings) == 4
    marks = rater_study.marks_of([Path(p.path) for p in study.photos], ("R1", "R2"), seed=3)
    for one in ratings:
        place = marks.placed(study.photos[one.photo - 1].name, one.rater)
        for (x, y), point in zip(place, one.points.values(), strict=True):
            assert abs(point["x"] - x) < 3  # a browser's clicks are whole pixels of the screen
            assert abs(point["y"] - y) < 3


def test_the_page_shows_no_angle_no_display_and_no_file_s_name(rated):
    assert rated[1] == []
    for word in ("93°", "12.5", "bed_01.jpg", "degrees"):
        assert rater_study.SEEN.search(word)


def test_ratings_become_a_table_with_rater_and_repeat(rated, tmp_path):
    out = tmp_path / "r.csv"
    done = CliRunner().invoke(app, ["rating", "measure", str(rated[0]), "--out", str(out)])
    assert done.exit_code == 0, done.output
    assert "4 of 4 ratings, 0 without an angle" in done.output
    rows = list(csv.DictReader(out.read_text().splitlines()))
    keys = {(row["photo"], row["rater"], row["repeat"]) for row in rows}
    assert len(keys) == 4
    for row in rows:
        truth = json.loads((SAMPLES / row["photo"]).with_suffix(".json").read_text())
        away = abs(float(row["flexion_deg"]) - truth["true_knee_flexion_deg"])
        assert away < 5  # marks placed about 4 mm off along each axis, 1 to 2 degrees
        assert row["hip_source"] == "manual"
    told = json.loads(out.with_suffix(".run.json").read_text())
    assert (told["ratings"], told["planned"]) == (4, 4)
    assert versions_of(out).software == knee_angle.__version__


def test_a_table_of_points_from_elsewhere_is_measured_like_a_study(tmp_path):
    """Two raters of one photo, one of them twice; who has no repeat's number is counted."""
    lines = ["photo,rater,hip_x_px,hip_y_px,knee_x_px,knee_y_px,ankle_x_px,ankle_y_px"]
    for rater, off in (("R1", 0), ("R2", 4), ("R1", 2)):
        at = [f"{p['x'] + off},{p['y'] - off}" for p in marked().values()]
        lines.append(",".join(["bed_02.jpg", rater, *at]))
    table, out = tmp_path / "points.csv", tmp_path / "r.csv"
    table.write_text("\n".join(lines) + "\n")
    call = ["rating", "measure", str(table), "--photos", str(SAMPLES), "--out", str(out)]
    done = CliRunner().invoke(app, call)
    assert done.exit_code == 0, done.output
    rows = list(csv.DictReader(out.read_text().splitlines()))
    assert [(row["rater"], row["repeat"]) for row in rows] == [
        ("R1", "1"),
        ("R1", "2"),
        ("R2", "1"),
    ]
    # As a study's: points of the machine that no hand placed count, and tell the direction too.
    photo = read_photo(SAMPLES / "bed_02.jpg")
    with opened_detectors() as detectors:
        seen = pipeline.look(photo, detectors=detectors)
        alone = pipeline.measure(photo, detectors=detectors, manual=marked(), seen=seen)
    assert float(rows[0]["flexion_deg"]) == pytest.approx(alone.knee.deg, abs=1e-3)


GOOD = "10,20,30,44,50,26"


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        pytest.param([f"bed_99.jpg,R1,1,{GOOD}"], "no photo bed_99.jpg", id="no such photo"),
        pytest.param([f"bed_02.json,R1,1,{GOOD}"], "bed_02.json: the photo must", id="no picture"),
        pytest.param([f"bed_02.jpg,Ada,1,{GOOD}"], "line 2: .*never use a name", id="a name"),
        pytest.param(["bed_02.jpg,R1,1,1,2,,,5,6"], "line 2: .*knee is missing", id="no knee"),
        pytest.param(["bed_02.jpg,R1,1,1,2,3,,5,6"], "one of x and y", id="half a point"),
        pytest.param([f"bed_02.jpg,R1,,{GOOD}"], "line 2: .*repeat .* 1 or more", id="no repeat"),
        pytest.param([f"bed_02.jpg,R1,1.5,{GOOD}"], "repeat .* got 1.5", id="half a repeat"),
        pytest.param([f"bed_02.jpg,R1,0,{GOOD}"], "repeat .* got 0", id="repeat 0"),
        pytest.param(
            [f"bed_02.jpg,R1,1,{GOOD}", f"bed_02.jpg,R2,1,{GOOD}", f"bed_02.jpg,r1,1,{GOOD}"],
            "line 4: .*R1 .*repeat 1 .*before",
            id="one rating twice",
        ),
        pytest.param(
            [f"bed_02.jpg,R1,1,{GOOD}", "bed_02.jpg,R2,1,1,2,3,4,5000,6"],
            "line 3: .*'ankle' must lie in",
            id="outside the photo",
        ),
    ],
)
def test_a_table_of_points_that_cannot_be_used_is_refused_before_anything_is_measured(
    lines, words, tmp_path
):
    """The line is named, and all problems at once."""
    table = tmp_path / "points.csv"
    head = "photo,rater,repeat,hip_x_px,hip_y_px,knee_x_px,knee_y_px,ankle_x_px,ankle_y_px"
    table.write_text("\n".join([head, *lines]) + "\n")
    with pytest.raises(InvalidInput, match=words) as raised:
        study_of_table(table, SAMPLES)
    assert "\n" not in str(raised.value)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        pytest.param(("points.csv", "--out", "r.csv"), "--photos", id="a table without photos"),
        pytest.param(("no", "--out", "r.csv"), "no rater study is in", id="no study"),
        pytest.param(("s", "--out", "r.csv"), "nothing was rated yet", id="nothing rated"),
        pytest.param(("s", "--out", "r.txt"), "must end in", id="another ending"),
        pytest.param(("s", "--out", "no/r.csv"), "make it first", id="no folder"),
    ],
)
def test_a_measuring_that_cannot_be_meant_is_refused_at_once(study, call, words, tmp_path):
    (tmp_path / "points.csv").write_text("photo,rater\n")
    study.folder.rename(tmp_path / "s")
    paths = [one if one.startswith("--") else str(tmp_path / one) for one in call]
    done = CliRunner().invoke(app, ["rating", "measure", *paths])
    assert done.exit_code != 0
    assert words in str(done.exception)


def test_how_long_ratings_took_and_lay_apart_is_told(tmp_path):
    """Two photos by R1, 10 and 30 minutes apart; the other table tells no times."""
    path = tmp_path / "r.csv"
    path.write_text(
        "photo,rater,repeat,placed_at,rating_seconds,flexion_deg\n"
        "a.jpg,R1,1,2026-01-01T10:00:00+00:00,8,50\na.jpg,R1,2,2026-01-01T10:10:00+00:00,12,51\n"
        "b.jpg,R1,2,2026-01-01T10:50:00+00:00,40,61\nb.jpg,R1,1,2026-01-01T10:20:00+00:00,10,60\n"
        "b.jpg,R2,1,,,60\n"
    )
    rows = read_table(path, repeats=True)
    assert times_of(rows, "photo", "rater") == (11.0, 20.0)
    path.write_text("photo,rater,flexion_deg\na.jpg,R1,50\n")
    assert times_of(read_table(path, repeats=True), "photo", "rater") == (None, None)


def test_a_study_that_is_not_done_says_so(study, tmp_path):
    keep(study, "R1")
    out = tmp_path / "r.parquet"
    done = CliRunner().invoke(app, ["rating", "measure", str(study.folder), "--out", str(out)])
    assert done.exit_code == 1
    assert "1 of 12 ratings" in done.output


@pytest.mark.parametrize(
    ("call", "words"),
    [
        pytest.param(("--rater", "Ada"), "never use a name", id="a name"),
        pytest.param(("--rater", "R1", "--rater", "r1"), "each once", id="a rater twice"),
        pytest.param(("--rater", "R1", "--repeats", "0"), "repeats must be", id="no repeat"),
        pytest.param(("--rater", "R1"), "name a new folder", id="the folder is there"),
    ],
)
def test_a_study_that_cannot_be_is_refused_before_displays_are_looked_for(call, words, tmp_path):
    there = tmp_path if words == "name a new folder" else tmp_path / "new"
    done = CliRunner().invoke(app, ["rating", "begin", str(there), "no.jpg", *call])
    assert done.exit_code != 0
    assert words in str(done.exception)  # and not that no.jpg is none


def test_a_photo_of_many_that_is_none_is_named(tmp_path):
    photos = [*pictures(tmp_path, 1), tmp_path / "notes.txt"]
    photos[1].write_text("no picture")
    with pytest.raises(InvalidInput, match=r"notes.txt: the photo must be a JPEG"):
        found_covers(photos, {})


def test_the_command_begins_a_study(tmp_path):
    photos = [str(path) for path in pictures(tmp_path, 2)]
    call = ["rating", "begin", str(tmp_path / "s"), *photos, "--rater", "R1", "--rater", "R2"]
    done = CliRunner().invoke(app, call)
    assert done.exit_code == 0, done.output
    assert "2 photos, raters R1, R2, 2 times each, seed 1" in done.output
    assert "displays covered in 0 of 2 photos" in done.output
    assert "nothing to cover was found in Ada 0.jpg, Ada 1.jpg" in done.output
    assert open_study(tmp_path / "s").plan.photos == 2
