"""A new user with a phone, paired by the code that a computer shows: taps and seconds.

    python tests/bench/bench_new_user.py [SHOTS_FOLDER]

A ward's page on this machine with a patient and a machine in its store. The phone (390 x 844,
touch) reads the code off the computer's screen, takes both ends of a leg in its machine, types
both numbers off the display and keeps the visit. Counted is every tap from the code on; the
seconds run from there too, with nobody's hesitation in them. In Debian's Chromium.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from datetime import date
from pathlib import Path

from playwright.sync_api import Locator, Page, sync_playwright

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
import browsers
from conftest import SAMPLES
from serving import free_port
from test_ward_browser import COMPUTER, PHONE, opened, scanned, signs_in
from warding import Served, ward, with_accounts

from knee_angle.store import open_store

PHOTOS = (("series_d_1.jpg", "12"), ("series_d_6.jpg", "107"))
"""Both ends of one rigid machine, and what its display says there."""


class Phone:
    """What the user does with the phone, tap by tap."""

    def __init__(self, page: Page) -> None:
        self.page, self.taps = page, 0

    def tap(self, target: Locator) -> None:
        """One tap, and what the page makes of it."""
        self.taps += 1
        target.tap()
        self.settled()

    def settled(self) -> None:
        """The page stands still."""
        self.page.wait_for_timeout(120)
        self.page.locator("[data-testid=stApp][data-test-script-state=notRunning]").wait_for()

    def photographs(self, name: str) -> None:
        """A tap on the camera's button; the phone's own camera is not ours to count."""
        before = self.page.locator(".photos li").count()
        self.taps += 1
        self.page.locator(".take input").set_input_files(SAMPLES / name)
        self.page.locator(".photos li").nth(before).wait_for()
        self.page.locator(".handle").first.wait_for(state="attached")
        self.settled()

    def types(self, label: str, text: str) -> None:
        """A tap into the field, the number, Enter."""
        field = self.page.get_by_label(label, exact=True)
        self.taps += 1
        field.tap()
        field.fill(text)
        field.press("Enter")
        self.settled()


def main() -> None:
    """Print taps, seconds, and what the store holds."""
    folder = Path(tempfile.mkdtemp(prefix="knee-new-user-"))
    place = str(folder / "ward.db")
    with_accounts(place)
    with open_store(place) as store:
        store.add_machine("M-03")
        store.add_person("P-017")
        store.prescribe("P-017", from_day=date(2026, 1, 1), flexion_deg=115, extension_deg=0)
    with ward(folder, free_port()) as served, sync_playwright() as playwright:
        chromium = playwright.chromium.launch(
            executable_path=browsers.chromium(), args=["--no-sandbox"]
        )
        computer = opened(chromium, served, **COMPUTER)
        signs_in(computer, "therapist-1")
        computer.goto(f"{served.url}/ward/devices")
        computer.get_by_role("button", name="Pair a phone").click()
        phone, seconds = paired_and_kept(opened(chromium, served, **PHONE), served, computer)
        if len(sys.argv) > 1:
            phone.page.screenshot(path=Path(sys.argv[1]) / "kept.png")
        chromium.close()
        with open_store(place) as store:
            (kept,) = store.visits(person="P-017", machine="M-03")
    shown = [knee.displayed_deg for knee in kept.knees]
    load = os.getloadavg()[0]
    print(f"{phone.taps} taps, {seconds:.0f} s, kept with displays {shown}; load {load:.0f}")


def paired_and_kept(page: Page, served: Served, computer: Page) -> tuple[Phone, float]:
    """From the code on the computer's screen to the kept visit."""
    phone = Phone(page)
    code = scanned(computer)
    begun = time.monotonic()
    page.goto("about:blank")
    page.goto(code)
    assert code.startswith(served.url)
    phone.taps += 1
    page.get_by_role("button", name="Use this phone").tap()
    page.get_by_text("P-017", exact=True).wait_for()
    phone.tap(page.get_by_text("P-017", exact=True))
    phone.tap(page.get_by_text("M-03", exact=True))
    labels = ("Number on the display", "Number on the display, photo 2")
    for (name, number), label in zip(PHOTOS, labels, strict=True):
        phone.photographs(name)
        phone.types(label, number)
    page.locator(".answer.visit").get_by_text("107°").wait_for()
    phone.tap(page.get_by_role("button", name="Keep this visit"))
    page.get_by_text("Kept for P-017 and M-03: a visit of 2 photos").wait_for()
    return phone, time.monotonic() - begun


if __name__ == "__main__":
    main()
