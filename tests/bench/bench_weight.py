"""Seconds to the first heading of a ward's page over a slow network, in Debian's Chromium.

    python tests/bench/bench_weight.py [MBIT_PER_S]

Once with an empty cache, once again; with what came over the line, and until the camera's button
is there. From our own server on
this machine, the network slowed by the browser (its own emulation, 40 ms latency).
"""

from __future__ import annotations

import base64
import hashlib
import os
import sys
import tempfile
import time
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from playwright.sync_api import BrowserContext, sync_playwright

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from browsers import chromium
from serving import free_port
from warding import RIGHT, Served, ward, with_accounts

LATENCY_MS = 40


def loaded(
    context: BrowserContext, served: Served, mbit_per_s: float
) -> tuple[float, float, int, int]:
    """Seconds to the first heading and to the camera's button; bytes and requests till heading."""
    page = context.new_page()
    line = context.new_cdp_session(page)
    came: list[int] = []
    line.on("Network.loadingFinished", lambda told: came.append(int(told["encodedDataLength"])))
    line.send("Network.enable")
    speed = mbit_per_s * 1e6 / 8
    line.send(
        "Network.emulateNetworkConditions",
        {"offline": False, "latency": LATENCY_MS, "downloadThroughput": speed,
         "uploadThroughput": speed},
    )  # fmt: skip
    begin = time.monotonic()
    page.goto(served.url, wait_until="commit", timeout=120_000)
    page.get_by_role("heading", level=1).wait_for(timeout=120_000)
    seconds = time.monotonic() - begin
    size, requests = sum(came), len(came)
    page.locator(".take input").wait_for(state="attached", timeout=120_000)
    camera = time.monotonic() - begin
    page.close()
    return seconds, camera, size, requests


def key_hash(served: Served) -> str:
    """How Chromium names the key of the certificate that was made here."""
    own = served.home / ".local" / "share" / "knee-angle" / "ward-certificate.pem"
    public = x509.load_pem_x509_certificate(own.read_bytes()).public_key()
    der = public.public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)
    return base64.b64encode(hashlib.sha256(der).digest()).decode()


def main() -> None:
    """Print both."""
    mbit_per_s = float(sys.argv[1]) if len(sys.argv) > 1 else 1.0
    folder = Path(tempfile.mkdtemp(prefix="knee-weight-"))
    with_accounts(str(folder / "ward.db"))
    with ward(folder, free_port()) as served, sync_playwright() as playwright:
        # Chromium caches nothing under a certificate that it does not know.
        known = f"--ignore-certificate-errors-spki-list={key_hash(served)}"
        browser = playwright.chromium.launch(
            executable_path=chromium(), args=["--no-sandbox", known]
        )
        context = browser.new_context(viewport={"width": 390, "height": 844})
        page = context.new_page()
        page.goto(served.url)
        page.fill("#name", "therapist-1")
        page.fill("#password", RIGHT)
        with page.expect_response(lambda answer: answer.url.endswith("/ward/sign-in")):
            page.get_by_role("button", name="Sign in").click()
        cookies = context.cookies()
        time.sleep(30)  # files are compressed once, and the detectors loaded
        context.close()
        context = browser.new_context(viewport={"width": 390, "height": 844})
        context.add_cookies(cookies)  # type: ignore[arg-type]
        for name in ("first visit", "second visit"):
            seconds, camera, size, requests = loaded(context, served, mbit_per_s)
            print(
                f"{name}: {seconds:.1f} s, {size / 1000:.0f} kB in {requests} requests; "
                f"{camera:.1f} s to the camera's button; load {os.getloadavg()[0]:.0f}"
            )
        browser.close()


if __name__ == "__main__":
    main()
