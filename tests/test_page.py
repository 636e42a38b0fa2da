"""The bedside page: its logic by Streamlit's own test driver, its server for real."""

from __future__ import annotations

import socket
import subprocess
import time
import urllib.request
from pathlib import Path

import pytest
from conftest import SAMPLES, scenes
from streamlit.testing.v1 import AppTest

from knee_angle import serve

APP = Path(__file__).resolve().parents[1] / "app.py"


def opened() -> AppTest:
    page = AppTest.from_file(str(APP), default_timeout=60).run()
    assert not page.exception
    return page


def with_photo(name: str) -> AppTest:
    page = opened()
    page.file_uploader[0].upload(name, (SAMPLES / name).read_bytes(), "image/jpeg")
    page.run()
    assert not page.exception
    return page


def html(page: AppTest) -> str:
    return " ".join(str(element.proto) for element in page.get("html"))


def test_an_empty_page_says_how_to_photograph_and_shows_the_caution():
    page = opened()
    assert "Stand square to the leg" in page.info[0].value
    assert any("not a medical device" in c.value for c in page.caption)


def test_photo_and_number_give_one_clear_answer():
    page = with_photo("bed_01.jpg")
    page.number_input[0].set_value(93.0).run()
    assert not page.exception
    assert "Display agrees" in html(page)
    assert "left knee, 95 % between" in html(page)


def test_a_broken_photo_is_told_and_nothing_breaks():
    page = opened()
    page.file_uploader[0].upload(
        "broken.jpg", (SAMPLES / "bed_01.jpg").read_bytes()[:4000], "image/jpeg"
    )
    page.run()
    assert not page.exception
    assert "could not be read" in page.error[0].value


def test_points_can_be_corrected_by_number_and_taken_back():
    scene = scenes(image="bed_06.jpg")[0]
    page = with_photo("bed_06.jpg")
    before = html(page)
    knee_x = next(n for n in page.number_input if n.label == "knee x")
    knee_x.set_value(scene.truth["landmarks"]["knee"]["marker_px"][0] + 40)
    next(b for b in page.button if b.label == "Measure with these points").click().run()
    assert not page.exception
    assert html(page) != before
    next(b for b in page.button if b.label == "Back to the points found").click().run()
    assert html(page) == before


def test_the_server_answers_on_this_machine_only_and_tells_nobody():
    command = serve.command(port=8501)
    assert command[command.index("--server.address") + 1] == "127.0.0.1"
    assert command[command.index("--browser.gatherUsageStats") + 1] == "false"
    config = (APP.parent / ".streamlit" / "config.toml").read_text()
    assert 'address = "127.0.0.1"' in config
    assert "gatherUsageStats = false" in config


@pytest.fixture
def port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


def test_the_real_server_starts_and_listens_on_loopback_alone(port):
    server = subprocess.Popen(
        serve.command(port=port), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    try:
        deadline = time.monotonic() + 40
        while True:
            try:
                with urllib.request.urlopen(f"http://127.0.0.1:{port}/_stcore/health") as answer:
                    assert answer.read() == b"ok"
                break
            except OSError:
                assert time.monotonic() < deadline, "the page did not start"
                time.sleep(0.3)
        # /proc/net/tcp: local address in hex, state 0A = listening.
        rows = [line.split() for line in Path("/proc/net/tcp").read_text().splitlines()[1:]]
        listening = [row[1] for row in rows if row[3] == "0A" and row[1].endswith(f":{port:04X}")]
        assert listening == [f"0100007F:{port:04X}"]
    finally:
        server.terminate()
        server.wait(timeout=20)
        server.stdout.close()
