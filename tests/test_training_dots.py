"""How the network of what dots lie on was made; needs the extra ``[train]``."""

from __future__ import annotations

import hashlib
import io
import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

torch = pytest.importorskip("torch")
pytest.importorskip("moderngl")

import onnxruntime  # noqa: E402

from knee_angle.landmarks.dots.lying import KINDS, SIDE_PX  # noqa: E402
from knee_angle.photo.reading import read_photo  # noqa: E402
from knee_angle.training import dot_looks, dot_train  # noqa: E402
from knee_angle.training.bodies import load_bank  # noqa: E402
from knee_angle.training.dot_model import DotNetwork  # noqa: E402
from knee_angle.training.painted import Drawn  # noqa: E402
from knee_angle.training.pictures import load_pictures  # noqa: E402
from knee_angle.training.renderer import Renderer  # noqa: E402

BANK = Path(__file__).with_name("test_training_bank.npz")
GREY = 90.0


def ring(at: tuple[float, float], radius: float) -> np.ndarray:
    angle = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    return np.array(at) + radius * np.stack([np.cos(angle), np.sin(angle)], 1)


def drawn(foot_x: float) -> Drawn:
    """A grey picture with white dots at hip and hinge."""
    xy = {"hip": (120.0, 150.0), "knee": (220.0, 80.0), "ankle": (foot_x, 150.0)}
    rims = {"hip": ring((120.0, 150.0), 7.0), "hinge": ring((220.0, 95.0), 7.0)}
    bare = np.full((240, 440, 3), GREY, np.uint8)
    white = bare.copy()
    y, x = np.mgrid[:240, :440] + 0.5
    for rim in rims.values():
        cx, cy = rim.mean(axis=0)
        white[(x - cx) ** 2 + (y - cy) ** 2 < 49.0] = 242
    return Drawn(bare, white, rims, {n: np.array(v) for n, v in xy.items()}, 26.0, 0.0)


@pytest.mark.parametrize("foot_x", [320.0, 20.0], ids=["foot to the right", "foot to the left"])
def test_what_is_cut_shows_each_dot_in_its_middle_and_tells_what_it_lies_on(foot_x):
    cut, kinds = dot_looks._cut(drawn(foot_x), np.random.default_rng(4))
    assert kinds[:2].tolist() == [0, 4]
    assert set(kinds[2:].tolist()) <= {KINDS - 1}
    assert cut.shape[1:] == (2, dot_looks.CUT_PX, dot_looks.CUT_PX, 3)
    middle, beside = dot_looks.CUT_PX // 2, dot_looks.CUT_PX // 2 + 20
    for near in cut[:2, 0].astype(float):
        assert np.abs(near[middle, middle] - GREY).max() > 25.0
        assert np.abs(near[beside, beside] - GREY).max() < 25.0


SIX = {
    "hip": (60.0, 300.0), "knee": (250.0, 240.0), "ankle": (440.0, 300.0),
    "thigh_bar": (125.0, 318.0), "hinge": (250.0, 270.0), "shank_bar": (400.0, 318.0),
}  # fmt: skip
BUTTON = (330.0, 180.0)
"""Round and of the dots' green, and no dot."""


@pytest.mark.parametrize("also", [[BUTTON], []], ids=["a button of their colour", "dots alone"])
def test_what_the_program_mistakes_for_a_dot_is_cut_too(also):
    grey = np.full((400, 500, 3), GREY, np.uint8)
    picture = grey.copy()
    for at in [*SIX.values(), *also]:
        cv2.circle(picture, (round(at[0]), round(at[1])), 8, (20, 150, 60), -1, cv2.LINE_AA)
    file = io.BytesIO()
    Image.fromarray(picture).save(file, "PNG")
    rims = {name: ring(at, 8.0) for name, at in SIX.items()}
    places = {name: np.array(at) for name, at in SIX.items()}
    scene = Drawn(grey, picture, rims, places, 26.0, 0.0)
    photo = read_photo(file.getvalue())
    mistaken = dot_looks._mistaken(photo, scene, np.random.default_rng(2))
    at = np.array(also).reshape(-1, 2)
    assert np.unique(mistaken.round().astype(int), axis=0) == pytest.approx(at, abs=1)


def test_a_scenes_dots_are_cut_from_a_photo():
    backgrounds = load_pictures()
    renderer = Renderer(size=240, pictures=backgrounds)
    rng = np.random.default_rng(3)
    cut, kinds = next(dot_looks.looks(load_bank(BANK), renderer, rng, pictures=len(backgrounds)))
    assert len(cut) == len(kinds)
    assert cut.shape[1:] == (2, dot_looks.CUT_PX, dot_looks.CUT_PX, 3)
    assert len(set(kinds.tolist()) - {KINDS - 1}) == (kinds < KINDS - 1).sum()


def told_apart(folder: Path) -> None:
    """Looks whose kind is told by how bright they are, of ten photos."""
    rng = np.random.default_rng(5)
    kinds = np.tile(np.arange(KINDS), 20)
    shape = (len(kinds), 2, dot_looks.CUT_PX, dot_looks.CUT_PX, 3)
    looks = rng.normal(0, 4, shape) + 30 * kinds[:, None, None, None, None] + 20
    np.savez(
        folder / "looks_000.npz", looks=np.clip(looks, 0, 255).astype(np.uint8), kinds=kinds,
        photo=np.repeat(np.arange(10), len(kinds) // 10),
    )  # fmt: skip


def test_a_tenth_of_the_photos_is_kept_aside_whole(tmp_path):
    told_apart(tmp_path)
    (looks, kinds), (aside, of_them) = dot_train.load_looks(tmp_path)
    assert (len(looks), len(kinds), len(aside), len(of_them)) == (126, 126, 14, 14)


def test_what_is_cut_without_change_is_the_middle():
    looks = torch.arange(dot_looks.CUT_PX).repeat(dot_looks.CUT_PX, 1)[None, None, :, :, None]
    still = dot_train.cut(looks.expand(1, 2, -1, -1, 3), still=True)
    margin = (dot_looks.CUT_PX - SIDE_PX) // 2
    assert still[0, 0, 0, :, 0].tolist() == list(range(margin, margin + SIDE_PX))
    changed = dot_train.cut(looks.expand(1, 2, -1, -1, 3))
    assert changed.shape == still.shape
    assert 0.0 <= float(changed.min()) <= float(changed.max()) <= 255.0


@pytest.mark.parametrize(("times", "sharper"), [(0.5, True), (2.0, False)])
def test_a_network_that_is_too_sure_or_not_sure_enough_is_told_how_sure_to_be(times, sharper):
    torch.manual_seed(1)
    kinds = torch.randint(KINDS, (400,))
    odds = torch.randn(400, KINDS) + 2.0 * torch.nn.functional.one_hot(kinds, KINDS)

    class Says(DotNetwork):
        def forward(self, looks):
            row = looks[:, 0, 0, 0, 0].long()
            return torch.log_softmax(self.sharpness * times * odds[row], 1)

    looks = torch.arange(400).view(-1, 1, 1, 1, 1).expand(-1, 2, 96, 96, 3)
    network = Says()
    dot_train.sharpen(network, (looks, kinds), "cpu")
    assert (float(network.sharpness) > 1.0) is sharper


@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::UserWarning")
def test_a_short_training_learns_and_its_export_answers_as_it_does(tmp_path):
    told_apart(tmp_path)
    weights = tmp_path / "dots.pt"
    dot_train.main([
        "train", str(tmp_path), "--out", str(weights), "--device", "cpu", "--batch", "28",
        "--seconds", "1", "--least-steps", "60", "--rate", "0.02",
    ])  # fmt: skip
    network = DotNetwork()
    network.load_state_dict(torch.load(weights, weights_only=True))
    _, (aside, kinds) = dot_train.load_looks(tmp_path)
    says = dot_train.answers(network, aside, "cpu")
    assert float(torch.nn.functional.nll_loss(says, kinds)) < np.log(KINDS) - 0.3
    dot_train.main(["export", str(weights), "--out", str(tmp_path)])
    card = json.loads((tmp_path / "dots.json").read_text())
    model = (tmp_path / card["file"]).read_bytes()
    assert hashlib.sha256(model).hexdigest() == card["sha256"]
    looks = dot_train.cut(aside, still=True).to(torch.uint8).numpy()
    (answer,) = onnxruntime.InferenceSession(model).run(None, {"looks": looks})
    assert answer == pytest.approx(says.numpy(), abs=1e-3)
