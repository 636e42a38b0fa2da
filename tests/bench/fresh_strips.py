"""How often intervals hold in fresh renders into which a strip of tags is painted.

Run: ``python tests/bench/fresh_strips.py FOLDER``, the folder as ``python -m knee_angle.training
photos`` draws it. The strip lies on the machine's side below the leg, 80 mm before its plane, as
printed; the leg rolls against it as it is believed to (`U_LEG_TURN_DEG`, `U_LEG_YAW_DEG`), and
beside that the strip is parallel or turned about its upright or its level axis. Points are placed
at their true places, so what is judged is the direction by strip and network; without dots there
are no outlines. A thigh is taken as 430 mm long. Pictures are enlarged first: a tag has 10 px in
them. Asserts nothing.
"""

from __future__ import annotations

import argparse
import math
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import cv2
import numpy as np
from drawn_strips import draw_strip
from manipulated import Floats, Taken, jpeg

from knee_angle.angle import geometry
from knee_angle.assumptions import CAMERA_SHAPES, U_LEG_TURN_DEG, U_LEG_YAW_DEG
from knee_angle.landmarks.base import Detector
from knee_angle.landmarks.standard import opened_detectors
from knee_angle.pipeline import measure
from knee_angle.records import LEG_POINTS, Measurement

LARGER = 2.5
THIGH_MM, BEFORE_MM, BELOW_MM, EDGE_MM, STEP_MM = 430.0, 80.0, 90.0, 50.0, 58.0
FREE_PX = 8
TURNS = {
    "parallel": (0.0, "upright"),
    "10° out, upright": (10.0, "upright"),
    "-10° out, level": (-10.0, "level"),
    "14° out, upright": (14.0, "upright"),
    "-14° out, level": (-14.0, "level"),
    "-7° out, upright": (-7.0, "upright"),
}


def turn(axis: Floats, deg: float) -> Floats:
    """A turn about an axis, (3, 3)."""
    return np.asarray(cv2.Rodrigues(axis / np.linalg.norm(axis) * math.radians(deg))[0])


def corners_mm(leg_mm: dict[str, Floats], normal: Floats, turned: Floats) -> Floats:
    """Corners (4, 4, 3) of a strip below a leg, in camera coordinates."""
    right, down = geometry.plane_axes(normal)
    middle = (leg_mm["hip"] + leg_mm["ankle"]) / 2.0
    lowest = max(float((place - middle) @ down) for place in leg_mm.values())
    middle = middle + down * (lowest + BELOW_MM) + normal * BEFORE_MM
    square = EDGE_MM * (np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) - 0.5)
    flat = np.array([square + [STEP_MM * (k - 1.5), 0.0] for k in range(4)])
    return np.asarray((flat[..., :1] * right + flat[..., 1:] * down) @ turned.T + middle)


def with_strip(one: Taken, *, deg: float, axis: str) -> tuple[bytes, dict[str, dict[str, float]]]:
    """The photo with a strip, and its points; no bytes where it has no room."""
    picture = cv2.resize(one.pixels, None, fx=LARGER, fy=LARGER, interpolation=cv2.INTER_CUBIC)
    size = np.array(picture.shape[1::-1])
    focal = one.f35_mm / 43.2666 * float(np.hypot(*size))
    normal = np.array(one.truth["sagittal_normal"], dtype=float)
    normal = normal * -np.sign(normal[2])
    places = {n: LARGER * np.array(one.truth["landmarks"][n]["skin_px"]) for n in LEG_POINTS}
    rays = {n: np.array([*(px - size / 2.0) / focal, 1.0]) for n, px in places.items()}
    met = {n: ray / -(ray @ normal) for n, ray in rays.items()}
    far_mm = THIGH_MM / np.linalg.norm(met["hip"] - met["knee"])
    leg_mm = {n: far_mm * place for n, place in met.items()}
    right, down = geometry.plane_axes(normal)
    rolled = turn(leg_mm["ankle"] - leg_mm["hip"], one.rng.normal(0.0, U_LEG_TURN_DEG))
    rolled = rolled @ turn(down, one.rng.normal(0.0, U_LEG_YAW_DEG))
    turned = rolled @ turn({"upright": down, "level": right}[axis], deg)
    at = corners_mm(leg_mm, normal, turned)
    seen = at[..., :2] / at[..., 2:] * focal + size / 2.0
    points = {n: {"x": float(x), "y": float(y)} for n, (x, y) in places.items()}
    if (seen < FREE_PX).any() or (seen > size - FREE_PX).any():
        return b"", points
    hull = cv2.convexHull(seen.reshape(-1, 2).astype(np.float32))[:, 0]
    hull = (hull - hull.mean(axis=0)) * 1.12 + hull.mean(axis=0)
    cv2.fillConvexPoly(picture, np.round(hull).astype(np.int32), (225, 225, 225))
    draw_strip(picture, range(4), seen)
    return jpeg(picture, f35_mm=one.f35_mm, exif_size=(int(size[0]), int(size[1]))), points


def told(photos: list[Path], words: str, detectors: list[Detector]) -> str:
    """What became of all photos with one strip."""
    deg, axis = TURNS[words]
    held, halves, named, off = [], [], 0, []
    for photo in photos:
        one = Taken.of(photo)
        if min(abs(max(one.size) / min(one.size) - shape) for shape in CAMERA_SHAPES) > 0.02:
            continue
        file, points = with_strip(one, deg=deg, axis=axis)
        found = measure(file, manual=points, detectors=detectors, name=one.name) if file else None
        if not isinstance(found, Measurement) or found.plane != "tag":
            continue
        low, high = found.knee.found_interval_deg
        true = float(one.truth["true_knee_flexion_deg"])
        held.append(low <= true <= high)
        halves.append((high - low) / 2.0)
        named += any("strip's plane" in caution for caution in found.cautions)
        off.append(found.knee.deg - true)
    return (
        f"{words:20}{len(held):5} measured by the strip, {sum(held):4} held, {named:4} named, "
        f"half-width {np.median(halves):.1f}° (median), off {np.sqrt(np.mean(np.square(off))):.1f}°"
    )


def main() -> None:
    """Print a line a strip."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, nargs="+")
    options = parser.parse_args()
    photos = [p.with_suffix(".jpg") for f in options.folder for p in sorted(f.glob("*.json"))]
    with opened_detectors(threads=1) as detectors:
        for words in TURNS:
            print(told(photos, words, list(detectors)), flush=True)


if __name__ == "__main__":
    main()
