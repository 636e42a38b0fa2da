"""The machine's dots by their outlines: how their faces are turned, and the direction by it."""

from __future__ import annotations

import io
import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from conftest import SAMPLES
from manipulated import Taken, as_taken, strip_turned
from PIL import Image

from knee_angle.angle import geometry
from knee_angle.assumptions import U_FACES_DEG, U_FACES_OF_LEG_DEG
from knee_angle.landmarks.dots import DotDetector
from knee_angle.landmarks.dots.faces import Face, faces
from knee_angle.landmarks.facing import by_outlines, faces_seen, stretches
from knee_angle.landmarks.network import NetworkDetector
from knee_angle.photo.reading import read_photo
from knee_angle.pipeline import measure
from knee_angle.records import Direction, Landmark, Landmarks, Lens, Measurement

LENS = Lens(1280, 960, 950.0, 0.02, "exif")
DETECTORS = (DotDetector(), NetworkDetector(threads=1))
PLACES = {"thigh_bar": (520.0, 420.0), "hinge": (700.0, 330.0), "shank_bar": (850.0, 470.0)}
FOUND_DEG = 4.7
"""± of the network's direction per axis, as it mostly says of photos with dots."""
FINE = 8


# ---------------------------------------------------------------- outlines in a picture


def drawn(stretch, *, radius_px=8.0, blur_px=0.8, bar_px=1.6, dot=(150, 20, 90)) -> np.ndarray:
    """A disc on a bar so many radii broad either way, drawn large and made smaller."""
    size = 160
    picture = np.full((size * FINE, size * FINE, 3), 205, np.uint8)
    half = round(bar_px * radius_px * FINE)
    middle = size * FINE // 2
    picture[middle - half : middle + half] = (140, 142, 150)
    e = math.hypot(*stretch)
    axes = radius_px * (1 + e) * FINE, radius_px * (1 - e) * FINE
    turn = 0.5 * math.degrees(math.atan2(stretch[1], stretch[0]))
    cv2.ellipse(picture, ((middle, middle), (2 * axes[0], 2 * axes[1]), turn), dot, -1)
    picture = cv2.GaussianBlur(picture, (0, 0), blur_px * FINE)
    picture = cv2.resize(picture, (size, size), interpolation=cv2.INTER_AREA)
    noisy = picture + np.random.default_rng(5).normal(0, 2.0, picture.shape)
    return np.clip(noisy, 0, 255).astype(np.uint8)


def face_in(picture: np.ndarray, radius_px: float, *, off_px=(0.0, 0.0)) -> list[Face]:
    out = io.BytesIO()
    Image.fromarray(picture).save(out, "JPEG", quality=90)
    x, y = picture.shape[1] / 2 + off_px[0], picture.shape[0] / 2 + off_px[1]
    hinge = Landmark.round(x, y, u_px=0.3, source="dot")
    return faces(read_photo(out.getvalue()), Landmarks({"hinge": hinge}, None, 2 * radius_px))


@pytest.mark.parametrize("radius_px", [5.0, 8.0, 22.0])
@pytest.mark.parametrize("stretch", [(0.0, 0.0), (0.1, 0.0), (-0.06, 0.05), (0.0, -0.15)])
def test_an_outline_tells_how_a_disc_is_stretched(radius_px, stretch):
    (face,) = face_in(drawn(stretch, radius_px=radius_px), radius_px, off_px=(0.6, -0.5))
    assert face.stretch == pytest.approx(stretch, abs=1.5 * face.u)
    assert 0.015 <= face.u < 0.035


def test_a_bar_hardly_broader_than_its_dot_does_not_draw_the_outline_out():
    (face,) = face_in(drawn((0.0, 0.0), bar_px=1.3), 8.0)
    assert np.hypot(*face.stretch) < 1.5 * face.u


def test_a_dot_of_the_bars_own_colour_has_no_outline():
    assert face_in(drawn((0.1, 0.0), dot=(140, 142, 150)), 8.0) == []


def test_only_dots_on_the_machine_tell_it():
    picture = Image.fromarray(drawn((0.1, 0.0)))
    out = io.BytesIO()
    picture.save(out, "JPEG")
    photo = read_photo(out.getvalue())
    at = Landmark.round(80.0, 80.0, u_px=0.3, source="dot")
    for points in ({"knee": at}, {"hinge": replace(at, source="manual")}):
        assert faces(photo, Landmarks(points, None, 16.0)) == []
    assert faces(photo, Landmarks({"hinge": at}, None, None)) == []


def test_in_a_picture_that_may_be_stretched_outlines_tell_nothing():
    photo = read_photo((SAMPLES / "bed_06.jpg").read_bytes())
    found = DotDetector().find(photo)
    assert isinstance(found, Landmarks)
    assert len(faces_seen(photo, found, LENS)) == 3
    assert faces_seen(photo, found, replace(LENS, u_aspect=0.17)) == []


# ---------------------------------------------------------------- the direction


def seen_on(normal: np.ndarray, rng: np.random.Generator, *, bend=0.0, u=0.018) -> list[Face]:
    """Three dots on bars in the plane of a normal, bent about tubes by as much."""
    at = {name: Face(name, xy, np.zeros(2), u) for name, xy in PLACES.items()}

    def ray(name: str) -> np.ndarray:
        return geometry.rays(
            np.array(PLACES[name]), focal_px=LENS.focal_px, centre_px=LENS.centre_px
        )

    found = []
    for name, face in at.items():
        across = None
        if bend and name != "hinge":
            along = np.cross(normal, np.cross(ray(name), ray("hinge")))
            across = np.cross(normal, along / np.linalg.norm(along))[None]
        stretch = stretches(face, normal[None], LENS, across=across, bend=bend)[0]
        found.append(replace(face, stretch=stretch + rng.normal(0, u, 2)))
    return found


def network(normal: np.ndarray, off_deg: np.ndarray) -> Direction:
    x, y, z = geometry.tilt_normal(normal, off_deg)
    return Direction((x, y, z), (FOUND_DEG**2, 0.0, FOUND_DEG**2))


def test_a_disc_is_seen_narrower_across_the_turn_of_its_face():
    face = Face("hinge", LENS.centre_px, np.zeros(2), 0.02)
    turned = geometry.normal_from_view(yaw_deg=30.0, pitch_deg=0.0)[None]
    narrow = (1 - math.cos(math.radians(30))) / (1 + math.cos(math.radians(30)))
    assert stretches(face, turned, LENS)[0] == pytest.approx([-narrow, 0.0], abs=1e-9)
    # Square-on and bent about a tube along y the picture's x is the short axis.
    square, across = np.array([[0.0, 0.0, -1.0]]), np.array([[1.0, 0.0, 0.0]])
    bent = stretches(face, square, LENS, across=across, bend=0.04)[0]
    assert bent == pytest.approx([-0.04, 0.0], abs=1e-9)


def test_outlines_draw_a_direction_that_is_far_off_to_where_they_fit():
    truth = geometry.normal_from_view(yaw_deg=20.0, pitch_deg=14.0)
    off = network(truth, np.array([-9.0, -8.0]))
    both = by_outlines(
        off, seen_on(truth, np.random.default_rng(1), u=0.01), LENS, u_faces_deg=U_FACES_DEG
    )
    before, after = (
        geometry.tilt_between_deg(truth, np.array(d.normal)) for d in (off, both)
    )  # fmt: skip
    assert after < 0.55 * before
    assert sum(both.tilt_cov_deg2[::2]) < 0.6 * sum(off.tilt_cov_deg2[::2])


def test_without_outlines_the_networks_direction_stays():
    off = network(np.array([0.0, 0.0, -1.0]), np.array([3.0, 1.0]))
    assert by_outlines(off, [], LENS, u_faces_deg=U_FACES_DEG) is off


def tilts_off(bend: float, *, legs: int = 400) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Error by network and by both, degrees (n, 2), and both in its ± (n,), as chi-squared."""
    rng = np.random.default_rng(7)
    alone, together, chi2 = [], [], []
    for _ in range(legs):
        leg = geometry.normal_from_view(yaw_deg=rng.normal(0, 15), pitch_deg=rng.normal(9, 8))
        bars = geometry.tilt_normal(leg, rng.normal(0, U_FACES_DEG, 2))
        by_network = network(leg, rng.normal(0, FOUND_DEG, 2))
        both = by_outlines(by_network, seen_on(bars, rng, bend=bend), LENS, u_faces_deg=U_FACES_DEG)
        for direction, kept in ((by_network, alone), (both, together)):
            normal = np.array(direction.normal)
            right, down = geometry.plane_axes(normal)
            kept.append(np.degrees([right @ leg, down @ leg]))
        aa, ab, bb = both.tilt_cov_deg2
        chi2.append(together[-1] @ np.linalg.solve([[aa, ab], [ab, bb]], together[-1]))
    return np.array(alone), np.array(together), np.array(chi2)


def test_the_direction_by_both_is_better_and_its_uncertainty_holds():
    alone, together, chi2 = tilts_off(0.0)
    assert (together**2).mean() < 0.72 * (alone**2).mean()
    assert 0.85 < math.sqrt(chi2.mean() / 2) < 1.1
    assert (chi2 < 5.99).mean() > 0.93


def test_tubes_for_bars_make_the_direction_no_worse_than_the_networks():
    alone, together, chi2 = tilts_off(0.036)
    assert (together**2).mean() < (alone**2).mean()
    assert (chi2 < 5.99).mean() > 0.9


# ---------------------------------------------------------------- in photos


def test_dots_without_tags_tell_the_direction_better_than_the_network_alone():
    """Set by drawn discs and beliefs about bars, not by these photos."""
    off: dict[str, list[float]] = {"network": [], "both": []}
    for path in sorted(SAMPLES.glob("series_[abe]_*.jpg"))[::2]:
        photo, truth = read_photo(path), Taken.of(path).truth
        found = DotDetector().find_with(photo, witness=DETECTORS[1])
        if not isinstance(found, Landmarks):
            continue
        lens = Lens(photo.width, photo.height, truth["camera"]["fx"], 0.02, "exif")
        leg = np.array(truth["camera"]["R"]) @ np.array(truth["sagittal_normal"])
        direction = DETECTORS[1].direction(photo, found)
        assert direction is not None
        both = by_outlines(
            direction, faces_seen(photo, found, lens), lens, u_faces_deg=U_FACES_OF_LEG_DEG
        )
        for name, one in (("network", direction), ("both", both)):
            off[name].append(float(geometry.tilt_between_deg(leg, np.array(one.normal))))
    assert len(off["both"]) > 6
    assert np.mean(np.square(off["both"])) < 0.7 * np.mean(np.square(off["network"]))


@pytest.mark.parametrize("name", ["bed_02", "series_a_2"])
def test_a_strip_out_of_parallel_is_named_and_the_angle_drawn_to_what_the_dots_show(name):
    one = Taken.of(SAMPLES / f"{name}.jpg")
    right, wrong = (
        measure(file, detectors=DETECTORS, name="photo.jpg")
        for file in (as_taken(one), strip_turned(one, deg=14))
    )
    assert isinstance(right, Measurement)
    assert isinstance(wrong, Measurement)
    assert any("strip's plane" in caution for caution in wrong.cautions)
    assert not any("strip's plane" in caution for caution in right.cautions)
    low, high = wrong.knee.found_interval_deg
    assert low <= one.truth["true_knee_flexion_deg"] <= high
    leg = np.array(one.truth["camera"]["R"]) @ np.array(one.truth["sagittal_normal"])
    assert geometry.tilt_between_deg(leg, np.array(wrong.leg.view.normal)) < 8.0
