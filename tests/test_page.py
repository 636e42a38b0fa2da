"""The bedside page's logic, by Streamlit's own test driver."""

from __future__ import annotations

from conftest import SAMPLES, scenes
from streamlit.testing.v1 import AppTest

from knee_angle.page.server import SCRIPT


def opened() -> AppTest:
    page = AppTest.from_file(str(SCRIPT), default_timeout=60).run()
    assert not page.exception
    return page


def with_photo(name: str) -> AppTest:
    page = opened()
    page.file_uploader[0].upload(name, (SAMPLES / name).read_bytes(), "image/jpeg")
    page.run()
    assert not page.exception
    return page


def html(page: AppTest) -> str:
    return " ".join(str(element.proto) for element in page.get("html"))


def test_an_empty_page_says_how_to_photograph_and_shows_the_caution():
    page = opened()
    assert "Stand square to the leg" in page.info[0].value
    assert any("not a medical device" in c.value for c in page.caption)


def test_photo_and_number_give_one_clear_answer():
    page = with_photo("bed_01.jpg")
    page.number_input[0].set_value(93.0).run()
    assert not page.exception
    assert "Display agrees" in html(page)
    assert "left knee, 95 % between" in html(page)


def test_a_broken_photo_is_told_and_nothing_breaks():
    page = opened()
    page.file_uploader[0].upload(
        "broken.jpg", (SAMPLES / "bed_01.jpg").read_bytes()[:4000], "image/jpeg"
    )
    page.run()
    assert not page.exception
    assert "could not be read" in page.error[0].value


def test_points_can_be_corrected_by_number_and_taken_back():
    scene = scenes(image="bed_06.jpg")[0]
    page = with_photo("bed_06.jpg")
    before = html(page)
    knee_x = next(n for n in page.number_input if n.label == "knee x")
    knee_x.set_value(scene.truth["landmarks"]["knee"]["marker_px"][0] + 40)
    next(b for b in page.button if b.label == "Measure with these points").click().run()
    assert not page.exception
    assert html(page) != before
    next(b for b in page.button if b.label == "Back to the points found").click().run()
    assert html(page) == before
