"""A whole rater study, through the page by a scripted browser: 30 photos, 3 raters, 2 repeats.

Each scripted rater places the sample photos' true marks with an own bias and a scatter, both
drawn; what the page shows is searched for anything that a blind rater must not see. Then the
ratings are measured and compared, and the report is written:

    python tests/bench/rater_study.py OUT_FOLDER [PHOTOS]
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from playwright.sync_api import Locator, Page, sync_playwright

from knee_angle.batch.rating import (
    Covers,
    RatingStudy,
    begin_study,
    found_covers,
    open_study,
)
from knee_angle.cli import serving

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from browsers import MISSING, chromium
from serving import free_port, running

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
RATERS = ("R1", "R2", "R3")
RATER_MM, REPEAT_MM = 3.0, 3.0
"""Standard deviations of a rater's bias of a mark and of a repeat, along each axis (our own)."""
SHANK_MM = 400.0
"""A lower leg from mark to mark, about: for a photo's scale."""
SEEN = re.compile(r"\d\s*°|\d+\.\d|degree|[A-Za-z0-9_]+\.jpe?g", re.IGNORECASE)
"""What must not stand on a blind page: an angle, a number that could be one, a file's name."""


@dataclass(frozen=True)
class Marks:
    """Where the marks of each photo are, px, and how far raters are off, mm."""

    at: dict[str, np.ndarray]
    bias: dict[str, np.ndarray]
    rng: np.random.Generator

    def placed(self, photo: str, rater: str) -> np.ndarray:
        """One placing, (3, 2)."""
        at = self.at[photo]
        px_per_mm = float(np.linalg.norm(at[2] - at[1])) / SHANK_MM
        off_mm = self.bias[rater] + self.rng.normal(0, REPEAT_MM, (3, 2))
        return np.asarray(at + px_per_mm * off_mm)


def marks_of(photos: list[Path], raters: tuple[str, ...], *, seed: int) -> Marks:
    """The sample photos' true marks, and a bias for each rater."""
    rng = np.random.default_rng(seed)
    at = {}
    for photo in photos:
        truth = json.loads(photo.with_suffix(".json").read_text())["landmarks"]
        at[photo.name] = np.array([truth[n]["marker_px"] for n in ("hip", "knee", "ankle")])
    bias = {rater: rng.normal(0, RATER_MM, (3, 2)) for rater in raters}
    return Marks(at, bias, rng)


def display_of(photo: Path) -> list[tuple[float, float, float, float]]:
    """What covers the display of a sample photo: its box with half its size around."""
    seen = json.loads(photo.with_suffix(".json").read_text()).get("lcd") or {}
    if not seen.get("in_frame"):
        return []
    corners = np.array(seen["corners_px"])
    low, high = corners.min(axis=0), corners.max(axis=0)
    room = 0.5 * (high - low)
    return [(*(low - room).tolist(), *(high + room).tolist())]


def covers_as_looked_at(photos: list[Path]) -> Covers:
    """What is found, put right as by a researcher who has looked at each photo.

    A display is hidden where its middle is; where it is not, the researcher's table says what to
    cover, or that there is nothing.
    """
    seen = found_covers(photos, {})
    told = {}
    for photo in photos:
        display = display_of(photo)
        middles = [((left + right) / 2, (top + bottom) / 2) for left, top, right, bottom in display]
        hidden = [
            any(a < x < c and b < y < d for a, b, c, d in seen.boxes[photo.name])
            for x, y in middles
        ]
        if not all(hidden) or not display:
            told[photo.name] = display
    return Covers({**seen.boxes, **told}, seen.found - set(told))


def sample_photos(count: int) -> list[Path]:
    """The first sample photos with a truth, in an order that mixes their kinds."""
    found = [one for one in sorted(SAMPLES.glob("*.jpg")) if one.with_suffix(".json").exists()]
    return [found[i] for i in np.random.default_rng(1).permutation(len(found))[:count]]


def rate(page: Page, address: str, study: RatingStudy, rater: str, marks: Marks) -> list[str]:
    """All turns of a rater; what was seen that should not have been."""
    page.goto(address)
    page.get_by_text(rater, exact=True).click()
    page.get_by_role("button", name="Begin").click()
    told = []
    for place, turn in enumerate(study.turns(rater), start=1):
        page.get_by_text(f"Photo {place} / ").wait_for()
        editor = page.locator(f".editor[data-revision='rate-{rater}-{place}']")
        editor.wait_for()
        name = study.photos[turn.photo - 1].name
        for x, y in marks.placed(name, rater):
            _place(editor, x, y)
        told += SEEN.findall(_text_of(page))
        page.get_by_role("button", name="Keep, and show the next photo").click()
    page.get_by_text("All photos are done").wait_for()
    told += SEEN.findall(_text_of(page))
    return told


def _place(editor: Locator, x: float, y: float) -> None:
    """Tap a place of the full-size photo."""
    stage = editor.locator(".stage")
    width = int(editor.locator(".picture").get_attribute("width") or 0)
    box = stage.bounding_box()
    assert box is not None
    scale = box["width"] / width
    before = editor.locator(".handle:not([hidden])").count()
    # Two marks can lie so close that a tap falls on a handle: then it would place nothing.
    stage.click(position={"x": x * scale, "y": y * scale}, force=True)
    editor.locator(".handle:not([hidden])").nth(before).wait_for()


def _text_of(page: Page) -> str:
    """Everything that can be read or heard on the page, shadow roots too."""
    return str(
        page.evaluate(
            """() => {
              const all = [];
              const walk = (node) => {
                if (node.nodeType === 3) all.push(node.textContent);
                for (const name of ["aria-label", "alt", "title", "src", "value"])
                  if (node.getAttribute?.(name) && !node.getAttribute(name).startsWith("data:")
                      && name !== "src") all.push(node.getAttribute(name));
                if (["SCRIPT", "STYLE"].includes(node.nodeName)) return;
                for (const child of node.childNodes) walk(child);
                if (node.shadowRoot) walk(node.shadowRoot);
              };
              walk(document.body);
              return all.join(" | ");
            }"""
        )
    )


@contextmanager
def browser_page() -> Iterator[Page]:
    """A page of Debian's Chromium that reaches nothing but this machine."""
    path = chromium()
    assert path is not None, MISSING
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(
            executable_path=path,
            args=["--no-sandbox", "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"],
        )
        yield started.new_page(viewport={"width": 1280, "height": 1000})
        started.close()


def run_study(out: Path, photos: list[Path], raters: tuple[str, ...], *, repeats: int) -> list[str]:
    """Begin, rate through the page; what was seen that should not have been."""
    folder = out / "study"
    covers = covers_as_looked_at(photos)
    study = begin_study(folder, photos, raters=raters, repeats=repeats, seed=7, covers=covers)
    marks = marks_of(photos, raters, seed=3)
    port = free_port()
    told: list[str] = []
    with (
        running(serving.command(port=port), port, KNEE_ANGLE_RATING=str(folder)) as address,
        browser_page() as page,
    ):
        for rater in raters:
            begun = time.monotonic()
            told += rate(page, address, study, rater, marks)
            print(f"{rater}: {time.monotonic() - begun:.0f} s", flush=True)
    return told


def main(out: Path, count: int) -> None:
    """Run, measure, compare; print what came."""
    out.mkdir()
    told = run_study(out, sample_photos(count), RATERS, repeats=2)
    print(f"seen on the blind page that should not be: {sorted(set(told)) or 'nothing'}")
    study = open_study(out / "study")
    found = sum(one.found for one in study.photos)
    print(f"display covered in {study.covered} of {len(study.photos)} photos, found in {found}")
    print(f"ratings: {len(open_study(out / 'study').ratings())}")
    for line in (
        ["rating", "measure", str(out / "study"), "--out", str(out / "ratings.csv")],
        ["rating", "report", str(out / "ratings.csv"), "--study", str(out / "study"),
         "--out", str(out / "raters.html"), "--out", str(out / "raters.pdf")],
    ):  # fmt: skip
        subprocess.run([sys.executable, "-m", "knee_angle", *line], check=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 30)
