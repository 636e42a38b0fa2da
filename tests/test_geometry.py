"""Angles, rays and planes, against drawn legs, facts and OpenCV's own projection."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from knee_angle.angle import geometry as g


def leg(flexion_deg: float, *, side: str = "left") -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A drawn leg (hip, knee, ankle), y down, knee cap up."""
    knee = np.zeros(2)
    hip = np.array([100.0, 0.0])
    a = np.radians(flexion_deg)
    ankle = 90.0 * np.array([-np.cos(a), np.sin(a)])
    if side == "right":
        hip, ankle = hip * [-1, 1], ankle * [-1, 1]
    return hip, knee, ankle


@pytest.mark.parametrize(
    ("hip", "knee", "ankle", "expected"),
    [
        pytest.param((0, 0), (0, 100), (0, 200), 0.0, id="a straight leg is zero"),
        pytest.param((0, 0), (0, 100), (100, 100), 90.0, id="a right angle is ninety"),
        pytest.param((0, 0), (0, 100), (0, 0), 180.0, id="a folded leg is one hundred and eighty"),
        pytest.param((0, 0, 0), (0, 0, 9), (0, 5, 9), 90.0, id="three dimensions work alike"),
    ],
)
def test_flexion_of_exact_triangles(hip, knee, ankle, expected):
    assert g.flexion_deg(hip, knee, ankle) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("flexion", [-8.0, -0.01, 0.0, 0.01, 5.0, 45.0, 90.0, 120.0, 150.0])
def test_a_drawn_leg_reads_its_own_angle(flexion, side):
    assert g.signed_flexion_deg(*leg(flexion, side=side), side=side) == pytest.approx(flexion)


@given(st.floats(-20, 150), st.floats(0.1, 50), st.floats(-180, 180))
def test_size_and_turn_of_the_picture_do_not_matter(flexion, scale, turn):
    moved = [scale * g.turned(p, by_deg=turn) + 7 for p in leg(flexion)]
    assert g.signed_flexion_deg(*moved, side="left") == pytest.approx(flexion, abs=1e-6)


@given(st.floats(-20, 150))
def test_a_mirrored_left_leg_is_a_right_leg(flexion):
    mirrored = [p * [-1, 1] for p in leg(flexion)]
    assert g.signed_flexion_deg(*mirrored, side="right") == pytest.approx(flexion, abs=1e-9)


def test_a_nearly_straight_leg_keeps_its_digits():
    """An arccos would lose a flexion of a millionth of a degree entirely."""
    assert g.flexion_deg(*leg(1e-6)) == pytest.approx(1e-6, rel=1e-6)


@pytest.mark.parametrize(
    ("theta", "psi", "printed"),
    [
        # Exact worst cases for a far camera, facts computed by the project:
        # "camera off the perpendicular by psi", one decimal or two as printed.
        (30, 5, 0.11), (30, 10, 0.44), (30, 15, 1.0), (30, 20, 1.8), (30, 30, 4.4),
        (60, 5, 0.19), (60, 10, 0.76), (60, 15, 1.7), (60, 20, 3.1), (60, 30, 7.4),
        (90, 5, 0.22), (90, 10, 0.88), (90, 15, 2.0), (90, 20, 3.6), (90, 30, 8.2),
        (110, 5, 0.21), (110, 10, 0.83), (110, 15, 1.9), (110, 20, 3.4), (110, 30, 7.9),
    ],
)  # fmt: skip
def test_tilt_table_of_the_worst_flat_error(theta, psi, printed):
    """A far camera off by psi: the largest error over all directions of the tilt."""
    worst = 0.0
    hip, knee, ankle = leg(theta)
    for direction in np.arange(0, 180, 0.5):
        squeezed = [g.turned(p, by_deg=-direction) for p in (hip, knee, ankle)]
        squeezed = [p * [np.cos(np.radians(psi)), 1.0] for p in squeezed]
        worst = max(worst, abs(float(g.flexion_deg(*squeezed)) - theta))
    digits = 0.005 if printed < 0.9 and printed != 1.0 else 0.05
    assert worst == pytest.approx(printed, abs=digits + 1e-9)


def test_yaw_reads_high_and_pitch_reads_low_on_a_symmetric_leg():
    """Facts: yaw toward hip or foot reads high; pitching down on a symmetric leg reads low."""
    half = np.radians(45)
    hip, ankle = (
        100 * np.array([np.cos(half), np.sin(half)]),
        100 * np.array([-np.cos(half), np.sin(half)]),
    )
    yawed = [p * [np.cos(np.radians(20)), 1] for p in (hip, np.zeros(2), ankle)]
    pitched = [p * [1, np.cos(np.radians(20))] for p in (hip, np.zeros(2), ankle)]
    assert g.flexion_deg(*yawed) > 90.5
    assert g.flexion_deg(*pitched) < 89.5


@pytest.mark.parametrize("yaw", [-30, 0, 25])
@pytest.mark.parametrize("pitch", [-5, 0, 20])
def test_points_projected_by_opencv_come_back_from_the_plane(yaw, pitch):
    """cv2.projectPoints is the independent check of rays, planes and axes."""
    normal = g.normal_from_view(yaw_deg=yaw, pitch_deg=pitch)
    right, down = g.plane_axes(normal)
    flat = np.array(leg(75.0)) + [12.0, -30.0]
    points = flat[:, :1] * right + flat[:, 1:] * down - 1200.0 * normal
    matrix = np.array([[1500.0, 0, 800], [0, 1500.0, 600], [0, 0, 1]])
    pixels = cv2.projectPoints(points, np.zeros(3), np.zeros(3), matrix, None)[0].reshape(-1, 2)
    met = g.meet_plane(
        g.rays(pixels, focal_px=1500.0, centre_px=(800.0, 600.0)), normal=normal, distance_mm=1200.0
    )
    assert met == pytest.approx(points, abs=1e-6)
    assert g.to_plane_mm(met, normal=normal) == pytest.approx(flat, abs=1e-6)
    back = g.to_plane_mm(met, normal=normal)
    assert g.signed_flexion_deg(*back, side="left") == pytest.approx(75.0, abs=1e-6)


def test_looking_down_leans_the_normal_down():
    assert g.normal_from_view(yaw_deg=0, pitch_deg=90) == pytest.approx([0, 1, 0], abs=1e-12)
    assert g.view_of_normal(g.normal_from_view(yaw_deg=-12, pitch_deg=7)) == pytest.approx((-12, 7))


@given(st.floats(-40, 40), st.floats(-40, 40))
def test_a_tilt_turns_the_normal_by_its_size(a, b):
    normal = g.normal_from_view(yaw_deg=10, pitch_deg=5)
    size = np.degrees(np.arctan(np.hypot(np.tan(np.radians(a)), np.tan(np.radians(b)))))
    tilted = g.tilt_normal(normal, (a, b))
    assert g.tilt_between_deg(normal, tilted) == pytest.approx(size, abs=1e-6)
    assert np.linalg.norm(tilted) == pytest.approx(1.0)


def test_the_axes_of_a_plane_are_numpys_cross_product():
    normal = np.random.default_rng(4).normal(size=(50, 2, 3))
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
    right, down = g.plane_axes(normal)
    assert down == pytest.approx(np.cross(right, normal))
    assert g.dot(right, normal) == pytest.approx(np.einsum("abi,abi->ab", right, normal), abs=1e-12)
    assert g.dot([3.0, 4.0], [[1.0, 2.0], [5.0, 6.0]]) == pytest.approx([11.0, 39.0])
