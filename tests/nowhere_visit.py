"""A person at the page: uploads a photo without dots, waits for the answer and stays a while.

``python nowhere_visit.py PHOTO SECONDS``. The server keeps the environment it is given; the
browser's own files go to the folder of what only plays a person.
"""

from __future__ import annotations

import os
import sys

from browsers import chromium
from nowhere import DRIVER
from playwright.sync_api import sync_playwright
from serving import free_port, running

from knee_angle.cli import serving


def main() -> None:
    """Visit, and print the first words of the answer."""
    photo, seconds = sys.argv[1], float(sys.argv[2])
    port = free_port()
    with running(serving.command(port=port), port) as address:
        os.environ.update({"HOME": str(DRIVER), "TMPDIR": str(DRIVER)})
        with sync_playwright() as playwright:
            # The browser itself looks up no name, so that what is seen is the page's.
            browser = playwright.chromium.launch(
                executable_path=chromium(),
                args=["--no-sandbox", "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"],
            )
            page = browser.new_page()
            page.goto(address)
            page.locator("input[type=file]").first.set_input_files(photo)
            answer = page.locator(".answer")
            answer.wait_for()
            print(answer.inner_text().splitlines()[0])
            page.wait_for_timeout(1000 * seconds)
            browser.close()


if __name__ == "__main__":
    main()
