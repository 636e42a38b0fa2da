"""The page: the display's number is read when asked, stands beside its picture, and is taken."""

from __future__ import annotations

import pytest
from test_page import button, entry, field, html, with_photo

from knee_angle.page import shown
from knee_angle.records.shown import DisplaySeen, NumberSeen

pytestmark = pytest.mark.usefixtures("store_file")

NUMBER = "Number on the display"


def reads(monkeypatch, probability):
    one = NumberSeen(32.0, "angle", "32°", probability, ((0, 0), (9, 0), (9, 9), (0, 9)), 14.0)
    display = DisplaySeen("unsure", "it is unclear", (one,), one, b"a picture")
    monkeypatch.setattr(shown, "read_display", lambda *_, **__: display)


def test_a_number_stands_beside_its_picture_and_counts_when_it_is_taken(monkeypatch):
    reads(monkeypatch, 0.97)
    page = with_photo("bed_02.jpg")
    assert 'class="display"' in html(page)
    assert field(page, NUMBER).value is None
    assert entry(page).answered[1].displayed is None
    button(page, "Does the display say 32? Take it").click().run()
    assert not page.exception
    assert field(page, NUMBER).value == 32.0
    assert entry(page).answered[1].displayed.deg == 32.0
    assert 'class="display"' in html(page), "the picture stays beside the number"
    with pytest.raises(StopIteration):
        button(page, "Does the display say")


def test_an_unlikely_number_is_not_offered_but_its_picture_is(monkeypatch):
    reads(monkeypatch, 0.5)
    page = with_photo("bed_02.jpg")
    assert 'class="display"' in html(page)
    assert "not clearly read" in " ".join(one.value for one in page.caption)
    with pytest.raises(StopIteration):
        button(page, "Does the display say")


def test_a_photo_without_a_display_asks_for_nothing(monkeypatch):
    none = DisplaySeen("none", "no number was seen on a display")
    monkeypatch.setattr(shown, "read_display", lambda *_, **__: none)
    page = with_photo("bed_02.jpg")
    assert 'class="display"' not in html(page)
    assert "not clearly read" not in " ".join(one.value for one in page.caption)
