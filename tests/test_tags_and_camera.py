"""Printed tags and the camera's direction, against drawn boards and the sample photos."""

from __future__ import annotations

import io

import cv2
import numpy as np
import pytest
from conftest import SAMPLES, scenes
from PIL import Image

from knee_angle import assumptions
from knee_angle.angle import geometry
from knee_angle.assumptions import U_CORNER_PX
from knee_angle.photo import camera
from knee_angle.photo.reading import read_photo
from knee_angle.photo.strips import steps_of
from knee_angle.photo.tags import Tag, find_tags
from knee_angle.records import Lens

LENS = Lens(1600, 1200, 1200.0, 0.02, "exif")
STRIP = [20, 45, 58, 51]


def strip_corners_mm(count: int, *, tag_mm: float = 50.0, gap_mm: float = 8.0) -> np.ndarray:
    """Corners (n, 4, 2) of a strip, centred, y down, from top left clockwise."""
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * tag_mm
    starts = np.arange(count) * (tag_mm + gap_mm)
    corners = square[None] + np.stack([starts, 0 * starts], axis=1)[:, None]
    return corners - corners.reshape(-1, 2).mean(axis=0)


def projected(corners_mm: np.ndarray, normal: np.ndarray, *, roll_deg: float = 0.0) -> np.ndarray:
    """The corners in px, drawn by OpenCV's projectPoints, 1 m from the lens."""
    right, down = geometry.plane_axes(normal)
    flat = geometry.turned(corners_mm, by_deg=roll_deg) + [40.0, 90.0]
    points = flat[..., :1] * right + flat[..., 1:] * down - 1000.0 * normal
    cx, cy = LENS.centre_px
    matrix = np.array([[LENS.focal_px, 0, cx], [0, LENS.focal_px, cy], [0, 0, 1]])
    pixels = cv2.projectPoints(points.reshape(-1, 3), np.zeros(3), np.zeros(3), matrix, None)[0]
    return pixels.reshape(corners_mm.shape)


def tags_of(pixels: np.ndarray) -> tuple[Tag, ...]:
    return tuple(
        Tag(n, tuple((float(x), float(y)) for x, y in quad)) for n, quad in enumerate(pixels)
    )


@pytest.mark.parametrize("roll", [0.0, 12.0, -80.0, 178.0])
@pytest.mark.parametrize(("yaw", "pitch"), [(0, 0), (25, 5), (-18, 15), (5, 20), (-30, -5)])
@pytest.mark.parametrize("count", [1, 2, 4])
def test_exact_corners_give_the_exact_plane(count, yaw, pitch, roll):
    normal = geometry.normal_from_view(yaw_deg=yaw, pitch_deg=pitch)
    board = camera.board_of(
        tags_of(projected(strip_corners_mm(count), normal, roll_deg=roll)), LENS, tag_mm=50.0
    )
    assert geometry.tilt_between_deg(board.normal, normal) < 1e-3
    assert board.distance_mm == pytest.approx(1000.0, abs=0.05)


def test_tags_that_are_no_strip_of_ours_are_fitted_where_they_are():
    normal = geometry.normal_from_view(yaw_deg=20, pitch_deg=8)
    corners = strip_corners_mm(3, gap_mm=31.0) + np.array([[0, 0], [0, 40.0], [0, -25.0]])[:, None]
    board = camera.board_of(tags_of(projected(corners, normal)), LENS, tag_mm=50.0)
    assert geometry.tilt_between_deg(board.normal, normal) < 1e-3


def test_noisy_corners_err_as_much_as_the_covariance_says():
    """Over 200 noisy strips the squared error in units of its covariance averages 2 (chi²)."""
    rng = np.random.default_rng(11)
    normal = geometry.normal_from_view(yaw_deg=15, pitch_deg=10)
    exact = projected(strip_corners_mm(4), normal)
    right, down = geometry.plane_axes(normal)
    scores = []
    for _ in range(200):
        noisy = exact + rng.normal(0, U_CORNER_PX, exact.shape)
        board = camera.board_of(tags_of(noisy), LENS, tag_mm=50.0)
        step = board.normal / (board.normal @ normal) - normal
        tilt = np.degrees(np.arctan([step @ right, step @ down]))
        scores.append(tilt @ np.linalg.solve(board.tilt_cov_deg2, tilt))
    # Corners may be a little better than the strip's own tolerance allows for.
    assert 1.0 < np.mean(scores) < 2.6


@pytest.mark.parametrize("places", [(0, 3), (0, 2), (0, 1, 3)], ids=str)
@pytest.mark.parametrize("yaw", [-52, -44, -36, 36, 44, 52])
def test_steps_of_an_oblique_strip_are_those_of_the_numbers(yaw, places):
    """A foreshortened edge once made steps too long: residuals of 2 px, 13 degrees off."""
    rng = np.random.default_rng(1)
    normal = geometry.normal_from_view(yaw_deg=yaw, pitch_deg=10)
    corners = strip_corners_mm(4)[list(places)]
    for _ in range(20):
        exact = projected(corners, normal, roll_deg=rng.uniform(-20, 20))
        tags = tags_of(exact + rng.normal(0, U_CORNER_PX, exact.shape))
        tags = tuple(Tag(n, tag.corners_px) for n, tag in zip(places, tags, strict=True))
        assert np.ptp(steps_of(tags)) == places[-1]
        board = camera.board_of(tags, LENS, tag_mm=50.0)
        assert board.rms_px < 0.6
        assert geometry.tilt_between_deg(board.normal, normal) < 6.0


def test_a_single_distant_tag_keeps_its_mirrored_solution():
    """Where the picture cannot tell the two solutions apart, the result keeps both."""
    rng = np.random.default_rng(2)
    normal = geometry.normal_from_view(yaw_deg=14, pitch_deg=3)
    small = projected(strip_corners_mm(1, tag_mm=16.0), normal)
    kept = 0
    for _ in range(20):
        board = camera.board_of(tags_of(small + rng.normal(0, 0.3, small.shape)), LENS, tag_mm=16.0)
        kept += board.other_normal is not None
        assert 0.0 <= board.p_other <= 0.5
    assert kept >= 15


def test_no_tags_are_no_board():
    assert camera.board_of((), LENS, tag_mm=50.0) is None


@pytest.mark.parametrize("scene", scenes(tags=True), ids=lambda s: s.photo.stem)
def test_corners_of_the_sample_photos(scene):
    """Rendered corners, exact truth: found to a quarter pixel (rms over a strip)."""
    tags = find_tags(read_photo(scene.photo))
    truth = {tag["id"]: tag["corners_px"] for tag in scene.truth["tag_board"]["tags"]}
    assert [tag.number for tag in tags] == sorted(truth)
    error = np.array([np.subtract(tag.corners_px, truth[tag.number]) for tag in tags])
    assert np.sqrt(np.mean(error**2)) < 0.25


def test_the_boards_plane_in_the_sample_photos():
    """Median error of the plane's direction at most half a degree, none beyond two."""
    errors = []
    for scene in scenes(tags=True):
        photo = read_photo(scene.photo)
        board = camera.board_of(find_tags(photo), camera.lens_of(photo), tag_mm=50.0)
        side = np.sign(scene.truth["sagittal_normal"][1])
        true = np.array(scene.truth["camera"]["R"]) @ [0.0, side, 0.0]
        errors.append(float(geometry.tilt_between_deg(board.normal, true)))
    assert np.median(errors) <= 0.5
    assert max(errors) <= 2.0


def drawn_tag(number: int, *, copies: int = 1) -> bytes:
    """A page with one tag (or the same tag twice), as PNG bytes."""
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    tag = cv2.aruco.generateImageMarker(family, number, 160)
    page = np.full((400, 800), 255, np.uint8)
    for copy in range(copies):
        page[100:260, 100 + 300 * copy : 260 + 300 * copy] = tag
    out = io.BytesIO()
    Image.fromarray(page).save(out, "PNG")
    return out.getvalue()


def test_a_drawn_tag_is_found_to_a_tenth_of_a_pixel():
    (tag,) = find_tags(read_photo(drawn_tag(7), name="tag.png"))
    assert tag.number == 7
    assert np.array(tag.corners_px) == pytest.approx(
        np.array([[100, 100], [260, 100], [260, 260], [100, 260]]), abs=0.1
    )


def test_a_number_that_is_seen_twice_is_found_twice():
    """Left out in silence nobody would hear of it; `boards` says it."""
    found = find_tags(read_photo(drawn_tag(7, copies=2), name="tags.png"))
    assert [tag.number for tag in found] == [7, 7]


def test_focal_length_from_exif_over_the_diagonal():
    """24 mm equivalent on a 3:4 picture, as the truth files have it."""
    scene = scenes(image="bed_06.jpg")[0]
    lens = camera.lens_of(read_photo(SAMPLES / "bed_06.jpg"))
    assert lens.source == "exif"
    assert lens.focal_px == pytest.approx(scene.truth["camera"]["fx"], rel=0.005)


def test_focal_length_without_exif_is_a_stated_prior():
    page = io.BytesIO()
    Image.new("RGB", (800, 600), "white").save(page, "PNG")
    lens = camera.lens_of(read_photo(page.getvalue(), name="page.png"))
    assert (lens.source, lens.u_relative) == ("prior", assumptions.U_PRIOR)
    assert lens.focal_px == pytest.approx(26.0 / 43.2666 * np.hypot(800, 600))
