"""Phones and a computer at once at a ward's page: errors, seconds, the server's memory.

    python tests/bench/bench_ward.py [ROUNDS] [EVERY_S] [PHONES]   (default 34, no pause, 2)

In each round every browser begins a new visit and sends one photo; then, while the others go on,
two numbers of the display are typed on each. Rounds begin EVERY_S seconds apart at the least.
After each round a line: memory of the server, errors, the machine's load; at the end median and
95 % of the seconds from sending a photo to its points, and from the tap that ends a number to the
answer that holds it. In Debian's Chromium, over TLS on this machine; the browsers share its cores
with the server. Half an hour at a ward's pace: ``bench_ward.py 60 30 5``.
"""

from __future__ import annotations

import itertools
import os
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import psutil
from playwright.sync_api import Browser, Page, sync_playwright

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from browsers import chromium
from conftest import SAMPLES
from serving import free_port
from warding import RIGHT, Served, ward, with_accounts

PHONE = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}
COMPUTER = {"viewport": {"width": 1440, "height": 900}}
PHOTOS = sorted(SAMPLES.glob("bed_*.jpg")) + sorted(SAMPLES.glob("series_*.jpg"))


def signed_in(browser: Browser, served: Served, like: dict[str, object]) -> tuple[Page, list[str]]:
    """A browser of its own, and what went wrong in it."""
    page = browser.new_context(ignore_https_errors=True, **like).new_page()
    wrong: list[str] = []
    page.set_default_timeout(120_000)
    page.goto(served.url)
    page.get_by_label("Account").fill("therapist-1")
    page.get_by_label("Password").fill(RIGHT)
    page.get_by_role("button", name="Sign in").click()
    page.get_by_role("heading", level=1).first.wait_for()
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("response", lambda got: wrong.append(f"{got.status} {got.url}")
            if got.status >= 400 else None)  # fmt: skip
    return page, wrong


def one_round(served: Served, pages: list[Page], photos: itertools.cycle[Path]) -> list[float]:
    """Each begins a visit and sends a photo; then each waits for its points: seconds of each.

    They are waited for one after the other, so a figure is at most too long.
    """
    sent = []
    for page in pages:
        page.goto(served.url)
        page.locator(".take input").first.set_input_files(next(photos))
        sent.append(time.monotonic())
    took = []
    for page, at in zip(pages, sent, strict=True):
        page.locator(".handle").first.wait_for(state="attached")
        took.append(time.monotonic() - at)
    return took


def tapped(pages: list[Page]) -> list[float]:
    """Two numbers typed on each: seconds from the tap that ends one to the answer with it."""
    took = []
    for number, page in itertools.product(("41", "67"), pages):
        page.get_by_label("Number on the display").fill(number)
        began = time.monotonic()
        page.get_by_label("Number on the display").press("Enter")
        page.locator(".answer").get_by_text(f"{number}°").first.wait_for(state="attached")
        took.append(time.monotonic() - began)
    return took


def resident_mb(served: Served) -> float:
    """Of the server's process and those below it."""
    total = 0
    for one in psutil.process_iter(["cmdline"]):
        line = one.info["cmdline"] or []
        if "knee_angle.page" in line and str(served.port) in line:
            total += one.memory_info().rss
            total += sum(below.memory_info().rss for below in one.children(recursive=True))
    return total / 1e6


def main() -> None:
    """Print a line a round."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 34
    every_s = float(sys.argv[2]) if len(sys.argv) > 2 else 0.0
    phones = int(sys.argv[3]) if len(sys.argv) > 3 else 2
    folder = Path(tempfile.mkdtemp(prefix="knee-ward-"))
    with_accounts(str(folder / "ward.db"))
    photos = itertools.cycle(PHOTOS)
    with ward(folder, free_port()) as served, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium(), args=["--no-sandbox"])
        here = [signed_in(browser, served, like) for like in (*[PHONE] * phones, COMPUTER)]
        begin, took, taps = time.monotonic(), [], []
        for number in range(1, rounds + 1):
            time.sleep(max(0.0, begin + (number - 1) * every_s - time.monotonic()))
            took += one_round(served, [page for page, _ in here], photos)
            taps += tapped([page for page, _ in here])
            wrong = [line for _, lines in here for line in lines]
            print(
                f"{len(here) * number:4} photos  {time.monotonic() - begin:6.0f} s  "
                f"{resident_mb(served):6.0f} MB  load {os.getloadavg()[0]:.1f}  "
                f"{len(wrong)} errors {wrong[-2:]}",
                flush=True,
            )
        for what, seconds in (("sending to points", took), ("tap to answer", taps)):
            middle, late = np.percentile(seconds, [50, 95])
            print(f"from {what}: median {middle:.1f} s, 95 % {late:.1f} s, {len(seconds)} in all")
        browser.close()


if __name__ == "__main__":
    main()
