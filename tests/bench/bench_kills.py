"""One visit on a phone-sized page whose server is killed at a random moment of each of its steps.

    python tests/bench/bench_kills.py [SEED]

Twenty steps: photos, their numbers, moved points, codes, a limit, and keeping. In each the server
gets SIGKILL between 0 and 2.5 s after the step began and is started again; the page is loaded
anew from its address. What was on the screen before must still be there; the step itself is done
again where it is not there. At the end the store must hold the visit once and whole. In Debian's
Chromium, on this machine.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import signal
import sys
import tempfile
import time
import urllib.request
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from playwright.sync_api import Error, Page, sync_playwright

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from browsers import chromium
from conftest import SAMPLES
from serving import free_port, running

from knee_angle.cli import serving
from knee_angle.store import open_store

PHONE = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}
PHOTOS = {"series_d_1": "12", "series_d_2": "31", "series_d_3": "50", "series_d_4": "69",
          "series_d_6": "107"}  # fmt: skip
LATEST_S = 2.5


@dataclass
class Step:
    """One thing that a therapist does, and how the page shows that it took it."""

    name: str
    do: Callable[[Page], None]
    stands: Callable[[Page], bool]


@dataclass
class Told:
    """What happened."""

    kills: int = 0
    lost: list[str] = field(default_factory=list)
    again: int = 0


def field_of(page: Page, label: str) -> str:
    """What stands in a field; empty where it is not on the page."""
    target = page.get_by_label(label, exact=True)
    return str(target.input_value()).strip() if target.count() else ""


def typed(label: str, text: str) -> Step:
    def do(page: Page) -> None:
        opened(page, label)
        target = page.get_by_label(label, exact=True)
        target.fill(text)
        target.press("Enter")

    def stands(page: Page) -> bool:
        opened(page, label)
        return field_of(page, label).upper() == text.upper()

    return Step(f"{label}: {text}", do, stands)


def opened(page: Page, label: str) -> None:
    """Unfold what holds a field."""
    target = page.get_by_label(label, exact=True)
    for fold in ("change", "Prescribed limits, display, sizes"):
        head = page.locator("summary").filter(has_text=fold)
        if not (target.count() and target.is_visible()) and head.count():
            head.first.click()
            page.wait_for_timeout(400)


def photographed(number: int, name: str) -> Step:
    def do(page: Page) -> None:
        page.locator(".take input").first.set_input_files(SAMPLES / f"{name}.jpg")

    return Step(f"photo {number}", do, lambda page: page.locator(".photos li").count() >= number)


def numbered(number: int, text: str) -> Step:
    """The number of a photo: its label names it where there are several."""

    def label(page: Page) -> str:
        several = page.locator(".photos li").count() > 1
        return f"Number on the display{f', photo {number}' if several else ''}"

    def do(page: Page) -> None:
        target = page.get_by_label(label(page), exact=True)
        target.fill(text)
        target.press("Enter")

    def stands(page: Page) -> bool:
        return page.locator(".photos li").nth(number - 1).inner_text().split()[-1] == text

    return Step(f"number {number}", do, stands)


def moved(number: int, store: Path) -> Step:
    """A point of the photo that is shown, by keys; whether it stands is read in the draft."""
    name = ("hip", "knee", "ankle")[number % 3]

    def do(page: Page) -> None:
        page.locator(f".handle[data-name={name}]").first.focus()
        for _ in range(4):
            page.keyboard.press("ArrowRight")

    def stands(_: Page) -> bool:
        (draft,) = store.with_name(f"{store.name}-drafts").glob("*/draft.json")
        photos = json.loads(draft.read_bytes())["state"]["photos"].values()
        in_order = sorted(photos, key=lambda one: one["order"])
        return len(in_order) >= number and name in in_order[number - 1]["moved"]

    return Step(f"point {name}, photo {number}", do, stands)


def steps(store: Path) -> list[Step]:
    """The visit."""
    found = [typed("Patient (code)", "P-017"), typed("Machine (code)", "M-03")]
    for number, (name, shows) in enumerate(PHOTOS.items(), 1):
        found += [photographed(number, name), numbered(number, shows), moved(number, store)]
    found += [typed("Prescribed flexion", "120"), typed("Prescribed extension", "0")]
    kept = Step(
        "keep",
        lambda page: page.get_by_role("button", name="Keep this visit").click(),
        lambda page: (
            page.get_by_text("Kept for P-017 and M-03").count() > 0
            or page.get_by_text("it was kept, once and whole").count() > 0
        ),
    )
    return [*found, kept]


def settled(page: Page) -> None:
    page.wait_for_timeout(250)
    page.locator("[data-testid=stApp][data-test-script-state=notRunning]").wait_for()


def acknowledged(page: Page, step: Step) -> bool:
    """Whether the page shows it now."""
    try:
        return step.stands(page)
    except Error:
        return False


def done(page: Page, step: Step, *, within_s: float = 60.0) -> None:
    step.do(page)
    ends = time.monotonic() + within_s
    while not step.stands(page):
        if time.monotonic() > ends:
            raise AssertionError(f"{step.name} was not done")
        page.wait_for_timeout(200)
    settled(page)
    page.wait_for_timeout(600)  # a moved point is sent after a pause


def main() -> None:
    """Print a line a kill, then what was lost."""
    rng, told = random.Random(int(sys.argv[1]) if len(sys.argv) > 1 else 1), Told()  # noqa: S311
    port, folder = free_port(), Path(tempfile.mkdtemp(prefix="knee-kills-"))
    store = folder / "kept.db"
    with open_store(store) as opened_store:
        opened_store.add_person("P-017")
        opened_store.add_machine("M-03")
    command = serving.command(port=port)
    before: list[Step] = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium(), args=["--no-sandbox"])
        page = browser.new_context(**PHONE).new_page()
        page.set_default_timeout(180_000)
        address = f"http://127.0.0.1:{port}"
        server = started(command, port, store)
        begun(page, address, before, told)
        for step in steps(store):
            after_s, at = rng.uniform(0.0, LATEST_S), time.monotonic()
            with contextlib.suppress(Error):
                step.do(page)
                page.wait_for_timeout(max(0.0, 1000 * (at + after_s - time.monotonic())))
            was = acknowledged(page, step)
            os.kill(process_of(address), signal.SIGKILL)
            told.kills += 1
            server.close()
            server = started(command, port, store)
            begun(page, address, before, told)
            there = acknowledged(page, step)
            load = f"load {os.getloadavg()[0]:.1f}"
            print(f"{told.kills:3}  {step.name:28} after {after_s:4.1f} s  shown {was}  "
                  f"there {there}  {load}", flush=True)  # fmt: skip
            if was and not there:
                told.lost.append(f"{step.name} (shown before the kill)")
            if not there:
                told.again += 1
                done(page, step)
            before.append(step)
        server.close()
        browser.close()
    with open_store(store) as opened_store:
        visits = opened_store.visits(person="P-017")
        rows = opened_store.measurements(person="P-017")
    print(f"{told.kills} kills, {told.again} steps done again, lost: {told.lost or 'nothing'}")
    print(f"kept: {len(visits)} visit, {len(rows)} photos, "
          f"displays {[k.displayed_deg for v in visits for k in v.knees]}")  # fmt: skip


def begun(page: Page, address: str, before: list[Step], told: Told) -> None:
    """The page, loaded anew from its own address; everything of before must stand."""
    page.goto(page.url if page.url.startswith(address) else address)
    page.get_by_role("heading", level=1).first.wait_for()
    settled(page)
    photos = sum(step.name.startswith("photo") for step in before)
    if photos:
        page.locator(".photos li").nth(photos - 1).wait_for()
        page.locator(".handle").first.wait_for(state="attached")
        settled(page)
    for step in before:
        if not acknowledged(page, step):
            told.lost.append(step.name)


def started(command: list[str], port: int, store: Path) -> contextlib.ExitStack:
    """A server that answers; closed, it is gone."""
    stack = contextlib.ExitStack()
    stack.enter_context(running(command, port, KNEE_ANGLE_STORE=str(store)))
    return stack


def process_of(address: str) -> int:
    """The process that answers."""
    with urllib.request.urlopen(f"{address}/_stcore/health") as answer:
        return int(answer.headers[serving.WHO].split()[-1])


if __name__ == "__main__":
    main()
