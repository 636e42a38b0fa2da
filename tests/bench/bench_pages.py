"""How long each page takes to open with 10,000 measurements in the store.

    python tests/bench/bench_pages.py

Seconds in Chromium from asking for a page until its main content stands there: by its
address (a new visit, everything loaded) and by its link (from another page), median of 5.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
import browsers
from bench_store import filled
from serving import free_port, running
from stores import invented_ward

from knee_angle.cli import serving
from knee_angle.store import open_store

PAGES = {
    "Measure": ("measure", "input[type=file]"),
    "People": ("people?person=P-007", "[data-testid=stVegaLiteChart] svg.marks"),
    "Machines": ("machines?machine=M-03", "[data-testid=stExpander]"),
    "Photograph": ("photograph", "h1:has-text('photograph')"),
}
REPEATS = 5


def seconds(job: Callable[[], object]) -> float:
    """Median over some repeats, after one to warm up."""
    job()
    times = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        job()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def by_link(page: Page, address: str, name: str) -> float:
    """Opened by its link from another page of the same visit."""
    other = "Photograph" if name != "Photograph" else "Measure"
    page.goto(address)
    times = []
    for _ in range(REPEATS):
        page.get_by_role("link", name=other, exact=True).click()
        page.locator(PAGES[other][1]).first.wait_for(state="attached")
        start = time.perf_counter()
        page.get_by_role("link", name=name, exact=True).click()
        page.locator(PAGES[name][1]).first.wait_for(state="attached")
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def main() -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        path = Path(folder) / "ward.db"
        with open_store(path) as store:
            filled(store)
            invented_ward(store, today=datetime.now(UTC))
            print(store.overview().counts)
        port = free_port()
        chromium = playwright.chromium.launch(
            executable_path=browsers.chromium(), args=["--no-sandbox"]
        )
        with running(serving.command(port=port), port, KNEE_ANGLE_STORE=str(path)) as address:
            page = chromium.new_page(viewport={"width": 390, "height": 844})
            print(f"{'page':<14}{'by address, s':>16}{'by link, s':>14}")
            for name, (where, content) in PAGES.items():

                def opened(where: str = where, content: str = content) -> None:
                    page.goto(f"{address}/{where}")
                    page.locator(content).first.wait_for(state="attached")

                print(f"{name:<14}{seconds(opened):16.2f}{by_link(page, address, name):14.2f}")
        chromium.close()


if __name__ == "__main__":
    main()
