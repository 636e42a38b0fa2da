"""The bedside page's logic, by Streamlit's own test driver."""

from __future__ import annotations

import gc
import re
import tomllib
from datetime import date
from html import unescape
from pathlib import Path

import pictured
import pytest
from conftest import SAMPLES, scenes
from streamlit.testing.v1 import AppTest
from typer.testing import CliRunner

from knee_angle import pipeline
from knee_angle.cli import app
from knee_angle.errors import UnreadablePhoto
from knee_angle.page import navigation, tray
from knee_angle.page.editor import Edit, edit_of
from knee_angle.page.server import SCRIPT
from knee_angle.photo.reading import read_photo
from knee_angle.pipeline import SeenPhoto
from knee_angle.records import NotMeasured
from knee_angle.settings import Settings
from knee_angle.store import open_store
from knee_angle.visit import estimate

ROOT = Path(__file__).resolve().parents[1]


pytestmark = pytest.mark.usefixtures("store_file")


def opened() -> AppTest:
    page = AppTest.from_file(str(SCRIPT), default_timeout=60).run()
    assert not page.exception
    return page


def upload(page: AppTest, *names: str) -> AppTest:
    files = [(name, (SAMPLES / name).read_bytes(), "image/jpeg") for name in names]
    page.file_uploader[0].set_value(files).run()
    assert not page.exception
    return page


def with_photo(*names: str) -> AppTest:
    return upload(opened(), *names)


def entry(page: AppTest):
    return page.session_state["tray"].current()


def html(page: AppTest) -> str:
    return " ".join(element.proto.body for element in page.get("html"))


def field(page: AppTest, label: str):
    inputs = [*page.number_input, *page.text_input, *page.checkbox, *page.radio]
    return next(one for one in inputs if one.label.startswith(label))


def button(page: AppTest, label: str):
    return next(one for one in page.button if one.label.startswith(label))


def changed(page: AppTest, label: str, value) -> AppTest:
    field(page, label).set_value(value)
    page.run()
    assert not page.exception
    return page


def kept_rows(path):
    with open_store(path) as store:
        return store.measurements()


def test_an_empty_page_says_how_to_photograph_and_shows_the_caution():
    page = opened()
    assert "Stand square to the leg" in page.markdown[1].value
    assert "Pain or resistance: stop the machine" in page.markdown[0].value
    assert any("not a medical device" in c.value for c in page.caption)
    assert any("heel, fibular head, foot lift and dressing" in c.value for c in page.caption)


def test_what_is_loaded_once_is_not_looked_through_after_each_run():
    gc.unfreeze()
    navigation._keep_loaded.cache_clear()
    opened()
    assert gc.get_freeze_count() > 100_000


def test_no_button_asks_for_a_camera():
    """A browser's camera input gives a small picture, of the front camera: worse than a photo."""
    page = opened()
    assert not page.toggle
    assert not page.get("camera_input")
    assert len(page.file_uploader) == 1


def test_photo_and_number_give_one_clear_answer():
    page = changed(with_photo("bed_01.jpg"), "Number on the display", 93.0)
    answer = html(page)
    assert "Display agrees" in answer
    assert 'class="shape circle"' in answer
    assert "<dt>Knee</dt><dd><b>89°</b>" in answer
    assert "<dt>Display</dt><dd><b>93°</b>" in answer
    assert (
        "display 4° more; at most 8° (95 %). Within 10° (allowed): yes · within 5°: not" in answer
    )
    assert "Not proven whether display or fit is off." in answer
    assert "No prescribed limits entered: none were checked." in answer


def test_a_hinge_that_is_proven_off_is_a_fit_warning_on_the_page():
    page = changed(with_photo("bed_02.jpg"), "Number on the display", 32.0)
    assert "Fit warning: hinge and knee do not coincide." in html(page)


def test_page_command_and_the_readmes_picture_say_the_same():
    """After a change of words: ``python tests/bench/page_picture.py``, and look at the picture."""
    page = changed(with_photo(pictured.PHOTO), "Number on the display", pictured.NUMBER)
    answer = pictured.words(html(page))
    assert pictured.pictured() == answer
    photo = str(SAMPLES / pictured.PHOTO)
    command = ["measure", photo, "--displayed", str(pictured.NUMBER), "--format", "text"]
    said = bedside_lines(CliRunner().invoke(app, command).stdout)
    assert [name for name, _ in said] == ["KNEE", "APART", "DO", "DO", "SURE"]
    shown = " ".join(re.sub(r"<[^>]+>", " ", html(page)).split())
    for name, text in said:
        if name != "KNEE":  # that one stands large, in parts
            assert text in unescape(shown)
    large = re.match(r"(\S+°) \((.+)\), left, passive +DISPLAY (\S+°)", said[0][1])
    knee, spread, display = large.groups()
    assert f"Knee {knee} {spread}, left, passive Display {display}" in shown


def bedside_lines(printed: str) -> list[tuple[str, str]]:
    """The command's first lines: name and text."""
    lines = [line.strip().split(None, 1) for line in printed.splitlines()]
    return [(line[0], line[1]) for line in lines if line and line[0].isupper() and line[0] != "!!"]


@pytest.mark.parametrize(
    ("limits", "number"),
    [
        pytest.param({"flexion": 95.0, "extension": 0.0}, 93.0, id="inside both limits"),
        pytest.param({"flexion": 90.0}, None, id="at the one limit, no display"),
    ],
)
def test_limits_are_said_as_by_the_command(limits, number):
    page, command = with_photo("bed_01.jpg"), ["measure", str(SAMPLES / "bed_01.jpg")]
    for name, limit in limits.items():
        page = changed(page, f"Prescribed {name}", limit)
        command += [f"--limit-{name}", str(limit)]
    if number is not None:
        page = changed(page, "Number on the display", number)
        command += ["--displayed", str(number)]
    said = dict(bedside_lines(CliRunner().invoke(app, command).stdout))
    assert said["LIMIT"] in unescape(html(page))


@pytest.mark.parametrize(
    ("photo", "limit", "number", "look", "knee"),
    [
        pytest.param("bed_02.jpg", None, 32.0, "within warned", "No prescribed limits",
                     id="display agrees, hinge is off"),
        pytest.param("bed_01.jpg", 90.0, 89.0, "within warned", "AT THE LIMIT of flexion",
                     id="a knee at its limit"),
        pytest.param("bed_01.jpg", 80.0, 79.0, "past",
                     "· the knee is PAST the prescribed flexion of 80°",
                     id="a knee past its limit"),
        pytest.param("bed_01.jpg", 92.5, 93.0, "past",
                     "· the knee is inside the prescribed flexion (proven)",
                     id="only the display past the limit"),
    ],
)  # fmt: skip
def test_no_green_stands_round_a_fault_or_a_limit_not_proven_kept(photo, limit, number, look, knee):
    page = with_photo(photo)
    if limit is not None:
        page = changed(page, "Prescribed flexion", limit)
    answer = html(changed(page, "Number on the display", number))
    assert f'<section class="answer {look}"' in answer
    assert f'<p class="now {look}"' in answer
    assert ("Display agrees here" in answer) == (look == "within warned")
    assert ('role="alert"' in answer) == (look == "past")
    assert ('class="shape' in answer) == (look != "past")
    assert knee in answer  # beneath an alarm too


@pytest.mark.parametrize(
    ("number", "first"),
    [
        pytest.param(85.0, "First set the flexion limit 10° lower than prescribed.", id="less"),
        pytest.param(93.0, None, id="right"),
        pytest.param(
            101.0, "First set the extension limit 9° further from straight than prescribed.",
            id="more",
        ),
    ],
)  # fmt: skip
def test_a_limit_to_set_closer_is_read_without_unfolding_what_to_do(number, first):
    answer = html(changed(with_photo("bed_01.jpg"), "Number on the display", number))
    folded = re.search(r'<details class="next"><summary>(.*?)</summary>(.*?)</details>', answer)
    seen, unfolded = folded.groups()
    assert re.findall(r"First set [^<]*", seen) == ([] if first is None else [first])
    assert "First set" not in unfolded  # it says the same at length


def test_no_display_is_called_inside_where_none_was_read():
    answer = html(changed(with_photo("bed_01.jpg"), "Prescribed flexion", 120.0))
    assert "flexion to 120° prescribed · knee inside (proven)" in answer


@pytest.mark.usefixtures("new_server")
@pytest.mark.parametrize(
    ("answered", "said"),
    [
        pytest.param(
            lambda *_: estimate.ALONE,
            "none of a leg in a machine together", id="points that fit no leg",
        ),
        pytest.param(
            lambda *_: 1 // 0, "this software has a fault that this photo shows", id="our fault"
        ),
    ],
)  # fmt: skip
def test_a_photo_that_cannot_be_judged_for_its_machine_keeps_its_knee_and_says_so(
    monkeypatch, answered, said
):
    monkeypatch.setattr(pipeline, "answer_of_visit", answered)
    answer = html(changed(with_photo("bed_01.jpg"), "Prescribed flexion", 120.0))
    assert said in answer
    assert "<dt>Knee</dt><dd><b>89°</b>" in answer
    assert "flexion to 120° prescribed" in answer
    assert "inside" not in answer.partition("</section>")[0]
    printed = CliRunner().invoke(app, ["measure", str(SAMPLES / "bed_01.jpg")]).stdout
    assert said in printed
    assert "The left knee bends 88." in printed


@pytest.mark.parametrize(
    ("number", "words", "shape"),
    [
        pytest.param(60.0, "Display does not agree", "triangle", id="a display far off"),
        pytest.param(99.0, "Cannot tell", "bar", id="a display at the edge of the tolerance"),
    ],
)
def test_the_verdict_is_told_by_word_and_shape(number, words, shape):
    answer = html(changed(with_photo("bed_01.jpg"), "Number on the display", number))
    assert f'<span class="shape {shape}"></span>{words}' in answer


def test_past_a_prescribed_limit_is_said_first():
    page = changed(with_photo("bed_01.jpg"), "Prescribed flexion", 80.0)
    answer = html(page)
    assert answer.index("PAST THE PRESCRIBED FLEXION") < answer.index("<dt>Knee</dt>")
    assert 'role="alert"' in answer
    assert "flexion to 80° prescribed" in answer
    assert "Display agrees" not in answer


def test_a_display_that_calls_a_straight_knee_180_is_converted():
    bend = scenes(image="bed_01.jpg")[0].flexion_deg
    page = changed(with_photo("bed_01.jpg"), "How the display counts", "straight-is-180")
    number = round(180 - bend)
    answer = html(changed(page, "Number on the display (180 is straight)", number))
    assert f"<b>{180 - number}°</b> <span>shown as {number}" in answer
    assert "Display agrees" in answer


def test_a_machine_set_past_the_limit_is_said_as_its_display_counts():
    page = changed(with_photo("bed_01.jpg"), "How the display counts", "straight-is-180")
    page = changed(page, "Prescribed flexion", 95.0)
    assert "The machine is set to" not in html(changed(page, "Flexion set", 90.0))
    past = html(changed(page, "Flexion set", 70.0))
    assert "The machine is set to 110.0° (shown as 70), past the prescribed flexion of 95" in past


def test_a_number_that_only_makes_sense_from_180_is_asked_about():
    bend = scenes(image="bed_04.jpg")[0].flexion_deg
    page = changed(with_photo("bed_04.jpg"), "Number on the display", round(180 - bend))
    assert "Does this display call a straight knee 180?" in html(page)


def test_a_broken_photo_is_told_and_nothing_breaks():
    page = opened()
    broken = (SAMPLES / "bed_01.jpg").read_bytes()[:4000]
    page.file_uploader[0].set_value([("broken.jpg", broken, "image/jpeg")]).run()
    assert not page.exception
    assert "The photo could not be used. broken.jpg" in page.error[0].value


@pytest.mark.usefixtures("new_server")
def test_a_fault_of_ours_is_told_and_nothing_breaks(monkeypatch):
    def faulty(*_, **__):
        raise ZeroDivisionError

    with monkeypatch.context() as broken:
        broken.setattr(tray, "look", faulty)
        page = with_photo("bed_01.jpg")
        assert "bed_01.jpg: this software has a fault" in page.error[0].value
    with monkeypatch.context() as broken:
        broken.setattr(pipeline, "measure_photo", faulty)
        assert "this software has a fault" in html(with_photo("bed_06.jpg")).lower()


@pytest.mark.parametrize(
    "fault",
    [
        pytest.param(UnreadablePhoto("the photo is cut off"), id="damage at full size"),
        pytest.param(ZeroDivisionError(), id="a fault of ours"),
    ],
)
def test_a_display_past_the_limit_is_an_alarm_also_where_the_photo_gives_no_knee(
    monkeypatch, fault
):
    def failing(*_, **__):
        raise fault

    monkeypatch.setattr(pipeline, "measure_photo", failing)
    seen = SeenPhoto((), NotMeasured("no leg is seen", "take another photo"))
    photo = read_photo(SAMPLES / "bed_01.jpg")
    looked = tray.Looked(photo.width, photo.height, seen, None)
    shown = tray.Entry(photo.sha256, looked, lambda: photo)
    told = shown.measured(displayed_deg=120.0, settings=Settings(limit_flexion_deg=90.0))
    assert isinstance(told, NotMeasured)
    assert [alarm.split(":")[0] for alarm in told.alarms] == [
        "THE DISPLAY IS PAST THE PRESCRIBED FLEXION"
    ]


def test_looking_makes_no_store_and_the_first_keep_does(store_file):
    page = changed(with_photo("bed_01.jpg"), "Patient (code)", "P-017")
    assert not store_file.exists()
    (told,) = [info.value for info in page.info]
    assert f"No store is at {store_file} yet" in told
    assert "KNEE_ANGLE_STORE" in told
    button(page, "Keep this measurement").click().run()
    assert not page.exception
    assert store_file.exists()
    assert not page.info


def test_a_store_that_cannot_be_named_so_leaves_the_limits_unknown_and_says_so(monkeypatch):
    monkeypatch.setenv("KNEE_ANGLE_STORE", "mysql://ward/store")
    page = changed(with_photo("bed_01.jpg"), "Patient (code)", "P-017")
    assert "The prescribed limits are not known: the store must be a SQLite" in page.error[0].value


@pytest.mark.parametrize(
    ("counting", "typed", "rule"),
    [
        pytest.param("flexion", 250.0, "between \u221230 and 180", id="above every knee"),
        pytest.param("flexion", 930.0, "between \u221230 and 180", id="a decimal point was lost"),
        pytest.param("flexion", -93.0, "between \u221230 and 180", id="below every knee"),
        pytest.param("straight-is-180", 250.0, "between 0 and 210", id="where 180 is straight"),
        pytest.param("negative", 93.0, "between \u2212180 and 30", id="where flexion is negative"),
    ],
)
def test_a_number_that_cannot_be_leaves_the_last_answer_with_a_word(counting, typed, rule):
    page = changed(with_photo("bed_01.jpg"), "How the display counts", counting)
    good = {"flexion": 93.0, "straight-is-180": 87.0, "negative": -93.0}[counting]
    page = changed(page, "Number on the display", good)
    before = html(page)
    assert "Display agrees" in before
    page = changed(page, "Number on the display", typed)
    (word,) = [warning.value for warning in page.warning]
    number = f"{typed:g}".replace("-", "\u2212")
    assert word.startswith(f"{number} is not used: it must be {rule}. ")
    assert f"{good:g} still counts.".replace("-", "\u2212") in word
    assert not page.error
    # The same answer, but marked as standing beside this number.
    assert html(page) == before.replace(f'data-number="{good:g}"', f'data-number="{typed:g}"')
    page = changed(page, "Number on the display", good)
    assert not page.warning
    assert html(page) == before


def test_a_first_number_that_cannot_be_leaves_the_knee_without_a_display():
    page = with_photo("bed_01.jpg")
    before = html(page)
    page = changed(page, "Number on the display", 250.0)
    assert "Nothing is entered until then." in page.warning[0].value
    assert "<dt>Knee</dt><dd><b>89°</b>" in html(page)
    assert html(page) == before.replace('data-number=""', 'data-number="250"')


def test_a_prescribed_limit_that_cannot_be_does_not_lift_the_one_before():
    page = changed(with_photo("bed_01.jpg"), "Prescribed flexion", 80.0)
    page = changed(page, "Prescribed flexion", 800.0)
    assert page.warning[0].value.startswith("800 is not used: it must be between ")
    assert "PAST THE PRESCRIBED FLEXION" in html(page)


def test_limits_that_no_knee_keeps_are_refused_as_by_the_command():
    page = changed(ready(), "Prescribed flexion", 30.0)
    page = changed(page, "Prescribed extension", 60.0)
    (told,) = [error.value for error in page.error]
    assert "must not be above" in told
    assert "60 and 30" in told
    assert "<dt>Knee</dt>" not in html(page)
    assert not [one for one in page.button if one.label.startswith("Keep")]
    page = changed(page, "Prescribed extension", 0.0)
    assert not page.error
    assert "<dt>Knee</dt>" in html(page)


def test_nothing_is_kept_while_a_number_that_is_not_used_stands_in_a_field(store_file):
    page = changed(ready(), "Number on the display", 250.0)
    assert not [one for one in page.button if one.label.startswith("Keep")]
    assert page.info[-1].value == "To keep this answer, first correct: Number on the display."
    page = keep(changed(page, "Number on the display", 93.0))
    assert "Kept for P-017" in page.success[0].value
    assert len(kept_rows(store_file)) == 1


def test_a_tap_on_keep_does_not_wait_for_the_number_to_be_corrected(store_file):
    page = ready()
    field(page, "Number on the display").set_value(250.0)
    page = keep(page)  # typed and tapped in one moment
    page = changed(page, "Number on the display", 93.0)
    assert not page.success
    assert kept_rows(store_file) == ()


def test_points_moved_by_hand_change_the_answer_and_can_be_taken_back():
    truth = scenes(image="bed_06.jpg")[0].truth["landmarks"]["knee"]["marker_px"]
    page = with_photo("bed_06.jpg")
    before = html(page)
    entry(page).edit = Edit({"knee": (truth[0] + 40, truth[1])})
    assert html(page.run()) != before
    entry(page).edit = Edit()
    assert html(page.run()) == before


def test_a_machine_point_that_is_none_can_be_removed():
    page = with_photo("bed_01.jpg")
    page = changed(page, "Number on the display", 93.0)
    entry(page).edit = Edit(removed=("hinge",))
    answer = unescape(html(page.run()))
    assert "Cause not known: not all of the machine's dots are used" in answer


@pytest.mark.parametrize(
    ("sent", "expected"),
    [
        pytest.param({"revision": "r", "moved": {"knee": [5, 6]}}, Edit({"knee": (5, 6)}), id="ok"),
        pytest.param({"revision": "old", "moved": {"knee": [5, 6]}}, None, id="another revision"),
        pytest.param(None, None, id="nothing"),
        pytest.param("points", None, id="no object"),
        pytest.param({"revision": "r"}, Edit(), id="no points"),
        pytest.param(
            {"revision": "r", "moved": {"knee": [-5, 600]}}, Edit({"knee": (0, 50)}), id="outside"
        ),
        pytest.param(
            {"revision": "r", "moved": {"knee": ["a", 1], "hip": [None], "elbow": [1, 1]}},
            Edit(), id="no numbers, no such point",
        ),
        pytest.param(
            {"revision": "r", "moved": {"knee": [float("nan"), 1]}}, Edit(), id="not a number"
        ),
        pytest.param(
            {"revision": "r", "removed": ["hinge", "knee", "elbow"]}, Edit(removed=("hinge",)),
            id="a point of the leg cannot be removed",
        ),
    ],
)  # fmt: skip
def test_what_the_browser_sends_is_checked(sent, expected):
    assert edit_of(sent, revision="r", width_px=100, height_px=50) == expected


def test_our_scripts_are_found_under_the_projects_name():
    """Streamlit finds them by the small pyproject.toml that travels inside the package."""
    inside = tomllib.loads((ROOT / "knee_angle" / "pyproject.toml").read_text())
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    assert inside["project"]["name"] == project["project"]["name"]
    components = inside["tool"]["streamlit"]["component"]["components"]
    folders = [ROOT / "knee_angle" / one["asset_dir"] for one in components]
    assert [list(folder.glob("*.js")) != [] for folder in folders] == [True] * 3
    shipped = project["tool"]["setuptools"]["package-data"]["knee_angle"]
    inside = [p.relative_to(ROOT / "knee_angle") for p in (ROOT / "knee_angle/page").rglob("*.*")]
    assets = [p for p in inside if p.suffix not in (".py", ".pyc")]
    assert [str(p) for p in assets if not any(p.match(glob) for glob in shipped)] == []
    assert "pyproject.toml" in shipped


def test_several_photos_keep_their_own_number_and_points():
    page = with_photo("bed_01.jpg", "bed_03.jpg")
    assert len(page.session_state["tray"].entries) == 2
    second = entry(page).photo.sha256
    page = changed(page, "Number on the display", 40.0)
    page = changed(page, "Photographed at", "extension")
    page.session_state["tray"].chosen = next(iter(page.session_state["tray"].entries))
    page.run()
    assert field(page, "Number on the display").value is None
    assert field(page, "Photographed at").value == "none"
    page.session_state["tray"].chosen = second
    page.run()
    assert field(page, "Number on the display").value == 40.0
    assert field(page, "Photographed at").value == "extension"


def ready() -> AppTest:
    page = changed(with_photo("bed_01.jpg"), "Number on the display", 93.0)
    page = changed(page, "Patient (code)", "p-017")
    return changed(page, "Machine (code)", "M-03")


def keep(page: AppTest, label: str = "Keep this measurement") -> AppTest:
    button(page, label).click()
    page.run()
    assert not page.exception
    return page


def test_one_tap_keeps_the_measurement_with_its_set_up(store_file):
    page = changed(ready(), "Machine paused at end range", True)
    page = changed(page, "Head of the bed", 30.0)
    page = keep(page)
    assert "Kept for P-017 and M-03: knee 88." in page.success[0].value
    assert "without the photo" in page.success[0].value
    (row,) = kept_rows(store_file)
    assert (row.person, row.machine, row.displayed_deg, row.has_photo) == (
        "P-017",
        "M-03",
        93,
        False,
    )
    assert (row.setup.ticks, row.setup.bed_head_deg) == (("paused",), 30.0)


def test_what_was_taped_or_printed_belongs_to_the_measurement(store_file):
    page = changed(ready(), "Thigh by tape", 400.0)
    page = changed(page, "Printed edge of a bar's tag", 30.0)
    page = keep(changed(page, "Diameter of the dots", 16.0))
    (row,) = kept_rows(store_file)
    with open_store(store_file) as store:
        settings = store.measurement(row.id).settings
    assert (settings.thigh_mm, settings.bar_tag_mm, settings.dot_mm) == (400.0, 30.0, 16.0)
    assert settings.tag_mm == 50.0


def test_the_photo_is_kept_only_when_ticked(store_file):
    keep(changed(ready(), "Keep the photo too", True))
    (row,) = kept_rows(store_file)
    assert row.has_photo


def test_a_change_after_keeping_is_kept_as_a_correction(store_file):
    page = keep(ready())
    page = changed(page, "Number on the display", 95.0)
    assert not page.success
    page = keep(page, "Keep the correction")
    assert "Kept for P-017" in page.success[0].value
    (row,) = kept_rows(store_file)
    assert (row.displayed_deg, row.corrects is not None) == (95, True)


def test_an_answer_that_was_not_seen_is_not_kept(store_file):
    page = ready()
    field(page, "Number on the display").set_value(50.0)
    page = keep(page)
    assert "Not kept: the answer has changed" in page.error[0].value
    assert kept_rows(store_file) == ()
    assert "Kept for" in keep(page).success[0].value


@pytest.mark.parametrize(
    ("person", "machine", "message"),
    [
        pytest.param("", "", "give the code of the patient or of the machine", id="no code"),
        pytest.param("Smith", "M-03", "a person code must have", id="a name is no code"),
    ],
)
def test_what_cannot_be_kept_is_said_and_nothing_is_lost(store_file, person, machine, message):
    page = changed(changed(ready(), "Patient (code)", person), "Machine (code)", machine)
    page = keep(page)
    assert message in page.error[0].value
    assert page.error[0].value.startswith("Not kept: ")
    assert kept_rows(store_file) == ()
    assert "Display agrees" in html(page)
    assert field(page, "Number on the display").value == 93.0


def test_a_store_that_cannot_be_used_is_told_and_the_answer_stays(store_file):
    store_file.write_bytes(b"no database, but long enough to be taken for a broken one" * 50)
    page = ready()
    assert page.error[0].value.startswith("The prescribed limits are not known: ")
    page = keep(page)
    (told,) = [e.value for e in page.error if e.value.startswith("Not kept: ")]
    assert "Nothing here is lost" in told
    assert "Display agrees" in html(page)


def test_a_code_that_nobody_knew_is_said_with_the_way_back(store_file):
    with open_store(store_file) as store:
        store.add_machine("M-03")
    (told,) = keep(ready()).warning
    assert "**New person P-017 added**" in told.value
    assert "keep the correction" in told.value


def test_a_known_code_is_kept_without_a_warning(store_file):
    with open_store(store_file) as store:
        store.add_person("P-017")
        store.add_machine("M-03")
    assert not keep(ready()).warning


def test_a_measurement_taken_back_elsewhere_can_be_kept_again(store_file):
    page = keep(ready())
    with open_store(store_file) as store:
        (row,) = store.measurements()
        store.withdraw_measurement(row.id, "other")
    page.session_state["visit"].no_longer_kept(row.id)
    page = keep(page.run())
    (again,) = kept_rows(store_file)
    assert again.id != row.id


def test_a_machine_set_past_the_prescription_is_said():
    page = changed(ready(), "Prescribed flexion", 120.0)
    page = changed(page, "Flexion set", 125.0)
    assert "set to 125.0°, past the prescribed flexion of 120.0°. Stop the machine" in html(page)
    assert "past the prescribed flexion" not in html(changed(page, "Flexion set", 120.0))


def test_a_known_persons_limits_are_the_prescribed_ones(store_file):
    with open_store(store_file) as store:
        store.add_person("P-017")
        store.prescribe("P-017", from_day=date(2026, 1, 1), flexion_deg=85, extension_deg=5)
    answer = html(ready())
    assert "PAST THE PRESCRIBED FLEXION" in answer
    assert "5° short of straight to 85° prescribed" in answer


def test_the_limits_are_those_of_the_knee_in_the_photo_and_the_other_one_is_asked_about(store_file):
    """The photo shows a left knee at 88°."""
    with open_store(store_file) as store:
        store.add_person("P-017")
        store.prescribe(
            "P-017", from_day=date(2026, 1, 1), flexion_deg=60, extension_deg=None, side="right"
        )
    answer = html(ready())
    asked = "The photo shows a left knee, the prescription is for the right</b>Which is it?"
    assert asked in answer
    assert "PAST THE PRESCRIBED FLEXION" in answer
    with open_store(store_file) as store:
        store.prescribe(
            "P-017", from_day=date(2026, 1, 1), flexion_deg=120, extension_deg=None, side="left"
        )
    answer = html(ready())
    assert "Which is it?" not in answer
    assert "PAST" not in answer
    assert "flexion to 120° prescribed" in answer
