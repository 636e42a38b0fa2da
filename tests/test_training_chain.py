"""How the network was made: exact pictures, exact truth, and the whole chain once, tiny."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

pytest.importorskip("moderngl")
torch = pytest.importorskip("torch")

from knee_angle.training.augmentation import tilt_along  # noqa: E402
from knee_angle.training.renderer import Renderer  # noqa: E402
from knee_angle.training.scene import Camera, Light  # noqa: E402

SIZE = 128


@pytest.fixture(scope="module")
def renderer():
    try:
        made = Renderer(size=SIZE, pictures=np.zeros((1, 8, 8, 3), np.uint8), samples=1)
    except Exception as error:  # noqa: BLE001 - no OpenGL here is a reason to skip, whatever its kind
        pytest.skip(f"no OpenGL without a display: {error}")
    yield made
    made.release()


def front(focal: float = 100.0) -> Camera:
    whole = (0, 0, SIZE, SIZE)
    return Camera(np.eye(3), np.zeros(3), focal, (SIZE / 2, SIZE / 2), SIZE, whole, "crop")


def flat_light() -> Light:
    none, up = np.zeros(3), np.array([0, 0, 1.0])
    return Light(up, none, np.ones(3), np.ones(3), up * 9, none, 0.01, 0.0, none)


def soup_of(corners: np.ndarray) -> np.ndarray:
    rows = np.zeros((3, 16), np.float32)
    rows[:, :3], rows[:, 3:6] = corners, [0, 0, -1]
    rows[:, 6:12] = 0.9
    rows[:, 12:] = [0, 1, 0, 0]
    return rows


def test_an_exact_triangle_fills_exactly_its_pixels(renderer):
    corners = np.array([[-0.5, -0.5, 1.0], [0.3, -0.5, 1.0], [-0.5, 0.3, 1.0]])
    picture = renderer.draw_triangles(soup_of(corners), front(), flat_light())
    y, x = np.mgrid[:SIZE, :SIZE] + 0.5
    left, top, edge = 14.0, 14.0, 80.0
    expected = (x > left) & (y > top) & (x - left + y - top < edge)
    on_edge = np.abs(x - left + y - top - edge) < 1
    assert ((picture[:, :, 0] > 100) == expected)[~on_edge].all()


def test_a_point_is_where_opencv_projects_it():
    camera = front(140.0)
    turn, _ = cv2.Rodrigues(np.array([0.1, -0.3, 0.2]))
    moved = Camera(
        turn, np.array([0.1, -0.2, 2.0]), 140.0, (60.0, 70.0), SIZE, camera.window, "crop"
    )
    points = np.random.default_rng(1).uniform(-0.5, 0.5, (20, 3))
    matrix = np.array([[140.0, 0, 60.0], [0, 140.0, 70.0], [0, 0, 1]])
    expected, _ = cv2.projectPoints(points, turn, np.array([0.1, -0.2, 2.0]), matrix, None)
    assert moved.project(points) == pytest.approx(expected[:, 0], abs=1e-6)


def test_a_normal_towards_the_camera_along_the_ray_has_no_tilt():
    ray = np.array([0.2, -0.1, 1.0]) / np.linalg.norm([0.2, -0.1, 1.0])
    camera, centre = torch.tensor([[100.0, 50.0, 50.0]]), torch.tensor([[70.0, 40.0]])
    tilt = tilt_along(torch.tensor(-ray[None], dtype=torch.float32), camera, centre)
    assert tilt.numpy() == pytest.approx(np.zeros((1, 2)), abs=1e-6)


def test_training_and_the_detector_read_the_same_normal():
    pytest.importorskip("onnxruntime")
    from knee_angle.landmarks.network.looks import normal_of

    ray = np.array([0.3, 0.2, 1.0]) / np.linalg.norm([0.3, 0.2, 1.0])
    normal = np.array([0.3, -0.4, -0.8660254])
    camera, centre = torch.tensor([[100.0, 0.0, 0.0]]), torch.tensor([[30.0, 20.0]])
    tilt = tilt_along(torch.tensor(normal[None], dtype=torch.float32), camera, centre)[0].numpy()
    back, _ = normal_of(tilt.astype(float), ray)
    assert back == pytest.approx(normal, abs=1e-5)


def test_the_weights_are_kept_in_half_precision():
    weights = Path(__file__).parents[1] / "knee_angle/landmarks/weights/leg.onnx"
    assert weights.stat().st_size <= 12_000_000
