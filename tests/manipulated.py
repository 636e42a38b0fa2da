"""Sample photos as they come out of phones, galleries and messengers: each manipulation once.

Every function turns an upright sample photo into the bytes of a file. ``exif`` says what the
file's EXIF tells of itself: "kept" (as the camera wrote it, stale), "new" (sizes rewritten,
as gallery programs do), "none". The knee's angle is the same before and after.
"""

from __future__ import annotations

import io
import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from drawn_strips import draw_strip
from numpy.typing import NDArray
from PIL import Image, ImageOps

EXIF_IFD, F35, ZOOM, WIDE, HIGH, ORIENTATION = 0x8769, 0xA405, 0xA404, 0xA002, 0xA003, 0x0112
LENS = 0xA434
LEG = ("hip", "knee", "ankle")
Rgb = NDArray[np.uint8]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Taken:
    """One sample photo, upright, with its truth and what its EXIF says."""

    name: str
    pixels: Rgb
    truth: Mapping[str, Any]
    f35_mm: float
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(0))

    @classmethod
    def of(cls, photo: Path) -> Taken:
        with Image.open(photo) as file:
            f35_mm = float(file.getexif().get_ifd(EXIF_IFD)[F35])
            pixels = np.array(ImageOps.exif_transpose(file).convert("RGB"))
        truth = json.loads(photo.with_suffix(".json").read_text())
        seed = [ord(letter) for letter in photo.stem]  # of the photo alone: any part, any order
        return cls(photo.stem, pixels, truth, f35_mm, np.random.default_rng(seed))

    @property
    def size(self) -> tuple[int, int]:
        return self.pixels.shape[1], self.pixels.shape[0]

    def seen_px(self) -> Floats:
        """Everything that is measured, (n, 2): points, tags."""
        marks = [self.truth["landmarks"][name] for name in LEG]
        leg = [mark.get("marker_px", mark["skin_px"]) for mark in marks]
        bars = [point["px"] for point in self.truth["machine"]["points"].values()]
        board = self.truth.get("tag_board") if self.truth["tags"] else None
        tags = [corner for tag in (board or {"tags": []})["tags"] for corner in tag["corners_px"]]
        return np.array([*leg, *bars, *tags], dtype=float)


def jpeg(
    pixels: Rgb, *, f35_mm: float | None, exif_size: tuple[int, int] | None = None,
    zoom: float | None = None, quality: int = 92, lens: str | None = None,
) -> bytes:  # fmt: skip
    """A file with so much EXIF."""
    entries: dict[int, Any] = {}
    if f35_mm is not None:
        entries[F35] = round(f35_mm)
    if exif_size is not None:
        entries[WIDE], entries[HIGH] = exif_size
    if zoom is not None:
        entries[ZOOM] = zoom
    if lens is not None:
        entries[LENS] = lens
    exif = Image.Exif()
    if entries:
        exif[ORIENTATION] = 1
        exif.get_ifd(EXIF_IFD).update(entries)
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "JPEG", quality=quality, exif=exif)
    return out.getvalue()


def kept(one: Taken, pixels: Rgb, exif: str, *, f35_mm: float | None = None) -> bytes:
    """A changed picture with the EXIF "kept" from before, "new", or "none"."""
    if exif == "none":
        return jpeg(pixels, f35_mm=None)
    size = one.size if exif == "kept" else (pixels.shape[1], pixels.shape[0])
    return jpeg(pixels, f35_mm=f35_mm or one.f35_mm, exif_size=size)


def as_taken(one: Taken) -> bytes:
    return jpeg(one.pixels, f35_mm=one.f35_mm, exif_size=one.size)


def resized(one: Taken, *, share: float, exif: str) -> bytes:
    size = tuple(round(side * share) for side in one.size)
    return kept(one, cv2.resize(one.pixels, size, interpolation=cv2.INTER_AREA), exif)


def stretched(one: Taken, *, across: float = 1.0, down: float = 1.0, exif: str) -> bytes:
    size = round(one.size[0] * across), round(one.size[1] * down)
    return kept(one, cv2.resize(one.pixels, size, interpolation=cv2.INTER_AREA), exif)


def _box(one: Taken, share: tuple[float, float]) -> tuple[int, int, int, int]:
    """A window of such a size around what is measured, elsewhere by chance."""
    seen, size = one.seen_px(), np.array(one.size)
    low = np.maximum(seen.min(axis=0) - 0.02 * size.max(), 0)
    high = np.minimum(seen.max(axis=0) + 0.02 * size.max(), size)
    want = np.maximum(np.array(share) * size, high - low)
    first, last = np.maximum(high - want, 0), np.minimum(low, size - want)
    x0, y0 = np.floor(first + one.rng.random(2) * np.maximum(last - first, 0)).astype(int)
    return int(x0), int(y0), int(x0 + want[0]), int(y0 + want[1])


def cropped(one: Taken, *, share: float, exif: str, same_shape: bool = True) -> bytes:
    """A part with everything measured in it; of the photo's own shape, or any."""
    shares = (share, share) if same_shape else tuple(one.rng.uniform(share, 1.0, 2))
    x0, y0, x1, y1 = _box(one, shares)
    if same_shape:  # as small as what is measured allows
        share = max((x1 - x0) / one.size[0], (y1 - y0) / one.size[1])
        x0, y0, x1, y1 = _box(one, (share, share))
        width, height = (round(side * share) for side in one.size)
        x1, y1 = min(x0 + width, one.size[0]), min(y0 + height, one.size[1])
        x0, y0 = x1 - width, y1 - height
    return kept(one, np.ascontiguousarray(one.pixels[y0:y1, x0:x1]), exif)


def cropped_to_one_side(one: Taken, *, exif: str) -> bytes:
    """60 to 80 % in the photo's own shape, as far to one corner as what is measured allows."""
    size, seen = np.array(one.size), one.seen_px()
    low = np.maximum(seen.min(axis=0) - 0.02 * size.max(), 0)
    high = np.minimum(seen.max(axis=0) + 0.02 * size.max(), size)
    share = max(one.rng.uniform(0.6, 0.8), *((high - low) / size))
    want = np.minimum(np.round(size * share), size).astype(int)
    ends = np.array([np.maximum(high - want, 0), np.minimum(low, size - want)])
    x0, y0 = ends[one.rng.integers(0, 2, 2), [0, 1]].astype(int)
    part = one.pixels[y0 : y0 + want[1], x0 : x0 + want[0]]
    return kept(one, np.ascontiguousarray(part), exif)


def zoomed(one: Taken, *, said: str) -> bytes:
    """Digital zoom about the middle, as far as what is measured allows, at the full size.

    ``said``: "nowhere", in the zoom "ratio", or in the 35 mm "focal" length.
    """
    middle = np.array(one.size) / 2
    reach = np.abs(one.seen_px() - middle).max(axis=0) + 0.02 * max(one.size)
    factor = float(np.clip((middle / reach).min(), 1.0, 2.0))
    half = middle / factor
    x0, y0 = np.maximum(np.round(middle - half), 0).astype(int)
    x1, y1 = np.round(middle + half).astype(int)
    part = cv2.resize(one.pixels[y0:y1, x0:x1], one.size, interpolation=cv2.INTER_CUBIC)
    f35 = one.f35_mm * (factor if said == "focal" else 1.0)
    ratio = factor if said in ("ratio", "focal") else None
    return jpeg(part, f35_mm=f35, exif_size=one.size, zoom=ratio)


def wrong_focal(one: Taken, *, factor: float) -> bytes:
    return jpeg(one.pixels, f35_mm=one.f35_mm * factor, exif_size=one.size)


def mirrored(one: Taken, *, across: float = 1.0) -> bytes:
    size = round(one.size[0] * across), one.size[1]
    pixels = cv2.resize(one.pixels[:, ::-1], size, interpolation=cv2.INTER_AREA)
    return jpeg(np.ascontiguousarray(pixels), f35_mm=one.f35_mm, exif_size=size)


def screenshot(one: Taken, *, kind: str = "PNG") -> bytes:
    """The photo in a phone's gallery, on a screen of 1170 x 2532 px."""
    wide, high = one.size
    screen = np.full((2532, 1170, 3), 0, np.uint8)
    if wide > high:
        screen = np.ascontiguousarray(screen.transpose(1, 0, 2))
    share = min(screen.shape[1] / wide, screen.shape[0] / high)
    shown = cv2.resize(one.pixels, (int(wide * share), int(high * share)))
    top, left = (screen.shape[0] - shown.shape[0]) // 2, (screen.shape[1] - shown.shape[1]) // 2
    screen[top : top + shown.shape[0], left : left + shown.shape[1]] = shown
    out = io.BytesIO()
    Image.fromarray(screen).save(out, kind)
    return out.getvalue()


def of_a_screen(one: Taken, *, yaw_deg: float, pitch_deg: float = 0.0) -> bytes:
    """The photo on a screen, photographed from the side by a second phone (26 mm)."""
    wide, high = one.size
    focal = 26.0 / 43.2666 * math.hypot(wide, high)
    yaw, pitch = math.radians(yaw_deg), math.radians(pitch_deg)
    turn = np.array(
        [[math.cos(yaw), 0, math.sin(yaw)], [0, 1, 0], [-math.sin(yaw), 0, math.cos(yaw)]]
    ) @ np.array(
        [[1, 0, 0], [0, math.cos(pitch), -math.sin(pitch)], [0, math.sin(pitch), math.cos(pitch)]]
    )
    corners = np.array([[0, 0], [wide, 0], [wide, high], [0, high]], dtype=float)
    flat = np.column_stack([corners - [wide / 2, high / 2], np.zeros(4)]) @ turn.T
    flat[:, 2] += 1.08 * focal
    seen = flat[:, :2] / flat[:, 2:] * focal + [wide / 2, high / 2]
    onto = cv2.getPerspectiveTransform(corners.astype(np.float32), seen.astype(np.float32))
    room = np.full_like(one.pixels, 38)
    warped = cv2.warpPerspective(
        one.pixels, onto, one.size, dst=room, flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_TRANSPARENT,
    )  # fmt: skip
    noise = one.rng.normal(0, 2, warped.shape)
    pixels = np.clip(warped + noise, 0, 255).astype(np.uint8)
    return jpeg(pixels, f35_mm=26, exif_size=one.size)


def bent(one: Taken, *, corner_share: float, f35_mm: float | None = None) -> bytes:
    """Barrel distortion that moves the corner inwards by a share of its distance."""
    wide, high = one.size
    middle, reach = np.array([wide, high]) / 2, math.hypot(wide, high) / 2
    y, x = np.mgrid[0:high, 0:wide].astype(np.float64) + 0.5
    dx, dy = (x - middle[0]) / reach, (y - middle[1]) / reach
    # Where the pixel that comes to lie at r was before: r (1 + k r^2).
    factor = 1.0 + corner_share * (dx**2 + dy**2)
    at_x = (middle[0] + dx * factor * reach - 0.5).astype(np.float32)
    at_y = (middle[1] + dy * factor * reach - 0.5).astype(np.float32)
    pixels = cv2.remap(one.pixels, at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return jpeg(pixels, f35_mm=f35_mm or one.f35_mm, exif_size=one.size)


def panorama(one: Taken) -> bytes:
    """The picture as a turning camera writes it: columns by angle, more room to both sides."""
    wide, high = one.size
    focal = one.f35_mm / 43.2666 * math.hypot(wide, high)
    reach = math.atan(wide / 2 / focal)
    columns = (np.arange(round(2 * reach * focal)) + 0.5) / focal - reach
    x = np.tan(columns) * focal + wide / 2
    y = np.arange(high) + 0.5
    at_x = np.broadcast_to(x, (high, len(x)))
    at_y = (y[:, None] - high / 2) / np.cos(columns) + high / 2
    pixels = cv2.remap(
        one.pixels, at_x.astype(np.float32) - 0.5, at_y.astype(np.float32) - 0.5, cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    side = round(1.5 * high)
    pad = np.pad(pixels, ((0, 0), (side // 2, side // 2), (0, 0)), mode="symmetric")
    return jpeg(pad, f35_mm=one.f35_mm, exif_size=(pad.shape[1], pad.shape[0]))


def strip_turned(one: Taken, *, deg: float, axis: str = "upright", away_mm: float = 0.0) -> bytes:
    """The strip stuck out of parallel ("upright" or "level" axis), or further ``away_mm``."""
    board, camera = one.truth["tag_board"], one.truth["camera"]
    corners = np.array([tag["corners_mm"] for tag in board["tags"]])
    numbers = [tag["id"] for tag in board["tags"]]
    middle = corners.mean(axis=(0, 1))
    along = corners[:, 1].mean(axis=0) - corners[:, 0].mean(axis=0)
    along /= np.linalg.norm(along)
    down = corners[:, 3].mean(axis=0) - corners[:, 0].mean(axis=0)
    down /= np.linalg.norm(down)
    around = {"upright": down, "level": along}[axis]
    turn = cv2.Rodrigues(around * math.radians(deg))[0]
    turned = (corners - middle) @ turn.T + middle + away_mm * np.cross(along, down)
    at = turned @ np.array(camera["R"]).T + np.array(camera["t_mm"])
    seen = at[..., :2] / at[..., 2:] * [camera["fx"], camera["fy"]]
    seen = seen + np.array([one.size[0], one.size[1]]) / 2
    picture = one.pixels.copy()
    old = np.array([tag["corners_px"] for tag in board["tags"]]).reshape(-1, 2)
    hull = cv2.convexHull(old.astype(np.float32))[:, 0]
    hull = (hull - hull.mean(axis=0)) * 1.12 + hull.mean(axis=0)
    cv2.fillConvexPoly(picture, np.round(hull).astype(np.int32), (225, 225, 225))
    draw_strip(picture, numbers, seen)
    return jpeg(picture, f35_mm=one.f35_mm, exif_size=one.size)


def dot_moved(one: Taken, *, name: str, mm: float, along: bool = False) -> bytes:
    """One dot of the leg stuck elsewhere: across its bone, or along it."""
    truth = one.truth["landmarks"]
    place = np.array(truth[name]["marker_px"])
    knee = np.array(truth["knee"]["marker_px"])
    bone = knee - np.array(truth["hip" if name in ("hip", "knee") else "ankle"]["marker_px"])
    bone /= np.linalg.norm(bone)
    way = bone if along else np.array([-bone[1], bone[0]])
    px_per_mm = 1.0 / one.truth["camera"]["mm_per_px_at_knee"]
    away = way * mm * px_per_mm * one.rng.choice([-1.0, 1.0])
    radius = 0.5 * one.truth["dot_diameter_mm"] * px_per_mm
    mask = np.zeros(one.pixels.shape[:2], np.uint8)
    cv2.circle(mask, (round(place[0]), round(place[1])), math.ceil(radius * 1.35), 255, -1)
    picture = cv2.inpaint(one.pixels, mask, 3, cv2.INPAINT_TELEA)
    shift = np.float32([[1, 0, away[0]], [0, 1, away[1]]])
    moved = cv2.warpAffine(one.pixels, shift, one.size)
    cover = np.zeros(mask.shape, np.float32)
    to = place + away
    cv2.circle(cover, (round(to[0]), round(to[1])), round(radius * 1.02), 1.0, -1)
    cover = cv2.GaussianBlur(cover, (0, 0), 0.7)[..., None]
    pixels = np.clip(moved * cover + picture * (1 - cover), 0, 255).astype(np.uint8)
    return jpeg(pixels, f35_mm=one.f35_mm, exif_size=one.size)


Job = Callable[[Taken], bytes]


def _dots_and_tags(one: Taken) -> bool:
    return bool(one.truth["dots"] and one.truth["tags"])


def _dots(one: Taken) -> bool:
    return bool(one.truth["dots"])


Manipulation = tuple[Job, Callable[[Taken], bool] | None]
"""What makes the file, and for which photos (None: for all)."""

SEEN: Mapping[str, Manipulation] = {
    "as taken": (as_taken, None),
    "half the size, EXIF new": (lambda p: resized(p, share=0.6, exif="new"), None),
    "half the size, EXIF kept": (lambda p: resized(p, share=0.6, exif="kept"), None),
    "messenger: smaller, no EXIF": (lambda p: resized(p, share=0.7, exif="none"), None),
    **{
        f"{words}, EXIF {exif}": (
            lambda p, a=across, d=down, e=exif: stretched(p, across=a, down=d, exif=e),
            None,
        )
        for words, across, down in (
            ("width x 0.75", 0.75, 1.0), ("width x 0.9", 0.9, 1.0), ("height x 0.8", 1.0, 0.8),
        )
        for exif in ("kept", "new", "none")
    },
    **{
        f"gallery crop, {'own' if same else 'free'} shape, EXIF {exif}": (
            lambda p, s=same, e=exif: cropped(p, share=0.55, exif=e, same_shape=s),
            None,
        )
        for same in (True, False)
        for exif in ("kept", "new", "none")
    },
    **{
        f"digital zoom, said {said}": (lambda p, s=said: zoomed(p, said=s), None)
        for said in ("nowhere", "ratio", "focal")
    },
    "35 mm length half": (lambda p: wrong_focal(p, factor=0.5), None),
    "35 mm length double": (lambda p: wrong_focal(p, factor=2.0), None),
    "mirrored": (mirrored, None),
    "screenshot, PNG": (screenshot, None),
    "screenshot, JPEG": (lambda p: screenshot(p, kind="JPEG"), None),
    "screen from the side, 25°": (lambda p: of_a_screen(p, yaw_deg=25), None),
    "screen from the side, -35°": (lambda p: of_a_screen(p, yaw_deg=-35, pitch_deg=8), None),
    "barrel distortion 4 %": (lambda p: bent(p, corner_share=0.04), None),
    "ultra-wide lens, barrel 6 %": (lambda p: bent(p, corner_share=0.06, f35_mm=15), None),
    "panorama": (panorama, None),
    "strip 10° out, upright": (lambda p: strip_turned(p, deg=10), _dots_and_tags),
    "strip -10° out, level": (
        lambda p: strip_turned(p, deg=-10, axis="level"),
        _dots_and_tags,
    ),
    "strip on the far side": (lambda p: strip_turned(p, deg=0, away_mm=330), _dots_and_tags),
    "hip dot 50 mm off": (lambda p: dot_moved(p, name="hip", mm=50), _dots),
    "knee dot 50 mm off": (lambda p: dot_moved(p, name="knee", mm=50), _dots),
    "ankle dot 50 mm off": (lambda p: dot_moved(p, name="ankle", mm=50), _dots),
}  # fmt: skip
"""Those that the gate's rules were set with in view."""

UNSEEN: Mapping[str, Manipulation] = {
    "height x 0.85, EXIF new": (lambda p: stretched(p, down=0.85, exif="new"), None),
    "crop to one side, EXIF new": (lambda p: cropped_to_one_side(p, exif="new"), None),
    "mirrored, width x 0.9": (lambda p: mirrored(p, across=0.9), None),
    "strip 14° out, upright": (lambda p: strip_turned(p, deg=14), _dots_and_tags),
    "strip -14° out, level": (
        lambda p: strip_turned(p, deg=-14, axis="level"),
        _dots_and_tags,
    ),
    "strip -7° out, upright": (lambda p: strip_turned(p, deg=-7), _dots_and_tags),
    "hip dot 35 mm off": (lambda p: dot_moved(p, name="hip", mm=35), _dots),
    "hip dot 50 mm along": (lambda p: dot_moved(p, name="hip", mm=50, along=True), _dots),
    "knee dot 35 mm along": (lambda p: dot_moved(p, name="knee", mm=35, along=True), _dots),
    "ankle dot 35 mm off": (lambda p: dot_moved(p, name="ankle", mm=35), _dots),
}  # fmt: skip
"""Those added later. Their counts were seen before the ± of strips was set for good, so that the
strips' rows chose a little; no other row did."""

MANIPULATIONS: Mapping[str, Manipulation] = {**SEEN, **UNSEEN}
