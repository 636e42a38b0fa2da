"""Windows, losses and export of the leg network; needs the extra ``[train]``."""

from __future__ import annotations

import hashlib
import json
import math

import cv2
import numpy as np
import pytest

torch = pytest.importorskip("torch")
pytest.importorskip("moderngl")
pytest.importorskip("efficientnet_lite_pytorch")

from knee_angle.training import augmentation, losses, model  # noqa: E402
from knee_angle.training.scene import Camera  # noqa: E402

SIZE = 384


def turn_of(seed: int) -> np.ndarray:
    return cv2.Rodrigues(np.random.default_rng(seed).normal(0, 0.6, 3))[0]


def kept(count: int = 64, *, seed: int = 0) -> augmentation.Kept:
    """Grey pictures with one white spot each, at the place of every point."""
    rng = np.random.default_rng(seed)
    pictures = np.full((count, SIZE, SIZE, 3), 20, np.uint8)
    points = rng.uniform(120, 264, (count, 1, 2)).repeat(8, 1).astype("f4")
    y, x = np.mgrid[:SIZE, :SIZE] + 0.5
    for picture, point in zip(pictures, points, strict=True):
        spot = np.exp(-((x - point[0, 0]) ** 2 + (y - point[0, 1]) ** 2) / 50)
        picture[:] = np.maximum(picture, (255 * spot[..., None]).astype(np.uint8))
    normal = rng.normal(0, 0.3, (count, 3)) - [0, 0, 1]
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    fields = (
        pictures,
        points,
        np.tile([0, 0, SIZE, SIZE], (count, 1)),
        np.tile([400, SIZE / 2, SIZE / 2], (count, 1)),
        normal,
        np.zeros((count, 11)),
    )
    first, *rest = (torch.from_numpy(f) for f in fields)
    return augmentation.Kept(first, *(f.float() for f in rest))


def test_a_point_is_projected_where_opencv_projects_it():
    points = np.random.default_rng(3).normal(0, 0.3, (20, 3)) + [0, 0, 0.0]
    camera = Camera(turn_of(1), np.array([0.1, 0, 2.0]), 410.0, (190.0, 200.0), SIZE,
                    (0, 0, SIZE, SIZE), "leg")  # fmt: skip
    inner = np.array([[410.0, 0, 190], [0, 410, 200], [0, 0, 1]])
    expected, _ = cv2.projectPoints(
        points, cv2.Rodrigues(camera.turn)[0], camera.shift, inner, None
    )
    np.testing.assert_allclose(camera.project(points), expected[:, 0], atol=1e-6)


def test_a_window_shows_its_points_where_it_says():
    torch.manual_seed(2)
    some = kept()
    plan = augmentation._plan(some, SIZE)
    batch = augmentation.cut(some, plan=plan)
    grey = batch.windows.mean(1)
    checked = 0
    rows = zip(grey, batch.points, batch.present, plan.side, strict=True)
    for window, points, present, side in rows:
        at = points[0]
        if not present[0] or (at < 0.1).any() or (at > 0.9).any():
            continue
        row, column = divmod(int(window.argmax()), model.INPUT_SIZE)
        found = (torch.tensor([column, row]) + 0.5) / model.INPUT_SIZE
        assert float((found - at).norm() * side) < 1.0 + float(side) / model.INPUT_SIZE
        checked += 1
    assert checked > 20


def test_the_tilt_across_a_ray_undoes_to_the_normal():
    some = kept()
    centre = torch.rand(64, 2) * SIZE
    tilt = augmentation.tilt_along(some.normal, some.camera, centre).numpy()
    ray = np.c_[(centre.numpy() - SIZE / 2) / 400, np.ones(64)]
    ray /= np.linalg.norm(ray, axis=1, keepdims=True)
    for t, r, normal in zip(tilt, ray, some.normal.numpy(), strict=True):
        turn = cv2.Rodrigues(
            np.cross([0, 0, 1], r) / max(1e-9, math.hypot(r[0], r[1])) * math.acos(r[2])
        )[0]
        np.testing.assert_allclose((turn.T @ normal)[:2], t, atol=1e-5)


def test_the_same_seed_spoils_alike_and_keeps_the_range():
    windows = torch.rand(4, 3, 256, 256) * 255
    torch.manual_seed(5)
    first = augmentation.spoil(windows, generator_step=0)
    torch.manual_seed(5)
    again = augmentation.spoil(windows, generator_step=0)
    assert torch.equal(first, again)
    assert float(first.min()) >= 0.0
    assert float(first.max()) <= 255.0


@pytest.mark.parametrize("quality", [30.0, 60.0, 90.0])
def test_compression_loses_about_what_a_jpeg_file_loses(quality):
    rng = np.random.default_rng(1)
    picture = cv2.GaussianBlur(rng.uniform(0, 255, (256, 256, 3)).astype("f4"), (0, 0), 3)
    picture = np.clip((picture - 127) * 4 + 127, 0, 255).astype(np.uint8)
    _, data = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, int(quality)])
    real = cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1].astype(float)
    tensor = torch.from_numpy(picture.transpose(2, 0, 1)[None].astype("f4"))
    ours = augmentation.jpeg(tensor, torch.tensor([quality]))[0].numpy().transpose(1, 2, 0)
    lost, lost_here = (np.sqrt(np.mean((p - picture) ** 2)) for p in (real, ours))
    assert 0.4 < lost_here / lost < 1.6


@pytest.mark.filterwarnings("ignore")  # torch's older exporter warns of itself
def test_the_exported_network_answers_like_the_trained_one(tmp_path):
    onnxruntime = pytest.importorskip("onnxruntime")
    pytest.importorskip("onnx")
    from knee_angle.training import export

    torch.manual_seed(0)
    network = model.LegNetwork().eval().half()
    torch.save(network.state_dict(), tmp_path / "network.pt")
    card = json.loads(export.export(tmp_path / "network.pt", tmp_path).read_text())
    data = (tmp_path / "leg.onnx").read_bytes()
    assert hashlib.sha256(data).hexdigest() == card["sha256"]
    assert len(data) < 12e6
    session = onnxruntime.InferenceSession(data, providers=["CPUExecutionProvider"])
    windows = torch.rand(3, 3, 256, 256) * 255
    answers = session.run(None, {"windows": windows.numpy()})
    with torch.no_grad():
        expected = export.Answer(export.load_network(tmp_path / "network.pt"))(windows)
    for got, value in zip(answers, expected, strict=True):
        np.testing.assert_allclose(got, value.numpy(), rtol=1e-4, atol=1e-5)


def test_the_stated_covariance_is_what_the_likelihood_uses():
    from knee_angle.training.export import covariance

    spread = torch.tensor([[0.3, -0.2, 0.4]])
    a, b, c = model.whiten(spread, losses.POINT_SCALE)
    xx, xy, yy = covariance(spread, losses.POINT_SCALE)[0]
    factor = torch.tensor([[float(a), 0.0], [float(b), float(c)]])
    stated = torch.tensor([[xx, xy], [xy, yy]])
    torch.testing.assert_close(factor @ stated @ factor.T, torch.eye(2), atol=1e-5, rtol=1e-5)


def test_the_loss_bends_a_leg_as_the_measurement_does_whatever_the_window():
    from knee_angle.angle import geometry, trials

    torch.manual_seed(4)
    some = kept(16)
    some.points[:] = 90 + 200 * torch.rand_like(some.points)
    rays = geometry.rays(some.points[:, :3].numpy(), focal_px=400, centre_px=(SIZE / 2, SIZE / 2))
    normal = some.normal.numpy()[:, None]
    depth = np.tile(losses.DEPTH_MM, (16, 1))
    unit = geometry.to_plane_mm(
        geometry.meet_plane(rays, normal=normal, distance_mm=1.0), normal=normal
    )
    far = trials._distance_of_thigh(unit, depth, np.full(16, losses.THIGH_MM))
    met = geometry.meet_plane(rays, normal=normal, distance_mm=far[:, None] - depth)
    marks = geometry.to_plane_mm(met, normal=normal)
    expected = geometry.flexion_deg(*np.moveaxis(marks, 1, 0))
    for batch in (augmentation.cut(some), augmentation.cut(some)):
        bent = losses.flexion(batch.place, batch.points, batch.tilt).abs() * 180 / math.pi
        np.testing.assert_allclose(bent.numpy(), expected, atol=0.05)


def test_weights_from_before_a_layer_answer_as_they_did():
    from knee_angle.training import export

    torch.manual_seed(0)
    older, newer = model.LegNetwork().eval(), model.LegNetwork().eval()
    known = {k: v for k, v in older.state_dict().items() if not k.startswith(export.ADDED)}
    export.fill(newer, known)
    windows = torch.rand(1, 3, 256, 256) * 255
    with torch.no_grad():
        one, other = older(windows), newer(windows)
    for name, value in vars(one).items():
        torch.testing.assert_close(getattr(other, name), value)
