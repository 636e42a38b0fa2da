"""Takes the README's picture of the page anew, in a real browser on this machine.

    python tests/bench/page_picture.py

A photo is given, the display's number typed; the answer's words go into the picture's
comment, where a test holds them against what the page says today.
"""

from __future__ import annotations

import io
import sys
import tempfile
from pathlib import Path

from PIL import Image
from playwright.sync_api import sync_playwright

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from browsers import chromium
from pictured import NUMBER, PHOTO, PICTURE, words
from serving import free_port, running

from knee_angle.cli import serving

SCREEN = {"width": 390, "height": 1130}
"""CSS pixels: a phone is wide so, and so high that answer and photo stand in one picture."""


def main() -> None:
    """Serve the page, look at it as a phone would, write the picture."""
    port = free_port()
    with (
        tempfile.TemporaryDirectory() as folder,
        running(
            serving.command(port=port), port, KNEE_ANGLE_STORE=str(Path(folder) / "kept.db")
        ) as address,
        sync_playwright() as playwright,
    ):
        browser = playwright.chromium.launch(executable_path=chromium(), args=["--no-sandbox"])
        page = browser.new_context(viewport=SCREEN, is_mobile=True, has_touch=True).new_page()
        page.goto(address)
        page.locator("input[type=file]").first.set_input_files(PICTURE.with_name(PHOTO))
        page.locator(".handle").first.wait_for(state="attached")
        number = page.get_by_label("Number on the display", exact=True)
        number.fill(str(NUMBER))
        number.press("Enter")
        page.locator(".answer .verdict").wait_for()
        number.blur()
        page.wait_for_timeout(1500)  # what fades has faded
        page.evaluate("document.querySelector('[data-testid=stMain]').scrollTo(0, 0)")
        said = words(page.locator(".answer").evaluate("answer => answer.outerHTML"))
        shot = page.screenshot()
        browser.close()
    with Image.open(io.BytesIO(shot)) as picture:
        picture.convert("RGB").save(PICTURE, quality=85, comment=said.encode())
    print(f"{PICTURE}: {said}")


if __name__ == "__main__":
    main()
