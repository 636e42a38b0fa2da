"""The page: what the photo shows of the display stands beside the number, one tap takes it."""

from __future__ import annotations

from test_page import button, changed, entry, field, html, store_file, with_photo  # noqa: F401

NUMBER = "Number on the display"


def offers(page):
    return [one.label for one in page.button if "display say" in one.label]


def test_a_number_that_was_read_is_shown_and_counts_only_after_a_tap():
    page = with_photo("bed_02.jpg")
    assert 'class="display"' in html(page)
    assert field(page, NUMBER).value is None
    assert "DISPLAY" not in html(page) or "DISPLAY 32" not in html(page)
    result = entry(page).answered[1]
    assert result.displayed is None
    assert result.display.clear_number == 32.0
    button(page, "The display says 32: take it").click().run()
    assert not page.exception
    assert field(page, NUMBER).value == 32.0
    assert entry(page).answered[1].displayed.deg == 32.0
    assert not offers(page)
    assert 'class="display"' in html(page), "the picture stays beside the number"


def test_a_typed_number_counts_and_the_other_one_is_offered_and_told():
    page = changed(with_photo("bed_02.jpg"), NUMBER, 38.0)
    result = entry(page).answered[1]
    assert result.displayed.deg == 38.0
    assert any("says 32" in caution for caution in result.cautions)
    assert offers(page) == ["The display says 32: take it"]


def test_a_photo_without_a_display_offers_nothing():
    page = with_photo("bed_04.jpg")
    assert not offers(page)
    assert 'class="display"' not in html(page)
