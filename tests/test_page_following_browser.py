"""People and machines in a real browser: charts drawn, no sideways scroll, axe, no request out."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime

import pytest
from axe_playwright_python.sync_playwright import Axe
from serving import free_port, running
from stores import invented_ward
from test_page_browser import (
    DESKTOP,
    PHONE,
    STREAMLITS_OWN,
    browser,  # noqa: F401 - a fixture, used by its name
    visiting,
)

from knee_angle.cli import serving
from knee_angle.store import open_store

OVER_THE_EDGE = """
() => {
  const all = document.querySelector('.block-container');
  const edge = all.getBoundingClientRect().right - parseFloat(getComputedStyle(all).paddingRight);
  const tables = [...document.querySelectorAll('table.followed')];
  for (const table of tables) table.style.fontFamily = 'sans-serif';
  return tables
    .filter(table => table.checkVisibility() && table.getBoundingClientRect().right > edge + 0.5)
    .map(table => table.caption?.innerText);
}
"""
"""Tables that reach into the margin, in the wider letters that the page of a ward has."""


@pytest.fixture(scope="module")
def ward(tmp_path_factory) -> Iterator[str]:
    """The address of a server whose store holds an invented ward."""
    path = tmp_path_factory.mktemp("ward") / "ward.db"
    with open_store(path) as store:
        invented_ward(store, today=datetime.now(UTC))
    port = free_port()
    with running(serving.command(port=port), port, KNEE_ANGLE_STORE=str(path)) as address:
        yield address


@pytest.mark.parametrize(
    ("link", "code", "shown", "symbols"),
    [
        # 11 days with two ends, knee and display each; 14 checks.
        pytest.param("People", "P-017", "Neutral-zero", 44, id="people"),
        pytest.param("Machines", "M-03", "Largest difference", 14, id="machines"),
    ],
)
def test_a_person_and_a_machine_are_followed(browser, ward, link, code, shown, symbols):  # noqa: F811
    with visiting(browser, ward, PHONE) as visit:
        page = visit.page
        visit.tap(page.get_by_role("link", name=link, exact=True))
        page.get_by_role("combobox").wait_for()
        visit.settled()
        if link == "Machines":
            visit.tap(page.get_by_role("combobox", name="Machine (code)"))
            visit.tap(page.get_by_role("option", name=code, exact=True))
            page.get_by_text("beyond the control limits").wait_for()
            visit.settled()
        assert page.get_by_text(shown).first.is_visible()
        assert page.locator("table.followed").first.is_visible()
        chart = page.locator("[data-testid=stVegaLiteChart] svg.marks")
        chart.wait_for()
        assert chart.locator("g.mark-symbol path").count() >= symbols
        for size in (DESKTOP, PHONE):
            visit.resized(size)
            assert chart.locator("g.mark-symbol path").count() >= symbols
            farthest = (
                "Math.max(...[...document.querySelectorAll('section *')]"
                ".map(e => e.getBoundingClientRect().right))"
            )
            assert page.evaluate(farthest) <= size["viewport"]["width"]
        for details in page.locator("[data-testid=stExpander] summary").all():
            visit.tap(details)
        visit.settled()
        assert page.evaluate(OVER_THE_EDGE) == []
        found = Axe().run(page).response["violations"]
        wrong = [
            (violation["id"], node["html"][:200])
            for violation in found
            for node in violation["nodes"]
            if STREAMLITS_OWN.get(violation["id"], "no part") not in node["html"]
        ]
        assert wrong == []
