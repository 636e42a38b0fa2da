"""The ward's page in Debian's Chromium: a computer, and a phone that it pairs."""

from __future__ import annotations

import base64
import re
import time
from collections.abc import Iterator

import cv2
import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from browsers import needed_chromium
from conftest import SAMPLES
from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright
from serving import free_port
from warding import RIGHT, Served, ward, with_accounts

PHONE = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}
COMPUTER = {"viewport": {"width": 1440, "height": 900}}
AT_1_MBIT_BYTES = 5 * 1_000_000 // 8
"""What 5 s bring at 1 Mbit/s; the first heading has to need less. Seconds prints
tests/bench/bench_weight.py: here the machine may be busy."""


FONT = ".woff2"
"""Fonts come after the heading: until then it stands in the phone's own."""


@pytest.fixture(scope="module")
def served(tmp_path_factory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("ward")
    with_accounts(str(folder / "ward.db"))
    with ward(folder, free_port()) as running:
        yield running
    assert "Traceback" not in running.log.read_text()


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    path = needed_chromium()
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        yield started
        started.close()


@pytest.fixture(scope="module")
def computer(served, chromium) -> Iterator[Page]:
    """Signed in as a therapist."""
    page = opened(chromium, served, **COMPUTER)
    signs_in(page, "therapist-1")
    yield page
    page.context.close()


def opened(chromium: Browser, served: Served, **like: object) -> Page:
    context: BrowserContext = chromium.new_context(ignore_https_errors=True, **like)
    page = context.new_page()
    page.set_default_timeout(60_000)
    page.goto(served.url)
    return page


def signs_in(page: Page, name: str) -> None:
    page.get_by_label("Account").fill(name)
    page.get_by_label("Password").fill(RIGHT)
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("heading", level=1).first).to_be_visible(timeout=60_000)


def scanned(page: Page) -> str:
    """What a phone's camera reads off the screen: it looks until it does, some 3 s.

    From near and far: OpenCV reads some codes at one size and never at another.
    """
    for look in range(30):
        shot = np.frombuffer(page.locator("img.code").screenshot(), np.uint8)
        size = 0.5 + 0.1 * (look % 15)
        seen = cv2.resize(cv2.imdecode(shot, cv2.IMREAD_COLOR), None, fx=size, fy=size)
        text, _, _ = cv2.QRCodeDetector().detectAndDecode(seen)
        if text:
            break
        page.wait_for_timeout(100)
    return str(text)


def faults(page: Page) -> list[str]:
    return [one["id"] for one in Axe().run(page).response["violations"]]


def fits(page: Page) -> bool:
    """Nothing stands beyond the right edge."""
    return bool(page.evaluate("document.documentElement.scrollWidth <= innerWidth"))


@pytest.mark.parametrize("like", [PHONE, COMPUTER], ids=["phone", "computer"])
def test_the_sign_in_page_is_for_everybody(served, chromium, like):
    page = opened(chromium, served, **like)
    assert fits(page)
    assert faults(page) == []
    page.get_by_label("Account").fill("therapist-1")
    page.get_by_label("Password").fill("some wrong words")
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("alert")).to_contain_text("do not fit")
    page.context.close()


def test_a_phone_that_scans_the_code_measures_until_the_computer_ends_it(
    served, chromium, computer
):
    computer.goto(served.url)
    computer.get_by_role("link", name="Account and phones").click()
    computer.get_by_role("button", name="Pair a phone").click()
    expect(computer.locator("img.code")).to_be_visible()
    assert faults(computer) == []
    url = scanned(computer)
    assert re.fullmatch(rf"{served.url}/#join=[\w-]{{43}}", url)

    phone = opened(chromium, served, **PHONE)
    phone.goto("about:blank")
    phone.goto(url)
    phone.get_by_role("button", name="Use this phone").tap()
    expect(phone.get_by_role("heading", level=1).first).to_be_visible(timeout=60_000)
    assert "join" not in phone.url
    assert fits(phone)
    with phone.expect_response(lambda answer: "/visit-photos/" in answer.url) as sent:
        phone.locator(".take input").set_input_files(SAMPLES / "bed_01.jpg")
    assert sent.value.status == 200

    computer.goto(f"{served.url}/ward/devices")
    listed = computer.get_by_role("listitem").filter(has_text="paired")
    expect(listed).to_have_count(1)
    listed.get_by_role("button").click()
    begin = time.monotonic()
    expect(phone.get_by_label("Account")).to_be_visible(timeout=40_000)
    assert time.monotonic() - begin < 35  # 15 s, and a busy machine
    assert phone.locator("canvas, img, [data-testid=stApp]").count() == 0
    phone.context.close()


def test_a_scanned_code_that_was_used_says_so(served, chromium, computer):
    computer.goto(f"{served.url}/ward/devices")
    computer.get_by_role("button", name="Pair a phone").click()
    url = scanned(computer)
    for again in (False, True):
        phone = opened(chromium, served, **PHONE)
        phone.goto("about:blank")
        phone.goto(url)
        phone.get_by_role("button", name="Use this phone").tap()
        if again:
            expect(phone.get_by_role("alert")).to_contain_text("opens nothing any more")
        else:
            expect(phone.get_by_role("heading", level=1).first).to_be_visible()
        phone.context.close()


PAGES = {"measure": "", "people": "people", "machines": "machines"}
MAY = {
    "therapist": {"measure", "people", "machines"},
    "auditor": {"measure", "machines"},
    "researcher": {"people", "machines"},
    "admin": set(),
}


@pytest.mark.parametrize("role", MAY)
def test_a_role_sees_its_pages_and_is_told_of_the_others(served, chromium, role):
    page = opened(chromium, served, **PHONE)
    page.get_by_label("Account").fill(f"{role}-1")
    page.get_by_label("Password").fill(RIGHT)
    page.get_by_role("button", name="Sign in").click()
    no = page.get_by_text(f"The role {role} may not")
    for name, path in PAGES.items():
        page.goto(f"{served.url}/{path}")
        if name in MAY[role]:
            expect(page.get_by_role("heading", level=1).first).to_be_visible(timeout=60_000)
            assert no.count() == 0
        else:
            expect(no).to_be_visible(timeout=60_000)
        # Whoever landed where they may nothing finds the way out.
        expect(page.get_by_role("link", name="Account and phones")).to_be_visible(timeout=60_000)
    page.context.close()


def test_the_first_heading_needs_little_and_the_files_stay(served, chromium, computer):
    context = chromium.new_context(ignore_https_errors=True, **PHONE)
    context.add_cookies(computer.context.cookies())
    page = context.new_page()
    line = context.new_cdp_session(page)
    came: list[int] = []
    named: dict[str, str] = {}
    line.on(
        "Network.responseReceived",
        lambda told: named.setdefault(told["requestId"], told["response"]["url"]),
    )
    line.on(
        "Network.loadingFinished",
        lambda told: came.append(
            0 if named.get(told["requestId"], "").endswith(FONT) else told["encodedDataLength"]
        ),
    )
    frames: list[int] = []
    line.on(
        "Network.webSocketFrameReceived",
        lambda told: frames.append(len(base64.b64decode(told["response"]["payloadData"]))),
    )
    line.send("Network.enable")
    kept: set[str] = set()
    page.on("response", lambda got: kept.add(got.headers.get("cache-control", ""))
            if "/static/" in got.url else None)  # fmt: skip
    page.goto(served.url)
    expect(page.get_by_role("heading", level=1).first).to_be_visible(timeout=60_000)
    assert 100_000 < sum(came) + sum(frames) < AT_1_MBIT_BYTES
    assert kept == {"private, max-age=31536000, immutable"}
    manifest = page.evaluate("fetch('/ward/manifest.json').then((got) => got.json())")
    assert manifest["display"] == "standalone"
    for icon in manifest["icons"]:
        size = page.evaluate(
            "async (src) => { const i = new Image(); i.src = src; await i.decode();"
            " return `${i.width}x${i.height}` }",
            icon["src"],
        )
        assert size == icon["sizes"]
    context.close()


def test_two_phones_and_a_computer_at_once_each_measure_their_own(served, chromium):
    """The long watch, with the server's memory, is tests/bench/bench_ward.py."""
    photos = ["bed_01.jpg", "bed_02.jpg", "bed_03.jpg"]
    pages, wrong = [], []
    for like in (PHONE, PHONE, COMPUTER):
        page = opened(chromium, served, **like)
        signs_in(page, "therapist-1")
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on("response", lambda got: wrong.append(got.url) if got.status >= 400 else None)
        pages.append(page)
    for page, photo in zip(pages, photos, strict=True):
        # Chosen at once, before the page's own script is there: it must not be lost.
        page.goto(served.url)
        page.locator(".take input").first.set_input_files(SAMPLES / photo)
    for page in pages:
        page.locator(".handle").first.wait_for(state="attached", timeout=120_000)
        expect(page.locator(".photos li")).to_have_count(1)
    assert wrong == []
    for page in pages:
        page.context.close()
