"""Bar tags drawn into pictures: the cards of our own sheet, by exact homographies."""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageOps

if TYPE_CHECKING:
    from conftest import Scene

TAG_MM, WHITE_MM = 40.0, 6.0
CARD_PX_MM = 12.0
FINER = 4
"""The picture is drawn so many times larger and averaged in linear light."""


@lru_cache(maxsize=2)
def cards() -> dict[int, NDArray[np.uint8]]:
    """Each tag of the printed sheet with its white, grey, `CARD_PX_MM` px per mm."""
    # Only the cards need what makes and reads sheets: the gate's bench runs without it.
    import pypdfium2

    from knee_angle.report.sheets import bar_sheet

    document = pypdfium2.PdfDocument(bar_sheet(tag_mm=TAG_MM))
    page = np.array(document[0].render(scale=CARD_PX_MM * 25.4 / 72).to_pil().convert("L"))
    document.close()
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    quads, numbers, _ = cv2.aruco.ArucoDetector(family).detectMarkers(page)
    white = round(WHITE_MM * CARD_PX_MM)
    found = {}
    for quad, number in zip(quads, np.ravel(numbers), strict=True):
        # The detector's corners lie half a pixel inside the black square.
        low = np.rint(quad.reshape(4, 2).min(axis=0) - 0.5).astype(int) - white
        size = round(TAG_MM * CARD_PX_MM) + 2 * white
        found[int(number)] = page[low[1] : low[1] + size, low[0] : low[0] + size]
    return found


def draw_card(picture: NDArray[np.uint8], number: int, corners_px: NDArray[np.float64]) -> None:
    """Draw one card in place; ``corners_px`` (4, 2) of its tag, as printed, continuous px."""
    inner = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * TAG_MM * CARD_PX_MM + WHITE_MM * CARD_PX_MM
    paint(picture, cards()[number], inner, corners_px)


def paint(
    picture: NDArray[np.uint8],
    card: NDArray[np.uint8],
    inner: NDArray[np.float64],
    corners_px: NDArray[np.float64],
) -> None:
    """Draw a grey card in place: its points ``inner`` (4, 2) come to ``corners_px`` (4, 2)."""
    high_px, wide_px = card.shape
    outer = np.array([[[0, 0], [wide_px, 0], [wide_px, high_px], [0, high_px]]], dtype=float)
    onto = cv2.getPerspectiveTransform(inner.astype(np.float32), corners_px.astype(np.float32))
    reach = cv2.perspectiveTransform(outer, onto)[0]
    low = np.maximum(np.floor(reach.min(axis=0)).astype(int) - 1, 0)
    high = np.minimum(np.ceil(reach.max(axis=0)).astype(int) + 2, picture.shape[1::-1])
    width, height = high - low
    # Continuous px to the finer window, then from OpenCV's pixel centres and back.
    finer = np.array([[FINER, 0, -FINER * low[0]], [0, FINER, -FINER * low[1]], [0, 0, 1.0]])
    half = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])
    move = np.linalg.inv(half) @ finer @ onto @ half
    size = (int(width) * FINER, int(height) * FINER)
    light = 0.02 + 0.75 * (card / 255.0) ** 2.2
    drawn = cv2.warpPerspective(light, move, size, flags=cv2.INTER_AREA)
    cover = cv2.warpPerspective(np.ones_like(light), move, size)
    drawn, cover = (cv2.resize(x, (int(width), int(height)), interpolation=cv2.INTER_AREA)
                    for x in (drawn, cover))  # fmt: skip
    window = picture[low[1] : high[1], low[0] : high[0]]
    mixed = (1 - cover[..., None]) * (window / 255.0) ** 2.2 + drawn[..., None]
    window[:] = np.clip(np.rint(255 * mixed ** (1 / 2.2)), 0, 255)


def tag_corners_mm(
    middle: NDArray[np.float64], along: NDArray[np.float64], away: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Corners (4, 3) of a tag from its middle, x axis and the direction away from the camera."""
    down = np.cross(away, along)
    half = TAG_MM / 2
    return np.array(
        [middle + half * (x * along + y * down) for x, y in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    )


@dataclass(frozen=True)
class Kit:
    """How the two cards are stuck: from the hinge (mm), turned (deg), across (mm)."""

    from_hinge_mm: tuple[float, float] = (150.0, 150.0)
    turned_deg: tuple[float, float] = (0.0, 0.0)
    across_mm: tuple[float, float] = (0.0, 0.0)
    corners_px: dict[int, NDArray[np.float64]] = field(default_factory=dict, compare=False)

    def corners_mm(
        self, thigh_bar: NDArray[np.float64], hinge: NDArray[np.float64],
        shank_bar: NDArray[np.float64], away: NDArray[np.float64],
    ) -> dict[int, NDArray[np.float64]]:  # fmt: skip
        """Corners of both tags for bars through three points in a plane."""
        ways = {585: (hinge - thigh_bar, -1.0), 586: (shank_bar - hinge, 1.0)}
        found = {}
        for which, (number, (way, sign)) in enumerate(ways.items()):
            along = way / np.linalg.norm(way)
            across = np.cross(away, along)
            middle = hinge + sign * self.from_hinge_mm[which] * along
            middle = middle + self.across_mm[which] * across
            turn = np.radians(self.turned_deg[which])
            turned = np.cos(turn) * along + np.sin(turn) * across
            found[number] = tag_corners_mm(middle, turned, away)
        return found


def with_bar_tags(scene: Scene, kit: Kit, *, size: float = 1.0) -> bytes:
    """A sample photo as JPEG with the kit stuck on its machine's bars, by the truth's camera."""
    with Image.open(scene.photo) as file:
        upright = ImageOps.exif_transpose(file)
        exif = upright.getexif()
        picture = np.array(upright.convert("RGB"))
    truth = scene.truth
    points = {name: np.array(p["mm"]) for name, p in truth["machine"]["points"].items()}
    face = points["thigh_bar"][1]
    flat = {name: np.array([p[0], face, p[2]]) for name, p in points.items()}
    away = np.array([0.0, -np.sign(truth["sagittal_normal"][1]), 0.0])
    corners = kit.corners_mm(flat["thigh_bar"], flat["hinge"], flat["shank_bar"], away)
    camera = truth["camera"]
    for number, four in corners.items():
        at = four @ np.array(camera["R"]).T + np.array(camera["t_mm"])
        px = at[:, :2] / at[:, 2:] * camera["fx"] + [camera["cx"], camera["cy"]]
        kit.corners_px[number] = px
        draw_card(picture, number, px)
    done = Image.fromarray(picture)
    if size != 1.0:
        done = done.resize((round(done.width * size), round(done.height * size)), Image.LANCZOS)
    out = io.BytesIO()
    done.save(out, "JPEG", quality=95, exif=exif)
    return out.getvalue()
