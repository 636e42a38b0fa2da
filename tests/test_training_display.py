"""How the networks that read displays are made: what is drawn is what it says it is."""

from __future__ import annotations

import hashlib
import json

import cv2
import numpy as np
import onnxruntime
import pytest
from drawn_displays import FONTS, drawn, world

from knee_angle.photo.display.fit import normal
from knee_angle.photo.display.line import CHARACTERS
from knee_angle.photo.display.rectify import box_of, normalised, straightened

pytest.importorskip("torch")
pytest.importorskip("skimage")

import torch

from knee_angle.training import display_export, display_train
from knee_angle.training.display_glyphs import dot_line, font_line, segment_line
from knee_angle.training.display_judge import judged_scene
from knee_angle.training.display_samples import finder_block, fitter_block, reader_block

NETWORKS = ("finder", "fitter", "reader")
FACES = tuple(FONTS.glob("Vera*.ttf"))


@pytest.mark.parametrize(
    "draw",
    [
        pytest.param(segment_line, id="seven segments"),
        pytest.param(lambda rng, text: font_line(rng, text, FACES), id="print"),
        pytest.param(lambda rng, text: dot_line(rng, text, FACES), id="dots"),
    ],
)
def test_a_drawn_line_says_its_text_inside_its_box(draw):
    for seed, text in enumerate(["93°", "-5", "12:45", "123.5°"] * 3):
        line = draw(np.random.default_rng(seed), text)
        left, top, right, bottom = line.box
        assert line.says == text
        assert 30 <= bottom - top <= 50
        lit = np.argwhere(line.mask > 128)
        assert lit[:, 1].min() >= left - 2
        assert lit[:, 1].max() <= right + 1
        inside = line.mask[int(top) : int(bottom) + 1, int(left) : int(right) + 1] > 128
        assert inside.sum() > 0.85 * len(lit)


def test_a_scenes_numbers_lie_where_it_says():
    """The line laid straight has far more contrast than its surroundings."""
    for seed in range(6):
        scene = drawn(seed)
        for number in scene.numbers:
            crop, columns = straightened(scene.rgb, box_of(number.quad))
            assert crop[:, :columns].std() > 3
            assert set(number.says) <= set(CHARACTERS)


def test_a_picture_turned_by_quarters_keeps_its_numbers():
    picture = torch.zeros(1, 8, 8, 3)
    picture[0, 1, 6] = 1  # y 1, x 6: the pixel's middle is (6.5, 1.5)
    number = torch.tensor([[[6.5, 1.5, 2.0, 0.0, 0.0, 1.0, 1.0]]])
    for seed in range(8):
        torch.manual_seed(seed)
        turned, numbers = display_train._turned(picture, number)
        y, x = (int(v) for v in torch.nonzero(turned[0, :, :, 0])[0])
        assert numbers[0, 0, :2].tolist() == [x + 0.5, y + 0.5]
        ax, ay, vx, vy = numbers[0, 0, 2:6].tolist()
        assert ax * vy - ay * vx == 2.0, "down stays a quarter to the right of along"


def test_blocks_hold_what_the_losses_take_and_a_step_lowers_them():
    cv2.setNumThreads(1)
    rng = np.random.default_rng(3)
    blocks = {
        "finder": finder_block(rng, world(), 2), "fitter": fitter_block(rng, world(), 12),
        "reader": reader_block(rng, world(), 12),
    }  # fmt: skip
    for what, block in blocks.items():
        torch.manual_seed(1)
        network = display_train.network_of(what)
        tensors = {name: torch.from_numpy(values) for name, values in block.items()}
        optimiser = torch.optim.AdamW(network.parameters(), lr=2e-3)
        told = []
        for _ in range(12):
            loss = display_train.LOSSES[what](network, tensors)
            optimiser.zero_grad()
            loss.backward()
            optimiser.step()
            told.append(float(loss.detach()))
        assert np.mean(told[-3:]) < 0.8 * np.mean(told[:3])


def kept(folder):
    """Networks that nothing was taught, as a training keeps them."""
    torch.manual_seed(2)
    made = {what: display_train.network_of(what).eval() for what in NETWORKS}
    for what, network in made.items():
        torch.save(network.state_dict(), folder / f"{what}.pt")
    return made


@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::UserWarning")
def test_exported_weights_answer_as_the_networks_do(tmp_path, monkeypatch):
    monkeypatch.setattr(display_export, "HALVED", ())
    made = kept(tmp_path)
    card = display_export.export(tmp_path, tmp_path / "weights")
    assert set(json.loads(card.read_text())["sha256"]) == set(NETWORKS)
    line = reader_block(np.random.default_rng(1), world(), 1)["crops"]
    shown = normalised(line[0], 80)[None]
    session = onnxruntime.InferenceSession(str(tmp_path / "weights" / "reader.onnx"))
    read = session.run(None, {"lines": shown})
    with torch.no_grad():
        for one, expected in zip(read, made["reader"](torch.from_numpy(shown)), strict=True):
            assert one == pytest.approx(expected.numpy(), abs=1e-4)
    seen = fitter_block(np.random.default_rng(1), world(), 2)["pictures"]
    session = onnxruntime.InferenceSession(str(tmp_path / "weights" / "fitter.onnx"))
    (boxes,) = session.run(None, {"pictures": normal(seen)})
    with torch.no_grad():
        expected = made["fitter"](torch.from_numpy(normal(seen))).numpy()
    assert boxes == pytest.approx(expected, abs=1e-4)
    picture = np.random.default_rng(2).uniform(0, 255, (1, 3, 64, 96)).astype(np.float32)
    session = onnxruntime.InferenceSession(str(tmp_path / "weights" / "finder.onnx"))
    (seen,) = session.run(None, {"pictures": picture})
    with torch.no_grad():
        expected = made["finder"](torch.from_numpy(picture)).numpy()
    assert seen.shape == (1, 8, 16, 24)
    assert seen == pytest.approx(expected, abs=1e-3)


@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::UserWarning")
def test_the_reader_is_kept_in_half_its_bytes_and_reads_the_same(tmp_path, monkeypatch):
    made, weights = kept(tmp_path)["reader"], tmp_path / "weights"
    with monkeypatch.context() as whole:
        whole.setattr(display_export, "HALVED", ())
        display_export.main([str(tmp_path), "--to", str(weights)])
    before = {what: (weights / f"{what}.onnx").read_bytes() for what in NETWORKS}
    card = display_export.main(["--halve", "--to", str(weights)])
    after = {what: (weights / f"{what}.onnx").read_bytes() for what in NETWORKS}
    assert len(after["reader"]) < 0.52 * len(before["reader"])
    assert (after["finder"], after["fitter"]) == (before["finder"], before["fitter"])
    assert json.loads(card.read_text())["sha256"] == {
        what: hashlib.sha256(one).hexdigest() for what, one in after.items()
    }
    lines = reader_block(np.random.default_rng(4), world(), 8)["crops"]
    shown = np.stack([normalised(line, 80) for line in lines])
    columns, states = onnxruntime.InferenceSession(after["reader"]).run(None, {"lines": shown})
    with torch.no_grad():
        for read, expected in zip((columns, states), made(torch.from_numpy(shown)), strict=True):
            assert np.exp(read) == pytest.approx(np.exp(expected.numpy()), abs=2e-3)
    display_export.main(["--halve", "--to", str(weights)])
    assert (weights / "reader.onnx").read_bytes() == after["reader"], "halved once, not twice"
    display_export.main([str(tmp_path), "--to", str(weights)])
    assert (weights / "reader.onnx").read_bytes() == after["reader"], "an export halves by itself"


@pytest.mark.parametrize("call", [[], ["kept", "--halve"]], ids=["neither", "both"])
def test_an_export_is_of_kept_networks_or_halves_what_is_there(call, capsys):
    with pytest.raises(SystemExit):
        display_export.main(call)
    assert "or --halve" in capsys.readouterr().err


def test_a_judged_picture_tells_what_it_shows():
    row = judged_scene(drawn(1))
    assert [one["says"] for one in row["truth"]] == [n.says for n in drawn(1).numbers]
    for one in row["seen"]:
        assert 0 < sum(one["texts"].values()) < 1.01
