"""A whole visit in a real browser on a phone: few taps, the phone's camera, nothing ever lost."""

from __future__ import annotations

import io
import itertools
import os
import re
import signal
import time
import urllib.request
from contextlib import ExitStack
from datetime import date

import pytest
from conftest import SAMPLES
from PIL import Image
from serving import free_port, running
from test_page_browser import (
    PHONE,
    browser,  # noqa: F401 - a fixture, used by its name
    in_the_browser,
    visiting,
)

from knee_angle.cli import serving
from knee_angle.store import open_store

EXTENSION, FLEXION = "series_d_1.jpg", "series_d_6.jpg"
"""Both ends of one rigid machine; their displays say 12 and 107."""
CAMERA = ".take input"


@pytest.fixture(scope="module")
def store_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("store") / "kept.db"
    with open_store(path) as store:
        store.add_machine("M-03")
        store.add_person("P-017")
        store.prescribe("P-017", from_day=date(2026, 1, 1), flexion_deg=115, extension_deg=0)
    return path


@pytest.fixture(scope="module")
def address(store_file):
    port = free_port()
    with running(serving.command(port=port), port, KNEE_ANGLE_STORE=str(store_file)) as address:
        yield address


def photographed(visit, name: str) -> None:
    """One tap on the camera's button; the phone's own camera is not ours to count."""
    photos = visit.page.locator(".photos li").count()
    visit.taps += 1
    visit.page.locator(CAMERA).set_input_files(SAMPLES / name)
    visit.page.locator(".photos li").nth(photos).wait_for()
    visit.page.locator(".handle").first.wait_for(state="attached")
    visit.settled()


def typed(visit, label: str, text: str) -> None:
    target = visit.page.get_by_label(label)
    visit.tap(target)
    target.fill(text)
    target.press("Enter")
    visit.settled()


def test_both_ends_of_a_known_patient_are_kept_in_twelve_taps_and_ninety_seconds(
    browser, address, store_file  # noqa: F811
):  # fmt: skip
    with visiting(browser, address, PHONE) as visit:
        visit.page.get_by_text("P-017", exact=True).wait_for()
        began = time.monotonic()
        visit.tap(visit.page.get_by_text("P-017", exact=True))
        visit.settled()
        visit.tap(visit.page.get_by_text("M-03", exact=True))
        visit.settled()
        photographed(visit, EXTENSION)
        no_name_covers_another(visit)  # the leg is nearly straight: they lie in a row
        typed(visit, "Number on the display", "12")
        photographed(visit, FLEXION)
        typed(visit, "Number on the display, photo 2", "107")
        visit.page.locator(".answer.visit").get_by_text("107°").wait_for()
        in_sight_together(visit)
        ends_fit_their_card(visit)
        visit.tap(visit.page.get_by_role("button", name="Keep this visit"))
        visit.page.get_by_text("Kept for P-017 and M-03: a visit of 2 photos").wait_for()
        took = time.monotonic() - began
    assert visit.taps <= 12
    assert took < 90
    with open_store(store_file) as store:
        (kept,) = store.visits(person="P-017", machine="M-03")
    assert [knee.displayed_deg for knee in kept.knees] == [12.0, 107.0]


def ends_fit_their_card(visit) -> None:
    """Three digits and their interval stand inside the card's margin, in a wider letter too."""
    visit.page.add_style_tag(content="* { font-family: 'DejaVu Sans' !important; }")
    beyond_px = visit.page.locator(".answer .ends").first.evaluate(
        "table => { const card = table.closest('.answer');"
        " return table.getBoundingClientRect().right - card.getBoundingClientRect().right"
        " + parseFloat(getComputedStyle(card).paddingRight); }"
    )
    assert beyond_px <= 0


def no_name_covers_another(visit) -> None:
    names = visit.page.locator(".handle.leg .name")
    boxes = [one.bounding_box() for one in names.all() if one.is_visible()]
    assert len(boxes) == 3
    for first, second in itertools.combinations(boxes, 2):
        apart = (
            max(first["x"], second["x"]) - min(b["x"] + b["width"] for b in (first, second)),
            max(first["y"], second["y"]) - min(b["y"] + b["height"] for b in (first, second)),
        )
        assert max(apart) >= 0


def in_sight_together(visit) -> None:
    """With the photo wholly in sight the answer is, too: the card, or its line on top."""
    visit.page.locator(".view").evaluate("view => view.scrollIntoView({ block: 'end' })")
    visit.page.wait_for_timeout(300)
    photo = visit.page.locator(".view").bounding_box()
    line = visit.page.locator(".now")
    at = line.bounding_box()
    shown = line.evaluate("line => getComputedStyle(line).opacity")
    assert photo["y"] >= 0
    assert photo["y"] + photo["height"] <= PHONE["viewport"]["height"]
    assert (at["y"] < 60, shown) == (True, "1")
    knees = re.findall(r"(\d+)° \(", line.inner_text())
    card = visit.page.locator(".answer.visit").text_content()
    assert len(knees) == 2
    assert all(f"{knee}°" in card for knee in knees)


def test_a_photo_waits_while_there_is_no_connection_and_arrives_then(browser, address):  # noqa: F811
    with visiting(browser, address, PHONE) as visit:
        visit.page.locator(".shots[aria-busy=false]").wait_for()  # its script is there
        visit.page.context.set_offline(True)
        visit.page.locator(CAMERA).set_input_files(SAMPLES / EXTENSION)
        visit.page.get_by_text("No connection. The photo waits here").wait_for()
        visit.page.context.set_offline(False)
        visit.page.locator(".photos li").first.wait_for()
        visit.page.locator(".answer").wait_for()
        visit.settled()
        visit.page.get_by_label("Number on the display").click()
        visit.page.keyboard.type("12,5")  # a decimal comma is none to a browser set to English
        assert visit.page.get_by_label("Number on the display").input_value() == "12.5"
        visit.complaints.clear()  # the browser's own words on what it could not reach


def test_a_photo_that_arrives_while_a_code_is_entered_stays(browser, address):  # noqa: F811
    """Two runs at once took it twice: the second one dropped it from the disk as the same."""
    with visiting(browser, address, PHONE) as visit:
        page = visit.page
        page.locator(".shots[aria-busy=false]").wait_for()  # its script is there
        page.get_by_label("Patient (code)").fill("P-017")
        with page.expect_response(lambda answer: "/visit-photos/" in answer.url):
            page.locator(CAMERA).set_input_files(SAMPLES / "bed_05.jpg")  # not seen there before
        page.get_by_label("Patient (code)").press("Enter")
        page.locator(".answer").wait_for()
        visit.settled()
        assert page.get_by_text("The photo could not be used").count() == 0
        page.reload()
        page.locator(".answer").wait_for()
        page.locator(".photos li").first.wait_for()  # its script may come later than the answer
        visit.settled()
        assert page.locator(".photos li").count() == 1
        assert "P-017" in page.locator(".who").inner_text()


def test_a_killed_server_loses_nothing_and_its_absence_is_said_in_our_words(
    browser, store_file  # noqa: F811
):  # fmt: skip
    port = free_port()
    command, store = serving.command(port=port), {"KNEE_ANGLE_STORE": str(store_file)}
    # Two servers, one after the other, for one page.
    with ExitStack() as page_open, running(command, port, **store) as address:
        visit = page_open.enter_context(visiting(browser, address, PHONE))
        page = visit.page
        typed(visit, "Patient (code)", "P-017")
        photographed(visit, EXTENSION)
        typed(visit, "Number on the display", "12")
        page.locator(".answer .verdict").wait_for()
        os.kill(served_by(address), signal.SIGKILL)
        app = page.locator("[data-testid=stApp]")
        app.locator("xpath=self::*[@data-test-connection-state!='CONNECTED']").wait_for()
        said = app.evaluate("app => getComputedStyle(app, '::after').content")
        assert "does not answer. What you did stands on its disk" in said
        with running(command, port, **store):
            app.locator("xpath=self::*[@data-test-connection-state='CONNECTED']").wait_for()
            page.reload()
            page.locator(".answer .verdict").wait_for()
            visit.settled()
            assert page.get_by_label("Number on the display").input_value() == "12"
            assert "P-017" in page.locator(".who").inner_text()
            page.get_by_role("button", name="Keep this measurement").click()
            page.get_by_text("Kept for P-017: knee").wait_for()
            visit.complaints.clear()  # the browser's own words on a server that was gone
            page_open.close()


def served_by(address: str) -> int:
    """The process that answers."""
    with urllib.request.urlopen(f"{address}/_stcore/health") as answer:
        return int(answer.headers[serving.WHO].split()[-1])


def test_a_scaled_photo_keeps_focal_length_and_time_and_nothing_else(browser, address):  # noqa: F811
    exif = Image.Exif()
    exif[0x010F] = "a maker"
    exif.get_ifd(0x8769).update({0x9003: "2026:03:02 10:32:00", 0x9011: "+01:00", 0xA405: 26})
    exif.get_ifd(0x8825).update({1: "N", 2: (52.0, 31.0, 0.0)})
    original, bare = io.BytesIO(), io.BytesIO()
    Image.new("RGB", (64, 48)).save(original, "JPEG", exif=exif)
    Image.new("RGB", (32, 24)).save(bare, "JPEG")
    script = f"{address}/_stcore/bidi-components/knee-angle.shots/shots.js"
    kept = in_the_browser(
        browser, address,
        "async ([script, bytes]) => {"
        "  const { exifOf } = await import(script);"
        "  return [...exifOf(new DataView(Uint8Array.from(bytes).buffer))];"
        "}",
        [script, list(original.getvalue())],
    )  # fmt: skip
    sent = bare.getvalue()[:2] + bytes(kept) + bare.getvalue()[2:]
    with Image.open(io.BytesIO(sent)) as picture:
        found = picture.getexif()
    assert dict(found.get_ifd(0x8769)) == {
        0x9003: "2026:03:02 10:32:00", 0x9011: "+01:00", 0xA405: 26,
    }  # fmt: skip
    assert set(found) == {0x8769}


TABLET = {"viewport": {"width": 820, "height": 1180}}


def tabbed_to(page, target) -> None:
    """By the Tab key alone, as far as it takes."""
    target.wait_for(state="attached")
    for _ in range(60):
        if target.evaluate("one => one.getRootNode().activeElement === one"):
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"no key leads to {target}")


def test_a_whole_visit_by_keys_alone_on_a_tablet(browser, address, store_file):  # noqa: F811
    with visiting(browser, address, TABLET) as visit:
        page = visit.page
        # The phone's own chooser is not ours to drive: it gives a photo as soon as it opens.
        page.on("filechooser", lambda chooser: chooser.set_files(SAMPLES / EXTENSION))
        for label, code in (("Patient (code)", "P-017"), ("Machine (code)", "M-03")):
            tabbed_to(page, page.get_by_label(label))
            page.keyboard.type(code)
            page.keyboard.press("Enter")
            visit.settled()
        tabbed_to(page, page.locator(CAMERA))
        page.keyboard.press("Enter")
        page.locator(".handle").first.wait_for(state="attached")
        visit.settled()
        tabbed_to(page, page.get_by_label("Number on the display"))
        page.keyboard.type("12")
        page.keyboard.press("Enter")
        visit.settled()
        before = page.locator(".answer").get_attribute("data-of")
        tabbed_to(page, page.locator(".handle[data-name=knee]"))
        page.keyboard.press("ArrowRight")
        page.locator(f".answer:not([data-of='{before}'])").wait_for()
        visit.settled()
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        tabbed_to(page, page.get_by_role("button", name="Keep this measurement"))
        page.keyboard.press("Enter")
        page.get_by_text("Kept for P-017 and M-03: knee").wait_for()
        assert visit.taps == 0
    with open_store(store_file) as store:
        assert store.measurements(person="P-017", machine="M-03")[0].displayed_deg == 12.0
