"""How long the page takes to answer a moved point, in a real browser on this machine.

    python tests/bench/bench_page.py [PHOTO...]

Side by side, milliseconds, median and 90th percentile of 20 nudges each: the answer's part
in the server (`measure_photo` and `answer_of_photo`, each alone), the whole round trip (from
the last key of a nudge, less the editor's pause of 250 ms, to the new answer in the page), and
the live angle in the browser (one move of the finger, drawn).
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from browsers import chromium
from serving import ROOT, free_port, running

from knee_angle.cli import serving
from knee_angle.landmarks.standard import opened_detectors
from knee_angle.photo.reading import read_photo
from knee_angle.pipeline import answer_of_photo, look, measure_photo
from knee_angle.records import Measurement
from knee_angle.settings import Settings

TURNS = 20

# One drag by 3 px on the knee's handle; the time until the answer's fingerprint changes.
ROUND_TRIP = """
async (dx) => {
  const hosts = [...document.querySelectorAll('[data-testid=stBidiComponentIsolated]')];
  const find = (host) => host.shadowRoot.querySelector('.handle[data-name=knee]');
  const handle = find(hosts.find(find));
  const box = handle.getBoundingClientRect();
  const [x, y] = [box.x + 22, box.y + 22];
  const old = document.querySelector('.answer').dataset.of;
  const send = (kind, px) => handle.dispatchEvent(new PointerEvent(kind, {
    bubbles: true, composed: true, pointerId: 1, clientX: px, clientY: y, button: 0 }));
  handle.setPointerCapture = () => {};
  send('pointerdown', x);
  const before = performance.now();
  send('pointermove', x + dx);
  const moved = performance.now() - before;
  const began = performance.now();
  send('pointerup', x + dx);
  await new Promise((done) => {
    const look = () => document.querySelector('.answer')?.dataset.of !== old
      && !document.querySelector('.answer[data-stale]') ? done() : setTimeout(look, 1);
    look();
  });
  return [moved, performance.now() - began];
}
"""


def alone(photo: Path) -> tuple[list[float], list[float]]:
    """`measure_photo` and `answer_of_photo` with one point moved, the photo looked at before."""
    read = read_photo(photo)
    with opened_detectors() as detectors:
        seen = look(read, detectors=detectors)
        times, judged = [], []
        for turn in range(TURNS):
            knee = seen.landmarks.points["knee"]
            moved = {"knee": {"x": knee.x_px + turn, "y": knee.y_px}}
            began = time.perf_counter()
            result = measure_photo(
                read, detectors=detectors, settings=Settings(), seen=seen, manual=moved,
                displayed_deg=90.0,
            )  # fmt: skip
            measured = time.perf_counter()
            times.append(1000 * (measured - began))
            assert isinstance(result, Measurement)
            answer_of_photo(result)
            judged.append(1000 * (time.perf_counter() - measured))
    return times, judged


def in_the_page(page: Page, address: str, photo: Path) -> tuple[list[float], list[float]]:
    """Live angle and round trip of drags with a pause between them."""
    page.goto(address)
    page.locator("input[type=file]").first.set_input_files(photo)
    page.locator(".answer").wait_for()
    page.locator(".handle").first.wait_for(state="attached")
    time.sleep(3.0)
    live, trips = [], []
    for turn in range(TURNS):
        page.locator("[data-testid=stApp][data-test-script-state=notRunning]").wait_for()
        page.locator(".answer").wait_for()
        drawn, trip = page.evaluate(ROUND_TRIP, 3 if turn % 2 else -3)
        live.append(drawn)
        trips.append(trip)
        time.sleep(0.2)
    return live, trips


def line(name: str, times: list[float]) -> str:
    return (
        f"  {name:<34}{statistics.median(times):7.1f}{statistics.quantiles(times, n=10)[-1]:9.1f}"
    )


def main(photos: list[Path]) -> None:
    port = free_port()
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium(), args=["--no-sandbox"])
        store = str(Path(folder) / "kept.db")
        with running(serving.command(port=port), port, KNEE_ANGLE_STORE=store) as address:
            for photo in photos:
                live, trips = in_the_page(browser.new_page(), address, photo)
                print(f"{photo.name:<36} median  90 % (ms)")
                measured, judged = alone(photo)
                print(line("measure_photo alone", measured))
                print(line("answer_of_photo alone", judged))
                print(line("drag: finger up to new answer", trips))
                print(line("drag: one move drawn, angle live", live))
        browser.close()


if __name__ == "__main__":
    named = [Path(name) for name in sys.argv[1:]]
    main(named or [ROOT / "sample_images" / f"bed_{n}.jpg" for n in ("01", "06", "12")])
