"""How many bare photos get a verdict, taken one, two and four to a visit.

Run: ``python tests/bench/bare_visits.py``. Prints figures; asserts nothing. Bare are the sample
photos without dots and tags (one to a person, but for the five of course c, which stand for one
visit), and those of the series with dots and tags painted over. Every two and every four of one
person and machine are judged as a visit, each photo at a setting of its own. A verdict is
"within" or "outside" (95 %); it is wrong where the true difference says the opposite.
"""

from __future__ import annotations

import sys
import tempfile
from collections import defaultdict
from itertools import combinations
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from conftest import Scene, scenes
from manipulated import jpeg

from knee_angle.landmarks.network import NetworkDetector
from knee_angle.photo.reading import read_photo
from knee_angle.pipeline import Shot, answer_of_visit, measure
from knee_angle.records import Measurement
from knee_angle.settings import Settings
from knee_angle.visit import VisitEstimate

MOST = 15
"""So many visits of one person at most, spread evenly over all there are."""


def bare(scene: Scene, folder: Path) -> Path:
    """The photo with every dot and tag painted over by what lies around it."""
    photo, truth = read_photo(scene.photo), scene.truth
    pixels = photo.full()
    mask = np.zeros(pixels.shape[:2], np.uint8)
    if truth["dots"]:
        radius = 0.75 * truth["dot_diameter_mm"] / truth["camera"]["mm_per_px_at_knee"]
        spots = [truth["landmarks"][name]["marker_px"] for name in ("hip", "knee", "ankle")]
        spots += [truth["machine"]["points"][n]["px"] for n in ("thigh_bar", "hinge", "shank_bar")]
        for x, y in spots:
            cv2.circle(mask, (round(x), round(y)), round(radius), 255, -1)
    for tag in (truth.get("tag_board") or {"tags": []})["tags"] if truth["tags"] else ():
        corners = np.array(tag["corners_px"])
        middle = corners.mean(axis=0)
        cv2.fillConvexPoly(mask, np.round(middle + 1.5 * (corners - middle)).astype(int), 255)
    if not mask.any():
        return scene.photo
    painted = cv2.inpaint(pixels, mask, 5, cv2.INPAINT_TELEA)
    path = folder / scene.photo.name
    path.write_bytes(jpeg(painted, f35_mm=photo.f35_mm, exif_size=(photo.width, photo.height)))
    return path


def person_of(scene: Scene) -> str:
    """Beds are of a person each, series and course of one."""
    name = scene.photo.stem
    return name if name.startswith("bed") else name.rpartition("_")[0]


def main() -> None:
    """Measure every photo once, judge the visits and print."""
    network, people = NetworkDetector(), defaultdict(list)
    with tempfile.TemporaryDirectory() as folder:
        for scene in scenes():
            shown = scene.truth["machine"]["displayed_angle_int"]
            photo = bare(scene, Path(folder))
            one = measure(photo, detectors=(network,), displayed_deg=shown, judge=False)
            kind = "bare" if scene.truth["mode"] == "bare" else "painted over"
            people[kind, person_of(scene)].append((scene, shown, one))
    for kind in ("bare", "painted over"):
        groups = [group for (of, _), group in people.items() if of == kind]
        measured = sum(isinstance(one, Measurement) for group in groups for *_, one in group)
        print(f"{kind}: {sum(map(len, groups))} photos, {measured} measured")
        tell("1, people of one photo", 1, [group for group in groups if len(group) == 1])
        for size in (1, 2, 4):
            tell(str(size), size, [group for group in groups if len(group) > 1])


def tell(name: str, size: int, groups: list[list]) -> None:
    """One line: what visits of so many photos come to."""
    visits = refused = 0
    verdicts: list[tuple[str, bool]] = []
    for group in groups:
        chosen = list(combinations(group, size))
        for part in chosen[:: max(1, len(chosen) // MOST)]:
            visits += 1
            found = verdicts_of(part)
            refused += not found
            verdicts += found
    of = len(verdicts)
    said = [verdict for verdict, _ in verdicts if verdict != "undecided"]
    wrong = sum(bad for _, bad in verdicts)
    print(
        f"   {name} to a visit: {visits} visits, {refused} refused; {len(said)} of {of} settings "
        f"with a verdict ({said.count('within')} within, {said.count('outside')} outside), "
        f"{wrong} wrong"
    )


def verdicts_of(part: tuple) -> list[tuple[str, bool]]:
    """Verdict of every setting of a visit, and whether the truth says the opposite."""
    shots = [(Shot(s.photo.name, s.photo.stem, shown), one) for s, shown, one in part]
    answer = answer_of_visit(shots, Settings(), judge=False)
    if not isinstance(getattr(answer, "estimate", None), VisitEstimate):
        return []
    truth = {s.photo.stem: shown - s.flexion_deg for s, shown, _ in part}
    found = []
    for one in answer.settings:
        off = abs(truth[one.estimate.name])
        within = off <= one.comparison.tolerance_deg
        opposite = {"within": not within, "outside": within, "undecided": False}
        found.append((one.comparison.verdict, opposite[one.comparison.verdict]))
    return found


if __name__ == "__main__":
    main()
