"""A film on the visit's page: chosen, measured, shown with its limits first, kept as a visit."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import pytest
from drawn_clips import Clip, filmed
from streamlit.testing.v1 import AppTest
from test_page import button, changed, html, opened

from knee_angle.clip.numbers import typed_numbers
from knee_angle.errors import InvalidInput
from knee_angle.page import film_at_work
from knee_angle.page.film_at_work import AtWork
from knee_angle.records import NotMeasured
from knee_angle.store import open_store

SHORT = Clip(seconds=2.5, cycle_s=5.0, person_s=None, exposure_s=None, bars_deg=(30.0, 70.0))


pytestmark = pytest.mark.usefixtures("store_file")


def asked() -> AppTest:
    """The page with its field for a film, which is not in the way of photos."""
    return tapped(opened(), "A film of one cycle")


def with_film(page: AppTest, path: Path) -> AppTest:
    film = next(one for one in page.file_uploader if one.label == "Film")
    film.set_value([(path.name, path.read_bytes(), "video/mp4")]).run()
    assert not page.exception
    return page


def tapped(page: AppTest, label: str) -> AppTest:
    button(page, label).click().run()
    assert not page.exception
    return page


def test_a_film_is_measured_its_alarm_comes_first_and_it_is_kept(store_file, tmp_path):
    path = filmed(SHORT, tmp_path / "cycle.mp4")
    page = changed(asked(), "Patient (code)", "P-017")
    page = changed(page, "Prescribed flexion", 50.0)
    page = changed(page, "Numbers on the display", "0 27; 1 44; 2 66")
    page = tapped(with_film(page, path), "Measure the film")
    said = html(page)
    assert "THE DISPLAY IS PAST THE PRESCRIBED FLEXION" in said
    assert said.index("THE DISPLAY IS PAST") < said.index("KNEE    ")
    for told in ("LIMIT   ", "ARC     ", "SURE    ", ">verdict</th>", "<td>flexion</td>"):
        assert told in said
    page = tapped(page, "Keep the film's numbers")
    assert any("Kept as a visit" in one.value for one in page.success)
    with open_store(store_file) as store:
        rows = store.measurements(person="P-017")
        assert len(rows) >= 3
        assert len({row.setup.visit for row in rows}) == 1
        assert len(store.visits(person="P-017")) == 1


def test_an_answer_to_other_numbers_is_not_shown(tmp_path):
    path = filmed(SHORT, tmp_path / "cycle.mp4")
    page = tapped(with_film(asked(), path), "Measure the film")
    assert "ARC     " in html(page)
    assert "numbers were not given" in html(page)
    assert "--table" not in html(page)  # there is no command line here
    page = changed(page, "Numbers on the display", "0 27; 1 44; 2 66")
    assert "ARC     " not in html(page)
    assert button(page, "Measure the film")


def test_what_is_no_film_is_told_on_the_page(tmp_path):
    path = tmp_path / "torn.mp4"
    path.write_bytes(b"hello")
    page = tapped(with_film(asked(), path), "Measure the film")
    assert any("no film of a kind that is read" in one.value for one in page.error)


def test_a_film_that_was_stopped_can_be_measured_again(tmp_path, monkeypatch):
    path = filmed(replace(SHORT, seconds=0.24, per_second=30.0), tmp_path / "moment.mp4")
    with monkeypatch.context() as left:
        left.setattr(film_at_work, "LEFT_S", -1.0)
        page = tapped(with_film(asked(), path), "Measure the film")
    assert any("before it was stopped" in one.value for one in page.warning)
    page = tapped(page, "Measure the film")
    assert [one.value for one in page.warning if "0.2 s" in one.value]
    assert not [one for one in page.button if one.label == "Measure the film"]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        pytest.param("0 12; 5", "two numbers like 5 30", id="half a pair"),
        pytest.param("0 12; five 30", "two numbers like 5 30", id="a word"),
        pytest.param("-1 12", "0 or more", id="before the film"),
        pytest.param("0 930", "decimal point", id="no knee has it"),
    ],
)
def test_numbers_that_cannot_be_are_told(text, told):
    with pytest.raises(InvalidInput, match=told):
        typed_numbers(text)


def test_numbers_are_typed_pair_by_pair_and_none_are_none():
    readings = typed_numbers("0 12; 5,5 30\n10 48")
    assert readings.seconds.tolist() == [0.0, 5.5, 10.0]
    assert readings.displayed_deg.tolist() == [12.0, 30.0, 48.0]
    assert typed_numbers(" ") is None


@pytest.mark.parametrize("how", ["somebody taps stop", "nobody looks any more"])
def test_a_film_at_work_goes_on_through_taps_and_ends_where(how, monkeypatch):
    def measure(progress, stop):
        progress(1.0, 4.0)
        while not stop():
            time.sleep(0.01)
        return NotMeasured("stopped", "-")

    work = AtWork("this film", measure)
    while not (share := work.look(wait_s=0.01)):
        assert share is not None
    assert share == 0.25
    if how == "somebody taps stop":
        work.stop()
    else:
        monkeypatch.setattr(film_at_work, "LEFT_S", 0.05)
        time.sleep(0.1)
    assert work.look(wait_s=5.0) is None
    assert work.outcome.reason == "stopped"


def test_what_goes_wrong_while_a_film_is_measured_is_raised_where_it_is_looked_at():
    def refused(_progress, _stop):
        raise InvalidInput("no")

    def broken(_progress, _stop):
        raise ZeroDivisionError

    work = AtWork("this film", refused)
    assert work.look(wait_s=5.0) is None
    assert str(work.trouble) == "no"
    with pytest.raises(ZeroDivisionError):
        AtWork("this film", broken).look(wait_s=5.0)
